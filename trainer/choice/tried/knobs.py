"""Knobs: what is tried of sensor and model, with conditions, from one description in TOML.

Tables ``[active.NAME]`` and ``[watching.NAME]`` are knobs of the sensor's two states, tables
``[recipe."KEY"]`` keys of the recipe such as ``features.bins`` or ``head.every``. Each knob lists
its ``values``, the first of them how it stands where nothing else is said; ``when`` names other
knobs of its table and the values of theirs at which it is turned at all; ``pays_in`` names the
parts of the budget it is turned for. ``[search]`` says how far settings are followed. The built-in
description:
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from runtime.errors import UsageError
from runtime.sensor import LEAST_BITS, MOST_BITS
from runtime.tomlfile import TomlFile, parse_toml, read_toml
from trainer.recipe import Recipe

__all__ = [
    "Knobs",
    "Option",
    "WatchingOption",
    "knobs_text",
    "load_knobs",
    "options_of",
    "watching_options",
]

BUILT_IN = "knobs.toml"
MAX_OPTIONS = 2_000
"""Two quick fits each, of 0.7 s, are three quarters of an hour: more is a slip in the file."""
Share = Annotated[float, Field(gt=0, le=1)]
Part = Literal[
    "LED", "LED driver", "pixel readout", "sensor bias", "compute", "waiting for pixels",
    "wake-ups", "transfer",
]  # fmt: skip
"""Parts of a budget that a setting has a say in."""


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _Knob(_Table):
    """A knob: its values, the parts of the budget it is turned for, and where it may be turned."""

    pays_in: tuple[Part, ...] = ()
    when: dict[str, tuple[float, ...]] = {}


class ShareKnob(_Knob):
    """Of what was recorded, above 0 and at most 1."""

    values: Annotated[tuple[Share, ...], Field(min_length=1, max_length=32)]


class DivisorKnob(_Knob):
    """Every so manieth frame pair is taken."""

    values: Annotated[
        tuple[Annotated[int, Field(ge=1, le=1000)], ...], Field(min_length=1, max_length=32)
    ]


class BitsKnob(_Knob):
    """At most so many bits; a sensor with fewer keeps its own.

    Fewer than can be foretold of a sensor (`capture.thin.setting.least_bits`) are not tried.
    """

    values: Annotated[
        tuple[Annotated[int, Field(ge=LEAST_BITS, le=MOST_BITS)], ...],
        Field(min_length=1, max_length=MOST_BITS - LEAST_BITS + 1),
    ]


class RateKnob(_Knob):
    """Frame pairs a second."""

    values: Annotated[
        tuple[Annotated[float, Field(ge=0.1, le=1000)], ...], Field(min_length=1, max_length=32)
    ]


class RecipeKnob(_Knob):
    """Values of a recipe's key, each as it would stand in the recipe."""

    values: Annotated[tuple[Any, ...], Field(min_length=1, max_length=32)]


_ALL = ShareKnob(values=(1.0,))


class _Knobs(_Table):
    """Knobs of one table, whose conditions name each other."""

    @model_validator(mode="after")
    def _conditions_name_knobs(self) -> Self:
        for name in type(self).model_fields:
            for other in getattr(self, name).when:
                if other == name or other not in type(self).model_fields:
                    raise ValueError(f"{name}.when.{other}: no other knob of this table")
        return self


class ActiveKnobs(_Knobs):
    """Knobs of the active state: LED, exposure, rows, frame rate, bits."""

    led_share: ShareKnob = _ALL
    exposure_share: ShareKnob = _ALL
    rows_share: ShareKnob = _ALL
    rate_divisor: DivisorKnob = DivisorKnob(values=(1,))
    bits_at_most: BitsKnob = BitsKnob(values=(16,))


class WatchingKnobs(_Knobs):
    """Knobs of the watching state: rate, LED, exposure, rows."""

    rate_hz: RateKnob = RateKnob(values=(5.0,))
    led_share: ShareKnob = ShareKnob(values=(0.2,))
    exposure_share: ShareKnob = _ALL
    rows_share: ShareKnob = ShareKnob(values=(0.5,))


class SearchRules(_Table):
    """How far each setting is followed, and what a setting has to keep.

    ``tried_on_everybody`` of all settings go on from quick fits that ask some people, and
    ``tried_in_full`` of those from quick fits that ask everybody. ``plain_sensors`` tries four
    quadrants and a single photodiode beside them.
    ``max_saturated_takes`` is the share of takes with a saturated pixel above which less light
    cannot be foretold.
    """

    tried_on_everybody: Annotated[int, Field(ge=2, le=1000)] = 20
    tried_in_full: Annotated[int, Field(ge=2, le=1000)] = 7
    max_miss_rate: Annotated[float, Field(gt=0, le=1)] = 0.02
    max_saturated_takes: Annotated[float, Field(ge=0, le=1)] = 0.05
    plain_sensors: bool = True


class Knobs(_Table):
    """A whole description: tables ``active``, ``watching``, ``recipe`` and ``search``.

    ``recipe`` holds knobs by the recipe's dotted key, such as ``"features.bins"``.
    """

    active: ActiveKnobs = ActiveKnobs()
    watching: WatchingKnobs = WatchingKnobs()
    recipe: dict[str, RecipeKnob] = {}
    search: SearchRules = SearchRules()


@dataclass(frozen=True, slots=True)
class Option:
    """One thing to try in the active state: a recipe, and shares of what was recorded.

    Parameters
    ----------
    recipe : Recipe
    turned : tuple of (str, str)
        Knobs of the recipe and their values, as they are shown.
    led_share, exposure_share, rows_share : float
        In (0, 1].
    rate_divisor : int
        Every so manieth frame pair is taken.
    bits_at_most : int
    """

    recipe: Recipe
    turned: tuple[tuple[str, str], ...] = ()
    led_share: float = 1.0
    exposure_share: float = 1.0
    rows_share: float = 1.0
    rate_divisor: int = 1
    bits_at_most: int = 16


@dataclass(frozen=True, slots=True)
class WatchingOption:
    """One thing to try in the watching state.

    Parameters
    ----------
    rate_hz : float
    led_share, exposure_share, rows_share : float
        Of the recorded LED current, exposure and rows.
    """

    rate_hz: float
    led_share: float
    rows_share: float
    exposure_share: float = 1.0


def load_knobs(path: Path | None = None, built_in: str = BUILT_IN) -> Knobs:
    """Read a description of knobs, a built-in one where none is given.

    Raises
    ------
    FormatError
        The file is faulty; the message names file, line, key and reason.
    """
    if path is not None:
        return _knobs(read_toml(path, expected="a file of knobs (TOML)"))
    return _knobs(parse_toml(knobs_text(built_in).encode(), built_in))


def knobs_text(name: str = BUILT_IN) -> str:
    """Return the text of a built-in description."""
    return (resources.files("trainer.choice.tried") / name).read_text("utf-8")


def _knobs(file: TomlFile) -> Knobs:
    with file.faults():
        return Knobs.model_validate(file.data)


def _combinations(knobs: Mapping[str, _Knob]) -> Iterator[dict[str, Any]]:
    """Yield every combination in which a knob is turned only where its condition holds."""
    values = {name: knob.values for name, knob in knobs.items()}  # type: ignore[attr-defined]
    for each in itertools.product(*values.values()):
        combination = dict(zip(values, each, strict=True))
        if all(_allowed(name, knob, combination) for name, knob in knobs.items()):
            yield combination


def _allowed(name: str, knob: _Knob, combination: Mapping[str, Any]) -> bool:
    first = knob.values[0]  # type: ignore[attr-defined]
    met = all(combination[other] in values for other, values in knob.when.items())
    return met or bool(combination[name] == first)


def _named(knobs: _Knobs) -> dict[str, _Knob]:
    return {name: getattr(knobs, name) for name in type(knobs).model_fields}


def options_of(knobs: Knobs, recipes: Sequence[Recipe]) -> list[Option]:
    """Return everything to try in the active state, in the order of the description.

    Raises
    ------
    UsageError
        There are too many, or a recipe does not have a key or not such a value.
    """
    models = [
        (_with_keys(recipe, turned), tuple((k, str(v)) for k, v in turned.items()))
        for recipe in recipes
        for turned in _combinations(knobs.recipe)
    ]
    settings = list(_combinations(_named(knobs.active)))
    n_options = len(models) * len(settings)
    if n_options > MAX_OPTIONS:
        raise UsageError(
            "knobs", "settings to try", n_options, f"at most {MAX_OPTIONS}", "list fewer values"
        )
    return [Option(recipe, turned, **s) for recipe, turned in models for s in settings]


def watching_options(knobs: Knobs) -> list[WatchingOption]:
    """Return everything to try in the watching state."""
    return [WatchingOption(**each) for each in _combinations(_named(knobs.watching))]


def _with_keys(recipe: Recipe, turned: Mapping[str, Any]) -> Recipe:
    """Return a recipe with some of its keys changed, checked as a whole."""
    if not turned:
        return recipe
    values = recipe.model_dump(mode="json")
    for key, value in turned.items():
        *tables, last = key.split(".")
        place: Any = values
        for table in tables:
            place = place.get(table) if isinstance(place, dict) else None
        if not isinstance(place, dict) or last not in place:
            raise UsageError(
                "knobs", f"recipe.{key}", "no key of a recipe", "such as features.bins"
            )
        place[last] = value
    try:
        return Recipe.model_validate_json(json.dumps(values))
    except ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        where = f"recipe.{'.'.join(str(part) for part in first['loc'])}"
        raise UsageError("knobs", where, repr(first["input"])[:60], first["msg"].lower()) from None
