"""The charts of the evaluation page, each from a part of evaluation.json."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from trainer.judge.worst_takes import WorstTake
from trainer.tell.charts import Label, Plot, Room, nice_ticks

__all__ = [
    "MANY_PEOPLE",
    "latency_chart",
    "learning_chart",
    "participants_chart",
    "scores_chart",
    "trade_off_chart",
]

Row = Mapping[str, Any]
MANY_PEOPLE = 100
"""More are counted by how many they had right: a row for each would fill pages."""
MANY_TAKES = 20
"""Up to so many, each number of right takes has a bar of its own."""
NAMED_PEOPLE = 40
"""So many are named beside their rows."""
SIDES = {"locked": "right", "in_turn": "hollow"}
SIDE_BY_SIDE = 80.0
"""Units that the words at the tops of two lines need, one reaching right and one left."""
KNEE_PER_HOUR = 0.5
"""The axis of false events per hour is even below this, and logarithmic above."""


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %"


def participants_chart(rows: Sequence[Row]) -> Markup:
    """Each participant's share of right takes, worst below; of many, how many have which."""
    if len(rows) > MANY_PEOPLE:
        return _counted_by_share(rows)
    ordered = sorted(rows, key=lambda r: (r["n_right"] / r["n_takes"], r["participant"]))
    shares = [row["n_right"] / row["n_takes"] for row in ordered]
    are_named = len(ordered) <= NAMED_PEOPLE
    pitch = 15.0 if are_named else max(7.2, 600 / len(ordered))
    low = min(0.9, math.floor(min(shares) * 10) / 10)
    plot = Plot(
        f"Share of right takes of {len(ordered)} participants, from {_percent(shares[0])} "
        f"to {_percent(shares[-1])}",
        (low, 1.0),
        (-0.7, len(ordered) - 0.3),
        height=50 + pitch * len(ordered),
        room=Room(left=44.0 if are_named else 14.0, right=16.0),
    )
    plot.x_axis([(t, f"{100 * t:g} %") for t in nice_ticks(low, 1.0)], "takes answered right")
    for place, (row, share) in enumerate(zip(ordered, shares, strict=True)):
        plot.line((low, 1.0), (place, place), "faint")
        plot.dot(share, place, SIDES[row["side"]])
        if are_named:
            plot.margin_note(place, row["participant"])
    return plot.svg()


def _counted_by_share(rows: Sequence[Row]) -> Markup:
    """How many participants have which share of right takes, locked ones at the foot of each bar.

    A bar stands for each number of right takes where people gave up to 20, else for each tenth: of
    twelve takes two numbers would fall into one tenth and none or one into the next.
    """
    most = max(row["n_takes"] for row in rows)
    parts = most if most <= MANY_TAKES else 10
    counts = {side: [0] * (parts + 1) for side in SIDES}
    for row in rows:  # the nearest part, in whole numbers
        place = (2 * parts * row["n_right"] + row["n_takes"]) // (2 * row["n_takes"])
        counts[row["side"]][place] += 1
    both = [sum(pair) for pair in zip(*counts.values(), strict=True)]
    said = ", ".join(f"{n} at {100 * place / parts:.0f} %" for place, n in enumerate(both) if n)
    half = 0.5 / parts
    plot = Plot(
        f"Participants by their share of right takes, {len(rows)} in all: {said}",
        (-half, 1.0 + half),
        (0, max(both) * 1.05),
        room=Room(top=18.0),
    )
    plot.y_axis([(t, f"{t:g}") for t in nice_ticks(0, max(both), 4) if t == int(t)], "participants")
    for place, (locked, n) in enumerate(zip(counts["locked"], both, strict=True)):
        across = (place / parts - half, place / parts + half)
        plot.bar(across, (locked, n), "hollow")
        plot.bar(across, (0, locked), "right")
    plot.x_axis([(t, f"{100 * t:g} %") for t in nice_ticks(0.0, 1.0)], "takes answered right")
    return plot.svg()


def _knee(value: float) -> float:
    return math.log10(1 + value / KNEE_PER_HOUR)


def _most_found(rows: Sequence[Row], most: float) -> tuple[list[float], list[float]]:
    """Return the most that any margin finds against the false events per hour it may have.

    A margin that finds fewer gestures with as many false events, or with more, is in no step: rates
    and what is found both rise and fall as a margin falls, so that a line through the margins in
    their order would double back.

    Returns
    -------
    rates, found : list of float
        Corners of steps, from the fewest false events per hour to `most`.
    """
    rates: list[float] = []
    found: list[float] = []
    for row in sorted(rows, key=lambda r: (r["false_per_hour"], -r["recall"])):
        before = found[-1] if found else None
        if before is None or row["recall"] > before:
            rate = row["false_per_hour"]
            rates += [rate] if before is None else [rate, rate]
            found += [row["recall"]] if before is None else [before, row["recall"]]
    return [*rates, most], [*found, found[-1]]


def trade_off_chart(events: Row) -> Markup:
    """The most gestures detected with so many false events per hour; the margin in use is marked.

    The margin in use is one of the locked people's margins too: nothing lies above their line.
    """
    rate, share = events["false_events_per_hour"]["value"], events["recall"]["value"]
    in_use = {"false_per_hour": rate, "recall": share}
    curves = {
        "line soft": events["trade_off_in_turn"],
        "line accent": [*events["trade_off"], in_use],
    }
    most = max([1.0, rate, *(row["false_per_hour"] for rows in curves.values() for row in rows)])
    plot = Plot(
        "The most gestures detected with at most so many false events per hour; in use: "
        f"{_percent(share)} at {rate:.2f} an hour",
        (0.0, most),
        (0.0, 1.0),
        room=Room(left=44.0),
        x_scale=_knee,
    )
    plot.y_axis([(t, f"{100 * t:.0f} %") for t in (0.0, 0.25, 0.5, 0.75, 1.0)])
    ticks = [t for t in (0.0, 0.5, 2.0, 10.0, 50.0, 200.0, 1000.0, 5000.0) if t <= most]
    plot.x_axis([(t, f"{t:g}") for t in ticks], "false events per hour")
    lines = {kind: _most_found(rows, most) for kind, rows in curves.items()}
    for kind, line in lines.items():
        plot.line(*line, kind)
    plot.dot(rate, share, "right", 5)
    plot.labels([Label(rate, share, "in use")], [*lines.values(), ([rate], [share])])
    return plot.svg()


def latency_chart(latency: Row) -> Markup:
    """Histogram of the time from a gesture's end to its event."""
    bins = latency["histogram"]
    most = max(row["n_events"] for row in bins)
    low = min(0, bins[0]["from"])
    high = max(bins[-1]["to"], low + 300)
    plot = Plot(
        f"Latency of {latency['n_events']} events: median {latency['median']:.0f} ms, "
        f"95th percentile {latency['p95']:.0f} ms",
        (low, high),
        (0, most * 1.15),
        height=170,
    )
    plot.y_axis([(t, f"{t:g}") for t in nice_ticks(0, most, 4) if t == int(t)])
    for row in bins:
        plot.bar((row["from"], row["to"]), (0, row["n_events"]), "heap")
    plot.x_axis(
        [(t, f"{t:g}") for t in nice_ticks(low, high, 6)],
        "ms from the gesture's end to its event",
    )
    plot.rule(latency["median"], "mark", "median")
    between = plot.x(latency["p95"]) - plot.x(latency["median"])
    plot.rule(latency["p95"], "mark thin", "95 %", row=int(between < SIDE_BY_SIDE))
    return plot.svg()


def learning_chart(curve: Sequence[Row]) -> Markup:
    """Accuracy on people held out against the number of people learned from."""
    numbers = [row["n_participants"] for row in curve]
    figures = [row["accuracy"] for row in curve]
    low = math.floor(min(f["low"] for f in figures) * 10) / 10
    plot = Plot(
        "Accuracy on people held out by the number of people learned from: "
        + ", ".join(
            f"{n} people {_percent(f['value'])}" for n, f in zip(numbers, figures, strict=True)
        ),
        (numbers[0] * 0.85, numbers[-1] * 1.15),
        (low, 1.0),
        height=170,
        room=Room(left=42.0),
        x_scale=math.log,
    )
    plot.y_axis([(t, f"{100 * t:g} %") for t in nice_ticks(low, 1.0, 4)])
    plot.x_axis([(n, str(n)) for n in numbers], "people learned from")
    for number, figure in zip(numbers, figures, strict=True):
        plot.line((number, number), (figure["low"], figure["high"]), "interval")
    plot.line(numbers, [f["value"] for f in figures], "line accent")
    for number, figure in zip(numbers, figures, strict=True):
        plot.dot(number, figure["value"], "right")
    return plot.svg()


def scores_chart(take: WorstTake) -> Markup:
    """Scores of one take over time: the reference class, the one answered, and the best other."""
    summary = take.summary
    times = take.time_s - summary["begins_s"]
    answered = take.answer if take.answer != take.reference else None
    rest = [c for c in range(take.scores.shape[1]) if c not in (take.reference, answered)]
    others = take.scores[:, rest].max(axis=1) if rest else take.scores[:, take.reference]
    low, high = float(take.scores.min()), float(take.scores.max())
    judged = summary["at_s"] - summary["begins_s"]
    plot = Plot(
        f"Scores over time of {summary['reference']} by {summary['participant']}, "
        f"answered {summary['answer']}",
        (float(times[0]), float(times[-1])),
        (low - 0.05 * (high - low), high + 0.12 * (high - low)),
        height=120,
        room=Room(left=12.0, top=14.0),
    )
    plot.bar((0.0, judged), (low - 0.05 * (high - low), high + 0.12 * (high - low)), "span")
    plot.line(times.tolist(), others.tolist(), "line soft")
    if answered is not None:
        plot.line(times.tolist(), take.scores[:, answered].tolist(), "line ink")
    plot.line(times.tolist(), take.scores[:, take.reference].tolist(), "line accent")
    plot.x_axis(
        [(t, f"{t:g}") for t in nice_ticks(float(times[0]), float(times[-1]), 6)],
        "s from the take's beginning",
    )
    plot.rule(judged, "mark", "judged")
    return plot.svg()
