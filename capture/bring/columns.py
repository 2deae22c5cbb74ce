"""Columns by their names: those that nothing reads, and pixels that are out of order."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Sequence
from itertools import pairwise
from pathlib import Path

from runtime.errors import FormatError

__all__ = ["check_pixel_names", "unread_columns"]

_LIKENESS = 0.8
"""``Locked`` and ``hand_length_cm`` are as like what is read; of nine letters one may differ."""
_NUMBER = re.compile(r"\d+")


def unread_columns(path: Path, columns: Sequence[str], known: Collection[str]) -> tuple[str, ...]:
    """Return the columns of a table that nothing reads.

    Parameters
    ----------
    path : Path
        Names the table in errors.
    columns : sequence of str
        As the table names them.
    known : collection of str
        Those that are read.

    Raises
    ------
    FormatError
        One is nearly called like one that is read and is not there: what it says would be lost.
    """
    unread = tuple(column for column in columns if column not in known)
    missing = [name for name in known if name not in columns]
    for column in unread:
        meant = difflib.get_close_matches(column.strip().lower(), missing, 1, _LIKENESS)
        if meant:
            raise FormatError(
                f"{path} row 1", "a column's name", repr(column[:40]), meant[0],
                "call it so, or leave it out",
            )  # fmt: skip
    return unread


def check_pixel_names(path: Path, names: Sequence[str]) -> None:
    """Refuse columns of one exposure's pixels whose numbers say another order.

    Names are compared where all are alike but for their numbers, such as ``pixel_0`` or
    ``r0_c0``; these must rise, since pixels lie row by row of the sensor. Any other names say
    nothing.

    Raises
    ------
    FormatError
        They fall, or the first line holds counts in the place of names.
    """
    if all(_is_number(name) for name in names):
        whole = [int(float(name)) for name in names]
        if any(b != a + 1 for a, b in pairwise(whole)):
            raise FormatError(
                f"{path} row 1", "the first line", "numbers", "the names of the columns"
            )
        return
    if len({_NUMBER.sub("#", name) for name in names}) > 1:
        return
    numbers = [tuple(int(part[:18]) for part in _NUMBER.findall(name)) for name in names]
    for (before, first), (name, second) in pairwise(zip(names, numbers, strict=True)):
        if second <= first and first:
            raise FormatError(
                f"{path} row 1", "the order of the pixels' columns",
                f"{before[:40]} before {name[:40]}", "row by row of the sensor, numbers rising",
            )  # fmt: skip


def _is_number(name: str) -> bool:
    try:
        float(name)
    except ValueError:
        return False
    return len(name) < 20 and name.strip().lower().lstrip("+-") not in ("nan", "inf", "infinity")
