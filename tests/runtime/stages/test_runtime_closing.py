"""The closing stages: what a model can end in, and what each of them tells."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, find, settings
from strategies import CLOSING, models

from runtime.errors import FormatError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages import closing_kinds, kinds
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.closing import NO_EVENT, ClosingStage
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense


def quantity(**changes: Any) -> Quantity:
    """Return one value of -100 to 400 quarter millimetres, guarded by a number of 5 to 9."""
    fields: dict[str, Any] = {
        "names": ("distance",),
        "units": ("mm",),
        "numerators": (1,),
        "denominators": (4,),
        "half_widths": (6,),
        "low": (-100, 5),
        "high": (400, 9),
        "settle": 3,
    }
    return Quantity(**fields | changes)


def presence(**changes: Any) -> Presence:
    """Return a count of hands up to two."""
    fields: dict[str, Any] = {
        "counted": "hands", "thresholds": (10, 20), "hysteresis": 3, "persist": 2,
    }  # fmt: skip
    return Presence(**fields | changes)


def small(*stages: Stage, classes: tuple[str, ...] = ()) -> Model:
    """Return a model of four pixels that ends in some stages."""
    return Model("small", "small", Sensor("small", 2, 2), classes, (Bins(2, 2, 1, 2), *stages))


def layer() -> Dense:
    weights = np.eye(2, dtype=np.int8)
    bias = np.zeros(2, dtype=np.int32)
    return Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))


def given(*rows: tuple[int, ...]) -> np.ndarray:
    return np.array(rows, dtype=np.int32)


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_every_kind_is_drawn(kind: str) -> None:
    """The property tests draw models with every kind of stage that there is."""
    wanted = settings(max_examples=2000, phases=[Phase.generate], database=None, deadline=None)
    find(models(), lambda model: kind in [s.kind for s in model.stages], settings=wanted)


@pytest.mark.parametrize("kind", closing_kinds())
def test_every_closing_stage_says_all_that_it_gives(kind: str) -> None:
    """A closing stage names all its outputs, the event first, and puts each frame into words."""
    assert sorted(CLOSING) == closing_kinds()
    drawn = settings(max_examples=500, phases=[Phase.generate], database=None, deadline=None)
    model = find(models(), lambda model: model.closing.kind == kind, settings=drawn)
    stage, rng = model.closing, np.random.default_rng(2)
    assert isinstance(stage, ClosingStage)
    outputs = stage.outputs()
    assert len(outputs) == stage.n_out
    assert len({output.name for output in outputs}) == stage.n_out
    assert outputs[0].unit == ""
    assert stage.evidence_name != stage.output_name
    assert stage.tells in ("event", "values", "level")
    low, high = model.edge_bounds()[-2]
    x = rng.integers(low, high + 1, (60, stage.n_in)).astype(np.int32)
    y, _ = stage.run(x, stage.initial_state())
    assert stage.agrees(x.astype(np.float64), x).all()
    for row, evidence in zip(y, x, strict=True):
        told = stage.tell(row, evidence, model.classes)
        assert bool(told.event) == (row[0] != NO_EVENT)
        assert bool(told.now) == (stage.tells != "event")
        assert json.loads(json.dumps(told.values)) == told.values


def test_a_value_is_valid_once_its_guards_have_settled() -> None:
    """A guard out of range ends validity at once; it takes `settle` good frames to come back."""
    stage = quantity()
    x = given((8, 7), (8, 7), (8, 5), (8, 9), (8, 10), (9, 9), (9, 9), (-7, 9), (-7, 4))
    y, _ = stage.run(x, stage.initial_state())
    assert y[:, 2].tolist() == [0, 0, 1, 1, 0, 0, 0, 1, 0]
    assert y[:, 0].tolist() == [-1, -1, 1, -1, 0, -1, -1, 1, 0]
    assert y[:, 1].tolist() == [8, 8, 8, 8, 8, 9, 9, -7, -7]


def test_a_value_that_was_never_learned_is_clipped_and_not_valid() -> None:
    """Outside of its learned range a value is given as the range's end, and marked as none."""
    stage = quantity(settle=1)
    x = given((400, 6), (401, 6), (-100, 6), (-101, 6), (2**31 - 1, 6))
    y, _ = stage.run(x, stage.initial_state())
    assert y[:, 1].tolist() == [400, 400, -100, -100, 400]
    assert y[:, 2].tolist() == [1, 0, 1, 0, 0]
    assert y[:, 0].tolist() == [1, 0, 1, 0, -1]


def test_a_quantity_is_told_with_unit_and_interval() -> None:
    """Words and JSON hold the value in its unit, half its interval's width, and validity."""
    stage = quantity(settle=1)
    y, _ = stage.run(given((50, 6), (50, 2)), stage.initial_state())
    told = stage.tell(y[0], given((50, 6))[0], ())
    assert told.event == "valid"
    assert told.now == "distance 12.5 ± 1.5 mm"
    assert told.values == {
        "distance": {"value": 12.5, "half_width": 1.5, "unit": "mm", "valid": True}
    }
    lost = stage.tell(y[1], given((50, 2))[0], ())
    assert (lost.event, lost.now) == ("lost", "distance not valid")


def test_a_distance_is_told_with_the_interval_of_its_inverse() -> None:
    """A distance beside its inverse is uncertain by its square: one width says nothing of near."""
    stage = quantity(
        names=("inverse_distance", "distance"), units=("1/m", "mm"), numerators=(1, 1),
        denominators=(64, 64), half_widths=(16, 4000), low=(0, 0, 5), high=(9999, 99999, 9),
        settle=1,
    )  # fmt: skip
    near = np.array([[20 * 64, 50 * 64, 6]], dtype=np.int32)
    far = np.array([[2 * 64, 500 * 64, 6]], dtype=np.int32)
    for values, half_mm in ((near, 50**2 * 0.25e-3), (far, 500**2 * 0.25e-3)):
        y, _ = stage.run(values, stage.initial_state())
        told = stage.tell(y[0], values[0], ()).values
        assert told["distance"]["half_width"] == pytest.approx(half_mm, abs=1e-6)
        assert told["inverse_distance"]["half_width"] == 0.25


def test_a_count_rises_and_falls_with_hysteresis_and_persistence() -> None:
    """A count changes after `persist` frames alike, and falls only well below its threshold."""
    stage = presence()
    levels = [10, 9, 10, 10, 8, 7, 25, 25, 18, 17, 16, 6, 6, 6, 25, 6, 25, 25]
    y, _ = stage.run(given(*((level,) for level in levels)), stage.initial_state())
    assert y[:, 1].tolist() == [0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 2, 0, 0, 0, 0, 0, 2]
    assert [(k, e) for k, e in enumerate(y[:, 0].tolist()) if e != NO_EVENT] == [
        (3, 1), (7, 2), (12, 0), (17, 2),
    ]  # fmt: skip
    assert stage.tell(y[12], given((6,))[0], ()).event == "hands none"
    assert stage.tell(y[13], given((6,))[0], ()).values == {"hands": 0}
    assert stage.tell(y[17], given((25,))[0], ()).now == "hands 2"


@pytest.mark.parametrize(
    ("make", "changes", "message"),
    [
        (quantity, {"names": ()}, "number of values is 0"),
        (quantity, {"names": ("Bad name",)}, "name is 'Bad name'"),
        (quantity, {"units": ('"',)}, "unit is "),
        (quantity, {"units": ("mm", "mm")}, "number of units is 2, expected 1"),
        (quantity, {"denominators": (0,)}, "part of a scale is 0"),
        (quantity, {"half_widths": (-1,)}, "half-width is -1"),
        (quantity, {"low": ()}, "length of low is 0"),
        (quantity, {"high": (400,)}, "length of high is 1, expected 2"),
        (quantity, {"high": (-101, 9)}, "high is -101"),
        (quantity, {"settle": 0}, "settle is 0"),
        (quantity, {"low": 3}, "low is 3, expected a list"),
        (presence, {"counted": "9"}, "counted is '9'"),
        (presence, {"thresholds": ()}, "number of thresholds is 0"),
        (presence, {"thresholds": (5, 5)}, "thresholds is (5, 5), expected rising"),
        (presence, {"hysteresis": -1}, "hysteresis is -1"),
        (presence, {"persist": 0}, "persist is 0"),
    ],
)
def test_wrong_fields_are_named(make: Any, changes: dict[str, Any], message: str) -> None:
    """A field out of range is refused with its name, what it is and what was expected."""
    with pytest.raises(FormatError) as error:
        make(**changes)
    assert message in str(error.value)


def test_a_model_ends_in_one_closing_stage() -> None:
    """A model that does not end in a closing stage, or has one before its end, is refused."""
    with pytest.raises(FormatError, match="last stage is dense, expected a closing stage: deci"):
        small(layer())
    with pytest.raises(FormatError, match="stage 2, which is not the last, is decision"):
        small(layer(), Decision((False, True), 1, 0, 1, 0), presence())
    with pytest.raises(FormatError, match="number of classes is 1, expected 0"):
        small(layer(), quantity(), classes=("near",))


def decide(scores: list[list[int]], **changes: Any) -> list[int]:
    """Return the decisions of a two-gesture, one-other decision."""
    fields: dict[str, Any] = {
        "other": (False, False, True),
        "threshold": 10,
        "hysteresis": 5,
        "persist": 1,
        "hold_off": 0,
    }
    stage = Decision(**fields | changes)
    outputs, _ = stage.run(np.array(scores, np.int32), stage.initial_state())
    events: list[int] = outputs[:, 0].tolist()
    return events


A, A_WEAK, A_FAINT, B, OTHER = [20, 0, 0], [17, 10, 0], [14, 10, 0], [0, 20, 0], [0, 0, 20]


@pytest.mark.parametrize(
    ("scores", "changes", "events"),
    [
        ([A, A, A], {}, [0, -1, -1]),  # told once
        ([A, A_WEAK, A], {}, [0, -1, -1]),  # hysteresis holds it
        ([A, A_FAINT, A], {}, [0, -1, 0]),  # released, and told anew
        ([A_WEAK, A], {}, [-1, 0]),  # below the threshold
        ([A, B, A], {}, [0, 1, 0]),  # another class releases
        ([OTHER, A, OTHER], {}, [-1, 0, -1]),  # no gesture, no event
        ([A, A, A], {"persist": 3}, [-1, -1, 0]),
        ([A, B, A, A], {"persist": 2}, [-1, -1, -1, 0]),
        ([A, B, B, B, A], {"hold_off": 3}, [0, -1, -1, 1, -1]),
        ([[5, 5, 0]], {"threshold": 0, "hysteresis": 0}, [0]),  # the first of equals
        ([A, OTHER, B], {"extra": (11, 0, 0)}, [-1, -1, 1]),  # this class needs more
        ([A, A_WEAK, A], {"extra": (10, 0, 0)}, [0, -1, 0]),  # and is released earlier
    ],
)
def test_decision_follows_its_words(
    scores: list[list[int]], changes: dict[str, Any], events: list[int]
) -> None:
    """Threshold, hysteresis, persistence and hold-off do what the docstring says."""
    assert decide(scores, **changes) == events
