"""Ranges carried through a model: Monte Carlo intervals and variance-based sensitivity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.values import Input
from runtime.errors import UsageError

__all__ = ["Interval", "Sensitivity", "draw", "interval_of", "sensitivity", "typical_values"]

_MAX_DRAWS = 10_000_000
Formula = Callable[[Mapping[str, Any]], Any]


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its interval.

    Parameters
    ----------
    typical : float
        The value at the typical inputs, or as it was counted.
    low, high : float
        5th and 95th percentile of the draws, so that each is a one-sided 95 % bound.
    median : float
        50th percentile of the draws: what stands for the value wherever one number does. The
        typical one may lie anywhere in the interval, as most ranges reach further up than down.
        Of a value that was counted, the value itself.
    """

    typical: float
    low: float
    high: float
    median: float = math.nan

    def __post_init__(self) -> None:
        if math.isnan(self.median):
            object.__setattr__(self, "median", self.typical)

    def to_json(self) -> dict[str, float]:
        """Return the four numbers."""
        return {
            "median": self.median,
            "low": self.low,
            "high": self.high,
            "typical": self.typical,
        }

    def times(self, factor: float) -> Interval:
        """Return the same in another unit; `factor` above 0."""
        return Interval(*(factor * x for x in (self.typical, self.low, self.high, self.median)))


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Share of the variance that one input explains: alone, and with all its interactions."""

    name: str
    first_order: float
    total: float


def _quantile(low: float, typical: float, high: float, u: Any) -> Any:
    """Inverse cumulative distribution at u in 0 to 1: half the draws fall on either side."""
    below = low + (typical - low) * np.sqrt(2.0 * np.minimum(u, 0.5))
    above = high - (high - typical) * np.sqrt(2.0 * (1.0 - np.maximum(u, 0.5)))
    return np.where(u < 0.5, below, above)


def typical_values(inputs: Mapping[str, Input]) -> dict[str, float]:
    """Return every input at its typical value."""
    return {name: value.typical for name, value in inputs.items()}


def draw(
    inputs: Mapping[str, Input], n_draws: int, rng: np.random.Generator
) -> dict[str, float | NDArray[np.float64]]:
    """Draw every input that varies from its range, independently, in the order given.

    Inputs that are the same quantity (``drawn_with``) take the same draw.

    Parameters
    ----------
    inputs : mapping of str to Input
        The budget's inputs.
    n_draws : int
        1 to 10 million.
    rng : numpy.random.Generator
        Source of the draws.

    Returns
    -------
    dict of str to float or float64 (n_draws,)
        Fixed inputs stay numbers.

    Raises
    ------
    UsageError
        `n_draws` is out of range.

    Notes
    -----
    A data sheet's typical value is taken as the median: half the draws fall below it and half
    above, on either side thinning out linearly towards the bound. A symmetric range so gives the
    triangle of GUM Supplement 1, JCGM 101:2008, clause 6.4.5 (from memory).
    """
    if not 1 <= n_draws <= _MAX_DRAWS:
        raise UsageError("Monte Carlo", "number of draws", n_draws, f"1 to {_MAX_DRAWS}")
    found = {
        name: _quantile(x.low, x.typical, x.high, rng.random(n_draws)) if x.varies else x.typical
        for name, x in inputs.items()
        if not x.drawn_with
    }
    return found | {name: found[x.drawn_with] for name, x in inputs.items() if x.drawn_with}


def interval_of(typical: float, draws: Any) -> Interval:
    """Return median and 90 % interval of `draws` beside the typical value."""
    low, median, high = np.quantile(np.asarray(draws, dtype=np.float64), [0.05, 0.5, 0.95])
    return Interval(float(typical), float(low), float(high), float(median))


def sensitivity(
    model: Formula,
    inputs: Mapping[str, Input],
    rng: np.random.Generator,
    names: Sequence[str] | None = None,
    log2_points: int = 11,
) -> tuple[Sensitivity, ...]:
    """Return Sobol' indices of `model` for the inputs that vary, largest total index first.

    Parameters
    ----------
    model : callable
        Takes a mapping of names to arrays, returns an array of the same length.
    inputs : mapping of str to Input
        All inputs of the model.
    rng : numpy.random.Generator
        Scrambles the sample.
    names : sequence of str, optional
        Inputs to report; all that vary by default.
    log2_points : int
        Base sample 2**log2_points; the model sees (n_inputs + 2) times that many points.

    Notes
    -----
    Saltelli's estimator as in `scipy.stats.sobol_indices`; its noise can push an index of an idle
    input slightly below zero, which is reported as zero.
    """
    from scipy.stats import sobol_indices, uniform

    varying = [x for x in inputs.values() if x.varies and not x.drawn_with]
    alike = {x.name: x.drawn_with for x in inputs.values() if x.varies and x.drawn_with}
    if not varying:
        return ()
    fixed = {x.name: x.typical for x in inputs.values() if not x.varies}

    def of_uniforms(u: NDArray[np.float64]) -> NDArray[np.float64]:
        drawn = {x.name: _quantile(x.low, x.typical, x.high, u[i]) for i, x in enumerate(varying)}
        drawn |= {name: drawn[first] for name, first in alike.items()}
        return np.asarray(model({**fixed, **drawn}), dtype=np.float64)[None, :]

    found = sobol_indices(
        func=of_uniforms, n=1 << log2_points, dists=[uniform(0, 1)] * len(varying), rng=rng
    )
    first = np.atleast_1d(np.squeeze(found.first_order))
    total = np.atleast_1d(np.squeeze(found.total_order))
    rows = [
        Sensitivity(x.name, max(0.0, float(first[i])), max(0.0, float(total[i])))
        for i, x in enumerate(varying)
        if (names is None or x.name in names) and math.isfinite(total[i])
    ]
    return tuple(sorted(rows, key=lambda row: (-row.total, row.name)))
