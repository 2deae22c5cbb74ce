"""Noise that two recordings share: only copies do, whatever was added to one of them.

Each exposure's noise is its own. What the mean of a frame does from one frame to the next holds it,
and a copy holds it still when noise was added, the gain or the black level changed, rows or columns
turned about, frames cut off or left out, or time turned round.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from capture.measure.rhythm import Alike
from capture.measure.signs import Signs

__all__ = ["LEAST_FRAMES", "find_shared_noise"]

LEAST_FRAMES = 256
"""Of the shorter recording. Fewer agree by chance: of 400 people with 58 frames each, some in whom
mains flicker had a period of three frames by 0.9."""
MOST_STEP = 3.0
"""Standard deviations, by the median of all steps, at which a step is cut off: else lamps that are
switched, or hands that come, would be all that is compared."""
LINE = 4.0
"""Times the median of its magnitude at which a frequency is left out: flicker is everybody's."""
MOST_GAP = 4
"""Frames over which a step still holds the noise of both its ends: a copy may lack every second."""
AROUND = 2
"""Frames beside the best delay that are as good as itself."""
LEAST_RATIO = 4.0
"""Of the best delay's agreement to the next best's. Chance leaves 1 to 2, and two people under one
lamp had 3.0 at most (130 people of four worlds, with 256 frames and more); a copy with twice the
noise of its original 7 to 11, without any 100."""
_CHUNK_PAIRS = 16


def find_shared_noise(people: Sequence[str], signs: Sequence[Signs]) -> list[Alike]:
    """Find recordings of different people that share their noise, the surest first.

    The steps of the mean dark and of the mean lit exposure are correlated at every delay, all
    frequencies alike (the phase correlation of C. Kuglin and D. Hines, Proc. IEEE Int. Conf.
    Cybernetics and Society, 1975; from memory). A copy agrees at one delay and at no other.

    Parameters
    ----------
    people : sequence of str
        Whose each recording is.
    signs : sequence of Signs

    Returns
    -------
    list of Alike
        Whose share is the agreement at the best delay, 0 to 1.
    """
    long = [i for i, each in enumerate(signs) if len(each.values) >= LEAST_FRAMES]
    found: dict[tuple[int, int], float] = {}
    for column in (0, 1):
        steps = [_steps(signs[i], column) for i in long]
        n_fft = 1 << (2 * max(map(len, steps), default=1) - 1).bit_length()
        spectra = np.array([_phases(each, n_fft) for each in steps])
        for a, b, agreement in _agreements(spectra, n_fft):
            pair = long[a], long[b]
            if people[pair[0]] != people[pair[1]]:
                found[pair] = max(agreement, found.get(pair, 0.0))
    alike = [Alike(first, second, share) for (first, second), share in found.items()]
    return sorted(alike, key=lambda each: (-each.share, each.first, each.second))


def _steps(signs: Signs, column: int) -> npt.NDArray[np.float32]:
    """Return how a mean exposure changes from frame to frame, on its clock; 0 over longer gaps."""
    places = np.rint((signs.time_s - signs.time_s[0]) * signs.sensor.frame_rate_hz).astype(np.int64)
    steps, gaps = np.diff(signs.values[:, column]), np.diff(places)
    whole = (gaps > 0) & (gaps <= MOST_GAP)
    laid = np.zeros(min(int(places[-1]) + 1, 4 * len(places)), dtype=np.float32)
    if not whole.any():
        return laid
    middle = np.median(steps[whole])
    spread = 1.4826 * float(np.median(np.abs(steps[whole] - middle)))  # of a normal distribution
    if spread > 0.0:
        cut = np.clip((steps - middle) / spread, -MOST_STEP, MOST_STEP)
        kept = whole & (places[1:] < len(laid))
        laid[places[1:][kept]] = cut[kept]
    return laid


def _phases(steps: npt.NDArray[np.float32], n_fft: int) -> npt.NDArray[np.complex64]:
    """Return the spectrum with all magnitudes one, and none where lines stand out."""
    from scipy.fft import rfft

    spectrum = rfft(steps, n_fft)
    size = np.abs(spectrum)
    kept = (size > 0.0) & (size <= LINE * np.median(size))
    return np.where(kept, spectrum / np.maximum(size, np.finfo(np.float32).tiny), 0.0).astype(
        np.complex64
    )


def _agreements(spectra: npt.NDArray[np.complex64], n_fft: int) -> Iterator[tuple[int, int, float]]:
    """Yield pairs that agree at one delay alone, forwards or backwards, and by how much.

    Steps back in time are the same ones with the other sign.
    """
    from scipy.fft import irfft

    there = np.abs(spectra) > 0.0
    for a, b in product(range(len(spectra) - 1), range(0, len(spectra), _CHUNK_PAIRS)):
        others = slice(max(a + 1, b), b + _CHUNK_PAIRS)
        if others.start >= min(others.stop, len(spectra)):
            continue
        share = (there[a] & there[others]).mean(axis=1)
        ways = (
            irfft(np.conj(spectra[a]) * spectra[others], n_fft, axis=1),
            -irfft(spectra[a] * spectra[others], n_fft, axis=1),
        )
        for k in range(len(share)):
            height = max(_stands_out(way[k], n_fft) for way in ways)
            if height > 0.0 and share[k] > 0.0:
                yield a, others.start + k, min(1.0, height / float(share[k]))


def _stands_out(agreement: npt.NDArray[np.float32], n_fft: int) -> float:
    """Return the agreement at the best delay, or 0 where others come near it."""
    best = int(np.argmax(agreement))
    height = float(agreement[best])
    agreement[(best + np.arange(-AROUND, AROUND + 1)) % n_fft] = 0.0
    return height if height > LEAST_RATIO * float(np.abs(agreement).max()) else 0.0
