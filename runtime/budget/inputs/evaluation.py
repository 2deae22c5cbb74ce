"""What the trainer measured about a model: accuracy, events, and the watching stage."""

from __future__ import annotations

import json
import math
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from runtime.budget.inputs.groups import Asked, untold
from runtime.budget.inputs.uncertainty import Interval
from runtime.errors import FormatError
from runtime.files import read_limited
from runtime.intervals import time_counted

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

__all__ = ["Evaluation", "Figure", "WakeUp", "read_evaluation"]


class _Open(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class Figure(_Open):
    """A share with its interval over participants."""

    value: float = Field(ge=0, le=1)
    low: float = Field(ge=0, le=1)
    high: float = Field(ge=0, le=1)
    n_participants: int | None = None
    n_takes: int | None = None
    n_events: int | None = None

    @property
    def interval(self) -> Interval:
        """Value and interval alone."""
        return Interval(self.value, self.low, self.high)


class Scores(_Open):
    """Accuracy and macro F1 of one variant."""

    accuracy: Figure
    macro_f1: Figure | None = None


class ErrorFigure(_Open):
    """How far off a quantity is, in its unit, with its interval over participants."""

    value: float = Field(ge=0)
    low: float | None = Field(default=None, ge=0)
    high: float | None = Field(default=None, ge=0)
    n_participants: int | None = None


class ErrorFigures(_Open):
    """Root mean square error of one variant."""

    rmse: ErrorFigure


class QuantityEvaluation(_Open):
    """What a model that ends in a quantity was found to reach."""

    name: str
    unit: str
    half_width: float = Field(ge=0)
    float_model: ErrorFigures | None = Field(default=None, alias="float")
    fixed: ErrorFigures
    four_quadrant: ErrorFigures | None = None

    @property
    def of_people(self) -> bool:
        """Whether it was asked about people, and not about a rig's lights."""
        return self.fixed.rmse.n_participants is not None or self.four_quadrant is not None


class OccupancyFigures(_Open):
    """Presence and count of one variant, over places."""

    balanced_accuracy: Figure
    exact: Figure | None = None


class OccupancyEvaluation(_Open):
    """What a model that tells how many are there was found to reach."""

    counted: str
    most: int = Field(ge=1)
    fixed: OccupancyFigures
    four_quadrant: OccupancyFigures | None = None


class Rate(_Open):
    """A rate with its interval."""

    value: float = Field(ge=0)
    low: float = Field(ge=0)
    high: float = Field(ge=0)


class WakeUp(_Open):
    """The watching stage run over recordings: `runtime.budget.price.wake_up_counts`."""

    miss_rate: Figure
    false_wakes_per_hour: Rate
    n_arrivals: int = Field(ge=0)
    n_false_wakes: int = Field(ge=0)
    empty_hours: float = Field(ge=0)
    n_rows: int = Field(ge=1)
    rate_hz: float = Field(gt=0)
    led_share: float = Field(ge=0)
    exposure_share: float = Field(default=1.0, ge=0)

    def counted_at(
        self, n_rows: int, rate_hz: float, led_share: float, exposure_share: float = 1.0
    ) -> bool:
        """Whether it was counted at this setting; at another it says nothing.

        Shares are of the active state's LED current and exposure.
        """
        setting = (self.n_rows, self.rate_hz, self.led_share, self.exposure_share)
        pairs = zip(setting, (n_rows, rate_hz, led_share, exposure_share), strict=True)
        return all(math.isclose(a, b, rel_tol=1e-6) for a, b in pairs)


class FalseEvents(Rate):
    """False events an hour, and the time that they were counted in."""

    hours: float | None = Field(default=None, ge=0)
    counted_on: str = ""
    n_events: int | None = Field(default=None, ge=0)
    upper_95: float | None = Field(default=None, ge=0)

    @property
    def bound(self) -> float:
        """The one-sided upper 95 % bound, which a claim of "at most" rests on."""
        return self.high if self.upper_95 is None else self.upper_95

    @property
    def counted(self) -> str:
        """How many were counted and where, in words; empty where the file does not tell."""
        if self.hours is None:
            return ""
        time = time_counted(self.hours)
        n = "counted" if self.n_events is None else f"{self.n_events:,}"
        if self.counted_on == "background":
            return f"{n} in {time} of everyday time"
        return f"{n} in {time} of recordings of gestures only, not in everyday time"


class Events(_Open):
    """Scores of the decision stream."""

    false_events_per_hour: FalseEvents | None = None
    f1: Figure | None = None


class Group(_Open):
    """The worst-served group of people, or of takes, that has enough people to be named."""

    grouping: str
    name: str
    accuracy: Figure

    @property
    def words(self) -> str:
        """Which group, as ``handedness left``."""
        return f"{self.grouping.replace('_', ' ')} {self.name}"


class GroupRow(_Open):
    """A group of people, or of takes, named or not."""

    name: str
    accuracy: Figure
    enough_people: bool = False

    @property
    def n_people(self) -> int:
        """How many people were asked."""
        return self.accuracy.n_participants or 0


class Evaluation(_Open):
    """The parts of ``evaluation.json`` that a budget shows; other keys are ignored."""

    float_model: Scores | None = Field(default=None, alias="float")
    fixed: Scores | None = None
    quadrants_fixed: Scores | None = Field(default=None, alias="four_quadrant")
    quadrants_float: Scores | None = Field(default=None, alias="four_quadrant_float")
    everybody: Scores | None = None
    everybody_four_quadrant: Scores | None = None
    quantity: QuantityEvaluation | None = None
    occupancy: OccupancyEvaluation | None = None
    wake_up: WakeUp | None = None
    events: Events | None = None
    worst_group: Group | None = None
    worst_group_in_turn: Group | None = None
    groups: dict[str, tuple[GroupRow, ...]] = Field(default_factory=dict)
    groups_in_turn: dict[str, tuple[GroupRow, ...]] = Field(default_factory=dict)
    recorded_by: tuple[str, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _one_of_both(cls, data: Any) -> Any:
        """Ask for the accuracy of answers where there is neither a quantity nor an occupancy."""
        if isinstance(data, dict) and not {"quantity", "occupancy"} & data.keys():
            return {"fixed": {}} | data
        return data

    @property
    def recognised(self) -> Scores | None:
        """Of the model, on as many people as there are: everybody in turn, or the locked alone."""
        return self.everybody or self.fixed

    @property
    def baseline(self) -> Scores | None:
        """Of the four-quadrant baseline, on the same people as `recognised`."""
        return self.four_quadrant if self.everybody is None else self.everybody_four_quadrant

    @property
    def four_quadrant(self) -> Scores | None:
        """Of the four-quadrant baseline, float or fixed point, whichever is better."""
        found = [s for s in (self.quadrants_fixed, self.quadrants_float) if s is not None]
        return max(found, key=lambda scores: scores.accuracy.value, default=None)

    @property
    def worst_served(self) -> Group | None:
        """The worst of the locked people's groups and of those of training people in turn."""
        groups = [g for g in (self.worst_group, self.worst_group_in_turn) if g is not None]
        return min(groups, key=lambda group: group.accuracy.value, default=None)

    def group_that_decides(self, least: float) -> Group | None:
        """Return the group that breaks a limit on all of them, or that is least known to keep it.

        Every group has to keep it, and each is held to its own interval: no correction for their
        number is due then (R. L. Berger, "Multiparameter Hypothesis Testing and Acceptance
        Sampling", Technometrics 24, 1982, on intersection-union tests; from memory).

        Parameters
        ----------
        least : float
            The least accuracy that every group has to have, 0 to 1.
        """
        worst = self.worst_served
        if worst is None or worst.accuracy.value < least:
            return worst
        return min((worst, *self._surer_groups()), key=lambda group: group.accuracy.low)

    def _surer_groups(self) -> list[Group]:
        """Return named groups, each on the side where more of its people were asked."""
        most: dict[tuple[str, str], GroupRow] = {}
        for groups in (self.groups, self.groups_in_turn):
            for grouping, rows in groups.items():
                for row in filter(lambda row: row.enough_people, rows):
                    key = grouping, row.name
                    if key not in most or row.n_people > most[key].n_people:
                        most[key] = row
        return [Group(grouping=g, name=n, accuracy=r.accuracy) for (g, n), r in most.items()]

    @property
    def untold_groups(self) -> tuple[str, ...]:
        """Groups with too few people to be named, locked and in turn, or with none at all."""
        asked = untold(
            Asked(grouping, row.name, row.n_people, row.enough_people)
            for groups in (self.groups, self.groups_in_turn)
            for grouping, rows in groups.items()
            for row in rows
        )
        return tuple(group.words for group in asked)

    @property
    def kind_words(self) -> str:
        """What the recordings are, where no sensor gave all of them; empty for a real one."""
        if not self.emulated:
            return ""
        kinds = {"real shapes" in s for s in self.recorded_by if "emulated" in s}
        if not all("emulated" in source for source in self.recorded_by) or len(kinds) > 1:
            return "a mix of data, not all of it recorded"
        if kinds == {True}:
            return "real shapes, emulated optic"
        return (
            f"an emulated sensor, with {'emulated lights' if self.of_lights else 'invented people'}"
        )

    @property
    def of_lights(self) -> bool:
        """Whether it was asked about a rig's lights, and not about people."""
        return self.quantity is not None and not self.quantity.of_people

    def headline(self) -> dict[str, Any]:
        """Return as plain JSON values what a budget shows of recognition; None where unknown."""

        def share(scores: Scores | None) -> dict[str, Any] | None:
            return None if scores is None else scores.accuracy.model_dump(exclude_none=True)

        events, rate = self.false_events, self._false_events
        return {
            "everybody_in_turn": share(self.everybody),
            "everybody_in_turn_four_quadrant": share(self.everybody_four_quadrant),
            "locked": share(self.fixed),
            "locked_four_quadrant": share(self.four_quadrant),
            "emulated": self.emulated,
            "false_events_per_hour": None
            if events is None or rate is None
            else {
                "value": events.median,
                "at_most": events.high,
                "hours": rate.hours,
                "counted": rate.counted,
            },
        }

    @property
    def false_events(self) -> Interval | None:
        """False events an hour on streams, up to their one-sided bound."""
        rate = self._false_events
        if rate is None:
            return None
        return Interval(rate.value, min(rate.low, rate.value), max(rate.bound, rate.value))

    @property
    def false_events_counted(self) -> str:
        """Where false events were counted, in words; empty where the file does not tell."""
        rate = self._false_events
        return "" if rate is None else rate.counted

    @property
    def _false_events(self) -> FalseEvents | None:
        return None if self.events is None else self.events.false_events_per_hour

    @property
    def emulated(self) -> bool:
        """Whether any recording came through an emulated optic."""
        return any("emulated" in source for source in self.recorded_by)


def read_evaluation(model_dir: Path) -> Evaluation | None:
    """Read ``evaluation.json``; None when the folder has none.

    Raises
    ------
    UsageError
        The file cannot be read.
    FormatError
        It is not JSON, too large, or a key does not hold what it should.
    """
    path = model_dir / "evaluation.json"
    if not path.exists():
        return None
    content = read_limited(path)
    try:
        return Evaluation.model_validate(json.loads(content.decode("utf-8")))
    except ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        got = "missing" if first["type"] == "missing" else shorten(repr(first["input"]), 60)
        raise FormatError(
            str(path), key or "content", got, _expected(first), "evaluate the model anew"
        ) from None
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as fault:
        raise FormatError(
            str(path), "the file", f"unreadable ({fault})", "JSON", "evaluate the model anew"
        ) from fault


def _expected(fault: ErrorDetails) -> str:
    """Return what a key should hold, by the rule that it broke."""
    limits = fault.get("ctx", {})
    match fault["type"]:
        case "missing":
            return "a value"
        case "greater_than_equal":
            return f"at least {limits['ge']:g}"
        case "greater_than":
            return f"above {limits['gt']:g}"
        case "less_than_equal":
            return f"at most {limits['le']:g}"
        case "model_type":
            return "an object"
        case "string_type":
            return "a text"
        case "tuple_type":
            return "a list"
        case kind if kind.startswith("int"):
            return "a whole number"
        case _:
            return "a finite number"
