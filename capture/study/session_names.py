"""Names of sessions that two laptops cannot give alike: number, then station or a random part."""

from __future__ import annotations

import random
import re
from pathlib import Path

from capture.store.dataset import find_sessions
from runtime.errors import UsageError

__all__ = ["next_session"]

_LETTERS = "abcdefghijkmnpqrstuvwxyz"  # none that reads like a digit
_SIGNS = _LETTERS + "23456789"
_N_SIGNS = 5
"""24 x 32^4 names: of two laptops that give one number to one person, one pair in 25 million is
alike."""
_NUMBER = re.compile(r"\d{1,3}(?!\d)")  # a longer one is a date, or somebody's own name


def next_session(
    root: Path, participant_id: str, task: str, station: str | None, chance: random.Random
) -> str:
    """Return the name of a participant's next session of a task: ``03a``, ``03`` and its station.

    The number is one above those that are there, so that names sort as they were given. A number
    is followed by a letter always: ``01a1`` is nothing but number 01 of station a1.

    Parameters
    ----------
    root : Path
        Data set, which need not be there yet.
    station : str or None
        Name of the station, which no other laptop of the study has; None for a random part.
    chance : random.Random
        What the random part is drawn from.

    Raises
    ------
    UsageError
        There are 999 sessions already.
    """
    names = [
        info.session
        for info in find_sessions(root)
        if (info.participant_id, info.task) == (participant_id, task)
    ]
    numbers = [int(found[0]) for name in names if (found := _NUMBER.match(name))]
    number = max(numbers, default=0) + 1
    if number > 999:
        raise UsageError(str(root), "number of sessions", 999, "fewer for one participant and task")
    part = station or (
        chance.choice(_LETTERS) + "".join(chance.choice(_SIGNS) for _ in range(_N_SIGNS - 1))
    )
    return f"{number:02d}{part}"
