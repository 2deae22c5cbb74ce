"""Each stage against what it says, computed another way."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from math import floor, log2
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.datasets import load_digits
from sklearn.metrics import pairwise_distances
from sklearn.tree import DecisionTreeClassifier

from runtime.errors import FormatError, OverflowRisk
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pixels import Pixels
from runtime.stages.prototypes import Prototypes
from runtime.stages.swing import Swing
from runtime.stages.trees import Trees
from runtime.stages.window import Window

seeds = st.integers(0, 2**32 - 1)


def int32(*values: object) -> np.ndarray:
    return np.array(values, dtype=np.int32)


def layer(**changes: Any) -> Dense:
    """Return a layer of 2 by 3 weights that only sums."""
    fields: dict[str, Any] = {
        "weights": np.ones((2, 3), dtype=np.int8),
        "bias": int32(0, 0),
        "multiplier": 1,
        "shift": 0,
        "relu": False,
        "out_bits": 32,
        "real_weights": np.ones((2, 3)),
        "real_bias": np.zeros(2),
    }
    return Dense(**fields | changes)


def stump(**changes: Any) -> Trees:
    """Return one tree: the first of two values at most 5 or not."""
    fields: dict[str, Any] = {
        "n_features": 2,
        "roots": int32(0),
        "feature": int32(0),
        "threshold": int32(5),
        "left": int32(-1),
        "right": int32(-2),
        "leaves": int32([1, 0], [0, 1]),
    }
    return Trees(**fields | changes)


def pair(**changes: Any) -> Prototypes:
    """Return two classes with one prototype each."""
    fields: dict[str, Any] = {
        "centres": np.array([[0, 0], [10, 10]], dtype=np.int8),
        "owners": int32(0, 1),
        "n_classes": 2,
        "squared": True,
        "real_centres": np.array([[0.0, 0.0], [10.0, 10.0]]),
    }
    return Prototypes(**fields | changes)


def test_bins_are_sums_of_differences() -> None:
    """A bin is the sum of lit minus dark over its pixels, and pixels outside are never read."""
    lit = np.arange(36, dtype=np.uint16).reshape(1, 6, 6)
    dark = np.full((1, 6, 6), 2, dtype=np.uint16)
    lit[0, 0], lit[0, :, 5] = 65535, 65535
    y = Bins(6, 6, 2, 2, first_row=1, last_row=5, first_col=1, last_col=5).run_frames(lit, dark)
    assert y.tolist() == [[7 + 8 + 13 + 14 - 8, 9 + 10 + 15 + 16 - 8,
                           19 + 20 + 25 + 26 - 8, 21 + 22 + 27 + 28 - 8]]  # fmt: skip


def test_pixels_are_differences() -> None:
    """A chosen pixel is its own lit minus dark, below zero too; only its rows are read."""
    lit = np.array([[[1, 65535], [3, 4]]], dtype=np.uint16)
    dark = np.array([[[5, 0], [65535, 4]]], dtype=np.uint16)
    stage = Pixels(2, 2, int32(0, 1, 2))
    assert stage.run_frames(lit, dark).tolist() == [[-4, 65535, 3 - 65535]]
    assert stage.rows_read == range(2)
    assert Pixels(5, 3, int32(4, 7)).rows_read == range(1, 3)


@settings(max_examples=60)
@given(seeds, st.integers(0, 24), st.sampled_from([8, 16]))
def test_level_is_a_share_of_the_sum(seed: int, gain_bits: int, n_bits: int) -> None:
    """Each value is its share of the sum within the table's half interval and half a bit."""
    rng = np.random.default_rng(seed)
    log_bits = 2 if n_bits == 8 else 10
    stage = Level(5, n_bits, gain_bits, 1 << max(1, gain_bits - 14), log_bits, 0)
    x = rng.integers(-50, 2 ** rng.integers(7, 24), (20, 5)).astype(np.int32)
    y = stage.run(x, {})[0]
    interval = 2.0 ** -(stage.table_bits + 1) + 2.0**-14
    for values, got in zip(x.tolist(), y.tolist(), strict=True):
        total = max(sum(values), stage.floor)
        for value, share in zip(values, got, strict=False):
            exact = value / total * 2**gain_bits
            wanted = min(max(exact, -stage.limit), stage.limit)
            assert abs(share - wanted) <= abs(exact) * interval + 0.5 + 1e-6
        # Mitchell's straight line is at most 0.0861 below the logarithm (his paper, 1962).
        line = got[-1] / 2**log_bits
        assert log2(total) - 0.0861 - 2.0**-log_bits <= line <= log2(total) + 1e-9


def test_level_of_darkness_is_the_floors() -> None:
    """With no light every share is zero and the logarithm is the floor's."""
    y = Level(3, 8, 7, 1024, 3, 40).run(np.zeros((1, 3), dtype=np.int32), {})[0]
    assert y.tolist() == [[0, 0, 0, 10 * 8 - 40]]


@settings(max_examples=50)
@given(seeds, st.integers(1, 2**15 - 1), st.integers(0, 40), st.booleans())
def test_dense_is_exact(seed: int, multiplier: int, shift: int, relu: bool) -> None:
    """A layer is the rounding rule on exact sums of products."""
    rng = np.random.default_rng(seed)
    weights = rng.integers(-127, 128, (2, 3)).astype(np.int8)
    bias = rng.integers(-(2**20), 2**20, 2).astype(np.int32)
    stage = layer(
        weights=weights, bias=bias, multiplier=multiplier, shift=shift, relu=relu, out_bits=8
    )
    x = rng.integers(-127, 128, (4, 3)).astype(np.int32)
    for values, got in zip(x.tolist(), stage.run(x, {})[0].tolist(), strict=True):
        for row, start, y in zip(weights.tolist(), bias.tolist(), got, strict=True):
            total = start + sum(a * b for a, b in zip(row, values, strict=True))
            half = Fraction(1, 2) if shift else 0
            scaled = floor(Fraction(total * multiplier, 2**shift) + half)
            assert y == min(max(scaled, 0 if relu else -127), 127)


@settings(max_examples=50)
@given(seeds, st.integers(1, 4), st.integers(1, 5))
def test_window_sums_the_last_frames(seed: int, n_segments: int, length: int) -> None:
    """Each output is the sum of its own segment of the frames before, zeros before the first."""
    rng = np.random.default_rng(seed)
    stage = Window(2, n_segments, length)
    x = rng.integers(-100, 101, (12, 2)).astype(np.int32)
    y = stage.run(x, stage.initial_state())[0]
    padded = np.vstack([np.zeros((n_segments * length, 2), dtype=int), x])
    for frame in range(len(x)):
        last = padded[frame + 1 : frame + 1 + n_segments * length]
        assert y[frame].tolist() == last.reshape(n_segments, length, 2).sum(axis=1).ravel().tolist()


@settings(max_examples=50)
@given(seeds, st.lists(st.integers(-9, 9), min_size=1, max_size=5), st.integers(0, 4))
def test_steady_weighs_the_last_frames(seed: int, older: list[int], shift: int) -> None:
    """Each output is the rounded, weighted sum of its value's last frames, zeros before the first.

    The state goes on wherever the frames are parted.
    """
    rng = np.random.default_rng(seed)
    taps = (*older, max(1, 1 - sum(older)))
    stage = Steady(2, taps, shift)
    x = rng.integers(-100, 101, (12, 2)).astype(np.int32)
    part = int(rng.integers(0, 13))
    first, state = stage.run(x[:part], stage.initial_state())
    y = np.concatenate([first, stage.run(x[part:], state)[0]])
    padded = np.vstack([np.zeros((len(taps) - 1, 2), dtype=int), x])
    for frame in range(len(x)):
        for value in range(2):
            last = padded[frame : frame + len(taps), value].tolist()
            total = Fraction(sum(a * b for a, b in zip(taps, last, strict=True)), 2**shift)
            assert y[frame, value] == floor(total + (Fraction(1, 2) if shift else 0))


def test_motion_counts_changes() -> None:
    """The last output is the rounded, saturated sum of absolute changes."""
    stage = Motion(2, shift=1, n_bits=8)
    y, state = stage.run(int32([3, -4], [3, -4], [3, -1], [120, -127]), stage.initial_state())
    assert y[:, 2].tolist() == [4, 0, 2, 122]
    assert y[:, :2].tolist() == [[3, -4], [3, -4], [3, -1], [120, -127]]
    assert state["previous"].tolist() == [120, -127]


@settings(max_examples=50)
@given(seeds, st.integers(1, 3), st.integers(0, 4))
def test_swing_is_the_fourth_difference_of_runs(seed: int, length: int, shift: int) -> None:
    """Each output is |a - 4b + 6c - 4d + e| of the last five runs' sums, rounded and saturated."""
    rng = np.random.default_rng(seed)
    stage = Swing(2, length, shift, 8)
    x = rng.integers(-9, 10, (40, 2)).astype(np.int32)
    y, state = stage.run(x, stage.initial_state())
    padded = np.vstack([np.zeros((5 * length, 2), dtype=int), x])
    for frame in range(len(x)):
        last = padded[frame + 1 : frame + 1 + 5 * length].reshape(5, length, 2).sum(axis=1)
        swing = np.diff(last, 4, axis=0)[0]
        rounded = [floor(Fraction(abs(int(v)), 2**shift) + Fraction(1, 2)) for v in swing]
        assert y[frame].tolist() == [min(v, 127) for v in rounded]
    assert state["swing"].tolist() == swing.tolist()


def test_swing_answers_to_a_movement_to_and_fro_and_to_no_slow_curve() -> None:
    """A cubic gives nothing; a wave whose period is two runs gives nearly the most of any."""
    t = np.arange(200.0)[:, None]
    stage = Swing(1, 6, 0, 32)
    cubic = ((t - 100.0) ** 3).astype(np.int32)
    assert not stage.run(cubic, stage.initial_state())[0][30:].any()
    tops = {
        period: int(
            stage.run(
                np.rint(1000.0 * np.sin(2.0 * np.pi * t / period)).astype(np.int32),
                stage.initial_state(),
            )[0][30:].max()
        )
        for period in (4, 12, 60)
    }
    assert tops[12] > 3 * tops[4]
    assert tops[12] > 50 * tops[60]


def lowered(tree: DecisionTreeClassifier) -> Trees:
    """Write a fitted tree with floored thresholds; its leaves name their class."""
    inner = tree.tree_
    is_leaf = inner.children_left == -1
    number = np.cumsum(~is_leaf) - 1
    leaf_number = np.cumsum(is_leaf) - 1
    place = np.where(is_leaf, -1 - leaf_number, number)
    keep = ~is_leaf
    return Trees(
        n_features=tree.n_features_in_,
        roots=place[:1].astype(np.int32),
        feature=inner.feature[keep].astype(np.int32),
        threshold=np.floor(inner.threshold[keep]).astype(np.int32),
        left=place[inner.children_left[keep]].astype(np.int32),
        right=place[inner.children_right[keep]].astype(np.int32),
        leaves=np.eye(10, dtype=np.int32)[inner.value[is_leaf, 0].argmax(axis=1)],
    )


@pytest.mark.parametrize("scale", [1, 1_000_003])
def test_floored_thresholds_equal_scikit_learn(scale: int) -> None:
    """On integers below 2**24 a tree with floored thresholds decides as scikit-learn does.

    Handwritten digits bundled with scikit-learn (Alpaydin & Kaynak, UCI, 1998), pixels 0 to 16;
    scaled by 1,000,003 they reach just below 2**24.
    """
    digits = load_digits()
    x = (digits.data * scale).astype(np.int32)
    assert x.max() < 2**24
    tree = DecisionTreeClassifier(random_state=0).fit(x[:900], digits.target[:900])
    got = lowered(tree).run(x, {})[0].argmax(axis=1)
    np.testing.assert_array_equal(got, tree.predict(x))


@pytest.mark.parametrize(("squared", "metric"), [(True, "sqeuclidean"), (False, "manhattan")])
def test_prototype_distances_equal_scikit_learn(squared: bool, metric: str) -> None:
    """Scores are minus the least distance that scikit-learn gives, on the bundled digits."""
    digits = load_digits()
    centres = digits.data[:30].astype(np.int8)
    owners = digits.target[:30].astype(np.int32)
    stage = Prototypes(centres, owners, 10, squared, centres.astype(float))
    x = digits.data[30:200].astype(np.int32)
    distances = pairwise_distances(x, centres, metric=metric)
    least = np.stack([distances[:, owners == c].min(axis=1) for c in range(10)], axis=1)
    np.testing.assert_array_equal(-stage.run(x, {})[0], least)


@pytest.mark.parametrize(
    ("stage", "changes"),
    [
        (Bins(4, 4, 2, 2), {"bin_rows": 3}),
        (Bins(4, 4, 2, 2), {"n_rows": 257}),
        (Bins(4, 4, 2, 2), {"first_row": 4}),
        (Bins(4, 4, 2, 2), {"last_col": 5}),
        (Bins(4, 4, 2, 2), {"bin_cols": 2.0}),
        (Pixels(2, 2, int32(0, 1)), {"indices": int32(1, 0)}),
        (Pixels(2, 2, int32(0, 1)), {"indices": int32(0, 4)}),
        (Pixels(2, 2, int32(0, 1)), {"indices": np.array([0, 1])}),
        (Pixels(2, 2, int32(0, 1)), {"indices": int32()}),
        (Level(3, 8, 7, 16, 3, 0), {"n_bits": 12}),
        (Level(3, 8, 7, 16, 3, 0), {"n_bits": 8.0}),
        (Level(3, 8, 7, 16, 3, 0), {"n_bits": np.array([8, 16])}),
        (Level(3, 8, 7, 16, 3, 0), {"floor": 0}),
        (Level(3, 8, 7, 16, 3, 0), {"gain_bits": 31}),
        (Level(3, 8, 7, 16, 3, 0), {"log_bits": 13}),
        (layer(), {"weights": np.full((2, 3), -128, dtype=np.int8)}),
        (layer(), {"weights": np.ones((2, 3), dtype=np.int32)}),
        (layer(), {"bias": int32(0)}),
        (layer(), {"real_bias": np.array([0.0, np.inf])}),
        (layer(), {"multiplier": 2}),
        (layer(), {"relu": 1}),
        (layer(), {"out_bits": 12}),
        (Window(2, 2, 2), {"segment_length": 0}),
        (Window(2, 2, 2), {"n_bits": 32}),
        (Window(4096, 1, 1), {"n_segments": 64, "segment_length": 1024}),
        (Motion(2, 0, 8), {"n_bits": 9}),
        (Motion(2, 0, 8), {"shift": 31}),
        (Hold(2, 9, 4, 3, 1), {"limit": 3}),
        (Hold(2, 9, 4, 3, 1), {"longest": 0}),
        (Steady(2, (1, 1)), {"taps": (1,)}),
        (Steady(2, (1, 1)), {"taps": (1,) * 33}),
        (Steady(2, (1, 1)), {"taps": (1, -1)}),
        (Steady(2, (1, 1)), {"taps": (1, 1.0)}),
        (Steady(2, (1, 1)), {"taps": [1, 1]}),
        (Swing(2, 3, 0, 8), {"run_frames": 0}),
        (Swing(2, 3, 0, 8), {"n_bits": 24}),
        (stump(), {"feature": int32(2)}),
        (stump(), {"left": int32(0)}),
        (stump(), {"left": int32(-3)}),
        (stump(), {"roots": int32(1)}),
        (stump(), {"roots": int32(0, 0)}),
        (pair(), {"owners": int32(0, 2)}),
        (pair(), {"n_classes": 3}),
        (pair(), {"squared": 1}),
        (Decision((True, False), 1, 1, 1, 0), {"hysteresis": 2}),
        (Decision((True, False), 1, 1, 1, 0), {"other": (True,)}),
        (Decision((True, False), 1, 1, 1, 0), {"other": (1, 0)}),
        (Decision((True, False), 1, 1, 1, 0), {"persist": 0}),
        (Decision((True, False), 1, 1, 1, 0), {"extra": (1,)}),
        (Decision((True, False), 1, 1, 1, 0), {"extra": (0, -1)}),
        (Decision((True, False), 1, 1, 1, 0), {"extra": (0, 2**31 - 1)}),
    ],
)
def test_wrong_fields_are_refused(stage: Stage, changes: dict[str, Any]) -> None:
    """Every field's range is checked on construction, and the message names the stage."""
    with pytest.raises(FormatError, match=f"^{stage.kind}: "):
        dataclasses.replace(stage, **changes)  # type: ignore[type-var]


@pytest.mark.parametrize(
    ("stage", "bound"),
    [
        (Level(3, 8, 7, 16, 3, 0), 2**30),
        (Level(1, 8, 7, 16, 3, 0), 2**30 + 1),
        (layer(), 2**30),
        (layer(multiplier=32767, shift=16, out_bits=8), 2**25),
        (Window(1, 1, 1024), 2**21),
        (Motion(2, 0, 8), 2**29),
        (Hold(2, 9, 4, 3, 1), 2**30),
        (Steady(1, (1, 1, 1)), 2**30),
        (Swing(1, 64, 0, 32), 2**21),
        (stump(leaves=int32([2**31 - 1, 0], [0, 1]), roots=int32(0, -1)), 10),
        (pair(), 2**15),
        (Decision((True, False), 1, 1, 1, 0), 2**30),
    ],
)
def test_overflow_is_refused(stage: Stage, bound: int) -> None:
    """A stage whose accumulator could pass 32 bits for some input refuses its inputs' range."""
    high = np.full(stage.n_in, bound, dtype=np.int64)
    with pytest.raises(OverflowRisk, match=f"^{stage.kind}: "):
        stage.bounds(-high, high)


@pytest.mark.parametrize(
    ("stage", "n_operations"),
    [
        (Bins(8, 8, 2, 2), 64 + 60),  # 64 differences, and 15 additions in each of four bins
        (Bins(8, 8, 2, 2, first_row=4), 32 + 28),
        (Pixels(8, 8, int32(3, 40)), 2),
        (layer(), 6),
        (layer(weights=np.array([[1, 0, 0], [0, 0, -1]], dtype=np.int8)), 2),
        (Window(3, 4, 5), 24),
        (Hold(3, 9, 4, 3, 1), 2 + 2),  # two additions and two comparisons
        (Steady(3, (2, 0, 1)), 6),
        (Swing(3, 5, 0, 16), 18),
        (stump(), 1 + 2),
        (pair(), 8),
        (Decision((False, True), 0, 0, 1, 0), 4),
    ],
)
def test_operations_are_those_of_a_count_by_hand(stage: Stage, n_operations: int) -> None:
    """Operations of a frame are counted from the arithmetic, whatever the core makes of it."""
    assert stage.n_operations == n_operations


def test_constants_cannot_be_changed() -> None:
    """A stage keeps its own read-only copy of every array."""
    weights = np.ones((2, 3), dtype=np.int8)
    stage = layer(weights=weights)
    weights[0, 0] = 5
    assert stage.weights[0, 0] == 1
    with pytest.raises(ValueError, match="read-only"):
        stage.weights[0, 0] = 5
    assert stage.ternary
