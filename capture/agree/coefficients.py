"""Agreement beyond chance: Cohen's and Fleiss' kappa, with intervals over people."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from runtime.intervals import CONFIDENCE, clopper_pearson

__all__ = ["Counts", "Estimate", "cohen", "fleiss", "over_people"]

Counts = npt.NDArray[np.int64]
_Part = TypeVar("_Part")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval.

    Parameters
    ----------
    value : float or None
        None where it is not defined: everybody used one name only.
    low, high : float or None
        None where there is nothing to tell a spread from.
    n : int
        Cues or takes behind it.
    """

    value: float | None
    low: float | None
    high: float | None
    n: int

    def to_json(self) -> dict[str, float | int | None]:
        """Return it as plain JSON values, rounded to the sixth place."""
        told = [None if v is None else round(v, 6) for v in (self.value, self.low, self.high)]
        return {"value": told[0], "low": told[1], "high": told[2], "n": self.n}


def over_people(
    parts: Sequence[_Part],
    statistic: Callable[[Sequence[_Part]], float | None],
    n: int,
    limits: tuple[float, float] = (-math.inf, math.inf),
) -> Estimate:
    """Return a statistic of all people's parts, with its interval over people.

    Parameters
    ----------
    parts : sequence
        What each person gave; takes of one person are alike, and so count together.
    statistic : callable
        Of a sequence of parts; None where it is not defined.
    n : int
        Cues or takes in all of it.
    limits : tuple of float
        Between which the statistic lies.

    Notes
    -----
    Jackknife: each person is left out in turn, the variance is (n-1)/n times the sum of squares
    about the mean, and the interval is Student's with n-1 degrees of freedom (B. Efron and R.
    Tibshirani, An Introduction to the Bootstrap, 1993, chapter 11; from memory).
    """
    from scipy import special

    value = statistic(parts)
    if value is None or len(parts) < 2:
        return Estimate(value, None, None, n)
    without = [statistic([*parts[:i], *parts[i + 1 :]]) for i in range(len(parts))]
    known = [each for each in without if each is not None]
    if len(known) < len(parts):
        return Estimate(value, None, None, n)
    n_people = len(parts)
    spread = np.array(known) - np.mean(known)
    error = math.sqrt((n_people - 1) / n_people * float(spread @ spread))
    half = float(special.stdtrit(n_people - 1, 0.5 + CONFIDENCE / 2)) * error
    return Estimate(value, max(limits[0], value - half), min(limits[1], value + half), n)


def cohen(tables: Sequence[Counts]) -> Estimate:
    """Return Cohen's kappa of two labellers, with its interval.

    Parameters
    ----------
    tables : sequence of int64 array, shape (n_names, n_names)
        One a person: how often the first labeller's name (row) met the second's (column).

    Notes
    -----
    J. Cohen, "A coefficient of agreement for nominal scales", 1960, by statsmodels. With one person
    the interval is the asymptotic one over takes (J. Fleiss, J. Cohen and B. Everitt, 1969). Where
    all agree there is no spread, and the exact lower bound of the share alike takes its place.
    """
    whole = np.sum(tables, axis=0)
    n = int(whole.sum())
    found = over_people(tables, _cohen, n, (-1.0, 1.0))
    if found.value is None:
        return found
    if len(tables) == 1:
        told = _cohens_kappa(whole)
        low, high = float(told.kappa_low), float(told.kappa_upp)
        found = Estimate(found.value, max(-1.0, low), min(1.0, high), n)
    chance = float(whole.sum(axis=0) @ whole.sum(axis=1)) / n**2
    return _not_too_sure(found, chance)


def _cohen(tables: Sequence[Counts]) -> float | None:
    whole = np.sum(tables, axis=0)
    n = int(whole.sum())
    if n == 0 or int(whole.sum(axis=0) @ whole.sum(axis=1)) == n * n:
        return None
    return float(_cohens_kappa(whole).kappa)


def _cohens_kappa(table: Counts):  # type: ignore[no-untyped-def]  # statsmodels' own result
    from statsmodels.stats.inter_rater import cohens_kappa

    with np.errstate(divide="ignore", invalid="ignore"):
        return cohens_kappa(table)


def fleiss(tables: Sequence[Counts]) -> Estimate:
    """Return Fleiss' kappa of several labellers, with its interval over people.

    Parameters
    ----------
    tables : sequence of int64 array, shape (n_cues, n_names)
        One a person: how many labellers gave each cue each name; every row has the same sum, of at
        least 2.

    Notes
    -----
    J. Fleiss, "Measuring nominal scale agreement among many raters", Psychological Bulletin 76,
    1971, by statsmodels. Where all agree, the exact lower bound of the share of cues on which they
    do takes the place of the interval.
    """
    whole = np.concatenate(tables)
    found = over_people(tables, _fleiss, len(whole), (-1.0, 1.0))
    shares = whole.sum(axis=0) / max(1, int(whole.sum()))
    return _not_too_sure(found, float(shares @ shares))


def _fleiss(tables: Sequence[Counts]) -> float | None:
    from statsmodels.stats.inter_rater import fleiss_kappa

    whole = np.concatenate(tables)
    if len(whole) == 0 or np.count_nonzero(whole.sum(axis=0)) < 2:
        return None
    return float(fleiss_kappa(whole))


def _not_too_sure(found: Estimate, chance: float) -> Estimate:
    """Widen the interval of a perfect agreement, in which there is no spread to tell it from."""
    if found.value is None or found.value < 1.0 - 1e-12:
        return found
    low = (clopper_pearson(found.n, found.n)[0] - chance) / (1.0 - chance)
    return Estimate(1.0, max(-1.0, low), 1.0, found.n)
