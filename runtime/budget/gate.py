"""The gate: every limit of a file held against its value in a budget."""

from __future__ import annotations

from runtime.budget.inputs.evaluation import Evaluation, Figure
from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.result import Budget
from runtime.budget.verdict.limits import Basis, Check, Limits, check, verdict_check

__all__ = ["held"]

_HOLDS_THE_LIMIT = "the interval holds the limit: ask more people"


def held(limits: Limits, priced: Budget) -> tuple[Check, ...]:
    """Hold each value against the limit that the file gives for it, if it gives one."""
    core, use, found = priced.core, priced.verdict, priced.evaluation
    low, typical, high = core.cycles_per_frame
    n_varying = sum(x.varies for x in priced.inputs.values())
    by_formula = Basis(
        "computed", "from the inputs by the formulas",
        f"{priced.n_draws:,} draws of {n_varying} inputs",
    )  # fmt: skip
    executed = Basis(
        "counted", f"executed on an emulated {core.core}", f"{core.n_frames} frame pairs"
    )
    sized = Basis("counted", f"ELF file compiled for {core.core}")
    screened = Basis("computed", "limit / value for the eye, strongest LED of its range")
    rows = (
        ("cycles per frame", "cycles", Interval(typical, low, high), limits.cycles_per_frame,
         executed),
        ("latency of one frame", "ms", priced.latency_ms, limits.latency_ms, by_formula),
        ("flash", "bytes", _exact(core.code_bytes + core.const_bytes), limits.flash_bytes, sized),
        ("RAM", "bytes", _exact(core.ram_bytes), limits.ram_bytes, sized),
        ("stack", "bytes", _exact(core.stack_bytes), limits.stack_bytes, sized),
        ("average power", "µW", priced.average_uw, limits.average_uw, by_formula),
        ("battery a day", "%", use.percent_per_day, limits.percent_per_day, by_formula),
        ("charge shorter by", "min", use.minutes_lost, limits.minutes_per_charge, by_formula),
        ("light margin", "times", _exact(priced.light.margin), limits.light_margin, screened),
        ("accuracy", "%", *_accuracy(limits, found)),
        ("worst group", "%", *_worst_group(limits, found)),
        ("event F1", "", *_event_f1(limits, found)),
        ("false events", "per hour", *_false_events(limits, found)),
    )  # fmt: skip
    floors = "light margin", "accuracy", "worst group", "event F1"
    checks = [
        check(what, unit, value, float(limit), what in floors, basis)
        for what, unit, value, limit, basis in rows
        if limit is not None
    ]
    if limits.verdict is not None:
        checks.insert(0, verdict_check(use, limits.verdict, by_formula.counted))
    return tuple(checks)


def _exact(value: float) -> Interval:
    return Interval(value, value, value)


_Row = tuple[Interval | None, float | None, Basis]
_NEW_PEOPLE = "participants never trained on"


def _people(figure: Figure, things: str, n_things: int | None) -> str:
    """Say how much was counted: ``528 takes of 12 people``."""
    n = figure.n_participants
    people = "" if n is None else f"{n} {'person' if n == 1 else 'people'}"
    counted = "" if n_things is None else f"{n_things:,} {things}"
    return " of ".join(filter(None, (counted, people)))


def _accuracy(limits: Limits, found: Evaluation | None) -> _Row:
    scores = None if found is None else found.recognised
    limit = None if limits.accuracy is None else 100 * limits.accuracy
    if scores is None:
        return None, limit, Basis("counted", _NEW_PEOPLE)
    x = scores.accuracy
    return (
        x.interval.times(100.0),
        limit,
        Basis("counted", _NEW_PEOPLE, _people(x, "takes", x.n_takes)),
    )


def _worst_group(limits: Limits, found: Evaluation | None) -> _Row:
    limit = None if limits.worst_group is None else 100 * limits.worst_group
    group = None if found is None else found.group_that_decides(limits.worst_group or 0.0)
    untold = () if found is None else found.untold_groups
    missing = f"too few people to tell: {', '.join(untold)}" if untold else ""
    if group is None:
        return None, limit, Basis("counted", _NEW_PEOPLE, missing=missing)
    x = group.accuracy
    counted = f"{group.words}, {_people(x, 'takes', x.n_takes)}"
    if x.low < (limits.worst_group or 0.0) <= x.value:
        # Whoever is asked few is not served well for it: no gate opens by too little data.
        missing = "; ".join(filter(None, (_HOLDS_THE_LIMIT, missing)))
    return x.interval.times(100.0), limit, Basis("counted", _NEW_PEOPLE, counted, missing)


def _event_f1(limits: Limits, found: Evaluation | None) -> _Row:
    x = None if found is None or found.events is None else found.events.f1
    if x is None:
        return None, limits.event_f1, Basis("counted", _NEW_PEOPLE)
    counted = _people(x, "gestures", x.n_events)
    return x.interval, limits.event_f1, Basis("counted", _NEW_PEOPLE, counted)


def _false_events(limits: Limits, found: Evaluation | None) -> _Row:
    counted = "" if found is None else found.false_events_counted
    value = None if found is None else found.false_events
    return value, limits.false_events_per_hour, Basis("counted", _NEW_PEOPLE, counted)
