"""Attackers that know the optic, against least squares of SciPy and a channel in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import linalg

from trainer.audit.pictures.learned import LEARNED, pairs_of
from trainer.audit.pictures.linear import calibrated, tikhonov, wiener


@dataclass(frozen=True)
class Channel:
    """A linear channel with Gaussian noise: covariance of x, matrix, noise, errors by attacker."""

    spread: np.ndarray
    matrix: np.ndarray
    variance: float
    errors: dict[str, np.ndarray]


def test_tikhonov_is_least_squares_of_the_augmented_system() -> None:
    """The answer is SciPy's of [A; sqrt(k) I] x = [y; 0], its residual as large as asked."""
    rng = np.random.default_rng(3)
    matrix = rng.normal(size=(30, 12)) * np.logspace(0, -3, 12)
    readouts = (matrix @ rng.normal(size=(12, 4))).T + 0.05 * rng.normal(size=(4, 30))
    distance = 0.05 * np.sqrt(30) * 1.2
    for made, readout in zip(tikhonov(matrix, readouts, distance), readouts, strict=True):
        assert np.linalg.norm(matrix @ made - readout) == pytest.approx(distance, rel=1e-6)
        # The gradient of the penalised problem is zero at its answer: A'(y - A x) = k x.
        left = matrix.T @ (readout - matrix @ made)
        strength = float(left @ made / (made @ made))
        augmented = np.vstack([matrix, np.sqrt(strength) * np.eye(12)])
        wanted = linalg.lstsq(augmented, np.concatenate([readout, np.zeros(12)]))[0]
        assert made == pytest.approx(wanted, abs=1e-6 * np.abs(wanted).max())


def test_tikhonov_takes_nothing_from_a_readout_within_the_noise() -> None:
    """A readout that is smaller than the noise gives an empty picture."""
    matrix = np.random.default_rng(4).normal(size=(9, 5))
    made = tikhonov(matrix, 1e-3 * np.ones((1, 9)), 1.0)
    assert np.abs(made).max() < 1e-6


@pytest.fixture(scope="module")
def channel() -> Channel:
    """Return x ~ N(m, C) through y = A x + n, with what two linear attackers made of it."""
    rng = np.random.default_rng(5)
    n_cells, n_values, variance = 10, 14, 0.3
    mix = rng.normal(size=(n_cells, n_cells)) / np.sqrt(n_cells)
    matrix = rng.normal(size=(n_values, n_cells))
    pictures = rng.normal(size=(4000, n_cells)) @ mix.T + 1.0
    values = pictures @ matrix.T + np.sqrt(variance) * rng.normal(size=(4000, n_values))
    seen, asked = slice(0, 2000), slice(2000, 4000)
    pairs = pairs_of(values[seen], pictures[seen], np.arange(2000) % 4 == 3, values[asked])
    assert pairs is not None
    made = {
        "known": wiener(matrix, values[asked], variance, pictures[seen]),
        "learned": LEARNED["ridge regression"](pairs, ()).asked,
        "blind": np.broadcast_to(pictures[seen].mean(axis=0), (2000, n_cells)),
    }
    errors = {name: each - pictures[asked] for name, each in made.items()}
    return Channel(mix @ mix.T, matrix, variance, errors)


def test_linear_attackers_reach_the_least_error_of_a_gaussian_channel(channel: Channel) -> None:
    """The least error of any decoder of a linear, Gaussian channel is in closed form.

    It is tr(C - C A' (A C A' + v I)^-1 A C) (S. M. Kay, "Fundamentals of Statistical Signal
    Processing: Estimation Theory", 1993, chapter 12, from memory). Wiener's decoder and ridge
    regression come within 8 % of it, and none goes below.
    """
    spread, matrix = channel.spread, channel.matrix
    inner = matrix @ spread @ matrix.T + channel.variance * np.eye(len(matrix))
    least = np.trace(spread - spread @ matrix.T @ np.linalg.solve(inner, matrix @ spread))
    reached = {name: np.mean(np.sum(e**2, axis=1)) for name, e in channel.errors.items()}
    for name in ("known", "learned"):
        assert 0.96 * least < reached[name] < 1.08 * least
    assert reached["blind"] > 1.5 * least


def test_linear_attackers_tell_the_mutual_information_of_a_gaussian_channel(
    channel: Channel,
) -> None:
    """What a decoder tells of x, half of log det C over log det of its errors, is at most I(x; y).

    That is 1/2 log det(I + A C A' / v) (T. M. Cover and J. A. Thomas, "Elements of Information
    Theory", 2006, chapter 9, from memory); of jointly Gaussian x and y the best linear decoder
    tells all of it. Both attackers come within 3 %, and the blind guess tells nothing: within four
    standard errors, each the root of n_cells / (2 n) of n scenes.
    """
    spread, matrix = channel.spread, channel.matrix
    seen = np.eye(len(matrix)) + matrix @ spread @ matrix.T / channel.variance
    information = 0.5 * np.linalg.slogdet(seen)[1]
    told = {
        name: 0.5 * (np.linalg.slogdet(spread)[1] - np.linalg.slogdet(e.T @ e / len(e))[1])
        for name, e in channel.errors.items()
    }
    assert information > 5.0
    for name in ("known", "learned"):
        assert told[name] == pytest.approx(information, rel=0.03)
    n_scenes, n_cells = channel.errors["blind"].shape
    assert told["blind"] == pytest.approx(0.0, abs=4.0 * np.sqrt(n_cells / (2 * n_scenes)))


def test_calibration_finds_the_light_inside_the_cover() -> None:
    """What is the same in every readout, whatever the scene, is an offset and no picture."""
    rng = np.random.default_rng(6)
    matrix, cover = rng.uniform(0, 1, (20, 6)), rng.uniform(0, 1, 20)
    pictures = rng.uniform(0, 1, (500, 6))
    values = pictures @ matrix.T
    values = values / values.mean(axis=1, keepdims=True) + cover - cover.mean()
    step = calibrated(matrix, values, pictures)
    assert step.offset == pytest.approx(cover - cover.mean(), abs=1e-9)
    assert np.abs(step.covariance).max() < 1e-9
    back = step.less_offset(values) * step.scale[:, None]
    assert back == pytest.approx(pictures @ matrix.T)


def test_what_the_optic_leaves_unexplained_is_made_white() -> None:
    """Noise that many values share costs a picture less when it is known to be shared.

    In a channel whose noise has a known covariance, the errors of the answer are those of the
    closed form, P - P A' (A P A' + N)^-1 A P, and smaller than with noise taken to be alike.
    """
    rng = np.random.default_rng(8)
    n_cells, n_values = 8, 24
    matrix = rng.uniform(0.0, 1.0, (n_values, n_cells))
    matrix -= matrix.mean(axis=0) - 1.0  # every picture of light 1 has a mean of 1
    shared = rng.normal(size=(n_values, 2)) * 0.3
    shared -= shared.mean(axis=0)  # nothing of it is seen over the mean
    n = 6000
    pictures = rng.dirichlet(np.full(n_cells, 2.0), size=n)
    noise = rng.normal(size=(n, 2)) @ shared.T + 0.01 * rng.normal(size=(n, n_values))
    noise -= noise.mean(axis=1, keepdims=True)
    values = pictures @ matrix.T + noise
    seen, asked = slice(0, n // 2), slice(n // 2, None)
    step = calibrated(matrix, values[seen], pictures[seen])
    truth = shared @ shared.T + 1e-4 * (np.eye(n_values) - 1.0 / n_values)
    assert np.linalg.norm(step.covariance - truth) < 0.1 * np.linalg.norm(truth)
    y = step.less_offset(values[asked])
    own = wiener(step.white @ matrix, y @ step.white, 1.0, pictures[seen])
    plain = wiener(matrix, y, float(np.trace(truth)) / n_values, pictures[seen])
    errors = [float(np.mean((made - pictures[asked]) ** 2)) for made in (own, plain)]
    prior = np.cov(pictures.T)
    along = matrix @ prior
    left = prior - along.T @ np.linalg.pinv(along @ matrix.T + truth, rcond=1e-9) @ along
    assert errors[0] == pytest.approx(float(np.trace(left)) / n_cells, rel=0.15)
    assert errors[0] < 0.5 * errors[1]
