"""Where the real-valued and the integer model part company, stage by stage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.model import Model
from runtime.stages.contract.chain import check_frames
from runtime.stages.contract.stage import Counts, Float64, Int32

__all__ = ["Precision", "StagePrecision", "measure_precision", "signal_to_noise_db"]


@dataclass(frozen=True, slots=True)
class StagePrecision:
    """Signal-to-quantisation-noise ratios of one stage's outputs, in decibels.

    Parameters
    ----------
    stage : str
        ``s{index}_{kind}``.
    total_db : float
        Against the model that was real-valued from the exposures on; infinite when equal.
    own_db : float
        Against this stage alone in real values, fed with the integer stage before: the noise that
        this stage adds. The one with the least costs most.
    """

    stage: str
    total_db: float
    own_db: float

    def to_json(self) -> dict[str, str | float | None]:
        """Return the fields; an infinite ratio (no noise) is null, as JSON has no infinity."""
        ratios = {"total_db": self.total_db, "own_db": self.own_db}
        finite = {key: value if math.isfinite(value) else None for key, value in ratios.items()}
        return {"stage": self.stage} | finite


@dataclass(frozen=True, slots=True)
class Precision:
    """Precision of a model on some frames.

    Parameters
    ----------
    stages : tuple of StagePrecision
        All but the closing stage, in order.
    agreement : float
        Share of frames on which both models say the same, as the closing stage sees it, 0 to 1.
    """

    stages: tuple[StagePrecision, ...]
    agreement: float


def signal_to_noise_db(signal: Float64, noisy: NDArray[np.generic]) -> float:
    """Return ``10 log10(sum signal**2 / sum (noisy - signal)**2)``.

    Plus infinity without noise, minus infinity without signal.
    """
    noise_power = float(((noisy.astype(np.float64) - signal) ** 2).sum())
    signal_power = float((signal**2).sum())
    if noise_power == 0.0:
        return math.inf
    return 10.0 * math.log10(signal_power / noise_power) if signal_power else -math.inf


def measure_precision(model: Model, lit: Counts, dark: Counts) -> Precision:
    """Compare both models on consecutive frames from the beginning.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        At least one frame pair of the model's sensor.

    Raises
    ------
    FormatError
        The exposures are not the sensor's.
    """
    check_frames(lit, dark, model.sensor)
    whole: Int32 = model.entry.run_frames(lit, dark)
    real = whole.astype(np.float64)  # differences and sums of counts are exact in both
    measured = []
    for index, stage in enumerate(model.stages[:-1]):
        own = real
        if index:
            own = stage.run_float(whole.astype(np.float64))
            real = stage.run_float(real)
            whole, _ = stage.run(whole, stage.initial_state())
        ratios = signal_to_noise_db(real, whole), signal_to_noise_db(own, whole)
        measured.append(StagePrecision(f"s{index}_{stage.kind}", *ratios))
    agreement = float(model.closing.agrees(real, whole).mean())
    return Precision(tuple(measured), agreement)
