"""Two sources at once are no direction: what one source leaves of the bins gives them away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from band_limited import MovingPattern, readouts

from runtime.errors import FormatError
from runtime.stages.alignment.arithmetic import POLYNOMIAL_LIMIT
from runtime.stages.alignment.binned import (
    BinRule,
    mean_factor,
    spline_weights,
    spread_weights,
)
from runtime.stages.alignment.binned import spline_weights_float as weights_float
from runtime.stages.alignment.geometry import CellGrid
from runtime.stages.alignment.registration import Registration
from trainer.align.binned import bin_spline
from trainer.align.bound import PixelNoise, direction_bound
from trainer.align.cells import Design, polynomials
from trainer.align.lowered import Lowering, lower_registration, with_tolerance

GAIN, READ_E, N = 0.25, 11.0, 24
OPTIC = MovingPattern(N)


@pytest.fixture(scope="module")
def stage() -> Registration:
    """Return the stage of a known optic, its tolerances from readouts of 3e5 electrons."""
    design = Design(2e5, 1e6, READ_E**2 + 2 / 12 / GAIN**2)
    made, _ = lower_registration([OPTIC], Lowering(N, N, N, N * N, (0,), 4095, GAIN, design, 0.0))
    rng = np.random.default_rng(9)
    some = readouts(OPTIC.at(rng.uniform(-0.42, 0.42, (300, 2))), 3e5, rng, READ_E, GAIN)
    return with_tolerance(made, some, 1.5)


def _pairs(apart_deg: float, ratio: float, electrons: float, n: int = 60) -> np.ndarray:
    """Return readouts of two sources in the field, the first of them of so many electrons."""
    rng = np.random.default_rng([int(apart_deg * 10), int(ratio * 100), int(electrons)])
    first, heading = rng.uniform(-0.38, 0.38, (n, 2)), rng.uniform(0, 2 * np.pi, n)
    away = np.tan(np.radians(apart_deg)) * np.stack([np.cos(heading), np.sin(heading)], axis=1)
    outside = (np.abs(first + away) > 0.42).any(axis=1, keepdims=True)
    light = OPTIC.at(first) + ratio * OPTIC.at(first + np.where(outside, -away, away))
    return readouts(light, electrons, rng, READ_E, GAIN)


@pytest.mark.parametrize("electrons", [3e5, 1e6])
@pytest.mark.parametrize(
    ("apart_deg", "ratio"),
    [(3, 0.5), (3, 1.0), (4, 0.2), (5, 0.2), (10, 0.1), (10, 0.05), (40, 0.05)],
)
def test_two_sources_from_3_degrees_on_are_refused(
    stage: Registration, electrons: float, apart_deg: float, ratio: float
) -> None:
    """At 3e5 electrons a half as bright one is seen at 3 degrees, a 20th as bright one at 10."""
    # Without the spread a tenth of those of half the brightness passed at 3 degrees, and without
    # the light beside what is explained nearly all of a 20th of it at 10.
    excess = stage.run(_pairs(apart_deg, ratio, electrons), {})[0][:, 3]
    assert (excess > 0).mean() > 0.95


@pytest.mark.parametrize(("apart_deg", "ratio"), [(1, 1.0), (2, 0.1)])
def test_closer_ones_look_like_one_in_between(
    stage: Registration, apart_deg: float, ratio: float
) -> None:
    """Below 2 degrees, at 1e5 electrons, two pass for one between them: nothing here tells."""
    rng = np.random.default_rng(4)
    first = rng.uniform(-0.35, 0.35, (60, 2))
    away = np.array([np.tan(np.radians(apart_deg)), 0.0])
    light = OPTIC.at(first) + ratio * OPTIC.at(first + away)
    y = stage.run(readouts(light, 1e5, rng, READ_E, GAIN), {})[0]
    passed = y[:, 3] <= 0
    assert passed.mean() > 0.7
    along = (y[passed, :2] / 2**18 - first[passed]) / away[0]
    assert np.abs(along[:, 0] - ratio / (1 + ratio)).max() < 0.3
    assert np.abs(along[:, 1]).max() < 0.3


@pytest.mark.parametrize("electrons", [2e4, 1e5, 3e5, 1e6])
def test_one_source_stays_one_at_brightnesses_never_calibrated(
    stage: Registration, electrons: float
) -> None:
    """Tolerances learned at one brightness let pass what is dimmer and what is brighter."""
    rng = np.random.default_rng(int(electrons))
    values = readouts(OPTIC.at(rng.uniform(-0.4, 0.4, (400, 2))), electrons, rng, READ_E, GAIN)
    assert (stage.run(values, {})[0][:, 3] <= 0).mean() > 0.97
    assert (stage.run_float(values.astype(np.float64))[:, 3] <= 0).mean() > 0.97


def test_what_was_calibrated_bright_passes_when_it_is_dim(stage: Registration) -> None:
    """Tolerances that a million electrons taught let pass a tenth and a thirtieth of it."""
    rng = np.random.default_rng(12)
    slopes = rng.uniform(-0.4, 0.4, (300, 2))
    bare = replace(stage, energy=(*stage.energy[:-1], 0))
    bright = with_tolerance(bare, readouts(OPTIC.at(slopes), 1e6, rng, READ_E, GAIN), 1.5)
    for electrons in (3e4, 1e5, 3e5):
        values = readouts(OPTIC.at(slopes), electrons, rng, READ_E, GAIN)
        assert (bright.run(values, {})[0][:, 3] <= 0).mean() > 0.97


def test_places_between_those_that_were_fitted_are_as_good(stage: Registration) -> None:
    """Without noise places are off by less than a third of what a million electrons allow."""
    slopes = np.random.default_rng(8).uniform(-0.4, 0.4, (300, 2))
    light = OPTIC.at(slopes)
    found = stage.run_float(light * 1e6 * GAIN)[:, :2] / 2**18 - slopes
    along = OPTIC.at(slopes, 0), OPTIC.at(slopes, 1)
    noise = PixelNoise(READ_E)
    bounds = [direction_bound(light[i], *(a[i] for a in along), 1e6, noise) for i in range(100)]
    bound = np.sqrt(np.mean([np.diag(each) for each in bounds], axis=0))
    assert (np.sqrt((found**2).mean(axis=0)) < 0.33 * bound).all()


def test_a_source_beyond_all_cells_is_refused(stage: Registration) -> None:
    """Where the outermost cell cannot say where a source is, it does not."""
    edge = (stage.fine[2] + stage.fine[0] * stage.fine[4]) / 2**18
    cell = stage.fine[4] / 2**18
    rng = np.random.default_rng(13)
    for beyond, most in ((-1.0, 0.05), (1.0, 1.0)):
        slopes = np.stack([np.full(60, edge + beyond * cell), rng.uniform(-0.3, 0.3, 60)], axis=1)
        values = readouts(OPTIC.at(slopes), 1e6, rng, READ_E, GAIN)
        refused = (stage.run(values, {})[0][:, 3] > 0).mean()
        assert refused <= most
        assert beyond < 0 or refused > 0.9


def test_calibration_of_a_wrong_pattern_allows_more(stage: Registration) -> None:
    """The share that patterns may be wrong by follows what calibration readouts leave."""
    rng = np.random.default_rng(2)
    values = readouts(OPTIC.at(rng.uniform(-0.4, 0.4, (200, 2))), 3e5, rng, READ_E, GAIN)
    bare = replace(stage, energy=(*stage.energy[:-1], 0))
    wrong = np.clip(stage.spline + rng.integers(-9, 10, stage.spline.shape), -127, 127)
    other = with_tolerance(replace(bare, spline=wrong.astype(np.int8)), values, 1.5)
    own = with_tolerance(bare, values, 1.5)
    assert other.bin_energy[4] > 2 * own.bin_energy[4]
    assert (other.run(values, {})[0][:, 3] <= 0).mean() > 0.98


def test_a_cell_whose_dot_products_tell_nothing_refuses() -> None:
    """Where dot products do not change with the place, or change sign, all is far off the cell."""
    rng = np.random.default_rng(2)
    for given in (np.ones((100, 4)), rng.normal(0, 1e6, (100, 4))):
        of_place, of_root = polynomials(rng.normal(0, 1e3, (3, 4)), given, np.ones(100))
        assert np.abs(of_place).sum() * 2**14 < 2 * POLYNOMIAL_LIMIT
        assert np.isfinite(of_root).all()


def test_what_is_left_is_the_least_squares_residual() -> None:
    """In integers: the energy about the mean, less what the pattern explains at its best."""
    rng, rule = np.random.default_rng(3), BinRule(0, 0, 1, 46, 0, 1, 46, 0)
    patterns = rng.integers(-90, 91, (50, 9, 64)).astype(np.int8)
    place = rng.integers(-9000, 9001, (50, 2))
    light = np.einsum("fk,fkb->fb", weights_float(place / 2**14), patterns)
    bins = np.round(5000 + 60 * light + rng.normal(0, 90, light.shape)).astype(np.int64)
    left, _, energy = rule.left(bins, np.zeros(50, np.int64), patterns, place)
    b = bins - bins.mean(axis=1, keepdims=True)
    wanted = (b**2).sum(axis=1) - (b * light).sum(axis=1) ** 2 / (light**2).sum(axis=1)
    np.testing.assert_allclose(energy, (b**2).sum(axis=1), rtol=2e-3)
    np.testing.assert_allclose(left, wanted, rtol=0.02)
    nothing = rule.left(bins, np.zeros(50, np.int64), 0 * patterns, place)
    np.testing.assert_array_equal(nothing.whole, energy)  # a cell that was never calibrated
    negative = rule.left(-bins, np.zeros(50, np.int64), patterns, place).whole
    np.testing.assert_allclose(negative, energy, rtol=1e-3)  # no source shines less than nothing


def test_what_a_spread_leaves_is_the_part_along_second_derivatives() -> None:
    """In integers: what is left, along the second derivatives less the pattern's part of them."""
    rng, rule = np.random.default_rng(6), BinRule(0, 0, 1, 46, 0, 1, 46, 0)
    patterns = rng.integers(-90, 91, (50, 9, 64)).astype(np.int8)
    place = rng.integers(-9000, 9001, (50, 2))
    light = np.einsum("fk,fkb->fb", weights_float(place / 2**14), patterns)
    wide = np.einsum("fk,fkb->fb", spread_weights(place) / 2048, patterns)
    for share in (0.1, 0.05, -0.3):
        seen = 60 * (light + share * wide) + rng.normal(0, 20, light.shape)
        bins = np.round(5000 + seen).astype(np.int64)
        found = rule.left(bins, np.zeros(50, np.int64), patterns, place).spread
        b = bins - bins.mean(axis=1, keepdims=True)
        aside = wide - (wide * light).sum(1, keepdims=True) / (light**2).sum(1)[:, None] * light
        along = np.maximum((b * aside).sum(axis=1), 0.0)
        # Of a pattern that the spread adds to, nothing is taken off the spread's own length.
        width = (wide**2).sum(1) - np.minimum((wide * light).sum(1), 0) ** 2 / (light**2).sum(1)
        np.testing.assert_allclose(found, along**2 / width, rtol=0.03, atol=2e3)


@pytest.mark.parametrize("brightness", [0.4, 0.5, 0.6, 1.0, 2.0, 900.0, 40_000.0])
def test_the_quotient_never_takes_more_than_there_is(brightness: float) -> None:
    """Bins far dimmer or brighter than a pattern leave between nothing and all of their energy."""
    patterns = np.zeros((200, 9, 64), dtype=np.int8)
    patterns[:, 4] = np.random.default_rng(5).integers(-120, 121, (200, 64))
    place, none = np.zeros((200, 2), dtype=np.int64), np.zeros(200, dtype=np.int64)
    bins = np.round(patterns[:, 4] * brightness / 10).astype(np.int64).clip(-16384, 16384)
    left, spread, energy = BinRule(0, 0, 1, 46, 0, 1, 46, 0).left(bins, none, patterns, place)
    assert (left >= 0).all() and (left <= energy).all()
    assert (spread == 0).all()  # second derivatives that are the pattern itself tell nothing


def test_weights_and_the_mean_are_those_of_real_numbers() -> None:
    """Weights of nine patterns sum to one and follow the B-spline; a mean is within rounding."""
    place = np.random.default_rng(1).integers(-(1 << 14), (1 << 14) + 1, (500, 2))
    found = spline_weights(place)
    np.testing.assert_allclose(found / 2**22, weights_float(place / 2**14), atol=2e-3)
    np.testing.assert_array_equal(found.sum(axis=1), 1 << 22)
    for n in range(4, 65):
        multiplier, shift = mean_factor(n)
        assert multiplier <= 1 << 15 and shift >= 17
        assert abs(multiplier * n / 2**shift - 1) < 1e-3


def test_the_spline_of_bins_is_exact_where_patterns_are_quadratic() -> None:
    """Bins that are quadratic in both slopes are met to rounding between all of their places."""
    grid = CellGrid(5, 4, -60_000, -50_000, 24_000)
    rng = np.random.default_rng(7)
    factors = rng.normal(size=(3, 3, 8))

    def bins(slopes: np.ndarray) -> np.ndarray:
        powers = np.stack([slopes**0, slopes, slopes**2])
        both = np.einsum("ifn,jfm,ijb->fb", powers[:, :, :1], powers[:, :, 1:], factors)
        return np.asarray(both)

    spline = bin_spline(bins, grid)
    cell, place = rng.integers(0, grid.n_cells, 40), rng.uniform(-0.5, 0.5, (40, 2))
    x = grid.middle(cell % 5, grid.low_x) + place[:, 0] * grid.step
    y = grid.middle(cell // 5, grid.low_y) + place[:, 1] * grid.step
    wanted = bins(np.stack([x, y], axis=1) / 2**18)
    found = (weights_float(place)[:, :, None] * spline[grid.spline_of[cell]]).sum(axis=1)
    np.testing.assert_allclose(found, wanted - wanted.mean(axis=1, keepdims=True), atol=1e-9)


@pytest.mark.parametrize(("turn", "n_splines"), [(0.0, 1), (3.0, 2)])
def test_apertures_share_patterns_in_bins_only_where_they_are_alike(
    turn: float, n_splines: int
) -> None:
    """A second aperture whose pattern turns otherwise keeps patterns of its own."""
    pair = [MovingPattern(16, 9.0, turn_rad=t, reach=0.2) for t in (0.0, turn)]
    design = Design(2e5, 1e6, READ_E**2 + 2 / 12 / GAIN**2)
    made, _ = lower_registration(pair, Lowering(16, 16, 32, 512, (0, 16), 4095, GAIN, design, 0.03))
    assert len(made.spline) == n_splines


def test_a_rule_of_bins_out_of_range_is_one_line(stage: Registration) -> None:
    """Too few numbers, a tolerance or a pattern beyond its range, too few bins are refused."""
    for change, message in (
        ({"bin_energy": stage.bin_energy[:4]}, "bin_energy"),
        (
            {"bin_energy": (*stage.bin_energy[:4], 1 << 15, *stage.bin_energy[5:])},
            "tolerance of bins",
        ),
        ({"spline": stage.spline[:, 1:]}, "spline"),
        ({"spline": np.full_like(stage.spline, -128)}, "spline"),
        ({"bin_rows": 1, "bin_cols": 2}, "bins"),
        ({"bin_rows": 12, "bin_cols": 12}, "bins"),
    ):
        with pytest.raises(FormatError, match=message):
            replace(stage, **change)  # type: ignore[arg-type]
