"""Whether a data set can give a meaningful model: what cannot is refused, what may not is told."""

from __future__ import annotations

from collections.abc import Sequence

from capture.measure.readiness import (
    FEW_PEOPLE,
    FEW_TAKES,
    Caution,
    Light,
    few_of_a_person,
    few_takes,
    judged_light,
    near_copies,
    twin_words,
)
from capture.measure.signs import find_twins
from runtime.errors import UsageError
from runtime.sensor import Sensor
from trainer.corpus.reduced import Cued
from trainer.recipe import Recipe

__all__ = ["look_over"]

MOST_EMPTY_TAKES = 0.5
"""With more, most labels are of nothing, and what is learned is the time between gestures."""


def look_over(
    recipe: Recipe, recordings: Sequence[Cued], sensor: Sensor
) -> tuple[Light, list[Caution]]:
    """Judge reduced recordings before anything is learned from them.

    Parameters
    ----------
    recipe : Recipe
        Its classes are what takes are needed of.
    recordings : sequence of Cued
        Of all participants.
    sensor : Sensor

    Returns
    -------
    light : Light
        Of all recordings.
    cautions : list of Caution
        What should be known before a figure is believed.

    Raises
    ------
    UsageError
        Two people have the same recording, most gestures' takes are empty, or a gesture is known of
        nobody, or of a single training person, so that it could not be learned when that person is
        held out.
    """
    signs = [each.signs(sensor) for each in recordings]
    people = [each.recording.participant for each in recordings]
    names = [each.recording.path.name for each in recordings]
    for twins in find_twins(people, signs):
        raise UsageError(
            str(recordings[twins.second].recording.path),
            f"the recording of {people[twins.second]}",
            f"a copy: {twin_words(twins, names)}", "another person's", "remove the copy",
        )  # fmt: skip
    _refuse_empty_takes(recipe, recordings, sensor)
    alike = near_copies(people, names, signs)
    uneven = few_of_a_person(
        each.recording.participant
        for each in recordings
        for cue, _ in each.takes
        if cue.label < len(recipe.classes)
    )
    light, of_light = judged_light(signs)
    return light, [*of_light, *alike, *_few_takes(recipe, recordings), *uneven]


def _refuse_empty_takes(recipe: Recipe, recordings: Sequence[Cued], sensor: Sensor) -> None:
    n_takes = n_empty = 0
    for each in recordings:
        empty = each.signs(sensor).empty
        for cue, _ in each.takes:
            if cue.label < len(recipe.classes):
                n_takes += 1
                n_empty += bool(empty[cue.start : cue.stop].all())
    if n_empty > MOST_EMPTY_TAKES * n_takes:
        raise UsageError(
            recipe.name, "takes in which no light came back", f"{n_empty} of {n_takes}",
            f"at most {MOST_EMPTY_TAKES:.0%}",
            "check that labels and readouts belong together, and that the LED was on",
        )  # fmt: skip


def _few_takes(recipe: Recipe, recordings: Sequence[Cued]) -> list[Caution]:
    few: dict[tuple[int, int, str], list[str]] = {}
    for side, locked in (("training", False), ("locked", True)):
        own = [each for each in recordings if each.recording.locked == locked]
        n_side = len({each.recording.participant for each in own})
        for label, name in enumerate(recipe.classes):
            givers = [
                each.recording.participant
                for each in own
                for cue, _ in each.takes
                if cue.label == label
            ]
            n_people = len(set(givers))
            if recipe.quantity is not None and not givers:
                continue  # what is measured has no classes: any of its cues will do
            if not locked and n_people < min(2, n_side):
                raise UsageError(
                    recipe.name, f"training people with takes of {name}", n_people, "at least 2",
                    "record it of more people: held out in turn, nobody is left to learn it from"
                    if n_people
                    else "record it, or take it out of the recipe's classes",
                )  # fmt: skip
            if n_people < min(n_side, FEW_PEOPLE) or len(givers) < FEW_TAKES:
                few.setdefault((len(givers), n_people, side), []).append(name.replace("_", " "))
    return [few_takes(names, *counts) for counts, names in few.items()]
