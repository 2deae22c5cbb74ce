"""All light beside what a pattern explains: what films, further sources and lamps do to both."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from band_limited import MovingPattern, readouts
from foreign_rig import smeared

from runtime.errors import FormatError
from runtime.stages.alignment.energy import LightRule
from runtime.stages.alignment.registration import Registration
from trainer.align.cells import Design
from trainer.align.light import coarser, quiet_sums, share_apart, with_quiet
from trainer.align.lowered import Lowering, lower_registration, with_tolerance

GAIN, READ_E, N = 0.25, 11.0, 24
OPTIC = MovingPattern(N, turn_rad=0.4, uneven=0.01)


@pytest.fixture(scope="module")
def stage() -> Registration:
    """Return the stage of an optic that is known exactly."""
    rng = np.random.default_rng(3)
    design = Design(2e5, 1e6, READ_E**2 + 2 / 12 / GAIN**2)
    made, _ = lower_registration([OPTIC], Lowering(N, N, N, N * N, (0,), 4095, GAIN, design, 0.0))
    some = readouts(OPTIC.at(rng.uniform(-0.42, 0.42, (300, 2))), 3e5, rng, READ_E, GAIN)
    return with_tolerance(made, some, 1.5)


def _passed(stage: Registration, values: np.ndarray) -> float:
    return float((stage.run(values, {})[0][:, 3] <= 0).mean())


def _without(stage: Registration) -> Registration:
    """Return the stage as it is where all light is asked nothing."""
    return replace(stage, light=(*stage.light[:4], 1 << 29, 32767))


@pytest.mark.parametrize(("electrons", "rms"), [(3e5, 0.3), (1e6, 0.2)])
def test_a_film_takes_contrast_and_leaves_the_light(
    stage: Registration, electrons: float, rms: float
) -> None:
    """A pattern smeared by a part of a pixel explains less than belongs to its light."""
    rng = np.random.default_rng(5)
    light = OPTIC.at(rng.uniform(-0.38, 0.38, (150, 2)))
    film = smeared(light.reshape(-1, N, N), rms).reshape(light.shape)
    values = readouts(film, electrons, rng, READ_E, GAIN)
    assert _passed(stage, values) < 0.05
    assert _passed(_without(stage), values) > 0.5
    assert _passed(stage, readouts(light, electrons, rng, READ_E, GAIN)) > 0.98


def test_light_beside_the_source_is_no_part_of_it(stage: Registration) -> None:
    """A twentieth of the light, alike on all pixels, is more than belongs to the pattern.

    Unless as much was there without a source: that is taken off.
    """
    rng = np.random.default_rng(6)
    light = OPTIC.at(rng.uniform(-0.38, 0.38, (150, 2)))
    glow = round(0.05 * 6e5 * GAIN / N**2)
    values = readouts(light, 6e5, rng, READ_E, GAIN) + glow
    assert _passed(stage, values) < 0.05
    quiet = readouts(np.zeros((60, N * N)), 1.0, rng, READ_E, GAIN) + glow
    assert _passed(with_quiet(stage, quiet), values) > 0.98


def test_lamps_that_flicker_are_allowed_what_they_bring(stage: Registration) -> None:
    """A sum that changes from frame to frame without a source is no sign of another source."""
    rng = np.random.default_rng(7)

    def flicker(n: int) -> np.ndarray:
        return np.round(4.0 * np.sin(rng.uniform(0, 2 * np.pi, (n, 1)))).astype(np.int32)

    light = OPTIC.at(rng.uniform(-0.38, 0.38, (200, 2)))
    values = readouts(light, 6e5, rng, READ_E, GAIN) + flicker(200)
    quiet = readouts(np.zeros((200, N * N)), 1.0, rng, READ_E, GAIN) + flicker(200)
    middle, spread = quiet_sums(stage, quiet)
    assert abs(middle[0]) < 1500
    # Half of a sine of amplitude a is beyond a / sqrt(2), of a normal one beyond 0.674 of sigma.
    assert spread[0] == pytest.approx((4.0 * N * N / 0.674) ** 2 / 2, rel=0.2)
    assert _passed(stage, values) < 0.7
    assert _passed(with_quiet(stage, quiet), values) > 0.98


def test_a_few_quiet_frames_teach_nothing(stage: Registration) -> None:
    """Fewer than eight frames without a source are none."""
    assert with_quiet(stage, np.full((7, N * N), 9, np.int16)).light == stage.light


def test_the_light_that_belongs_to_a_root_energy_is_that_of_real_numbers() -> None:
    """The norm at a place is the B-spline of nine, times the light; both in the rule's steps."""
    rule, rng, n = LightRule(18, 3, 20_000, 20, 50, 700), np.random.default_rng(8), 400
    norms = rng.integers(8_000, 9_000, (n, 9))
    place = rng.integers(-10_240, 10_241, (n, 2)).astype(np.int64)
    light, root = rng.integers(500, 1 << 21, n), rng.integers(100, 1 << 15, n)
    found, belongs, noise = rule.parts(light, root, np.full(n, 4), norms, place)
    x, y = (place / 2.0**14).T
    across, down = (
        np.stack([(0.5 - p) ** 2 / 2, 0.75 - p**2, (0.5 + p) ** 2 / 2], axis=1) for p in (x, y)
    )
    norm = np.einsum("fi,fj,fij->f", down, across, norms.reshape(n, 3, 3)) / 2.0**18
    np.testing.assert_allclose(belongs, norm * light * 8.0, rtol=1e-3, atol=1.0)
    np.testing.assert_allclose(found, root / 16.0 * 8.0, atol=1.0)
    real = rule.excess_float(
        *(a.astype(np.float64) for a in (light, root / 16.0, norms, place / 2.0**14))
    )
    whole = rule.excess(found, belongs, noise)
    near = np.abs(real) < 2e8  # beyond, integers end at 2**30
    np.testing.assert_allclose(whole[near], real[near], rtol=0.02, atol=3e4)


def test_noise_and_misfit_are_told_apart() -> None:
    """Differences of noise alone are no misfit, and a misfit counts by what it varies by."""
    rng, n = np.random.default_rng(9), 4000
    whole, noise = np.full(n, 1e4), np.full(n, (3.89 * 20.0) ** 2)
    alone = rng.normal(0, 20.0, n)
    assert share_apart(alone, whole, noise) < 2e-3
    misfit = alone + rng.normal(0, 50.0, n)
    # Two standard deviations and eight tenths of a misfit of a two-hundredth.
    assert share_apart(misfit, whole, noise) == pytest.approx(2.81 * 5e-3, rel=0.1)
    assert coarser(0.25) == 0 and coarser(1.0) == 1 and coarser(0.06) == -1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"light": (20, 2, 9000, 18, 5)}, "light"),
        ({"light": (20, 2, 9000, 16, 5, 0)}, "noise_shift of light"),
        ({"light_offset": (1 << 25,)}, "light_offset"),
        ({"light_offset": (0, 0)}, "light_offset"),
    ],
)
def test_a_rule_of_light_out_of_range_is_one_line(
    stage: Registration, change: dict[str, Any], message: str
) -> None:
    """Too few numbers, or some beyond their range, are refused by name."""
    with pytest.raises(FormatError, match=message):
        replace(stage, **change)
