"""The optic as a calibration teaches it: one pattern that moves, or each pixel by itself."""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from runtime.errors import UsageError
from trainer.align.pattern import Pattern, changing, fit_pattern, settled
from trainer.align.templates import MIN_READOUTS, Templates, fit_templates

__all__ = [
    "MOST_UNLEARNED", "beyond_noise", "first_motion", "learn_optic", "misled", "unexplained_share",
]  # fmt: skip

Floats = npt.NDArray[np.float64]

_NEIGHBOURS = 6
_GOOD = 0.5
"""A pattern that leaves half of what each readout varies by has not found how the optic moves."""
_ORDERS = (2, 3)
"""Powers of the slopes up to which a pattern may change while it moves: what changes alike on both
sides of the axis shows from the second on."""
MOST_UNLEARNED = 0.3
"""Of a frame's noise, variance of directions: with what cells cost (a sixth) errors are 1.3 times
the bound. A pattern that is known better is not asked how it changes, which takes five times as
long."""
_GAINED = 0.9
"""What a further power must leave at most of the pattern's error, else it fits noise."""


def first_motion(slopes: Floats, electrons: Floats, shape: tuple[int, int]) -> Floats:
    """Return how many pixels (across, down) a pattern moves by slope (x, y): (2, 2).

    The shift between neighbouring readouts is where their cross-correlation is largest (C. D.
    Kuglin and D. C. Hines, IEEE Conf. on Cybernetics and Society, 1975, from memory; here without
    whitening, which noise would fill), and is regressed on the difference of slopes; pairs that
    disagree by more than two pixels are left out and the rest regressed again.
    """
    images = electrons.reshape(-1, *shape)
    images = images / np.maximum(electrons.sum(axis=1), 1e-9)[:, None, None]
    images = images - images.mean(axis=(1, 2), keepdims=True)
    room = (2 * shape[0], 2 * shape[1])
    spectra = np.fft.rfft2(images, room)
    _, near = cKDTree(slopes).query(slopes, k=min(_NEIGHBOURS + 1, len(slopes)))
    first = np.repeat(np.arange(len(slopes)), near.shape[1] - 1)
    second = near[:, 1:].ravel()
    moves, steps = [], []
    for i, j in zip(first.tolist(), second.tolist(), strict=True):
        surface = np.fft.irfft2(np.conj(spectra[i]) * spectra[j], room)
        row, col = np.unravel_index(int(surface.argmax()), room)
        place = [col - room[1] * (col > room[1] // 2), row - room[0] * (row > room[0] // 2)]
        moves.append(place)
        steps.append(slopes[j] - slopes[i])
    x, y = np.array(steps), np.array(moves, dtype=np.float64)
    kept = np.ones(len(x), dtype=bool)
    found = np.zeros((2, 2))
    for _ in range(6):
        found = np.linalg.lstsq(x[kept], y[kept], rcond=None)[0]
        away = np.abs(y - x @ found).max(axis=1)
        kept = away <= max(2.0, float(np.median(away)))
    return np.asarray(found.T)


def learn_optic(
    slopes: Floats, electrons: Floats, shape: tuple[int, int], read_e: float, frames: float = 1.0
) -> Pattern | Templates:
    """Learn one aperture's templates: by a moving pattern where that explains unseen readouts.

    Each pixel is learned by itself where a pattern leaves half unexplained, or leads directions
    further astray.

    Parameters
    ----------
    slopes : float64 (n_readouts, 2)
        Of the one source there was, seen from this aperture.
    electrons : float64 (n_readouts, n_pixels)
        What it left on each pixel.
    shape : tuple of int
        Rows and columns of the aperture.
    read_e : float
        Noise of a pixel without light, electrons.
    frames : float
        That each readout is the average of.

    Raises
    ------
    UsageError
        There are too few readouts, or what they show does not follow the directions.
    """
    if len(slopes) < MIN_READOUTS:
        raise UsageError(
            "calibration", "directions of one source", len(slopes), f"at least {MIN_READOUTS}",
            "let the rig stop at more of them",
        )  # fmt: skip
    if not (electrons.sum(axis=1) > 0).all():
        raise UsageError(
            "calibration", "light in a readout", "none", "of one source in every one",
            "calibrate with one source that is always lit",
        )  # fmt: skip
    if not (np.ptp(slopes, axis=0) > 0.02).all():
        raise UsageError(
            "calibration", "directions", "all on one line", "spread over the field both ways",
            "let the rig scan rows and columns",
        )  # fmt: skip
    judged = np.arange(len(slopes)) % 5 == 4
    motion = first_motion(slopes, electrons, shape)
    trial = fit_pattern(slopes[~judged], electrons[~judged], shape, motion, read_e)
    left = unexplained_share(trial, slopes[judged], electrons[judged])
    if left < _GOOD:
        trial = _changed(trial, slopes, electrons, read_e, frames)
        left = unexplained_share(trial, slopes[judged], electrons[judged])
        if trial.misled <= _misled_pixels(trial, slopes, electrons, read_e, frames):
            whole = replace(trial, low=slopes.min(axis=0), high=slopes.max(axis=0), seen=slopes)
            return replace(settled(whole, slopes, electrons, read_e), unexplained=left)
    pixels = fit_templates(slopes, electrons)
    if pixels.unexplained >= _GOOD:
        raise UsageError(
            "calibration", "share of readouts that directions do not explain",
            f"{min(left, pixels.unexplained):.2f}", f"below {_GOOD}",
            "check the truth's clock and axes, or calibrate more directions",
        )  # fmt: skip
    return pixels


def _misled_pixels(
    trial: Pattern, slopes: Floats, electrons: Floats, read_e: float, frames: float
) -> float:
    """Return how far pixels learned one by one lead the same directions astray as a pattern does.

    They are asked only of a pattern that is not known well; infinity, so that any other is kept.
    """
    if trial.misled <= MOST_UNLEARNED:
        return math.inf
    judged = np.arange(len(slopes)) % 5 == 4
    if int((~judged).sum()) < MIN_READOUTS:
        return sys.float_info.max
    pixels = fit_templates(slopes[~judged], electrons[~judged])
    found = misled(pixels, slopes[judged], electrons[judged], read_e, frames)
    return min(found, sys.float_info.max)  # a pattern that is led beyond all is never kept


def _changed(
    trial: Pattern, slopes: Floats, electrons: Floats, read_e: float, frames: float
) -> Pattern:
    """Settle a pattern, and let it change with the slopes while unseen directions gain by it."""
    judged = np.arange(len(slopes)) % 5 == 4

    def fitted(pattern: Pattern) -> Pattern:
        found = settled(pattern, slopes[~judged], electrons[~judged], read_e)
        error = misled(found, slopes[judged], electrons[judged], read_e, frames)
        return replace(found, misled=error)

    trial = fitted(replace(trial, low=slopes.min(axis=0), high=slopes.max(axis=0)))
    for order in _ORDERS:
        if trial.misled <= MOST_UNLEARNED:
            break
        found = fitted(changing(trial, order))
        if found.misled > _GAINED * trial.misled:
            break
        trial = found
    return trial


def misled(
    optic: Pattern | Templates, slopes: Floats, electrons: Floats, read_e: float, frames: float
) -> float:
    """Return how far an optic leads directions astray, over a frame's noise, both as variances.

    One step of weighted least squares from the truth says where the optic sees each readout; its
    square over the least variance of a frame (see `trainer.align.bound`), on average over both
    slopes, is this and what the readouts' own noise adds, 1 / `frames`. The median over readouts
    counts, over that of noise alone (ln 2): the few at the edge of the field that lie beyond what
    the others show would decide a mean. What an optic is off by may lie along its derivatives more
    than noise does: the energy of it tells less.

    Parameters
    ----------
    slopes : float64 (n_readouts, 2)
    electrons : float64 (n_readouts, n_pixels)
    read_e : float
        Noise of a pixel of a readout without light, electrons.
    frames : float
        That each readout is the average of.
    """
    light, bright = optic.at(slopes), electrons.sum(axis=1)[:, None]
    along = [bright * optic.at(slopes, axis) for axis in (0, 1)]
    flat = np.broadcast_to(bright / light.shape[1], light.shape)
    columns = np.stack([*along, bright * light, flat], axis=1)
    weight = 1.0 / (bright * np.maximum(light, 0.0) / frames + read_e**2)
    normal = np.einsum("fap,fp,fbp->fab", columns, weight, columns, optimize=True)
    pulls = np.einsum("fap,fp->fa", columns, weight * (electrons - bright * light), optimize=True)
    spread = np.linalg.pinv(normal, hermitian=True)
    steps = np.einsum("fab,fb->fa", spread, pulls)[:, :2]
    least = np.maximum(spread[:, (0, 1), (0, 1)], 1e-30)
    middle = float(np.median((steps**2 / least).mean(axis=1))) / math.log(2.0)
    return max(0.0, (middle - 1.0) / frames) if math.isfinite(middle) else math.inf


def beyond_noise(share: float, electrons: Floats, noise: Floats, frames: float) -> float:
    """Return what a learned optic is off by, over the noise of one frame, both as variances.

    Parameters
    ----------
    share : float
        Which the optic leaves unexplained of readouts, see `unexplained_share`.
    electrons : float64 (n_readouts, n_pixels)
    noise : float64 (n_readouts,)
        Of one frame of each, the sum of all pixels' variances, electrons squared.
    frames : float
        That each readout is the average of: their noise is no error of the optic.
    """
    varied = ((electrons - electrons.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    return max(0.0, share**2 * float(np.median(varied / np.maximum(noise, 1e-30))) - 1.0 / frames)


def unexplained_share(
    optic: Pattern | Templates, slopes: Floats, electrons: Floats, noise: Floats | float = 0.0
) -> float:
    """Return what readouts differ from an optic by, over their own variation, root mean square.

    Brightness and a background alike in all pixels are fitted to each readout; `noise`, the sum of
    all pixels' variances in electrons squared, (n_readouts,), is taken off both.
    """
    light = optic.at(slopes)
    light = light - light.mean(axis=1, keepdims=True)
    seen = electrons - electrons.mean(axis=1, keepdims=True)
    amplitude = (light * seen).sum(axis=1) / np.maximum((light**2).sum(axis=1), 1e-30)
    left = ((seen - amplitude[:, None] * light) ** 2).sum(axis=1)
    varied = np.maximum((seen**2).sum(axis=1) - noise, 1e-30)
    return float(np.sqrt(np.median(np.maximum(left - noise, 0.0) / varied)))
