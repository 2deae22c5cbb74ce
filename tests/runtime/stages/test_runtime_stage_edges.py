"""Each stage at its edges: ranges of fields, proofs of 32 bits, and what counts as alike."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from stage_variants import MIXED, VARIANTS, int32, layer

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import INT32_MAX
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Stage
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.background import Background
from runtime.stages.pixels import Pixels
from runtime.stages.swing import Swing
from runtime.stages.window import Window

RANGES: list[tuple[Stage, str, int, int]] = [
    (Bins(256, 256, 1, 1), "n_rows", 256, 256),
    (Bins(1, 1, 1, 1), "n_cols", 1, 256),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "first_row", 0, 8),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "last_row", 3, 12),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "first_col", 0, 6),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "last_col", 4, 12),
    (Ambient(256, 256, 1, 1, 0), "n_rows", 1, 256),
    (Ambient(1, 1, 1, 1, 0), "n_cols", 1, 256),
    (Ambient(1, 1, 1, 1, 0), "black_counts", 0, 65_535),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "n_values", 1, 1024),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "quick_shift", 0, 5),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "unrest_shift", 0, 5),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "rest_shift", 1, 20),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "near_shift", 0, 8),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "still_shift", 0, 8),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "near_least", 0, 1 << 24),
    (Background(2, 2, 3, 9, 1, 2, 0, 6, (6, 9, 12), 16), "octave_bits", 0, 12),
    (Pixels(1, 2, int32(0, 1)), "n_rows", 1, 256),
    (Pixels(1, 2, int32(0, 1)), "n_cols", 2, 256),
    (Level(2, 8, 0, 16, 3, 0), "n_values", 1, 4096),
    (Level(2, 8, 0, 2**20, 3, 0), "gain_bits", 0, 30),
    (Level(2, 8, 0, 16, 3, 0), "floor", 2, 2**30),
    (Level(2, 8, 20, 64, 3, 0), "floor", 64, 2**30),
    (Level(2, 8, 0, 16, 12, 0), "log_bits", 0, 12),
    (Level(2, 8, 0, 16, 3, 0), "log_offset", 0, 31 * 8),
    (Window(2, 2, 2), "n_values", 1, 4096),
    (Window(2, 2, 2), "n_segments", 1, 64),
    (Window(2, 2, 2), "segment_length", 1, 1024),
    (Window(2, 2, 2), "shift", 0, 16),
    (Window(1024, 1, 1024), "n_values", 1, 1024),
    (Motion(2, 0, 8), "n_values", 1, 4096),
    (Motion(2, 0, 8), "shift", 0, 30),
    (Hold(2, 9, 4, 3, 1), "n_values", 1, 4096),
    (Hold(2, 9, 0, 3, 1), "limit", 0, INT32_MAX),
    (Hold(2, 9, 4, 3, 1), "near", 0, 9),
    (Hold(2, 9, 4, 3, 1), "longest", 1, 65535),
    (Hold(2, 9, 4, 3, 1), "brief", 0, 3),
    (Steady(2, (1, 1)), "n_values", 1, 4096),
    (Steady(2, (1, 1)), "shift", 0, 30),
    (Swing(2, 2, 0, 8), "n_values", 1, 4096),
    (Swing(2, 2, 0, 8), "run_frames", 1, 64),
    (Swing(2, 2, 0, 8), "shift", 0, 24),
    (layer(MIXED), "multiplier", 1, 32767),
    (layer(MIXED), "shift", 0, 46),
    (layer(MIXED, 32), "multiplier", 1, 1),
    (layer(MIXED, 32), "shift", 0, 0),
    (Decision((False, True), 9, 0, 1, 0), "threshold", 0, INT32_MAX),
    (Decision((False, True), 9, 0, 1, 0), "hysteresis", 0, 9),
    (Decision((False, True), 9, 0, 1, 0), "persist", 1, 1000),
    (Decision((False, True), 9, 0, 1, 0), "hold_off", 0, 10_000),
    (Presence("hands", (-5, 30), 4, 2), "hysteresis", 0, INT32_MAX),
    (Presence("hands", (-5, 30), 4, 2), "persist", 1, 10_000),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "settle", 1, 10_000),
]


@pytest.mark.parametrize(("stage", "field", "low", "high"), RANGES)
def test_fields_reach_to_their_ends_and_no_further(
    stage: Stage, field: str, low: int, high: int
) -> None:
    """Both ends of a field's range are allowed, one step beyond either is refused."""
    for value in {low, high}:
        if field == "log_bits":  # its offset is in units of it
            stage = dataclasses.replace(stage, log_offset=0)  # type: ignore[type-var]
        assert getattr(dataclasses.replace(stage, **{field: value}), field) == value  # type: ignore[type-var]
    beyond = [high + 1] if field.startswith("last_") else [low - 1, high + 1]
    for value in beyond:
        if isinstance(stage, Bins) and field == "n_rows" and value < high:
            continue  # the region's own rows would be refused first
        if isinstance(stage, Pixels) and value == 1:
            continue  # there the second pixel would lie outside
        with pytest.raises(FormatError, match=f"^{stage.kind}: "):
            dataclasses.replace(stage, **{field: value})  # type: ignore[type-var]


TUPLES: list[tuple[Stage, str, int, int]] = [
    (Steady(2, (0, 32767, 1)), "taps", -32767, 32767),
    (Presence("hands", (0,), 4, 2), "thresholds", -(2**31) + 1, INT32_MAX),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "numerators", 1, 2**24),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "denominators", 1, 2**24),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "half_widths", 0, INT32_MAX),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "low", -(2**31), 50),
    (Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9,), (50,), 2), "high", -9, INT32_MAX),
    (Decision((False, True), 9, 0, 1, 0, (0, 0)), "extra", 0, INT32_MAX - 9),
]


@pytest.mark.parametrize(("stage", "field", "low", "high"), TUPLES)
def test_each_of_several_numbers_reaches_to_its_ends(
    stage: Stage, field: str, low: int, high: int
) -> None:
    """Of a field with several numbers each one is held to the same range."""
    rest = getattr(stage, field)[1:]
    for value in (low, high):
        assert getattr(dataclasses.replace(stage, **{field: (value, *rest)}), field)[0] == value  # type: ignore[type-var]
    for value in (low - 1, high + 1):
        with pytest.raises(FormatError, match=f"^{stage.kind}: "):
            dataclasses.replace(stage, **{field: (*rest, value)})  # type: ignore[type-var]


def test_closing_stages_agree_where_their_words_say() -> None:
    """A quantity within its half-width, a count alike, a class alike; a guard does not matter."""
    quantity = VARIANTS["quantity"][0]
    assert isinstance(quantity, Quantity)
    whole = int32([10, 5], [10, 5], [10, 5], [10, 5])
    real = np.array([[19.0, 5.0], [19.1, 5.0], [1.0, 5.0], [10.0, 5.5]])
    assert quantity.agrees(real, whole).tolist() == [True, False, True, False]
    guarded = Quantity(("a",), ("mm",), (1,), (4,), (9,), (-9, 0), (50, 1), 2)
    assert guarded.agrees(np.array([[10.0, 500.0]]), int32([10, 0])).tolist() == [True]
    presence, decision = VARIANTS["presence"][0], VARIANTS["decision"][0]
    assert isinstance(presence, Presence) and isinstance(decision, Decision)
    levels = np.array([[29.4], [30.0], [-5.0]])
    assert presence.agrees(levels, int32([29], [29], [-5])).tolist() == [True, False, True]
    scores = np.array([[0.4, 0.5, 0.0], [0.4, 0.5, 0.0]])
    assert decision.agrees(scores, int32([3, 4, 0], [5, 4, 0])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("stage", "allowed"),
    [
        (Level(2, 8, 0, 16, 3, 0), (8, 16)),
        (Window(2, 2, 2), (8, 16)),
        (Motion(2, 0, 8), (8, 16, 32)),
        (Swing(2, 2, 0, 8), (8, 16, 32)),
    ],
)
def test_widths_are_those_of_the_cores(stage: Stage, allowed: tuple[int, ...]) -> None:
    """Outputs have 8, 16 and, of sums, 32 bits; no other number is a width."""
    for n_bits in range(-1, 66):
        if n_bits in allowed:
            assert dataclasses.replace(stage, n_bits=n_bits).n_bits == n_bits  # type: ignore[type-var]
        else:
            with pytest.raises(FormatError, match="n_bits"):
                dataclasses.replace(stage, n_bits=n_bits)  # type: ignore[type-var]


@pytest.mark.parametrize(
    ("stage", "largest"),
    [
        (Bins(2, 2, 1, 1), INT32_MAX // 4),  # four pixels of one bin
        (Level(3, 8, 7, 16, 3, 0), INT32_MAX // 3),  # the sum of three values
        (Level(1, 8, 7, 16, 3, 0), 2**30),  # a value itself
        (Window(1, 1, 1024), INT32_MAX // 3072),  # a sum, with one frame's more and less on the way
        (Window(1, 4, 2, 3, 8), INT32_MAX // 6),
        (Motion(2, 0, 8), INT32_MAX // 4),  # two values, each from one end to the other
        (Motion(1, 3, 8), (INT32_MAX - 4) // 2),  # with the rounding term
        (Hold(3, 9, 4, 3, 1), INT32_MAX // 3),  # the sum of three values
        (Steady(1, (1, 1, 1)), INT32_MAX // 3),
        (Steady(1, (4, -1, 2), 3), (INT32_MAX - 4) // 7),  # with the rounding term
        (Swing(1, 64, 0, 32), INT32_MAX // (2 * (8 * 64 + 16))),
        (Swing(1, 1, 24, 32), (INT32_MAX - 2**23) // (2 * (8 + 16))),
        (Decision((True, False), 1, 1, 1, 0), INT32_MAX // 2),
        (layer(MIXED[:1], 32), (INT32_MAX - 60) // int(np.abs(MIXED[0]).sum())),
        (layer([[3]], 8, 32767, 16), (65535 - 60) // 3),  # times 32767 is the last below 2**31
        (layer([[-127]], 8, 32767, 17), (INT32_MAX - 60) // 127),  # in two multiplications
        (Presence("hands", (0,), 5, 1), INT32_MAX - 5),  # the level, raised by the hysteresis
    ],
)
def test_proofs_hold_up_to_the_last_input_and_no_further(stage: Stage, largest: int) -> None:
    """The largest inputs whose accumulator fits 32 bits are proved, one more is refused."""
    high = np.full(stage.n_in, largest, dtype=np.int64)
    stage.bounds(-high, high)
    with pytest.raises(OverflowRisk, match=f"^{stage.kind}: "):
        stage.bounds(-high - 1, high + 1)
