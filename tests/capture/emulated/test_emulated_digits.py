"""Real pictures through the optic: nothing is lost that recognition needs."""

from __future__ import annotations

import numpy as np
from sklearn.datasets import load_digits
from sklearn.model_selection import train_test_split
from sklearn.svm import SVC

from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import Bench


def test_digits_are_recognised_from_raw_readouts_as_well_as_from_pixels() -> None:
    """Recognition from the noisy lit-minus-dark readout is within 2 points of the pixels' own.

    Data: scikit-learn's bundled "Optical recognition of handwritten digits" test set (E. Alpaydin
    and C. Kaynak, UCI Machine Learning Repository, 1998), 1,797 real pictures of 8x8 pixels.
    """
    digits = load_digits()
    assert digits.images.shape == (1797, 8, 8)
    bench = Bench(SENSORS["lensless32"], "digits")
    # High light: the brightest picture fills about half of the full well.
    led = bench.optic.grid.from_image(digits.images / 16.0 * 0.5, half_angle_deg=40.0)
    none = np.zeros_like(led)
    steady = np.ones(len(led), np.float32)
    lit, dark = bench.expose(led, none, (steady, steady), np.random.default_rng(5))
    assert 0.2 < lit.max() / bench.sensor.max_counts < 0.95
    readouts = (lit.astype(np.float64) - dark).reshape(len(lit), -1)
    pixels = digits.images.reshape(len(lit), -1)
    train, test = train_test_split(
        np.arange(len(lit)), test_size=0.5, random_state=0, stratify=digits.target
    )

    def accuracy(features: np.ndarray) -> float:
        model = SVC(C=100.0, gamma="scale").fit(features[train], digits.target[train])
        return float(model.score(features[test], digits.target[test]))

    from_pixels = accuracy(pixels)
    from_readouts = accuracy(readouts)
    assert from_pixels > 0.97
    assert from_readouts >= from_pixels - 0.02, (from_readouts, from_pixels)
