"""What each built-in recipe's people are asked for, and a world's recordings of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from worlds.product import Script, load_script
from worlds.recording import People, few_takes, record_world
from worlds.world import Conditions, World

__all__ = ["RECIPES", "Asked", "record_asked"]


@dataclass(frozen=True)
class Asked:
    """What is recorded for a recipe.

    Parameters
    ----------
    script : str
        Built-in one that gives the takes.
    chance : float
        Share of right answers of somebody who guesses.
    led : float
        Factor of the LED's current: recipe subtle is a matter of light, and asks for twice the
        distance; 16 times gives as much light there as is usual (the fourth power).
    distances_mm : tuple of float
        A session at each. A world's people hold the hand at about 90 to 130 mm by themselves; from
        a little nearer to a little farther, each a quarter more than the one before.
    """

    script: str
    chance: float
    led: float = 1.0
    distances_mm: tuple[float, ...] = ()

    @property
    def as_usual(self) -> bool:
        """Whether light and distance are those that a world's people have by themselves."""
        return self.led == 1.0 and not self.distances_mm


RECIPES = {
    "dynamic": Asked("dynamic", 1 / 9),
    "dynamic_lean": Asked("dynamic", 1 / 9),
    "finger_count": Asked("finger_count", 1 / 6),
    "static_shapes": Asked("static_shapes", 1 / 5),
    "subtle": Asked("subtle", 1 / 3, led=16.0),
    "distance": Asked("finger_count", 0.0, distances_mm=(80.0, 100.0, 125.0, 156.0)),
}
"""Every built-in recipe, by its name. Chance spares no error of a quantity (`worlds.gate`)."""


def record_asked(
    folder: Path,
    world: World,
    asked: Asked,
    people: People,
    repetitions: int | None = None,
    n_jobs: int = 1,
    also: Sequence[Script] = (),
) -> dict[str, float]:
    """Write a data set of a world's people doing what is asked.

    Parameters
    ----------
    repetitions : int, optional
        Takes of each label; as many as the script has without. At several distances, of all of them
        together, at least one each.
    also : sequence of Script
        Recorded beside it.
    """
    distances = asked.distances_mm
    script = load_script(asked.script)
    if repetitions is not None or distances:
        most = repetitions or max(cue.repetitions for cue in script.cues)
        script = few_takes(asked.script, max(1, most // max(1, len(distances))))
    conditions = Conditions(led=asked.led)
    return record_world(folder, world, [script, *also], people, conditions, n_jobs, distances)
