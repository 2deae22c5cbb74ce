"""Calibration: what a score is worth as a probability.

The device's scores stay as they are: a temperature changes neither their order nor the margin's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64

__all__ = ["N_BINS", "calibrate", "expected_calibration_error", "log_loss"]

N_BINS = 10
"""Tenths of probability, as reliability diagrams are usually cut (common practice, no source)."""
LEAST_LOG, MOST_LOG = -12.0, 12.0
"""Between which the logarithm of temperature over the scores' spread is sought: from certainty
about every answer to none about any, either way e^12 times more than scores of the same spread can
say."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A temperature, learned from the scores of people who were held out.

    Parameters
    ----------
    temperature : float
        Real scores over it are log odds: probabilities are their softmax.
    n_takes : int
        Takes it was learned from.
    """

    temperature: float
    n_takes: int

    def probabilities(self, scores: Float64) -> Float64:
        """Return float64 (n_takes, n_classes) for scores of the same shape, real units."""
        return np.asarray(special.softmax(scores / self.temperature, axis=1))


def calibrate(scores: Float64, labels: NDArray[np.int64]) -> Calibration:
    """Learn the temperature with the least log loss (C. Guo et al., ICML 2017, section 4.2).

    Parameters
    ----------
    scores : float64 (n_takes, n_classes)
        Real units, of takes of people whom the classifier had not seen.
    labels : int64 (n_takes,)

    Raises
    ------
    UsageError
        There is no take.
    """
    if not len(labels):
        raise UsageError("calibration", "takes", 0, "at least 1")
    spread = max(float(np.ptp(scores)), 1e-12)

    def loss(log_temperature: float) -> float:
        return log_loss(
            special.softmax(scores / (spread * np.exp(log_temperature)), axis=1), labels
        )

    found = optimize.minimize_scalar(loss, bounds=(LEAST_LOG, MOST_LOG), method="bounded")
    return Calibration(float(spread * np.exp(found.x)), len(labels))


def log_loss(probabilities: Float64, labels: NDArray[np.int64]) -> float:
    """Return the mean of minus the log of the probability given to what was right."""
    right = probabilities[np.arange(len(labels)), labels]
    return float(-np.log(np.maximum(right, 1e-300)).mean())


def expected_calibration_error(
    probabilities: Float64, labels: NDArray[np.int64], n_bins: int = N_BINS
) -> float:
    """Return how far the answers' probabilities are from how often they are right, on average.

    Takes are put into bins of equal width by the probability of their answer; the error is the mean
    over takes of each bin's distance between mean probability and share of right answers (M. Naeini
    et al., AAAI 2015).

    Parameters
    ----------
    probabilities : float64 (n_takes, n_classes)
    labels : int64 (n_takes,)
    """
    answers = probabilities.argmax(axis=1)
    sure = probabilities.max(axis=1)
    right = (answers == labels).astype(np.float64)
    places = np.minimum((sure * n_bins).astype(np.int64), n_bins - 1)
    distance = np.bincount(places, sure - right, n_bins)
    return float(np.abs(distance).sum() / len(labels))
