"""Quantisation noise is measured where it arises."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from test_runtime_model import small_model

from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.verification.precision import measure_precision, signal_to_noise_db


def layered_model(weight_limit: int) -> Model:
    """Return bins, level and a random layer whose weights reach `weight_limit`."""
    rng = np.random.default_rng(5)
    real = rng.uniform(-weight_limit, weight_limit, (2, 17))
    dtype = np.int8 if weight_limit <= 127 else np.int16
    bias = np.zeros(2, dtype=np.int32)
    dense = Dense(real.round().astype(dtype), bias, 1, 0, False, 32, real, bias.astype(float))
    stages = (Bins(16, 16, 4, 4), Level(16, 8, 9, 256, 3, 64), dense, small_model().stages[-1])
    return dataclasses.replace(small_model(), sensor=Sensor("s", 16, 16), stages=stages)


def frames() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(6)
    lit = rng.integers(1000, 4096, (200, 16, 16)).astype(np.uint16)
    return lit, rng.integers(0, 900, lit.shape).astype(np.uint16)


def test_uniform_quantiser_has_six_decibels_a_bit() -> None:
    """A full-scale sine in b bits has 6.02 b + 1.76 dB.

    W. R. Bennett, "Spectra of quantized signals", Bell System Technical Journal 27, 1948 (from
    memory).
    """
    phase = np.linspace(0, 2 * np.pi * 997, 100_000)
    for n_bits in (8, 12):
        sine = np.sin(phase) * 2 ** (n_bits - 1)
        ratio = signal_to_noise_db(sine, np.floor(sine + 0.5))
        assert ratio == pytest.approx(6.02 * n_bits + 1.76, abs=0.2)


def test_exact_stages_have_no_noise() -> None:
    """Sums of counts, and layers whose weights needed no rounding, are exact."""
    lit = np.full((3, 4, 4), 70, dtype=np.uint16)
    precision = measure_precision(small_model(), lit, np.zeros_like(lit))
    assert [stage.stage for stage in precision.stages] == ["s0_bins", "s1_dense"]
    assert all(stage.total_db == math.inf for stage in precision.stages)
    assert precision.stages[0].to_json() == {"stage": "s0_bins", "total_db": None, "own_db": None}
    assert precision.agreement == 1.0


def test_the_coarse_stage_is_named() -> None:
    """With weights of two bits the layer adds most noise, with sixteen bits the level does."""
    coarse = measure_precision(layered_model(3), *frames()).stages
    fine = measure_precision(layered_model(32767), *frames()).stages
    assert coarse[2].own_db < coarse[1].own_db < fine[2].own_db
    assert coarse[1] == fine[1]
    assert 20 < fine[1].own_db < 60


def test_total_noise_counts_every_stage_before() -> None:
    """The last stage's total is worse than its own part where an earlier stage was noisy."""
    stages = measure_precision(layered_model(32767), *frames()).stages
    assert stages[2].total_db < stages[2].own_db
    assert stages[1].total_db == stages[1].own_db


def test_no_signal_is_minus_infinity() -> None:
    """Noise without a signal is minus infinity, not an exception."""
    assert signal_to_noise_db(np.zeros(2), np.ones(2)) == -math.inf
