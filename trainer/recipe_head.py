"""The tables of a recipe that say what its head is, and what it may tell besides classes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

__all__ = [
    "ClassifierRecipe",
    "EntryRecipe",
    "HeadRecipe",
    "OccupancyRecipe",
    "SourceRecipe",
    "Table",
    "number_of",
    "refuse_unlike_occupancy",
]


class Table(BaseModel):
    """A TOML table: no unknown keys, no silent conversions, no changes afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


_Units = Annotated[int, Field(ge=1, le=256)]


class ClassifierRecipe(Table):
    """The head: from a window's features to one score per class.

    ``linear`` is a logistic regression, ``mlp`` has a hidden layer of ``hidden`` units, or several
    layers of as many as a list says; for both, ``penalty`` is the weight of the squared weights
    (L2). The MLP passes over the windows ``epochs`` times, less often over more than 600,000 /
    ``epochs`` of them (576,000 with filters); each time, ``input_noise`` standard
    deviations of noise, drawn once and dealt to other windows, are added to the scaled features,
    and each window is moved by ``take_noise`` times a normal number along its difference to another
    window of the same person and class, as no take is quite like the one before. With ``averaged``
    the weights are the mean of those after each of the last third of the passes. ``tree`` is one
    decision tree, ``extra_trees`` the mean of ``trees`` randomised ones, ``boosted_trees`` the sum
    of ``trees`` rounds of gradient boosting with one tree a class; none is deeper than ``depth``.
    ``prototypes`` keeps ``prototypes`` examples a class, and takes the nearest by ``distance``:
    ``absolute`` differences added up, or ``squared`` ones. A leaf of a tree holds at least
    ``least_in_leaf`` windows.

    With ``filters`` the MLP sees a window's bins through layers of so many filters each before its
    hidden layers: small matrices that are the same at every place, of 5 by 5 bins, then 4 by 4
    places, of which every second, then 3 by 3. Behind an optic a hand that is moved moves its
    readout: such weights know it elsewhere as well. Layers whose filters are larger than what is
    left to see are left out: of the four quadrants of the baseline all.

    A window of several segments is seen as ``contrasts`` between them, with the mean over all of
    them only where ``window_mean`` asks for it: it tells of the person as much as of the scene.
    Without contrasts the segments are seen as they are. With ``hard_windows`` the classifier is
    fitted twice: the windows without a gesture that the first took for one, or nearly, are learned
    from again by the second.

    ``scaling`` brings the features to unit spread before fitting: ``each`` by its own, or all
    ``together`` by their common one, which keeps weak directions weak when there are few people.
    """

    kind: Literal["linear", "mlp", "tree", "extra_trees", "boosted_trees", "prototypes"] = "mlp"
    hidden: Annotated[tuple[_Units, ...], Field(min_length=1, max_length=3)] = (32,)
    filters: Annotated[tuple[_Units, ...], Field(max_length=3)] = ()
    penalty: Annotated[float, Field(ge=0, le=1e3)] = 1e-3
    epochs: Annotated[int, Field(ge=1, le=5_000)] = 60
    input_noise: Annotated[float, Field(ge=0, le=2)] = 0.0
    take_noise: Annotated[float, Field(ge=0, le=2)] = 0.0
    averaged: bool = False
    scaling: Literal["each", "together"] = "each"
    trees: Annotated[int, Field(ge=1, le=256)] = 16
    depth: Annotated[int, Field(ge=1, le=12)] = 6
    least_in_leaf: Annotated[int, Field(ge=1, le=10_000)] = 5
    prototypes: Annotated[int, Field(ge=1, le=64)] = 4
    distance: Literal["absolute", "squared"] = "absolute"
    contrasts: bool = True
    window_mean: bool = False
    hard_windows: bool = False

    @field_validator("hidden", "filters", mode="before")
    @classmethod
    def _one_layer_needs_no_list(cls, value: Any) -> Any:
        if isinstance(value, list):  # pydantic hands it over as Python's, not as JSON's
            return tuple(value)
        return (value,) if isinstance(value, int) else value

    @model_validator(mode="after")
    def _filters_are_of_a_network(self) -> ClassifierRecipe:
        if self.filters and (self.kind != "mlp" or self.hard_windows):
            raise ValueError('filters need kind "mlp" and no hard_windows')
        return self


class EntryRecipe(Table):
    """What is made of a frame pair.

    ``difference`` takes the dark exposure from the lit one; ``ambient``, without an LED, adds both
    up, so that the lamps' flicker cancels. A source that shines in both is told by ``ambient``:
    what is there without it is measured with the calibration, and taken off.
    """

    light: Literal["difference", "ambient"] = "difference"


class OccupancyRecipe(Table):
    """How many are there, in the place of classes, from ambient light.

    The recipe's classes end in a number, such as ``people_2``: that many are there for as long as
    the cue stands. With ``most`` of 1 the model tells whether anybody is there at all; else how
    many, and ``most`` stands for that many and more. ``counted`` is the name in the firmware.

    The background of a value is a mean over ``drift_s`` while nothing stands out from it, over
    ``still_s`` while something does that is as still as the place ever is (a bag that was left),
    and over ``busy_s`` while something moves (people, who sit still for a while). Frames within
    ``settle_s`` of a cue's begin count for nothing. The level is a mean over ``average_s``; the
    count changes when it was another for ``persist_s``, and falls only when the level is below a
    threshold by ``hysteresis`` of a person.
    """

    counted: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")] = "people"
    most: Annotated[int, Field(ge=1, le=16)] = 5
    drift_s: Annotated[float, Field(gt=0, le=3600)] = 64.0
    still_s: Annotated[float, Field(gt=0, le=14_400)] = 4096.0
    busy_s: Annotated[float, Field(gt=0, le=14_400)] = 8192.0
    settle_s: Annotated[float, Field(ge=0, le=60)] = 3.0
    average_s: Annotated[float, Field(ge=0, le=30)] = 4.0
    persist_s: Annotated[float, Field(ge=0, le=60)] = 2.0
    hysteresis: Annotated[float, Field(ge=0, le=0.5)] = 0.15

    def lag_s(self, head_s: float) -> float:
        """For how long frames that count may still be told of as who left before them has it.

        Where the head runs seldom, its answers stand for `head_s`.
        """
        return max(0.0, self.average_s + self.persist_s + head_s - self.settle_s)


class HeadRecipe(Table):
    """How often the head runs: the classifier's layers, trees or prototypes.

    With ``every`` above 1 it runs on the first of so many frames, and its scores stand for the
    others. Windows and the decision go on with every frame; margins are chosen, and the model is
    examined, with the head as seldom as on the device. An answer rests on a window that is up to
    ``every`` - 1 frames old.

    Of the recipe ``dynamic`` and 12 invented people, trained once each, 1, 2, 3 and 4 gave an event
    F1 of 0.954, 0.952, 0.954 and 0.949 on the training people in turn, a median latency of 133,
    133, 167 and 167 ms, and 0.960, 0.955, 0.949 and 0.947 of everybody's takes right. The model by
    itself executed 37, 50 and 56 % fewer instructions on Cortex-M4, 43, 57 and 65 % on M0+; with
    the device program around it, 2 saves 22 and 33 %.

    With ``enrol`` the device can learn its owner: from up to ``enrol_takes`` takes of each class
    and session, and ``own_gestures`` that are not among the classes. Without any take it answers
    bit for bit as without ``enrol``.
    """

    every: Annotated[int, Field(ge=1, le=32)] = 1
    enrol: bool = False
    enrol_takes: Annotated[int, Field(ge=1, le=8)] = 5
    own_gestures: Annotated[int, Field(ge=0, le=4)] = 1

    @property
    def own_names(self) -> tuple[str, ...]:
        """Names of the places for own gestures; none where nothing is learned on the device."""
        n_own = self.own_gestures if self.enrol else 0
        return tuple(f"own_{number}" for number in range(1, n_own + 1))


class SourceRecipe(Table):
    """A point of light in the place of classes: the model ends in its direction, or its range.

    It is learned from a calibration: recordings of one source whose place stands in the truth
    beside them, in cues of the recipe's classes. ``measures`` is ``direction``, two angles by the
    first aperture, or ``range``, the distance as well, by the first two. ``half_field_deg`` is how
    far off the axis directions are told; what the truth does not reach is left out. ``electrons``
    is the brightness that filters weigh readouts for; without it, the middle of the calibration's.
    ``coverage`` is the share of calibration readouts that lie within the interval. With ``sources``
    2 the directions of the two brightest are told, and how many there are; directions alone.

    By ambient light, what is there without a source is a mean over ``drift_s`` while less comes
    than half of what the dimmest source brings; what more comes for ``still_s`` on end becomes it.
    ``drift_s`` is of 65,536 frames at most, which training refuses where it is longer.
    """

    measures: Literal["direction", "range"] = "direction"
    half_field_deg: Annotated[float, Field(ge=2, le=60)] = 35.0
    electrons: Annotated[float, Field(ge=100, le=1e9)] | None = None
    coverage: Annotated[float, Field(ge=0.5, le=0.99)] = 0.9
    sources: Literal[1, 2] = 1
    drift_s: Annotated[float, Field(gt=0, le=3600)] = 16.0
    still_s: Annotated[float, Field(gt=0, le=86_400)] = 600.0

    @model_validator(mode="after")
    def _two_have_directions(self) -> SourceRecipe:
        if self.sources == 2 and self.measures != "direction":
            raise ValueError('sources must be 1 where measures is not "direction"')
        return self

    def values_by(self, light: str) -> dict[str, Any]:
        """Return the values that count by some light; what was not always there only where used."""
        left_out = {"sources"} if self.sources == 1 else set()
        left_out |= {"drift_s", "still_s"} if light != "ambient" else set()
        return self.model_dump(mode="json", exclude=left_out)

    @property
    def n_apertures(self) -> int:
        """Apertures that are read."""
        return 2 if self.measures == "range" else 1


def number_of(trial_type: str) -> int:
    """Return the number that a trial type such as ``people_2`` ends in, -1 where it has none."""
    number = trial_type.rpartition("_")[2]
    return int(number) if number.isdecimal() and len(number) < 4 else -1


def refuse_unlike_occupancy(recipe: Any) -> None:
    """Refuse what does not go together with a recipe's table occupancy.

    Raises
    ------
    ValueError
        A key is otherwise than it has to be; the message names it.
    """
    numbers = [number_of(name) for name in recipe.classes]
    occupancy = recipe.occupancy
    for what, wrong in (
        ('entry.light must be "ambient"', recipe.entry.light != "ambient"),
        ('features.entry must be "bins"', recipe.features.entry != "bins"),
        ("features.rows must be left out", recipe.features.rows is not None),
        (
            "quantity, other and background must be left out",
            bool(recipe.quantity or recipe.other or recipe.background),
        ),
        (
            'classifier.kind must be "boosted_trees", or "mlp" with filters',
            recipe.classifier.kind != "boosted_trees" and not recipe.classifier.filters,
        ),
        (
            "classes must end in different numbers, such as people_2, 0 among them",
            0 not in numbers or len(set(numbers)) != len(numbers),
        ),
        (
            "drift_s, still_s and busy_s must rise",
            not occupancy.drift_s <= occupancy.still_s <= occupancy.busy_s,
        ),
    ):
        if wrong:
            raise ValueError(f"{what} where occupancy is told")
