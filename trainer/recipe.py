"""Recipes: one TOML file describes one model, from readout to decision.

A recipe is data. Everything a training run may vary stands in it, so that the recipe and the data
set together give the same model, byte for byte. Unknown keys, wrong types and values out of range
are refused with the key and the line they stand on.
"""

from __future__ import annotations

import hashlib
import json
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from runtime.errors import UsageError
from runtime.tomlfile import TomlFile, parse_toml, read_toml
from trainer.recipe_head import (
    ClassifierRecipe,
    EntryRecipe,
    HeadRecipe,
    OccupancyRecipe,
    SourceRecipe,
    Table,
    number_of,
    refuse_unlike_occupancy,
)
from trainer.recipe_texts import built_in_recipes, completed

__all__ = [
    "ClassifierRecipe",
    "DecisionRecipe",
    "EntryRecipe",
    "EvaluationRecipe",
    "FeatureRecipe",
    "HeadRecipe",
    "OccupancyRecipe",
    "QuantisationRecipe",
    "QuantityRecipe",
    "Recipe",
    "SourceRecipe",
    "built_in_recipes",
    "load_recipe",
    "number_of",
    "parse_recipe",
]

OTHER = "other"
TARGETS = {"distance_mm": "mm"}
"""What recordings know of themselves that a model can learn to measure, and its unit."""
MAX_SEGMENT_FRAMES = 1024
"""The window stage's own limit: sensors of any rate see 1.6 s."""


class FeatureRecipe(Table):
    """Features of one frame and of a window of frames; every one becomes an integer stage.

    ``bins`` bins down and across, or, for ``entry = "pixels"``, ``pixels`` single pixels: ``qr``
    chooses them by what they tell about the readouts' strongest directions, ``random`` does not
    look. ``rows`` are the first row read and the row after the last one; the whole sensor without.
    With ``steady``, a mean over a few frames comes before anything else is made of the values, the
    shortest at the sensor's frame rate that lets no flicker of lamps on the mains through.
    ``level_bits`` bits of a level-normalised feature, with ``roots`` the square root of each share;
    ``projection`` onto ``directions`` learned
    directions (``principal``: most signal for the noise, ``fisher``: most difference between
    classes for the spread within them) or drawn ones (``random``: dense, ``ternary``: a third of
    the weights are +-1, ``sparse``: one in the root of the number of values), or ``none``;
    ``motion`` adds the change between frames as a feature; the window is ``segments`` sums of
    ``segment_frames`` frames each. Where movements are answered, these are the most frames: no
    window reaches back behind the cue of a usual gesture, which training finds out.

    With ``swing_frames`` the window sums, in the place of values, how strongly each goes to and fro
    between runs of that many frames, and takes these sums as shares of their own sum; movements of
    a period of about two runs count most. The projection ``swing`` learns the directions in which
    such movements differ most from what there is without them.
    """

    entry: Literal["bins", "pixels"] = "bins"
    bins: tuple[Annotated[int, Field(ge=1, le=256)], Annotated[int, Field(ge=1, le=256)]] = (8, 8)
    pixels: Annotated[int, Field(ge=2, le=4096)] = 32
    choose: Literal["qr", "random"] = "qr"
    rows: tuple[Annotated[int, Field(ge=0, le=255)], Annotated[int, Field(ge=1, le=256)]] | None = (
        None
    )
    steady: bool = False
    level_bits: Literal[8, 16] = 8
    roots: bool = False
    projection: Literal["none", "principal", "fisher", "swing", "random", "ternary", "sparse"] = (
        "principal"
    )
    directions: Annotated[int, Field(ge=1, le=256)] = 16
    direction_bits: Literal[8, 16] = 8
    motion: bool = True
    swing_frames: Annotated[int, Field(ge=0, le=32)] = 0
    segments: Annotated[int, Field(ge=1, le=64)] = 8
    segment_frames: Annotated[int, Field(ge=1, le=MAX_SEGMENT_FRAMES)] = 4

    @model_validator(mode="after")
    def _swings_stand_alone(self) -> FeatureRecipe:
        if self.projection == "swing" and not self.swing_frames:
            raise ValueError('projection "swing" needs swing_frames of 1 or more')
        if self.swing_frames and self.motion:
            raise ValueError("motion must be false where swing_frames are given")
        return self


class QuantisationRecipe(Table):
    """Integer widths; scales come from training data, the largest values clipped.

    ``clip_quantile`` is the share of training values that a scale must represent without clipping.
    It hardly matters: in a diffuser's world 0.99, 0.999 and 1 had 0.769, 0.758 and 0.756 of 880
    takes right, with a standard error of 0.014.
    """

    weight_bits: Literal[4, 6, 8, 16] = 8
    hidden_bits: Literal[8, 16] = 8
    clip_quantile: Annotated[float, Field(gt=0.5, le=1)] = 0.999


class DecisionRecipe(Table):
    """From scores to events: when to answer, and how long to stay silent afterwards.

    Scores are means over the last ``average_frames`` frames. An event needs the same answer for
    ``hold_frames`` frames, and no event follows another within ``hold_off_frames``. The margin of
    the best score over the second that an event needs is not given: it is chosen on training
    participants. With background recordings each gesture has its own, and together they find the
    gestures best among those with at most ``max_false_per_hour`` false events an hour; without
    them, all share the one that ``recall`` of the right answers pass.
    """

    average_frames: Annotated[int, Field(ge=1, le=32)] = 1
    hold_frames: Annotated[int, Field(ge=1, le=255)] = 3
    hold_off_frames: Annotated[int, Field(ge=0, le=255)] = 12
    recall: Annotated[float, Field(gt=0, le=1)] = 0.98
    max_false_per_hour: Annotated[float, Field(ge=0, le=3600)] = 0.5


class QuantityRecipe(Table):
    """A quantity in the place of classes: the model ends in values with an interval.

    ``target`` is what each recording says of itself, ``distance_mm`` the distance from sensor to
    hand that a collector noted. It is learned from the last frames of every cue of the recipe's
    classes, by the classifier's ``linear`` (ridge regression) or ``mlp``. The half-width of the
    interval is the one that holds ``coverage`` of the training people when each is held out in
    turn. ``name`` is the value's name in the firmware.
    """

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")] = "distance"
    target: Literal["distance_mm"] = "distance_mm"
    coverage: Annotated[float, Field(ge=0.5, le=0.99)] = 0.9

    @property
    def unit(self) -> str:
        """Unit of the target."""
        return TARGETS[self.target]


class EvaluationRecipe(Table):
    """How the model is examined.

    ``split`` names what is held out whole; windows are never split at random. ``take_end`` says
    what answers a cue: a ``movement``, which ends somewhere in it and is judged where a gesture
    stands out most, or a pose that is held still and judged at the end of the ``cue``.

    In a stream, an event may begin ``collar_s`` early or late, and end off by that much or by
    ``offset_share`` of the reference's length, whichever is more. What the device tells at one
    moment is right from a gesture's beginning until ``max_latency_s`` after its end.
    """

    split: Literal["participants", "units"] = "participants"
    take_end: Literal["movement", "cue"] = "movement"
    collar_s: Annotated[float, Field(gt=0, le=5)] = 0.2
    offset_share: Annotated[float, Field(ge=0, le=1)] = 0.2
    max_latency_s: Annotated[float, Field(gt=0, le=10)] = 0.5


class Recipe(Table):
    """The whole description of a model; see the tables for their keys.

    Lengths in frames are at ``frame_rate_hz``; at a sensor of another rate, training takes as much
    time in that sensor's frames. Without it, they are frames of whatever sensor there is.

    ``other`` and ``background`` are patterns of trial types. Both are learned as the class "other";
    cues that match ``other`` are takes like the gestures, those that match ``background`` are
    everyday time without any, on which false events are counted.

    A file may begin with ``like``, the name of a built-in recipe: what it leaves out is as there,
    but for name, task and words (``classes``, ``other`` and ``background``), which are its own.
    """

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
    task: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1
    frame_rate_hz: Annotated[float, Field(gt=0, le=10_000)] | None = None
    classes: Annotated[tuple[str, ...], Field(min_length=2, max_length=64)]
    other: tuple[str, ...] = ()
    background: tuple[str, ...] = ()
    entry: EntryRecipe = EntryRecipe()
    features: FeatureRecipe
    classifier: ClassifierRecipe = ClassifierRecipe()
    head: HeadRecipe = HeadRecipe()
    quantisation: QuantisationRecipe = QuantisationRecipe()
    decision: DecisionRecipe = DecisionRecipe()
    quantity: QuantityRecipe | None = None
    occupancy: OccupancyRecipe | None = None
    source: SourceRecipe | None = None
    evaluation: EvaluationRecipe = EvaluationRecipe()

    @model_validator(mode="after")
    def _classes_are_distinct(self) -> Recipe:
        if len(set(self.classes)) != len(self.classes):
            raise ValueError("classes must differ from each other")
        if OTHER in self.classes:
            raise ValueError(f'"{OTHER}" is made from the key other, not listed in classes')
        own = [name for name in self.classes if name in self.head.own_names]
        if own:
            raise ValueError(f'class "{own[0]}" is the name of a place for an own gesture')
        both = [name for name in self.classes if _matches(name, (*self.other, *self.background))]
        if both:
            raise ValueError(f'class "{both[0]}" must not match other or background as well')
        return self

    @model_validator(mode="after")
    def _a_quantity_is_read_of_what_is_held_still(self) -> Recipe:
        if self.quantity is None:
            return self
        for what, wrong in (
            ('evaluation.take_end must be "cue"', self.evaluation.take_end != "cue"),
            ("other and background must be left out", bool(self.other or self.background)),
            (
                'classifier.kind must be "linear" or "mlp"',
                self.classifier.kind not in ("linear", "mlp"),
            ),
            ("classifier.hard_windows must be false", self.classifier.hard_windows),
            ("head.enrol must be false", self.head.enrol),
            ("features.swing_frames must be 0", self.features.swing_frames > 0),
            (
                'features.projection must not be "fisher"',
                self.features.projection == "fisher",
            ),
        ):
            if wrong:
                raise ValueError(f"{what} where a quantity is given")
        return self

    @model_validator(mode="after")
    def _ambient_light_is_for_occupancy(self) -> Recipe:
        if self.occupancy is None:
            if self.entry.light == "ambient":
                raise ValueError('entry.light "ambient" needs a table occupancy')
            return self
        refuse_unlike_occupancy(self)
        return self

    @model_validator(mode="after")
    def _a_source_stands_alone(self) -> Recipe:
        if self.source is not None and self.quantity is not None:
            raise ValueError("quantity must be left out where a source is given")
        return self

    @property
    def model_classes(self) -> tuple[str, ...]:
        """Classes of the model that is made of it: what it answers, then places of the owner's."""
        return (*self.answers, *self.head.own_names)

    @property
    def answers(self) -> tuple[str, ...]:
        """Class names in score order; the rejection class, if any, is last."""
        return (*self.classes, OTHER) if self.other or self.background else self.classes

    @property
    def frames_of_score(self) -> int:
        """Frames before the last that have a part in a score, besides those of the window.

        They are those that it is the mean of, and those for which the head's last scores stand.
        """
        return self.decision.average_frames - 1 + self.head.every - 1

    def class_index(self, trial_type: str) -> int | None:
        """Return the class of a cue's trial type, or None when the recipe does not know it."""
        if trial_type in self.classes:
            return self.classes.index(trial_type)
        if _matches(trial_type, (*self.other, *self.background)):
            return len(self.classes)
        return None

    def is_background(self, trial_type: str) -> bool:
        """Tell whether a cue's trial type is everyday time rather than a take."""
        return _matches(trial_type, self.background)

    def at(self, frame_rate_hz: float) -> Recipe:
        """Return the recipe for a sensor of some frame rate: as long in time, in that many frames.

        Lengths are rounded, and stay within what the recipe's keys allow.
        """
        if self.frame_rate_hz is None or self.frame_rate_hz == frame_rate_hz:
            return self
        faster = frame_rate_hz / self.frame_rate_hz

        def scaled(table: Table, **limits: tuple[int, int]) -> dict[str, int]:
            return {
                key: min(max(round(getattr(table, key) * faster), least), most)
                for key, (least, most) in limits.items()
            }

        swings = {"swing_frames": (1, 32)} if self.features.swing_frames else {}
        features = scaled(self.features, segment_frames=(1, MAX_SEGMENT_FRAMES), **swings)
        head = scaled(self.head, every=(1, 32)) if self.head.every > 1 else {}
        decision = scaled(
            self.decision, average_frames=(1, 32), hold_frames=(1, 255), hold_off_frames=(0, 255)
        )
        return self.model_copy(
            update={
                "frame_rate_hz": frame_rate_hz,
                "features": self.features.model_copy(update=features),
                "head": self.head.model_copy(update=head),
                "decision": self.decision.model_copy(update=decision),
            }
        )

    def digest(self) -> str:
        """Return the SHA-256 of the recipe's values; comments and layout do not count."""
        values = self.model_dump(mode="json")  # as before there were any of these
        if self.quantity is None:
            del values["quantity"]
        if not self.head.enrol:
            values["head"] = {"every": self.head.every}
            if self.head.every == 1:
                del values["head"]
        if self.entry == EntryRecipe():
            del values["entry"]
        if self.occupancy is None:
            del values["occupancy"]
        if self.source is None:
            del values["source"]
        elif self.source.sources == 1:
            del values["source"]["sources"]
        if not self.features.steady:
            del values["features"]["steady"]
        text = json.dumps(values, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()


def _matches(trial_type: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatchcase(trial_type, pattern) for pattern in patterns)


def load_recipe(source: str | Path) -> Recipe:
    """Read a recipe from a TOML file, or by the name of a built-in one.

    Parameters
    ----------
    source : str or pathlib.Path
        Path of a file, or a name such as ``dynamic``.

    Raises
    ------
    UsageError
        There is no such file and no such built-in recipe.
    FormatError
        The file is not TOML, or a key is unknown, missing or out of range.
    """
    path = Path(source)
    if not path.is_file():
        built_in = built_in_recipes()
        if str(source) in built_in:
            return parse_recipe(built_in[str(source)], str(source))
        expected = f"a TOML file or one of {', '.join(built_in)}"
        raise UsageError(str(source), "recipe", "missing", expected)
    return _recipe(read_toml(path))


def parse_recipe(text: str, where: str) -> Recipe:
    """Read a recipe from TOML text; `where` names it in errors, which are those of load_recipe."""
    return _recipe(parse_toml(text.encode(), where))


def _recipe(file: TomlFile) -> Recipe:
    evaluation: Any = file.data.get("evaluation")
    if _asks_for_random_windows(evaluation):
        raise UsageError(
            file.place("evaluation", "split"),
            "evaluation.split",
            repr(evaluation["split"]),
            "participants or units",
            "windows of one person are too alike: splitting them at random measures memory",
        )
    # As JSON, because a strict tuple is read from a JSON array but not from a Python list.
    values = completed(file)
    with file.faults():
        return Recipe.model_validate_json(json.dumps(values, default=str))


def _asks_for_random_windows(evaluation: Any) -> bool:
    split = evaluation.get("split") if isinstance(evaluation, dict) else None
    return isinstance(split, str) and ("window" in split or "random" in split)
