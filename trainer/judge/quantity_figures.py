"""Figures of a measured quantity: how far off it is, for whom, and how often its interval holds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from runtime.errors import UsageError
from runtime.intervals import CONFIDENCE
from runtime.stages.contract.stage import Float64
from trainer.judge.evaluate import rounded_figure
from trainer.judge.intervals import over_participants

__all__ = ["Measured", "half_width", "mean_over_people", "quantity_figures", "share_within"]


@dataclass(frozen=True, slots=True)
class Measured:
    """Takes of a quantity: whose, what it was, and what was measured, all in its unit.

    Parameters
    ----------
    people : tuple of str, length n_takes
    truth, estimates : float64 (n_takes,)
    """

    people: tuple[str, ...]
    truth: Float64
    estimates: Float64

    @property
    def errors(self) -> Float64:
        """Estimate minus truth, float64 (n_takes,)."""
        return self.estimates - self.truth

    def of_each(self) -> dict[str, Float64]:
        """Return each person's errors, by pseudonym in order."""
        names = np.array(self.people)
        return {name: self.errors[names == name] for name in sorted(set(self.people))}


def mean_over_people(values: Float64, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval of a mean over people, by Student's t (Student, Biometrika 6, 1908).

    Parameters
    ----------
    values : float64 (n_people,)
        One number a person.

    Returns
    -------
    tuple of float
        Both infinite for a single person, who says nothing of others.
    """
    n = len(values)
    if n < 2:
        return -math.inf, math.inf
    reach = float(special.stdtrit(n - 1, 0.5 + confidence / 2))
    reach *= float(values.std(ddof=1)) / math.sqrt(n)
    return float(values.mean()) - reach, float(values.mean()) + reach


def quantity_figures(takes: Measured) -> dict[str, Any]:
    """Return root mean square error, median absolute error and bias, with intervals over people.

    The error's square and the bias are means over people, each person counting alike. A bound that
    is not known, as a single person's, is null.

    Raises
    ------
    UsageError
        There is no take.
    """
    if not len(takes.truth):
        do = "check that the labels lie inside the recordings"
        raise UsageError("evaluation", "takes", 0, "at least 1", do)
    each = list(takes.of_each().values())
    squares = np.array([float((errors**2).mean()) for errors in each])
    medians = np.array([float(np.median(np.abs(errors))) for errors in each])
    biases = np.array([float(errors.mean()) for errors in each])
    low, high = mean_over_people(squares)
    rows = {
        "rmse": (math.sqrt(float(squares.mean())), (math.sqrt(max(low, 0.0)), math.sqrt(high))),
        "median_absolute_error": (
            float(np.median(np.abs(takes.errors))),
            (max(mean_over_people(medians)[0], 0.0), mean_over_people(medians)[1]),
        ),
        "bias": (float(biases.mean()), mean_over_people(biases)),
    }
    return {
        name: _figure(value, interval) | {"n_participants": len(each), "n_takes": len(takes.truth)}
        for name, (value, interval) in rows.items()
    }


def _figure(value: float, interval: tuple[float, float]) -> dict[str, float | None]:
    """Return a figure as evaluation.json holds it, which has no infinity."""
    figure = rounded_figure(value, interval)
    return {key: number if math.isfinite(number) else None for key, number in figure.items()}


def half_width(takes: Measured, coverage: float) -> float:
    """Return the half-width that holds a share of people whom the model had not seen.

    The quantile of absolute errors, each person counting alike, with the correction for a finite
    number of calibration cases of split conformal prediction (J. Lei et al., J. Am. Stat. Assoc.
    113, 2018); the cases are people, as takes of one are alike. With fewer than ``coverage /
    (1 - coverage)`` people it is the largest error.

    Parameters
    ----------
    takes : Measured
        Of people each held out of the fit that measured them.
    coverage : float
        Share, between 0 and 1.
    """
    each = takes.of_each()
    wanted = min(1.0, coverage * (len(each) + 1) / len(each))
    errors = np.concatenate([np.abs(errors) for errors in each.values()])
    weights = np.concatenate([np.full(len(e), 1.0 / len(e) / len(each)) for e in each.values()])
    order = np.argsort(errors, kind="stable")
    reached = int(np.searchsorted(np.cumsum(weights[order]), wanted - 1e-9))
    return float(errors[order][min(reached, len(errors) - 1)])


def share_within(takes: Measured, half: float, chosen: NDArray[np.bool_]) -> dict[str, Any] | None:
    """Return how many of the chosen takes lie within the interval, with an interval over people.

    None where no take is chosen.
    """
    if not chosen.any():
        return None
    names = np.array(takes.people)[chosen]
    inside = (np.abs(takes.errors) <= half)[chosen]
    each = [float(inside[names == name].mean()) for name in sorted(set(names.tolist()))]
    figure = rounded_figure(float(inside.mean()), over_participants(each, len(inside)))
    return {**figure, "n_participants": len(each), "n_takes": len(inside)}
