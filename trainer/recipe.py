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
from typing import Annotated, Any

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
from trainer.recipe_tables import (
    MAX_SEGMENT_FRAMES,
    DecisionRecipe,
    EvaluationRecipe,
    FeatureRecipe,
    QuantisationRecipe,
    QuantityRecipe,
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


class Recipe(Table):
    """The whole description of a model; see the tables for their keys.

    Lengths in frames are at ``frame_rate_hz``; at a sensor of another rate, training takes as much
    time in that sensor's frames. Without it, they are frames of whatever sensor there is.

    ``other`` and ``background`` are patterns of trial types. Both are learned as the class "other";
    cues that match ``other`` are takes like the gestures, those that match ``background`` are
    everyday time without any, on which false events are counted.

    ``or_classifier`` is another classifier, whole. Training holds people out in turn with either,
    and takes it where they are told better by it; everything else (a search of settings, an audit)
    uses ``classifier``.

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
    or_classifier: ClassifierRecipe | None = None
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
    def _another_classifier_is_of_classes(self) -> Recipe:
        asked = (self.quantity, self.occupancy, self.source)
        if self.or_classifier is not None and any(table is not None for table in asked):
            raise ValueError("or_classifier is for recipes of classes")
        return self

    @model_validator(mode="after")
    def _filters_see_bins(self) -> Recipe:
        features = self.features
        if any(form.classifier.filters for form in self.forms) and (
            features.entry != "bins"
            or features.projection != "none"
            or features.motion
            or features.segments > 1
            or self.quantity is not None
        ):
            raise ValueError(
                'classifier.filters need bins, projection "none", one segment, no motion, '
                "and classes"
            )
        return self

    @model_validator(mode="after")
    def _ambient_light_is_for_people_and_lights(self) -> Recipe:
        if self.occupancy is None:
            if self.entry.light == "ambient" and self.source is None:
                raise ValueError('entry.light "ambient" needs a table occupancy or source')
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

    @property
    def forms(self) -> tuple[Recipe, ...]:
        """The recipe with each classifier that training may take, the usual one first."""
        if self.or_classifier is None:
            return (self,)
        usual = self.model_copy(update={"or_classifier": None})
        return usual, usual.model_copy(update={"classifier": self.or_classifier})

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
        else:
            values["source"] = self.source.values_by(self.entry.light)
        if self.features.hold:
            del values["features"]["hold"]
        if self.or_classifier is None:
            del values["or_classifier"]
        if not self.classifier.filters:
            del values["classifier"]["filters"]
        values["features"]["steady"] = True  # however it is said
        if not self.features.without_lamps:
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
