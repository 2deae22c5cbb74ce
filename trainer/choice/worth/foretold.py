"""Which settings to try next: those by which the front is foretold to grow most.

A Gaussian process (C. Rasmussen and C. Williams, Gaussian Processes for Machine Learning, 2006;
scikit-learn's) is fitted to what the settings tried so far scored, over where they stand on the
knobs, and another to the logarithms of prices where those are not known. Of every other setting
follows how far the front's area is expected to grow by it (M. Emmerich, A. Deutz and J.
Klinkenberg, Hypervolume-based expected improvement, CEC 2011; D. Jones, M. Schonlau and W. Welch,
J. Glob. Optim. 13, 1998): as prices have hardly any noise, the area grows in strips of known width,
each by how far a normal variable is expected above the front's height there. Several are chosen at
a time, each as if those before it had scored what is foretold of them (D. Ginsbourger, R. Le Riche
and L. Carraro, Kriging is well-suited to parallelize optimization, 2010; all from memory). How many
does not depend on the processes at hand, so that a search comes to the same settings anywhere.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Kernel, Matern, WhiteKernel
from threadpoolctl import threadpool_limits

from runtime.stages.contract.stage import Float64
from trainer.choice.worth.pareto import on_front

__all__ = ["next_to_try"]

LENGTHS = (0.1, 30.0)
"""Of a knob's whole way, within which a score is alike: from a step of ten values to a knob that
does nothing."""
SCORE_NOISE = (1e-6, 1.0)
"""Share of the scores' variance that people held out bring along."""
PRICE_NOISE = (1e-9, 1e-6)
"""None, but for what keeps the sums stable."""
DIGITS = 6
"""Of what is expected: sums that differ in the last places on other machines are a draw, and the
first wins."""


def next_to_try(
    coordinates: Float64,
    uw: Float64,
    known: Sequence[int],
    score: Float64,
    n_wanted: int,
) -> list[int]:
    """Return settings not tried yet, by how much the front is expected to grow by them.

    Parameters
    ----------
    coordinates : float64 (n_settings, n_knobs)
        Where each setting stands, each knob's whole way 1 long.
    uw : float64 (n_settings,)
        Prices; NaN where they are not known. Those of `known` are.
    known : sequence of int
        Settings tried, at least two.
    score : float64 (n_known,)
        What they scored.
    n_wanted : int
        How many at most.
    """
    with threadpool_limits(1):  # sums in one order
        cost = _whole_cost(coordinates, uw, known)
        unit = max(float(score.std()), 1e-9)
        scaled = (score - score.mean()) / unit
        kernel = _fitted(coordinates[list(known)], scaled, SCORE_NOISE).kernel_
        tried, answers, chosen = list(known), scaled.tolist(), list[int]()
        for _ in range(min(n_wanted, len(coordinates) - len(known))):
            mean, deviation = _foretold(kernel, coordinates, tried, answers)
            gains = _gains(cost, mean, deviation, tried)
            gains[tried] = -1.0
            best = int(np.argmax(np.round(gains / max(float(gains.max()), 1e-300), DIGITS)))
            chosen.append(best)
            tried.append(best)
            answers.append(float(mean[best]))
    return chosen


def _whole_cost(coordinates: Float64, uw: Float64, known: Sequence[int]) -> Float64:
    """Return the logarithms of all prices, foretold where they are not known."""
    cost, priced = np.log(uw), np.isfinite(uw)
    if not priced.all():
        tried = cost[list(known)]
        process = _fitted(coordinates[list(known)], tried - tried.mean(), PRICE_NOISE)
        cost[~priced] = process.predict(coordinates[~priced]) + tried.mean()
    return np.asarray(cost)


def _fitted(
    places: Float64, values: Float64, noise: tuple[float, float]
) -> GaussianProcessRegressor:
    smooth = Matern(np.full(places.shape[1], 1.0), LENGTHS, nu=2.5)
    kernel = ConstantKernel(1.0, (1e-2, 1e2)) * smooth
    kernel += WhiteKernel(float(np.sqrt(noise[0] * noise[1])), noise)
    process = GaussianProcessRegressor(kernel, alpha=1e-9)
    with warnings.catch_warnings():  # a knob without effect goes to the end of its range
        warnings.simplefilter("ignore", ConvergenceWarning)
        return process.fit(places, values)


def _foretold(
    kernel: Kernel, coordinates: Float64, tried: list[int], answers: list[float]
) -> tuple[Float64, Float64]:
    """Return mean and standard deviation of every setting's score, without people's noise."""
    process = GaussianProcessRegressor(kernel, alpha=1e-9, optimizer=None)
    mean, spread = process.fit(coordinates[tried], answers).predict(coordinates, return_std=True)
    variance = np.maximum(spread**2 - kernel.k2.noise_level, 0.0)
    return np.asarray(mean), np.asarray(np.sqrt(variance))


def _gains(cost: Float64, mean: Float64, deviation: Float64, tried: list[int]) -> Float64:
    """Return by how much the front's area is expected to grow, for every setting.

    The front is of what the tried settings are foretold to score, which is less moved by who was
    held out than what they did score. It ends at the dearest setting.
    """
    places = np.array(tried)
    front = places[on_front(cost[places], mean[places])]
    front = front[np.argsort(cost[front], kind="stable")]
    edges = [-np.inf, *cost[front].tolist(), float(cost.max()) + float(np.ptp(cost)) / 10.0]
    heights = [float(mean.min()), *mean[front].tolist()]
    gains = np.zeros(len(cost))
    for begin, end, height in zip(edges[:-1], edges[1:], heights, strict=True):
        width = np.clip(end - np.maximum(begin, cost), 0.0, None)
        gains += width * _expected_above(mean, deviation, height)
    return gains


def _expected_above(mean: Float64, deviation: Float64, height: float) -> Float64:
    """Return how far normal variables are expected above a height; below it counts as nothing."""
    deviation = np.maximum(deviation, 1e-12)
    z = (mean - height) / deviation
    bell = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(np.maximum((mean - height) * ndtr(z) + deviation * bell, 0.0))
