"""Calibration: scores become probabilities that are right as often as they say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import softmax
from sklearn.calibration import calibration_curve
from sklearn.datasets import load_digits
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss as reference_log_loss
from sklearn.model_selection import train_test_split

from runtime.errors import UsageError
from trainer.judge.calibration import N_BINS, calibrate, expected_calibration_error, log_loss


def drawn(temperature: float, n: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    """Return scores whose softmax at the temperature is the truth, and labels drawn from it."""
    rng = np.random.default_rng(8)
    scores = rng.normal(0.0, 2.0, (n, 5)) * temperature
    chances = softmax(scores / temperature, axis=1)
    return scores, (chances.cumsum(axis=1) < rng.random((n, 1))).sum(axis=1)


@pytest.mark.parametrize("temperature", [0.02, 1.0, 700.0])
def test_a_known_temperature_is_recovered(temperature: float) -> None:
    """Labels drawn from a softmax give its temperature back, whatever the scores' unit."""
    found = calibrate(*drawn(temperature))
    assert found.temperature == pytest.approx(temperature, rel=0.05)


def test_calibration_changes_no_answer_and_lowers_the_loss() -> None:
    """On real digits an overconfident classifier is made honest; which class wins stays.

    Data: scikit-learn's bundled "Optical recognition of handwritten digits" test set.
    """
    x, y = load_digits(return_X_y=True)
    x_train, x_rest, y_train, y_rest = train_test_split(x, y, test_size=0.8, random_state=0)
    x_fit, x_test, y_fit, y_test = train_test_split(x_rest, y_rest, test_size=0.5, random_state=0)
    model = LogisticRegression(C=1e4, max_iter=5000).fit(x_train, y_train)
    calibration = calibrate(model.decision_function(x_fit), y_fit)
    scores = model.decision_function(x_test)
    before, after = softmax(scores, axis=1), calibration.probabilities(scores)
    assert (before.argmax(axis=1) == after.argmax(axis=1)).all()
    assert calibration.temperature > 1.0
    assert log_loss(after, y_test) < log_loss(before, y_test)
    assert log_loss(after, y_test) == pytest.approx(reference_log_loss(y_test, after))
    assert expected_calibration_error(after, y_test) < expected_calibration_error(before, y_test)


def test_the_calibration_error_is_that_of_the_reliability_curve() -> None:
    """Bin by bin, it is the distance that scikit-learn's calibration curve shows."""
    scores, labels = drawn(1.0)
    probabilities = softmax(scores / 0.5, axis=1)
    sure, right = probabilities.max(axis=1), probabilities.argmax(axis=1) == labels
    share, mean = calibration_curve(right, sure, n_bins=N_BINS)
    counts = np.bincount(np.minimum((sure * N_BINS).astype(int), N_BINS - 1), minlength=N_BINS)
    expected = (np.abs(share - mean) * counts[counts > 0]).sum() / len(sure)
    assert expected_calibration_error(probabilities, labels) == pytest.approx(expected)


def test_no_take_is_refused() -> None:
    """Nothing can be learned from nothing."""
    with pytest.raises(UsageError, match="takes"):
        calibrate(np.zeros((0, 3)), np.zeros(0, dtype=np.int64))
