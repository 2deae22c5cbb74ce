"""Lines of the tables that MEASURED.md keeps of lessons, with an interval beside each figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["known_lines", "left_lines", "own_lines"]

_Table = Mapping[str, Any]


def known_lines(name: str, own: _Table, elsewhere: _Table) -> list[str]:
    """Return a line for each number of takes: what known classes gained in both places.

    "At least" is the lower end of the paired interval of all but the worst tenth.
    """
    lines = []
    for number, (here, there) in enumerate(zip(own["classes"], elsewhere["classes"], strict=True)):
        cells = [f"{name}: {here['n_shown']}" if number == 0 else str(here["n_shown"])]
        for row in (here, there):
            cells += [f"{row['mean']['before']:.3f}", _moved(row["mean"]), _tenth(row), _least(row)]
        lines.append(_line([*cells, f"{here['refused_per_session']:.2f}"]))
    return lines


def left_lines(name: str, own: _Table, elsewhere: _Table) -> list[str]:
    """Return a line of left-handed people, where there are enough to be told of."""
    told, n_left = [], 0
    for here, there in zip(own["classes"], elsewhere["classes"], strict=True):
        if here["left_handed"] and there["left_handed"]:
            n_left = here["left_handed"]["n_people"]
            before, after = (row["left_handed"]["before"] for row in (here, there))
            told += [
                f"{here['n_shown']}: {before:.2f} {_moved(here['left_handed'])}, "
                f"elsewhere {after:.2f} {_moved(there['left_handed'])}"
            ]
    return [f"left-handed, {name} ({n_left}): " + "; ".join(told)] if told else []


def own_lines(name: str, own: _Table, elsewhere: _Table, alone: bool) -> list[str]:
    """Return a line of what came of own gestures after each number of takes, in both places."""
    kind = "new_gesture_alone" if alone else "new_gesture"
    cells = [_found(row) for row in own[kind]]
    cells += [f"{row['n_shown']}: {_found(row)}" for row in elsewhere[kind] if row["n_shown"] > 1]
    cells += [_accepted(own, kind)]
    return [_line([name, *cells])] if own[kind] else []


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _half(interval: Sequence[float], scale: float) -> float:
    return scale * (interval[1] - interval[0]) / 2


def _moved(row: _Table) -> str:
    gain = 100 * (row["after"] - row["before"])
    return f"{gain:+.1f} ± {_half(row['difference'], 100):.1f}"


def _tenth(row: _Table) -> str:
    tenth = row["worst_tenth"]
    if tenth is None:
        return "too few people"
    return f"{tenth['before']:.2f} to {tenth['after']:.2f} ({_moved(tenth)})"


def _least(row: _Table) -> str:
    return (
        "too few people"
        if row["others"] is None
        else f"{100 * row['others']['difference'][0]:+.1f}"
    )


def _found(row: _Table) -> str:
    if row["found"] is None:
        return "none accepted"
    half = _half(row["found_interval"], 1)
    return f"{row['found']:.2f} ± {half:.2f}; {_moved(row['known_classes'])}"


def _accepted(table: _Table, kind: str) -> str:
    """Return of how many lessons all takes of an own gesture were kept, by number of takes."""
    told = []
    for at, row in enumerate(table[kind]):
        rows = [of[kind][at] for of in table["by_class"].values()]
        kept, of_all = (sum(one[key] for one in rows) for key in ("n_accepted", "n_people"))
        told.append(f"{row['n_shown']}: {kept} of {of_all}")
    return ", ".join(told)
