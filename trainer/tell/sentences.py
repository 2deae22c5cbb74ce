"""What figures mean, in plain sentences: nothing is called different where intervals overlap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from capture.store.kind import KINDS, RECORDED, REHEARSED, kind_of
from runtime.budget.inputs.groups import Asked, untold
from runtime.intervals import time_counted
from trainer.judge.groups import MIN_PEOPLE, grouping_words, nameable

__all__ = [
    "below_words",
    "count",
    "difference_words",
    "emulated_words",
    "event_words",
    "from_end",
    "learning_words",
    "left_out_words",
    "per_hour",
    "percent",
    "purpose_words",
    "untold_words",
    "verdict",
    "worst_words",
]

Row = Mapping[str, Any]
WORTH_MORE_PEOPLE = 0.01
"""A gain from twice the people that is worth recording for: one point."""


def percent(figure: Row) -> str:
    """Return ``95.7 % (92.1 to 98.4; 3 people)``, with the people where they are known."""
    low, high = 100 * figure["low"], 100 * figure["high"]
    n_people = figure.get("n_participants")
    people = f"; {count(n_people, 'person', 'people')}" if n_people else ""
    return f"{100 * figure['value']:.1f} % ({low:.1f} to {high:.1f}{people})"


def count(number: float, one: str, many: str | None = None) -> str:
    """Return ``1 person`` or ``3 people``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def verdict(evaluation: Row) -> dict[str, str]:
    """Return the head of the page: a title and the sentences below it."""
    found, locked = (evaluation[key]["accuracy"] for key in ("everybody", "fixed"))
    people = count(found["n_participants"], "person", "people")
    return {
        "title": f"{100 * found['value']:.1f} % of takes recognised{_chance(evaluation)}.",
        "takes": f"Of {count(found['n_takes'], 'take')} by {people}, each asked once by a model "
        f"that had not seen them; with 95 % confidence {100 * found['low']:.1f} to "
        f"{100 * found['high']:.1f} % of such people's. Of them, "
        f"{count(locked['n_participants'], 'person', 'people')} had no part in any choice: "
        f"{percent(locked)}.",
        "beside": _beside(evaluation),
        "events": event_words(evaluation["events"]) if "events" in evaluation else "",
    }


def _chance(evaluation: Row) -> str:
    """Say that a model is not shown to be better than one answer for all; empty if it is."""
    one_answer = evaluation["majority"]["accuracy"]["value"]
    if evaluation["everybody"]["accuracy"]["low"] > one_answer:
        return ""
    return f", which is not shown to be more than one answer for all ({100 * one_answer:.1f} %)"


def _beside(evaluation: Row) -> str:
    if "everybody_four_quadrant" not in evaluation:
        return "The comparison with four quadrants was left out."
    baseline = evaluation["everybody_four_quadrant"]["accuracy"]
    difference = evaluation["differences"]["everybody_four_quadrant"]
    held = evaluation.get("take_end") == "cue"
    purpose = purpose_words(difference, held=held)
    if _chance(evaluation):
        purpose = "What is not shown to beat chance says nothing of what the fine readout is for."
    return (
        f"Four quadrants, with the same pipeline, reach {100 * baseline['value']:.1f} %: "
        f"{difference_words(difference)} {purpose}"
    )


def purpose_words(difference: Row, *, held: bool) -> str:
    """Say what the fine readout is for here, by its paired difference from four quadrants.

    Parameters
    ----------
    difference : mapping
        As of :func:`difference_words`, the model over four quadrants.
    held : bool
        Whether takes are shapes that are held still.
    """
    what = "held shapes of the hand" if held else "these movements"
    if difference["low"] > 0:
        return f"To tell {what} is what the fine readout is for."
    if difference["high"] < 0:
        return f"For {what} a plain sensor of four quadrants is the better one."
    return f"On {what} the fine readout is as good as four quadrants, and not shown to be better."


def difference_words(found: Row) -> str:
    """Say how much better a first pipeline is, paired over people, and whether that is shown."""
    points = 100 * found["value"]
    interval = (
        f"with 95 % confidence {100 * found['low']:+.1f} to {100 * found['high']:+.1f} points, "
        f"paired over {count(found['n_participants'], 'person', 'people')}"
    )
    if found["low"] > 0:
        return f"{points:.1f} points less ({interval})."
    if found["high"] < 0:
        return f"{-points:.1f} points more ({interval})."
    return f"this test shows no difference ({interval})."


def left_out_words(evaluation: Row) -> str:
    """Say which steps a quick training left out; empty if none."""
    names = {"learning-curve": "the learning curve", "quadrants": "the four-quadrant baseline"}
    left_out = [names[step] for step in evaluation.get("left_out", ())]
    return f"Left out of this training: {' and '.join(left_out)}." if left_out else ""


def emulated_words(evaluation: Row) -> str:
    """Return what has to be said of figures that rest on no recording; empty for a real sensor.

    Recorded, real shapes and invented are three kinds of data; figures on a mix of them say so.
    """
    kinds = {kind_of(unit) for unit in evaluation["recorded_by"]}
    if kinds == {RECORDED}:
        return ""
    if kinds == {REHEARSED}:
        return f"Made on {REHEARSED}: the shapes are of real people, the sensor is not real."
    if "source" in evaluation and len(kinds) == 1:
        return "Made on an emulated sensor with emulated lights: it says nothing of a real optic."
    real = "real people in real places" if "occupancy" in evaluation else "real hands"
    words = f"Made on an emulated sensor with invented people: it says nothing of {real}."
    if len(kinds) > 1:
        mix = " and ".join(kind for kind in KINDS if kind in kinds)
        words = f"A mix of data that is {mix} under one figure: it says nothing of real hands."
    events = evaluation.get("events")
    if events and events["false_events_per_hour"]["counted_on"] == "background":
        words += (
            " Its everyday time is busier than real days: it has no quiet hour, and hands are in "
            "view for much of it."
        )
    return words


def event_words(events: Row) -> str:
    """Say what the stream shows: gestures detected, false events per hour, latency."""
    rate, f1, latency = events["false_events_per_hour"], events["f1"], events["latency_ms"]
    hours = time_counted(rate["hours"]) + (
        " of everyday time"
        if rate["counted_on"] == "background"
        else " of gestures, the only time there is to count on"
    )
    words = (
        f"As a stream: event F1 {f1['value']:.3f} ({f1['low']:.3f} to {f1['high']:.3f}) on "
        f"{count(f1['n_events'], 'gesture')}; {count(rate['n_events'], 'false event')} in {hours}, "
        f"so at most {per_hour(rate['upper_95'])} an hour with 95 % confidence"
    )
    if latency["n_events"]:
        words += (
            f"; detected {from_end(latency['median'])} the gesture's end (median), 95 % of events "
            f"by {from_end(latency['p95'])} it"
        )
    return words + "."


def per_hour(rate: float) -> str:
    """Return a rate with two digits, without an exponent."""
    return f"{rate:.2f}" if rate < 10 else f"{rate:,.0f}"


def from_end(ms: float) -> str:
    """Return a time as ``120 ms after`` or ``40 ms before``."""
    return f"{abs(ms):.0f} ms {'after' if ms >= 0 else 'before'}"


def learning_words(curve: Sequence[Row]) -> str:
    """Tell a data collector whether to go on recording people."""
    if len(curve) < 2:
        return "Too few people for a learning curve: record more."
    last = curve[-1]
    halves = [row for row in curve[:-1] if row["n_participants"] <= last["n_participants"] / 1.5]
    before = halves[-1] if halves else curve[0]
    gain = last["accuracy"]["value"] - before["accuracy"]["value"]
    step = f"From {before['n_participants']} to {last['n_participants']} people, accuracy on others"
    if last["accuracy"]["low"] > before["accuracy"]["high"]:
        return f"{step} rose by {100 * gain:.1f} points and is still rising: go on recording."
    if gain >= WORTH_MORE_PEOPLE:
        return (
            f"{step} rose by {100 * gain:.1f} points, which is within the intervals: more people "
            "may help, and recording some would show it."
        )
    change = "did not rise" if gain <= 0 else f"rose by {100 * gain:.1f} points only"
    return (
        f"{step} {change}: more people of this kind will hardly help. Record other kinds of people "
        "and conditions, or improve the recipe."
    )


def worst_words(group: Row | None, groups: Mapping[str, Sequence[Row]]) -> str:
    """Name the worst group, of how many it is, and say whether it differs from the others."""
    if group is None:
        return (
            f"No group of at least {MIN_PEOPLE} people has another beside it: too few to name a "
            "worst."
        )
    n = len(nameable(groups))
    of = f"Worst of {n} groups" if n > 1 else "The only group with enough people, and others beside"
    words = (
        f"{of}: {_group_words(group['grouping'], group)}, {percent(group['accuracy'])}, "
        f"{count(group['accuracy']['n_takes'], 'take')}."
    )
    if group["below_others"]:
        return words + " Its interval lies below that of all others: a real difference."
    return words + " Its interval overlaps that of the others: no difference is shown."


def untold_words(evaluation: Row) -> str:
    """Name the groups of which too little is known, on either side; empty where there is none."""
    asked = (
        Asked(grouping, row["name"], row["accuracy"]["n_participants"], row["enough_people"])
        for key in ("groups", "groups_in_turn")
        for grouping, rows in evaluation[key].items()
        for row in rows
    )
    kinds: dict[str, list[str]] = {}
    for group in untold(asked):
        kind = grouping_words(group.grouping).split(",")[0]
        kinds.setdefault(kind, []).append(f"{group.name} ({group.n_people or 'none'})")
    if not kinds:
        return ""
    listed = "; ".join(f"{kind}: {', '.join(names)}" for kind, names in kinds.items())
    return (
        f"Of these groups nothing can be told: fewer than {MIN_PEOPLE} people are known to be in "
        f"them, or none. Whoever is may be served worse. {listed[0].upper()}{listed[1:]}."
    )


def _group_words(grouping: str, group: Row) -> str:
    return f"{grouping_words(grouping).split(',')[0]}, “{group['name']}”"


def below_words(groups: Mapping[str, Sequence[Row]]) -> list[str]:
    """Name every group that is shown to be served less well than all others, one a sentence."""
    return [
        f"Works less well for {_group_words(grouping, row)}: {percent(row['accuracy'])}, where all "
        f"others have {percent(row['others'])}."
        for grouping, rows in groups.items()
        for row in rows
        if row["below_others"]
    ]
