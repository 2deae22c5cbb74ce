"""Who does which script when and where: orders balanced between people, a seed for each session."""

from __future__ import annotations

import functools
import hashlib
import zlib
from dataclasses import dataclass

import numpy as np

from capture.study.plan import Study, StudyFile

__all__ = ["Step", "steps_of", "stream", "williams_design"]


@dataclass(frozen=True, slots=True)
class Step:
    """One session that is planned.

    Parameters
    ----------
    person : str
        Pseudonym.
    place : int
        How many sessions of this person come before it.
    task : str
        Name of its script.
    repetition : int
        How often this person did the script before.
    seed : int
        Seed of the order of its cues; no two sessions of the study share one but by chance.
    station : str
        Where.
    unit : str
        The device that stands there.
    """

    person: str
    place: int
    task: str
    repetition: int
    seed: int
    station: str
    unit: str


def stream(seed: int, *names: str | int) -> np.random.Generator:
    """Return a generator for one purpose of a study: what is drawn for one moves no other."""
    key = [zlib.crc32(name.encode()) if isinstance(name, str) else name for name in names]
    return np.random.default_rng([seed, *key])


@functools.lru_cache(maxsize=16)
def williams_design(n: int) -> tuple[tuple[int, ...], ...]:
    """Return orders of `n` things, balanced for place and for what comes before.

    Parameters
    ----------
    n : int
        Things, >= 1.

    Returns
    -------
    tuple of tuple of int
        `n` orders for an even `n`, 2 `n` for an odd one above 1. Each thing stands in each place
        equally often, and directly behind each other one equally often (once, or twice for odd
        `n`).

    Notes
    -----
    E. J. Williams, "Experimental designs balanced for the estimation of residual effects of
    treatments", Australian Journal of Scientific Research A 2, 1949: the first order goes 0, 1,
    n-1, 2, n-2 and on, each further one adds 1 modulo n; for odd n the same orders read backwards
    are added.
    """
    first = [0]
    for step in range(1, n):
        first.append((step + 1) // 2 if step % 2 else n - step // 2)
    square = tuple(tuple((thing + row) % n for thing in first) for row in range(n))
    if n % 2 == 0 or n == 1:
        return square
    return square + tuple(row[::-1] for row in square)


def steps_of(file: StudyFile) -> dict[str, tuple[Step, ...]]:
    """Return each person's sessions in the order in which they do them.

    Everybody does all scripts once, then all that are to be repeated once more, and so on. People
    are shared out between the stations in turn, and each block of people, as many as there are
    orders times stations, has every order once at every station; which of them comes first in a
    block is drawn. A person who is added at the end of the list moves nobody.
    """
    return {
        person: tuple(_person_steps(file, person, index))
        for index, person in enumerate(file.study.people)
    }


def _person_steps(file: StudyFile, person: str, index: int) -> list[Step]:
    study = file.study
    station = study.station[index % len(study.station)]
    steps: list[Step] = []
    for repetition in range(max(one.repetitions for one in study.script)):
        due = [
            script.name
            for script, one in zip(file.scripts, study.script, strict=True)
            if one.repetitions > repetition
        ]
        for thing in _order(study, person, index // len(study.station), len(due), repetition):
            task = due[thing]
            seed = _cue_seed(study.seed, person, task, repetition)
            place = len(steps)
            steps.append(Step(person, place, task, repetition, seed, station.name, station.unit))
    return steps


def _order(
    study: Study, person: str, index: int, n: int, repetition: int
) -> tuple[int, ...] | list[int]:
    """Return the order of `n` scripts for the person of an index among those of a station."""
    if study.order == "shuffle":
        drawn: list[int] = stream(study.seed, "order", person, repetition).permutation(n).tolist()
        return drawn
    rows = williams_design(n)
    block, place = divmod(index, len(rows))
    drawn_rows = stream(study.seed, "rows", block).permutation(len(rows))
    return rows[(int(drawn_rows[place]) + repetition) % len(rows)]


def _cue_seed(seed: int, person: str, task: str, repetition: int) -> int:
    """Return 32 bits that follow from what a session is, and from nothing else in the list."""
    digest = hashlib.sha256(f"{seed}/{person}/{task}/{repetition}".encode()).digest()
    return int.from_bytes(digest[:4], "big")
