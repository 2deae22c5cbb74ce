"""Data sets of people whom a model learns from, and of others who are also asked elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from invented_people import add_person, record_session
from kept_sets import make_once
from worlds.recording import People, few_takes, record_elsewhere, record_world
from worlds.world import World

from capture.emulated.optic.optics import SENSORS

__all__ = ["ASKED", "LEARNED", "Role", "record_role"]

EMULATED_HZ = 3.0
"""Frames of a pose that follow one another faster are much alike."""
QUICK = {"finger_count": "finger_count_quick"}
"""By script, the same in less time."""


@dataclass(frozen=True, slots=True)
class Role:
    """Who people are to a model, and how many takes of each class they give in each session.

    Parameters
    ----------
    name : str
        Ends the name of their data set.
    in_world, emulated : tuple of int
        Of a world's people, who sit elsewhere from the second session on, and of those before the
        built-in sensor; these are quickly had, and so have one session more.
    """

    name: str
    in_world: tuple[int, ...]
    emulated: tuple[int, ...]


LEARNED = Role("learned", (5,), (2, 2))
ASKED = Role("asked", (9, 4), (9, 4, 4))


def record_role(
    folder: Path,
    world: World | None,
    script: str,
    role: Role,
    people: People,
    tell: Callable[[str], None] = lambda _: None,
) -> None:
    """Write the sessions of people, unless they are there.

    Parameters
    ----------
    world : World or None
        None is the built-in sensor.

    Raises
    ------
    UsageError
        The folder holds other people, takes or sessions, or is of another program.
    """
    takes = role.emulated if world is None else role.in_world
    wanted = {
        "world": "built-in" if world is None else world.name,
        "script": script,
        "takes": list(takes),
        "people": [people.first, people.n_people, people.n_locked],
    }

    def make(part: Path) -> None:
        for number in people.numbers:
            tell(f"{folder.name}: recording person {number} of {list(people.numbers)[-1]}")
            locked = number >= people.numbers.stop - people.n_locked
            one = People(1, int(locked), number)
            if world is None:
                _record_emulated(part, QUICK.get(script, script), takes, one)
            else:
                _record_in_world(part, world, script, takes, one)

    make_once(folder, wanted, make)


def _record_in_world(
    folder: Path, world: World, script: str, takes: Sequence[int], one: People
) -> None:
    record_world(folder, world, [few_takes(script, takes[0])], one)
    for day, n_takes in enumerate(takes[1:], start=2):
        record_elsewhere(folder, world, [few_takes(script, n_takes)], one, day)


def _record_emulated(folder: Path, script: str, takes: Sequence[int], one: People) -> None:
    sensor = replace(SENSORS["lensless32"], frame_rate_hz=EMULATED_HZ)
    add_person(folder, one.first, bool(one.n_locked))
    for session, n_takes in enumerate(takes, start=1):
        record_session(folder, few_takes(script, n_takes), one.first, session, sensor=sensor)
