"""Filters as windows of planes: nearly those of their own, at a fraction of the bytes."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, spline_filter

from runtime.errors import UsageError
from runtime.stages.alignment.geometry import N_COMBINED, N_OF_PLACE, N_OF_ROOT, CellGrid
from trainer.align import lowered, windows
from trainer.align.cells import Design, corner_filters, dearest, slopes_of
from trainer.align.pattern import Pattern
from trainer.align.templates import Templates
from trainer.align.windows import Bank, Storage, joined, storages

N = 16
DESIGN = Design(4e5, 1e6, 150.0)
GRID = CellGrid(8, 8, -65_536, -65_536, 16_384)


def _pattern(turn: float, seed: int = 3) -> Pattern:
    """Return a pattern that a slope of 1 moves by 16 pixels, and turns by so much."""
    drawn = np.random.default_rng(seed).standard_normal((90, 90))
    smooth = gaussian_filter(drawn, 2.0)
    light = np.clip(1.0 + 0.5 * smooth / smooth.std(), 0.05, None)
    motion = np.zeros((6, 36))
    motion[0, 1] = motion[3, 2] = -16.0
    motion[1, 0] = motion[5, 0] = 1.0
    motion[2, 3:6:2], motion[4, 3:6:2] = turn, -turn  # of x x and y y
    along = np.arange(N) - (N - 1) / 2
    pixels = np.stack([a.ravel() for a in np.meshgrid(along, along)], axis=1)
    edge = np.full(2, 0.25)
    line = np.linspace(-0.25, 0.25, 12)
    seen = np.stack([a.ravel() for a in np.meshgrid(line, line)], axis=1)
    spline = spline_filter(light, order=3)
    return Pattern(spline, np.full(2, -22.0), motion, pixels, -edge, edge, seen, np.ones(N * N))


@pytest.mark.parametrize(("turn", "most"), [(0.0, 0.05), (1.5, 0.12)])
def test_windows_are_nearly_the_filters_themselves(turn: float, most: float) -> None:
    """A window is like its corner's own filter, whether the pattern turns or not."""
    pattern, slopes = _pattern(turn), slopes_of(GRID, corners=True)
    nodes = np.arange(GRID.n_nodes)
    bank = Storage("windows", (N, N), DESIGN).bank([pattern], pattern, GRID, nodes)
    own = corner_filters(pattern.at(slopes), DESIGN)
    found = bank.filters(nodes)
    along = (found * own).sum(axis=1) / np.linalg.norm(found, axis=1)
    lost = 1.0 - (along / np.linalg.norm(own, axis=1)) ** 2
    assert np.median(lost) < most
    alone = Storage("own", (N, N), DESIGN).bank([pattern], pattern, GRID, nodes)
    assert bank.values.nbytes < 0.7 * alone.values.nbytes
    assert np.abs(alone.filters(nodes).sum(axis=1)).max() < 1e-9
    assert np.abs(bank.values).max() <= 126


def test_a_direction_between_is_off_by_a_quarter_of_a_pixel_at_most() -> None:
    """Of a pattern that only shifts, the window chosen lies within half a step of the planes."""
    pattern = _pattern(0.0)
    nodes = np.arange(GRID.n_nodes)
    bank = Storage("windows", (N, N), DESIGN).bank([pattern], pattern, GRID, nodes)
    shifts = -16.0 * slopes_of(GRID, corners=True)
    off = []
    for node, (x, y) in enumerate(shifts):
        phases = [(x + dx, y + dy) for dx in (-0.25, 0, 0.25) for dy in (-0.25, 0, 0.25)]
        places = pattern.pixels[None] + np.array(phases)[:, None]
        near = np.log(
            DESIGN.electrons * pattern.plane(places[:, :, 0], places[:, :, 1]) / N**2 + DESIGN.floor
        )
        near -= near.mean(axis=1, keepdims=True)
        one = bank.filters(np.array([node]))[0]
        off.append(1 - (near @ one / np.linalg.norm(near, axis=1)).max() / np.linalg.norm(one))
    assert max(off) < 0.01


def test_banks_that_are_joined_keep_their_filters() -> None:
    """Banks of other widths, laid one behind the other, give the same filters as before."""
    rng = np.random.default_rng(1)
    parts = [
        Bank(rng.integers(-9, 9, rows * stride).astype(np.int8), stride,
             rng.integers(0, stride - 5, 7).astype(np.int32), (4, 5))
        for rows, stride in ((6, 11), (8, 23))
    ]  # fmt: skip
    nodes = np.arange(7)
    whole = joined(parts)
    for before, after in zip(parts, whole, strict=True):
        np.testing.assert_array_equal(after.filters(nodes), before.filters(nodes))
    assert whole[0].values is whole[1].values
    assert whole[0].stride == 23


def test_windows_are_for_patterns_and_shared_by_several() -> None:
    """Optics learned pixel by pixel keep their own filters; one pattern shares with nobody."""
    pattern = _pattern(0.0)
    pixels = Templates(pattern.low, pattern.high, 4, np.zeros((49, 4)), pattern.seen, 0.1)
    assert storages([pattern, pattern]) == ("shared", "windows", "own")
    assert storages([pattern]) == ("windows", "own")
    assert storages([pattern, pixels]) == ("own",)


def test_cells_of_a_wide_field_stay_within_what_the_stage_takes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where no width is good enough, the narrowest cells are taken of which a stage can be made."""
    line = np.linspace(-1.7, 1.7, 60)  # 60 degrees to each side
    seen = np.stack([a.ravel() for a in np.meshgrid(line, line)], axis=1)
    dear = SimpleNamespace(loss=np.full(1, 9.0), bias=np.zeros(1), offset=np.zeros(1))
    monkeypatch.setattr(lowered, "cell_terms", lambda *_: dear)
    nothing = SimpleNamespace(bank=lambda *_: SimpleNamespace(of_cell=len), design=DESIGN)
    optic, ends = SimpleNamespace(seen=seen, at=None), (np.full(2, -1.7), np.full(2, 1.7))
    steps, most = lowered.FINE_STEPS, (1.0, 1.0, 1.0, np.inf)
    grid, enough = lowered._chosen([optic], ends, steps, most, nothing)  # type: ignore[arg-type]
    grid.check("cells")
    assert grid.n_x > 80 and not enough


def test_one_coarse_cell_that_loses_its_directions_is_one_too_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Cells are made narrower while any that holds a calibrated direction loses its place."""
    line = np.linspace(-0.5, 0.5, 40)
    seen = np.stack([a.ravel() for a in np.meshgrid(line, line)], axis=1)
    tried = []

    def fitted(grid: CellGrid, cells: np.ndarray, *_: object) -> SimpleNamespace:
        tried.append(grid.step)
        offset = np.zeros(len(cells))
        offset[len(cells) // 2] = 0.9 if grid.step > 0.15 * 2**18 else 0.01
        return SimpleNamespace(loss=np.ones(len(cells)), bias=np.zeros(len(cells)), offset=offset)

    monkeypatch.setattr(lowered, "cell_terms", fitted)
    nothing = SimpleNamespace(bank=lambda *_: SimpleNamespace(of_cell=len), design=DESIGN)
    optic, ends = SimpleNamespace(seen=seen, at=None), (np.full(2, -0.5), np.full(2, 0.5))
    most = (1.5, np.inf, 0.1 * 2**18, 0.02 * 2**18)
    steps = lowered.COARSE_STEPS
    grid, enough = lowered._chosen([optic], ends, steps, most, nothing)  # type: ignore[arg-type]
    assert enough and len(tried) > 1
    assert grid.step <= 0.15 * 2**18 < min(tried[:-1])


def test_filters_of_one_pattern_are_not_shared_with_an_unlike_one() -> None:
    """Cells cost what they cost the optic whose filters fit least: two patterns keep their own."""
    both, ends = [_pattern(0.0, 3), _pattern(0.0, 4)], (np.full(2, -0.25), np.full(2, 0.25))
    most = (lowered.MOST_LOSS, lowered.MOST_BIAS, np.inf, np.inf)
    found = {
        kind: lowered._chosen(both, ends, (0.07, 0.06), most, Storage(kind, (N, N), DESIGN))[1]
        for kind in storages(both)
    }
    assert found == {"shared": False, "windows": True, "own": True}


def test_cells_where_nothing_moves_do_not_hide_those_that_cost_too_much() -> None:
    """A loss below the bound's, which no estimate has, is the largest; no optic hides another."""
    losses = [np.full(12, 1.05), np.array([0.0] * 5 + [9.0] * 7)]
    fits = [SimpleNamespace(loss=loss, bias=np.zeros(12)) for loss in losses]
    every = [np.ones(12, dtype=bool)] * 2
    assert np.median(np.concatenate(losses)) < lowered.MOST_LOSS
    assert dearest(fits, every, "loss") == 9.0  # type: ignore[arg-type]
    assert dearest(fits[:1], every[:1], "bias") == 0.0  # type: ignore[arg-type]
    nothing_moves = [np.arange(12) < 5] * 2
    assert dearest(fits, nothing_moves, "bias") == np.inf  # type: ignore[arg-type]


def test_rows_of_a_bank_are_no_longer_than_a_stage_takes() -> None:
    """Wide planes lie fewer abreast; one wider than any row is refused in one line."""
    planes = [np.ones((3, 1500)), np.zeros((2, 1400)), np.full((2, 1500), 0.5)]
    values, stride, origins = windows._packed(planes)
    assert stride == 3000
    for plane, (row, col) in zip(planes, origins.tolist(), strict=True):
        part = values.reshape(-1, stride)[row : row + len(plane), col : col + plane.shape[1]]
        assert np.ptp(part) == 0
    assert windows._packed([np.zeros((2, 3000))])[1] == 3000
    with pytest.raises(UsageError, match="is 4097, expected at most 4096") as error:
        windows._packed([np.zeros((2, 4097))])
    assert "\n" not in str(error.value)


def test_cells_where_next_to_nothing_is_do_not_take_the_bits_of_all() -> None:
    """A few cells without an amplitude have huge shares and are cut: others lose 4 bits at most."""
    rng = np.random.default_rng(12)
    shares = rng.uniform(1.0, 2.0, (200, N_OF_ROOT)) * 2.0**-24
    wild = shares.copy()
    wild[::20] *= 2.0**22
    terms = np.zeros((200, N_COMBINED + 2 * N_OF_PLACE), dtype=np.int16)
    calm, bits = lowered._with_roots([(terms, shares)])
    cut, same = lowered._with_roots([(terms, wild)])
    assert bits - 4 <= same <= bits
    kept, less = np.arange(200) % 20 != 0, 2.0 ** (bits - same)
    whole, before = (t[0, kept, -N_OF_ROOT:].astype(np.float64) for t in (cut, calm))
    np.testing.assert_allclose(whole * less, before, atol=less)
    assert np.abs(cut.astype(np.int64)).sum(axis=2).max() < 1 << 16
