"""Filters: a small matrix at every place of a grid, against a correlation by SciPy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.signal import correlate

from runtime.errors import FormatError, OverflowRisk
from runtime.stages import filters as filters_module
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid


def filters(grid: tuple[int, int, int], size: int, step: int, **changes: Any) -> Filters:
    """Return three random filters that give their sums, of a frame with two values more."""
    weights = np.random.default_rng(5).integers(-99, 100, (3, size * size * grid[2]))
    bias = np.array([5, -7, 1000], np.int32)
    layer = Dense(
        weights.astype(np.int8), bias, 1, 0, False, 32, weights.astype(float), bias.astype(float)
    )
    seen = PatchGrid(*grid, size, step)
    return Filters.of(layer, seen.n_values + changes.pop("more", 2), seen)


@pytest.mark.parametrize(
    ("grid", "size", "step"),
    [((6, 5, 1), 3, 1), ((6, 7, 2), 2, 2), ((4, 4, 3), 4, 1), ((7, 5, 2), 3, 3), ((3, 3, 2), 1, 1)],
)
def test_filters_are_the_correlation_that_scipy_computes(
    grid: tuple[int, int, int], size: int, step: int
) -> None:
    """Wholly within the grid (``valid``), every `step` places, summed over channels."""
    stage = filters(grid, size, step)
    x = np.random.default_rng(1).integers(-500, 500, (4, stage.n_in)).astype(np.int32)
    y, _ = stage.run(x, {})
    kernels = stage.weights.astype(np.int64).reshape(3, size, size, grid[2])
    for frame, got in zip(x, y, strict=True):
        values = frame[: int(np.prod(grid))].reshape(grid).astype(np.int64)
        for kernel, bias, ours in zip(kernels, stage.bias, np.moveaxis(
            got.reshape(*correlate(values, kernels[0], "valid")[::step, ::step, 0].shape, 3), 2, 0
        ), strict=True):  # fmt: skip
            wanted = correlate(values, kernel, "valid", method="direct")[::step, ::step, 0] + bias
            assert (ours == wanted).all()


def test_a_scene_moved_by_a_step_moves_what_filters_give() -> None:
    """What the shared weights are for: places move along, and nothing else changes."""
    stage = filters((6, 6, 1), 3, 1, more=0)
    x = np.zeros((1, 6, 6), np.int32)
    x[0, 1:4, 1:3] = np.arange(6).reshape(3, 2)
    moved = np.roll(x, (1, 2), axis=(1, 2))
    y, after = (stage.run(v.reshape(1, -1), {})[0].reshape(4, 4, 3) for v in (x, moved))
    assert (after[1:, 2:] == y[:-1, :-2]).all() and (y != y[0, 0]).any()


def test_patches_stand_in_the_order_that_is_said() -> None:
    """Rows, columns, channels, in patches as in the grid."""
    places = PatchGrid(3, 3, 2, 2, 1).patches
    assert places.tolist()[:2] == [[0, 1, 2, 3, 6, 7, 8, 9], [2, 3, 4, 5, 8, 9, 10, 11]]
    assert len(places) == 4 and len(PatchGrid(5, 4, 1, 2, 2).patches) == 4


def test_work_is_counted_at_every_place() -> None:
    """A multiply-add for each weight that is not zero, nine times."""
    stage = filters((5, 5, 1), 3, 1)
    assert stage.n_out == 27
    assert stage.n_operations == 9 * np.count_nonzero(stage.weights)


def test_real_values_are_what_the_rounded_ones_stand_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over more frames than are computed at once, too."""
    stage = filters((3, 3, 1), 2, 1, more=0)
    x = np.random.default_rng(2).integers(-9, 10, (1030, 9)).astype(np.int32)
    whole = stage.run(x, {})[0]
    monkeypatch.setattr(filters_module, "_VALUES_AT_ONCE", 100)  # six frames
    assert (stage.run(x, {})[0] == whole).all()
    assert (stage.run_float(x.astype(float)) == stage.run(x, {})[0]).all()


def test_each_place_is_bounded_by_its_own_values() -> None:
    """And one that could pass 32 bits is refused."""
    stage = filters((2, 3, 1), 2, 1, more=0)
    high = np.array([1, 0, 50, 1, 0, 50])
    low, most = stage.bounds(0 * high, high)
    assert (most[:3] < most[3:]).any() and (low <= most).all()
    with pytest.raises(OverflowRisk):
        stage.bounds(0 * high, high + 2**31)


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"size": 4}, "size"),
        ({"n_values": 5}, "n_values"),
        ({"n_channels": 2}, "n_values"),
        ({"size": 1}, "values of a patch"),
        ({"step": 0}, "step"),
        ({"out_bits": 9}, "out_bits"),
    ],
)
def test_fields_that_do_not_fit_are_refused(changed: dict[str, int], what: str) -> None:
    """By the stage's own name, also where the layer inside finds it."""
    stage = filters((3, 3, 1), 2, 1)
    fields = {**stage.to_json(), **stage.arrays(), **changed}
    del fields["kind"]
    with pytest.raises(FormatError, match=f"filters: {what}"):
        Filters(**fields)


@pytest.mark.parametrize(
    ("size", "n_filters", "what"),
    [(128, 1, "values of all patches"), (1, 3, "values given")],
)
def test_a_crafted_stage_does_not_take_all_memory(size: int, n_filters: int, what: str) -> None:
    """What patches would hold is worked out, not built: 2 GB of places for 16 KB of weights."""
    weights = np.ones((n_filters, size * size), np.int8)
    more = np.zeros(n_filters, np.int32), 1, 0, False, 32
    real = weights.astype(float), np.zeros(n_filters)
    with pytest.raises(FormatError, match=f"filters: {what}"):
        Filters(256 * 256, 256, 256, 1, size, 1, weights, *more, *real)
