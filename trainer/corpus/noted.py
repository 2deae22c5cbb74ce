"""What a data set notes of its people, column by column, whatever the columns are called."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from capture.store.dataset import PARTICIPANT_COLUMNS
from capture.tsv_tables import read_table

__all__ = ["Column", "column_of", "columns_of_people"]

NOT_OF_PEOPLE = (*PARTICIPANT_COLUMNS, "locked")
"""Columns that say what is done with a person's recordings, not who the person is."""


@dataclass(frozen=True, slots=True)
class Column:
    """What a column says of people.

    Parameters
    ----------
    name : str
    words : mapping of str to str
        By pseudonym, as it is written; who is not in it is not known.
    numbers : mapping of str to float, or None
        The same as numbers; None where they are words.
    """

    name: str
    words: Mapping[str, str]
    numbers: Mapping[str, float] | None = None


def columns_of_people(data: Path) -> list[Column]:
    """Read the columns of ``participants.tsv`` that tell people apart.

    Raises
    ------
    UsageError, FormatError
        The table cannot be read.
    """
    rows = [row for _, row in read_table(data / "participants.tsv", PARTICIPANT_COLUMNS)]
    people = [str(row["participant_id"]).removeprefix("sub-") for row in rows]
    found = []
    for name in rows[0] if rows else ():
        texts = {
            person: text
            for person, row in zip(people, rows, strict=True)
            for text in [row.get(name)]
            if text is not None
        }
        column = None if name in NOT_OF_PEOPLE else column_of(name, texts)
        found += [] if column is None else [column]
    return found


def column_of(name: str, texts: Mapping[str, str]) -> Column | None:
    """Return a column by what is written in it; None where it tells nobody apart.

    It is of numbers where all of its values are, and more than two of them differ: two numbers that
    differ are two kinds.
    """
    if len(set(texts.values())) < 2:
        return None
    try:
        numbers = {key: float(text) for key, text in texts.items()}
    except ValueError:
        return Column(name, texts)
    amounts = set(numbers.values())
    if len(amounts) > 2 and all(math.isfinite(amount) for amount in amounts):
        return Column(name, texts, numbers)
    return Column(name, texts)
