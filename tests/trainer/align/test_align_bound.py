"""The least error that noise allows: closed forms, an estimator that reaches it, its size."""

from __future__ import annotations

import math

import numpy as np
import pytest
from band_limited import MovingPattern

from runtime.errors import ArgumentError
from trainer.align.bound import (
    PixelNoise,
    direction_bound,
    inverse_distance_bound,
    range_error,
)


def spot(sigma: float, n: int = 41) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a Gaussian spot's template and its derivatives along its own place."""
    along = np.arange(n) - n // 2
    x, y = (a.ravel().astype(float) for a in np.meshgrid(along, along))
    light = np.exp(-(x**2 + y**2) / (2 * sigma**2)) / (2 * math.pi * sigma**2)
    return light, light * x / sigma**2, light * y / sigma**2


@pytest.mark.parametrize("electrons", [1e3, 1e5])
def test_a_gaussian_spot_is_found_as_well_as_photons_allow(electrons: float) -> None:
    """Without other noise a spot of width s is found to s / sqrt(N)."""
    # R. E. Thompson, D. R. Larson, W. W. Webb, Biophys. J. 82, 2002, equation 14, first term; R. J.
    # Ober, S. Ram, E. S. Ward, Biophys. J. 86, 2004 (both from memory).
    covariance = direction_bound(*spot(2.5), electrons, PixelNoise(1e-3))
    assert np.sqrt(np.diag(covariance)) == pytest.approx([2.5 / math.sqrt(electrons)] * 2, rel=0.01)


def test_a_gaussian_spot_in_read_noise_has_the_background_term() -> None:
    """Where read noise b rules, the variance is 8 pi s^4 b^2 / N^2 on pixels of side 1."""
    # Thompson, Larson, Webb 2002, equation 14, last term (from memory).
    sigma, read_e, electrons = 2.5, 300.0, 1e3
    covariance = direction_bound(*spot(sigma), electrons, PixelNoise(read_e))
    closed = 8 * math.pi * sigma**4 * read_e**2 / electrons**2
    assert covariance[0, 0] == pytest.approx(closed, rel=0.01)
    assert abs(covariance[0, 1]) < 1e-6 * closed


def test_unknown_brightness_and_background_cost_what_they_share_with_the_direction() -> None:
    """With both projected out the bound is never below the one that knows them."""
    optic = MovingPattern()
    at = np.array([0.1, -0.05])
    light, x, y = optic.at(at)[0], optic.at(at, 0)[0], optic.at(at, 1)[0]
    noise = PixelNoise(8.0, 20.0)
    known = np.stack([x, y]) * 1e5
    knowing = np.linalg.inv((known / noise.variance(light, 1e5)) @ known.T)
    found = direction_bound(light, x, y, 1e5, noise)
    assert (np.diag(found) >= np.diag(knowing) * (1 - 1e-9)).all()
    alike = direction_bound(light, x + 3 * light, y - 2.0, 1e5, noise)
    np.testing.assert_allclose(alike, found, rtol=1e-6)


def test_a_maximum_likelihood_estimate_reaches_the_bound() -> None:
    """Estimates of direction, brightness and background together scatter as the bound says."""
    optic, rng, electrons, read_e = MovingPattern(), np.random.default_rng(4), 3e4, 8.0
    truth = np.array([0.12, 0.07])
    light, x, y = optic.at(truth)[0], optic.at(truth, 0)[0], optic.at(truth, 1)[0]
    bound = direction_bound(light, x, y, electrons, PixelNoise(read_e, 30.0))
    weight = 1.0 / (electrons * light + 30.0 + read_e**2)
    errors = []
    for _ in range(250):
        seen = rng.poisson(electrons * light + 30.0) + rng.normal(0, read_e, light.size)
        at, amplitude, level = truth.copy(), electrons, 30.0
        for _ in range(3):
            light_at, *slopes = (optic.at(at, k)[0] for k in (None, 0, 1))
            columns = np.stack(
                [amplitude * slopes[0], amplitude * slopes[1], light_at, np.ones(light.size)], 1
            )
            left = seen - amplitude * light_at - level
            step = np.linalg.lstsq(
                columns * np.sqrt(weight)[:, None], left * np.sqrt(weight), rcond=None
            )[0]
            at, amplitude, level = at + step[:2], amplitude + step[2], level + step[3]
        errors.append(at - truth)
    spread = np.array(errors).std(axis=0)
    # 250 draws know a standard deviation to 4.5 %.
    np.testing.assert_allclose(spread, np.sqrt(np.diag(bound)), rtol=0.15)
    assert np.abs(np.mean(errors, axis=0)).max() < 0.25 * spread.max()


def test_the_bound_of_the_emulated_optic_is_of_the_size_that_is_said() -> None:
    """At 1e3 to 1e6 electrons 32 by 32 pixels tell directions to about 13, 1.6, 0.26, 0.06 mrad."""
    # Common practice, no source: figures of another drawing of such an optic, so within a factor.
    from capture.emulated.optic.optics import SENSORS
    from capture.emulated.points.apertures import Apertures
    from capture.emulated.points.scene import PointScene

    sensor = SENSORS["lensless32"]
    optic = Apertures.of(sensor, "unit-a", PointScene())

    def light(x: float, y: float) -> np.ndarray:
        place = np.array([[x, y, 1.0]]) * 1e7
        seen = optic.power_w(place, np.ones(1))[0]
        return np.asarray(seen / seen.sum())

    step = 1e-3
    template = light(0, 0)
    along = [(light(*(step * v)) - light(*(-step * v))) / (2 * step) for v in np.eye(2)]
    for electrons, said in ((1e3, 13.3), (1e4, 1.57), (1e5, 0.261), (1e6, 0.064)):
        covariance = direction_bound(template, *along, electrons, PixelNoise(sensor.read_noise_e))
        found = 1e3 * math.sqrt(np.trace(covariance) / 2)
        assert said / 1.7 < found < said * 1.7


def test_two_apertures_bound_the_distance_as_triangulation_says() -> None:
    """Of two alike apertures the bound of range is z^2 sqrt(2) sigma / b."""
    sigma, baseline, distance = 0.236e-3, 1.86, 558.0
    bounds = np.stack([np.eye(2) * sigma**2] * 2)
    places = np.array([[-baseline / 2, 0.0], [baseline / 2, 0.0]])
    inverse = inverse_distance_bound(bounds, places)
    assert inverse == pytest.approx(math.sqrt(2) * sigma / baseline)
    error = range_error(distance, baseline, sigma)
    assert error == pytest.approx(distance**2 * inverse)
    # 10 % at 0.558 m, 300 baselines of 1.86 mm, takes 0.236 mrad (common practice, no source).
    assert error / distance == pytest.approx(0.10, rel=0.01)
    assert 300 * baseline == pytest.approx(distance)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"electrons": 0.0}, "electrons is 0"),
        ({"electrons": math.nan}, "electrons is nan"),
        ({"still": True}, "moves"),
        ({"noise": PixelNoise(0.0)}, "read noise"),
    ],
)
def test_no_bound_is_made_up(change: dict[str, object], message: str) -> None:
    """No electrons, no noise, or a readout that does not move have no bound: one line."""
    light, x, y = spot(2.0)
    light = light * (light > 1e-9)
    if change.get("still"):
        x = y = np.zeros_like(light)
    with pytest.raises(ArgumentError, match=message):
        direction_bound(
            light, x, y, change.get("electrons", 1e3), change.get("noise", PixelNoise(1.0))
        )  # type: ignore[arg-type]


def test_apertures_in_one_place_have_no_baseline() -> None:
    """Apertures in one place are refused, and so is noise below none."""
    with pytest.raises(ArgumentError, match="baseline"):
        inverse_distance_bound(np.stack([np.eye(2)] * 2), np.zeros((2, 2)))
    with pytest.raises(ArgumentError, match="read_e"):
        PixelNoise(-1.0)
