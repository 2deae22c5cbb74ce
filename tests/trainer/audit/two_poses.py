"""A model of two poses for the emulated sensor, with a head as shipped or one that learns."""

from __future__ import annotations

import numpy as np

from capture.emulated.optic.optics import SENSORS
from runtime.model import Model
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.dense import Dense
from runtime.stages.teaching.enrol import Enrol

__all__ = ["head", "learner", "model_of"]


def head() -> Dense:
    """Return a head of two poses on sixteen bins."""
    weights = np.random.default_rng(1).integers(-9, 9, (2, 16)).astype(np.int8)
    bias = np.zeros(2, dtype=np.int32)
    return Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))


def model_of(middle: Dense | Enrol) -> Model:
    """Return a model of two poses for the emulated sensor."""
    decision = Decision((False, False), threshold=10, hysteresis=5, persist=1, hold_off=2)
    stages = (Bins(32, 32, 4, 4), middle, decision)
    return Model("held", "held", SENSORS["lensless32"], ("fingers_0", "fingers_5"), stages)


def learner() -> Enrol:
    """Return a head that learns whatever it is shown: nothing is too unlike or too like it."""
    rng = np.random.default_rng(2)
    weights = rng.integers(-127, 128, (8, 16)).astype(np.int8)
    keep = Dense(
        weights, np.zeros(8, np.int32), 1, 16, False, 8, weights.astype(float), np.zeros(8)
    )
    far = 2**24
    return Enrol(
        head=head(), directions=keep, means=np.zeros((2, 8), np.int8),
        anchors=np.zeros((0, 8), np.int8), anchor_classes=np.zeros(0, np.int32),
        near=np.zeros(2, np.int32), learnable=(True, True), n_own=0, n_takes=1, moves=False,
        least_frames=2, unlike=far, apart=far, rival=far, favour=0, guard=0, reach=far,
        limit=far, multiplier=1, shift=6,
    )  # fmt: skip
