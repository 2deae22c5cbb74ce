"""Error rates against scikit-learn, and intervals over people."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats
from scipy.interpolate import interp1d
from scipy.optimize import brentq
from sklearn.metrics import roc_auc_score, roc_curve

from runtime.errors import UsageError
from trainer.audit.people.rates import (
    Ranked,
    area_under_roc,
    equal_error_rate,
    jackknife,
    widened,
)

SCORES = st.lists(st.integers(-6, 6).map(float), min_size=1, max_size=30)


def _by_scikit_learn(genuine: NDArray[np.float64], impostor: NDArray[np.float64]) -> float:
    """Find the equal error rate on scikit-learn's curve, where it crosses the falling diagonal."""
    labels = np.repeat([1, 0], [len(genuine), len(impostor)])
    scores = np.concatenate([genuine, impostor])
    false, true, _ = roc_curve(labels, scores, drop_intermediate=False)
    along = interp1d(np.linspace(0, 1, len(false)), np.stack([false, true]))
    at = brentq(lambda t: float(along(t).sum() - 1.0), 0.0, 1.0, xtol=1e-14)
    return float(along(at)[0])


@given(SCORES, SCORES)
def test_rates_are_those_of_scikit_learn(genuine: list[float], impostor: list[float]) -> None:
    """Equal error rate and area are those of scikit-learn's `roc_curve`, ties and all."""
    own, other = np.array(genuine), np.array(impostor)
    assert equal_error_rate(own, other) == pytest.approx(_by_scikit_learn(own, other), abs=1e-9)
    labels = np.repeat([1, 0], [len(own), len(other)])
    area = roc_auc_score(labels, np.concatenate([own, other]))
    assert area_under_roc(own, other) == pytest.approx(area, abs=1e-12)


def test_rates_of_scores_that_part_and_that_say_nothing() -> None:
    """Scores that part give 0, those that are all alike 0.5, those the wrong way round 1."""
    low, high = np.array([1.0, 2.0]), np.array([3.0, 4.0])
    assert equal_error_rate(high, low) == 0.0
    assert equal_error_rate(low, high) == 1.0
    assert equal_error_rate(np.ones(3), np.ones(5)) == 0.5
    for rate in (equal_error_rate, area_under_roc):
        with pytest.raises(UsageError, match="1 or more of each"):
            rate(high, np.zeros(0))


def test_jackknife_of_a_mean_is_students_interval() -> None:
    """Of a plain mean, what is not a share, leaving each out gives Student's interval."""
    values = np.random.default_rng(3).normal(2.0, 1.0, 12)

    def mean(kept: NDArray[np.bool_]) -> float:
        return float(values[kept].mean())

    wanted = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert jackknife(mean, 12, share=False) == pytest.approx((wanted.low, wanted.high))


def test_jackknife_of_a_share_is_never_certain() -> None:
    """A share of few people who are all alike still has an interval; of two it is everything."""
    low, high = jackknife(lambda _: 0.0, 8)
    assert low == 0.0 and 0.1 < high < 0.5
    assert jackknife(lambda _: 0.0, 80)[1] < high / 5
    assert jackknife(lambda _: 0.5, 2) == (0.0, 1.0)
    assert jackknife(lambda _: 0.5, 2, share=False) == (-math.inf, math.inf)
    wide = jackknife(lambda _: 0.5, 40, n_least=6)
    plain = jackknife(lambda _: 0.5, 40)
    assert wide[1] - wide[0] > plain[1] - plain[0]


def test_the_best_of_several_has_a_wider_interval() -> None:
    """Of n attackers the strongest is held to a confidence of 1 - 0.05 / n."""
    assert widened(1) == pytest.approx(0.95)
    assert widened(5) == pytest.approx(0.99)


def test_scores_ranked_once_give_the_rates_of_any_part_of_them() -> None:
    """With some people left out the rate is that of the scores that are left, ties and all."""
    rng = np.random.default_rng(3)
    for digits in (0, 1, 6):
        scores = rng.standard_normal(60).round(digits)
        owners = rng.random(60) < 0.3
        scores[owners] += 0.5
        ranked = Ranked.of(scores, owners)
        for _ in range(10):
            kept = rng.random(60) < 0.7
            apart = equal_error_rate(scores[kept & owners], scores[kept & ~owners])
            assert ranked.error_rate(kept) == apart
