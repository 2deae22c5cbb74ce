"""What is told of a study: in lines, and as plain JSON values."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from itertools import groupby

from capture.study.orders import Step
from capture.study.standing import DONE, DOUBTFUL, MISSING, RUNNING, Standing, StationLeft

__all__ = ["hours", "standing_figures", "standing_lines"]


def hours(seconds: float) -> str:
    """Return a length of time as people say it: ``2 h 05 min``."""
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def standing_lines(now: Standing) -> Iterator[str]:
    """Yield how a study stands: the whole, each station, what is doubtful, then each person."""
    study = now.file.study
    n_steps = sum(now.count(state) for state in (DONE, DOUBTFUL, RUNNING, MISSING))
    yield (
        f"{study.name}: {now.count(DONE)} of {n_steps} sessions done, {now.count(DOUBTFUL)} "
        f"doubtful, {now.count(RUNNING)} being recorded, {now.count(MISSING)} missing; about "
        f"{hours(now.left_s)} left, with {now.changeover_s:.0f} s between recordings "
        f"({'as measured' if now.changeover_measured else 'by the plan'})"
    )
    for station in now.stations:
        yield _station_line(station, now)
    for caution in now.cautions:
        yield f"caution: {caution}"
    for each in now.held:
        for doubt in each.doubts:
            yield f"doubtful: {doubt}"
    for unplanned in now.unplanned:
        yield f"not planned: {unplanned}"
    for person, steps in groupby(now.held, lambda each: each.step.person):
        held = list(steps)
        marks = [mark for mark, people in (("locked", study.locked), ("withdrawn", study.withdrawn))
                 if person in people]  # fmt: skip
        who = f"{person} at {held[0].step.station}{''.join(f', {mark}' for mark in marks)}"
        yield f"{who}: " + ", ".join(f"{each.step.task} {each.state}" for each in held)


def _station_line(station: StationLeft, now: Standing) -> str:
    place = f"station {station.station} ({station.unit})"
    if station.next is None:
        here = [each.step for each in now.held if each.step.station == station.station
                and each.state == DOUBTFUL]  # fmt: skip
        again = ", ".join(f"{step.person} {step.task}" for step in here)
        told = f" but what is doubtful, with --participant: {again}" if again else ""
        return f"{place}: nothing left to record{told}"
    step = station.next
    return (
        f"{place}: next {step.person} with {step.task}, seed {step.seed}; "
        f"sessions left: {station.n_left}, about {hours(station.left_s)}"
    )


def standing_figures(now: Standing) -> dict[str, object]:
    """Return how a study stands as plain JSON values."""
    study = now.file.study
    return {
        "name": study.name,
        "order": study.order,
        "sha256": now.file.sha256,
        "n_done": now.count(DONE),
        "n_doubtful": now.count(DOUBTFUL),
        "n_running": now.count(RUNNING),
        "n_missing": now.count(MISSING),
        "left_s": now.left_s,
        "changeover_s": now.changeover_s,
        "changeover_measured": now.changeover_measured,
        "locked_drawn": study.drawn is not None,
        "locked": sorted(study.locked),
        "withdrawn": list(study.withdrawn),
        "stations": [
            {
                "station": station.station,
                "unit": station.unit,
                "n_left": station.n_left,
                "left_s": station.left_s,
                "next": None if station.next is None else _step_figures(station.next),
            }
            for station in now.stations
        ],
        "steps": [
            _step_figures(each.step)
            | {"state": each.state, "sessions": list(each.sessions), "doubts": list(each.doubts)}
            for each in now.held
        ],
        "unplanned": list(now.unplanned),
        "cautions": list(now.cautions),
    }


def _step_figures(step: Step) -> dict[str, object]:
    return dataclasses.asdict(step)
