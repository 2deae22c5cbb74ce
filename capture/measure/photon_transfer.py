"""Photon transfer: what a sensor is, from a series of flat fields, after EMVA 1288 Release 4.0.

EMVA Standard 1288, "Standard for Characterization of Image Sensors and Cameras", Release 4.0
Linear, 2021. Symbols of the standard: K system gain, sigma_d dark noise, mu mean, y counts, e
electrons. A level is one flat field: many frame pairs under the same even light.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.frames import Counts, FrameBlock
from runtime.errors import FormatError
from runtime.files import write_whole

__all__ = [
    "LightLevel",
    "PhotonTransfer",
    "corrected_spatial_variance",
    "dark_noise_e",
    "decibels",
    "draw_curve",
    "measure_level",
    "photon_transfer",
    "quantum_efficiency",
    "saturation_snr",
    "threshold_e",
]

_QUANTISATION_DN2 = 1.0 / 12.0  # variance of rounding to whole counts
_FIT_SHARE = 0.7  # of the saturation signal, the range of the gain's fit
_N_RESAMPLES = 200
_MIN_LEVELS = 4
Floats = npt.NDArray[np.float64]


def quantum_efficiency(responsivity_dn_per_photon: float, gain_dn_per_e: float) -> float:
    """Electrons for each photon: responsivity R over gain K."""
    return responsivity_dn_per_photon / gain_dn_per_e


def dark_noise_e(dark_variance_dn2: float, gain_dn_per_e: float) -> float:
    """Temporal dark noise without quantisation noise, electrons rms: sigma_d."""
    return math.sqrt(max(0.0, dark_variance_dn2 - _QUANTISATION_DN2)) / gain_dn_per_e


def threshold_e(dark_variance_dn2: float, gain_dn_per_e: float) -> float:
    """Electrons at which the signal-to-noise ratio is 1: the absolute sensitivity threshold."""
    return math.sqrt(dark_variance_dn2) / gain_dn_per_e + 0.5


def saturation_snr(saturation_e: float) -> float:
    """Largest signal-to-noise ratio: shot noise alone at saturation."""
    return math.sqrt(saturation_e)


def decibels(ratio: float) -> float:
    """A ratio of signals in decibels: 20 log10."""
    return 20.0 * math.log10(ratio)


def corrected_spatial_variance(measured: float, temporal: float, n_frames: int) -> float:
    """Spatial variance of a mean over `n_frames` frames without the temporal noise left in it."""
    return measured - temporal / n_frames


@dataclass(frozen=True, slots=True)
class LightLevel:
    """One flat field, pixel by pixel.

    Parameters
    ----------
    lit_mean, dark_mean : float64 array, shape (n_pixels,)
        Mean over the frames, counts.
    lit_variance, dark_variance : float64 array, shape (n_pixels,)
        Temporal variance, counts squared.
    n_frames : int
        Frame pairs.
    exposure_us : float
        Length of an exposure, microseconds.
    """

    lit_mean: Floats
    dark_mean: Floats
    lit_variance: Floats
    dark_variance: Floats
    n_frames: int
    exposure_us: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % interval over pixels."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """What the series says of the sensor; None where the series cannot tell.

    Parameters
    ----------
    conversion_gain_dn_per_e : Estimate
        System gain K.
    read_noise_e : Estimate
        Temporal dark noise sigma_d.
    threshold_e : Estimate
        Electrons at a signal-to-noise ratio of 1.
    dark_nonuniformity_e, response_nonuniformity : Estimate
        DSNU in electrons, PRNU as a share of the signal.
    saturation_e, dynamic_range, snr_max : Estimate or None
        Needs levels beyond the largest temporal variance.
    dark_signal_e_per_s : Estimate or None
        Needs at least three lengths of exposure.
    signal_counts, variance_dn2, snr : tuple of float
        The curve, level by level: mean signal above dark, temporal variance above dark, and
        signal over noise.
    """

    conversion_gain_dn_per_e: Estimate
    read_noise_e: Estimate
    threshold_e: Estimate
    dark_nonuniformity_e: Estimate
    response_nonuniformity: Estimate
    saturation_e: Estimate | None
    dynamic_range: Estimate | None
    snr_max: Estimate | None
    dark_signal_e_per_s: Estimate | None
    signal_counts: tuple[float, ...]
    variance_dn2: tuple[float, ...]
    snr: tuple[float, ...]

    def to_json(self) -> dict[str, object]:
        """Return the figures as plain JSON values."""
        return dataclasses.asdict(self)


def measure_level(block: FrameBlock, exposure_us: float) -> LightLevel:
    """Return mean and temporal variance of every pixel of a flat field.

    Notes
    -----
    The variance comes from the differences of neighbouring frames with the mean difference taken
    out, as the standard has it for two images, so that light that wavers as a whole does not count.

    Raises
    ------
    FormatError
        There are fewer than two frame pairs or four pixels.
    """
    n_pixels = block.lit.shape[1] * block.lit.shape[2]
    if len(block) < 2 or n_pixels < 4:
        raise FormatError(
            "flat field",
            "its size",
            f"{len(block)} frame pairs of {n_pixels} pixels",
            "at least 2 frame pairs of 4 pixels",
        )
    lit_mean, lit_variance = _temporal(block.lit)
    dark_mean, dark_variance = _temporal(block.dark)
    return LightLevel(lit_mean, dark_mean, lit_variance, dark_variance, len(block), exposure_us)


def _temporal(counts: Counts) -> tuple[Floats, Floats]:
    frames = counts.reshape(len(counts), -1).astype(np.float64)
    steps = np.diff(frames, axis=0)[::2]
    n_pixels = frames.shape[1]
    steps -= steps.mean(axis=1, keepdims=True)
    variance = 0.5 * (steps**2).mean(axis=0) * n_pixels / (n_pixels - 1)
    return frames.mean(axis=0), variance


def photon_transfer(levels: Sequence[LightLevel], rng: np.random.Generator) -> PhotonTransfer:
    """Return what a series of flat fields says of the sensor.

    Parameters
    ----------
    levels : sequence of LightLevel
        In any order, of the same pixels.
    rng : numpy.random.Generator
        Draws the resampled pixels of the intervals.

    Raises
    ------
    FormatError
        The levels are of different pixels, or too few of them lie in the linear range.
    """
    shapes = {level.lit_mean.shape for level in levels}
    if len(levels) < _MIN_LEVELS or len(shapes) != 1:
        raise FormatError(
            "flat-field series",
            "number of levels",
            f"{len(levels)} of {len(shapes)} geometries",
            f"at least {_MIN_LEVELS} of one geometry",
        )
    levels = sorted(levels, key=lambda level: float(level.lit_mean.mean()))
    n_pixels = levels[0].lit_mean.size
    everything = _figures(levels, np.arange(n_pixels))
    draws = [_figures(levels, rng.integers(0, n_pixels, n_pixels)) for _ in range(_N_RESAMPLES)]

    def estimate(pick: Callable[[_Figures], float | None]) -> Estimate | None:
        value = pick(everything)
        if value is None:
            return None
        drawn = [x for x in map(pick, draws) if x is not None]
        low, high = np.percentile(drawn, (2.5, 97.5))
        return Estimate(value, float(low), float(high))

    def sure(pick: Callable[[_Figures], float]) -> Estimate:
        low, high = np.percentile([pick(draw) for draw in draws], (2.5, 97.5))
        return Estimate(pick(everything), float(low), float(high))

    signal, variance = everything.signal, everything.variance
    noise = np.sqrt(np.maximum(everything.total_variance, 1e-12))
    return PhotonTransfer(
        conversion_gain_dn_per_e=sure(lambda f: f.gain),
        read_noise_e=sure(lambda f: f.read_noise_e),
        threshold_e=sure(lambda f: f.threshold_e),
        dark_nonuniformity_e=sure(lambda f: f.dsnu_e),
        response_nonuniformity=sure(lambda f: f.prnu),
        saturation_e=estimate(lambda f: f.saturation_e),
        dynamic_range=estimate(
            lambda f: None if f.saturation_e is None else f.saturation_e / f.threshold_e
        ),
        snr_max=estimate(
            lambda f: None if f.saturation_e is None else saturation_snr(f.saturation_e)
        ),
        dark_signal_e_per_s=estimate(lambda f: f.dark_signal_e_per_s),
        signal_counts=tuple(float(x) for x in signal),
        variance_dn2=tuple(float(x) for x in variance),
        snr=tuple(float(x) for x in signal / noise),
    )


@dataclass(frozen=True, slots=True)
class _Figures:
    """The plain figures of one choice of pixels."""

    gain: float
    read_noise_e: float
    threshold_e: float
    dsnu_e: float
    prnu: float
    saturation_e: float | None
    dark_signal_e_per_s: float | None
    signal: Floats
    variance: Floats
    total_variance: Floats


def _figures(levels: Sequence[LightLevel], pixels: npt.NDArray[np.int64]) -> _Figures:
    dark = np.array([level.dark_mean[pixels].mean() for level in levels])
    signal = np.array([level.lit_mean[pixels].mean() for level in levels]) - dark
    dark_variance = np.array([level.dark_variance[pixels].mean() for level in levels])
    total = np.array([level.lit_variance[pixels].mean() for level in levels])
    variance = total - dark_variance
    brightest = int(np.argmax(total))
    saturated = brightest < len(levels) - 1
    linear = signal <= (_FIT_SHARE if saturated else 1.0) * signal[brightest]
    if np.count_nonzero(linear) < _MIN_LEVELS or not (signal[linear] > 0).any():
        raise FormatError(
            "flat-field series",
            "number of levels in the linear range",
            int(np.count_nonzero(linear)),
            f"at least {_MIN_LEVELS} that rise",
            "add levels below 70 % of saturation",
        )
    # Least squares through the origin: sigma_y^2 - sigma_y.dark^2 = K (mu_y - mu_y.dark).
    gain = float((signal[linear] * variance[linear]).sum() / (signal[linear] ** 2).sum())
    if gain <= 0:
        raise FormatError("flat-field series", "gain", gain, "above 0", "light the sensor evenly")
    noise_dn2 = float(dark_variance.mean())
    half = int(np.argmin(np.abs(signal - 0.5 * signal[brightest])))
    spatial_lit = _spatial(levels[half].lit_mean, levels[half].lit_variance, levels[half], pixels)
    spatial_dark = _spatial(
        levels[half].dark_mean, levels[half].dark_variance, levels[half], pixels
    )
    exposures = np.array([level.exposure_us for level in levels])
    dark_signal = None
    if len(set(exposures.tolist())) >= 3:
        dark_signal = float(np.polyfit(exposures * 1e-6, dark, 1)[0]) / gain
    return _Figures(
        gain=gain,
        read_noise_e=dark_noise_e(noise_dn2, gain),
        threshold_e=threshold_e(noise_dn2, gain),
        dsnu_e=math.sqrt(max(0.0, spatial_dark)) / gain,
        prnu=math.sqrt(max(0.0, spatial_lit - spatial_dark)) / float(signal[half]),
        saturation_e=float(signal[brightest]) / gain if saturated else None,
        dark_signal_e_per_s=dark_signal,
        signal=signal,
        variance=variance,
        total_variance=total,
    )


def _spatial(
    mean: Floats, variance: Floats, level: LightLevel, pixels: npt.NDArray[np.int64]
) -> float:
    return corrected_spatial_variance(
        float(mean[pixels].var(ddof=1)), float(variance[pixels].mean()), level.n_frames
    )


def draw_curve(result: PhotonTransfer, path: Path) -> None:
    """Draw the photon transfer curve with its fit, and the signal-to-noise ratio, as SVG."""
    import io

    from matplotlib import rc_context
    from matplotlib.figure import Figure

    gain = result.conversion_gain_dn_per_e
    signal = np.array(result.signal_counts)
    with rc_context({"svg.hashsalt": "palmwatt"}):
        figure = Figure(figsize=(9.0, 4.0), layout="constrained")
        left, right = figure.subplots(1, 2)
        left.plot(signal, result.variance_dn2, "o", label="levels")
        left.plot(signal, gain.value * signal, label=f"K = {gain.value:.4g} DN/e")
        left.set_xlabel("mean signal above dark (counts)")
        left.set_ylabel("temporal variance above dark (counts squared)")
        left.set_title("photon transfer")
        left.legend()
        electrons = np.maximum(signal / gain.value, 1e-3)
        noise = np.sqrt(electrons + result.read_noise_e.value**2)
        right.loglog(electrons, np.maximum(result.snr, 1e-3), "o", label="levels")
        right.loglog(electrons, electrons / noise, label="shot and read noise alone")
        right.set_xlabel("signal (electrons)")
        right.set_ylabel("signal-to-noise ratio")
        right.set_title("signal-to-noise ratio")
        right.legend()
        picture = io.BytesIO()
        figure.savefig(picture, format="svg", metadata={"Date": None})
    write_whole(path, picture.getvalue())
