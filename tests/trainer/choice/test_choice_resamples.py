"""The bootstrap over people."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from runtime.errors import UsageError
from trainer.choice.told import _flattered, _promise
from trainer.choice.worth.resamples import FrontBand, resample, scores_of

RNG_SEED = 5


def _rng() -> np.random.Generator:
    return np.random.default_rng(RNG_SEED)


def test_a_setting_that_nobody_beats_stays_in_every_draw() -> None:
    """What is better for everybody, or cheapest, is on the front in every resample."""
    right = np.array([[9, 9, 9], [5, 5, 5], [4, 4, 4]])
    counts = np.stack([right, np.full_like(right, 10), np.full_like(right, 10)], axis=2)
    found = resample(counts, np.array([30.0, 20.0, 25.0]), _rng())
    assert found.share_on_front.tolist() == [1.0, 1.0, 0.0]


def test_a_draw_of_people_shakes_what_hangs_on_one_of_them() -> None:
    """A setting that is better for one person of four stays in the draws that have that person."""
    right = np.array([[10, 5, 5, 5], [5, 5, 5, 5]])
    counts = np.stack([right, np.full_like(right, 10), np.full_like(right, 10)], axis=2)
    found = resample(counts, np.array([30.0, 20.0]), _rng(), 20_000)
    assert found.share_on_front[0] == pytest.approx(1.0 - 0.75**4, abs=0.02)
    assert found.share_on_front[1] == 1.0
    assert found.low[0] == 0.5
    assert found.high[0] > 0.8
    assert found.high[1] == 0.5


def test_the_band_never_falls_with_power() -> None:
    """The best up to some power is at least the best up to less."""
    rng = _rng()
    right = rng.integers(0, 11, (6, 8))
    counts = np.stack([right, np.full_like(right, 10), np.full_like(right, 10)], axis=2)
    band = resample(counts, rng.uniform(10, 90, 6), _rng(), 200).band
    assert (np.diff(band.cost_uw) >= 0).all()
    assert (np.diff(band.low) >= 0).all()
    assert (np.diff(band.high) >= 0).all()
    assert (band.low <= band.high).all()


def test_the_best_of_many_is_not_flattered_by_those_who_chose_it() -> None:
    """Of settings that are all as good, the band holds what they are worth, not their luckiest."""
    rng, n_settings, n_people = _rng(), 12, 10
    middle, uncorrected = [], []
    for _ in range(40):
        right = rng.binomial(20, 0.8, (n_settings, n_people))
        twenty = np.full_like(right, 20)
        counts = np.stack([right, twenty, twenty], axis=2)
        band = resample(counts, np.arange(1.0, n_settings + 1), rng, 200).band
        middle.append((band.low[-1] + band.high[-1]) / 2.0)
        uncorrected.append(middle[-1] + band.optimism[-1])
    luckiest = np.mean(uncorrected) - 0.8
    assert luckiest > 0.04
    assert np.mean(middle) - 0.8 < 0.7 * luckiest


def test_one_setting_is_chosen_by_nobody() -> None:
    """Where there is no choice nothing is flattered, and the band is the setting's own."""
    right = np.array([[9, 7, 5, 8]])
    counts = np.stack([right, np.full_like(right, 10), np.full_like(right, 10)], axis=2)
    found = resample(counts, np.array([30.0]), _rng(), 4000)
    assert found.band.optimism[0] == pytest.approx(0.0, abs=0.005)
    assert found.band.low[0] == pytest.approx(found.low[0], abs=0.005)


def test_a_promise_is_less_by_what_choosing_flatters() -> None:
    """Score and lower end of a chosen point lose the optimism at its power, those of others none.

    What is promised is never below 0, and the upper end stays.
    """
    nothing, optimism = np.zeros(3), np.array([0.01, 0.02, 0.05])
    band = FrontBand(np.array([10.0, 20.0, 30.0]), nothing, nothing, optimism)
    points = [SimpleNamespace(uw=uw) for uw in (10.0, 20.0, 30.0)]
    found: Any = SimpleNamespace(points=points, front=[0, 2], resampled=SimpleNamespace(band=band))
    assert [_flattered(found, index) for index in range(3)] == [0.01, 0.0, 0.05]
    assert _promise(0.9, (0.8, 0.95), 0.05) == {"value": 0.85, "low": 0.75, "high": 0.95}
    assert _promise(0.03, (0.0, 0.2), 0.05) == {"value": 0.0, "low": 0.0, "high": 0.2}


def test_one_person_says_nothing_of_others() -> None:
    """A single person is refused: there is nobody else to draw."""
    with pytest.raises(UsageError, match="people to draw again is 1"):
        resample(np.ones((2, 1, 3), dtype=np.int64), np.array([1.0, 2.0]), _rng())


def test_the_score_is_f1_and_of_takes_their_share() -> None:
    """Twice the right over answered and asked is F1; with one answer a take, accuracy."""
    assert scores_of(np.array([8, 10, 16])) == pytest.approx(2 * 0.8 * 0.5 / 1.3)
    assert scores_of(np.array([7, 10, 10])) == 0.7
    assert scores_of(np.array([0, 0, 0])) == 0.0
