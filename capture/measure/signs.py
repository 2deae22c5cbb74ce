"""What each frame pair shows at a glance: light, saturation, and what tells it from all others.

A few numbers a frame pair, worked out while the readouts pass by, from which a data set is judged
as a whole: is anything in view, is the light set right, does mains flicker get through, and was
one recording given under two names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from capture.frames import Counts, FrameBlock
from capture.measure.flicker import find_flicker
from runtime.intervals import garwood_upper
from runtime.sensor import Sensor

__all__ = [
    "N_SIGNS",
    "N_SUMS",
    "SATURATED_SHARE",
    "Signs",
    "SignsOfBlocks",
    "Twins",
    "find_twins",
    "light_noise",
    "read_signs",
    "signs_of_block",
]

Floats = npt.NDArray[np.float64]

N_SUMS = 8
"""Sums of an exposure's pixels, weighted by fixed random numbers: enough to tell noise from noise
in a dozen frames, and a small part of what sorting a frame takes."""
N_SIGNS = 5 + 2 * N_SUMS
"""Mean dark, mean lit, share of saturated pixels, fingerprints of the lit and the dark exposure;
sums of the dark and of the lit one."""
SATURATED_SHARE = 0.01
"""A frame is saturated when more than 1 % of its pixels are."""
NOISE_MULTIPLE = 3.0
"""Light within three standard errors of nothing is nothing: noise passes it in 1 of 700 frames."""
_STRONG_QUANTILE = 0.95
_RUN = 4
"""Fingerprints in a row: of four pixels even, that is 32 counts with noise in each."""
MIN_SHARED_RUNS = 8
"""Eleven frames on end, or eight times four: noise does not repeat itself so."""
MIN_SHARED_FRAMES = MIN_SHARED_RUNS + _RUN - 1
"""Where a copy has no four on end, because frames were left out: as many as eight runs hold."""
BEYOND_CHANCE = 6.0
"""Standard deviations of a Poisson count that frames of their own pass, above what chance gives."""
_FINGERPRINT_BYTES = 6  # a float64 holds 53 bits
_SUMS_SEED = 20


def signs_of_block(lit: Counts, dark: Counts, saturation_counts: int) -> Floats:
    """Return the signs of frame pairs, float64 (n_frames, 21).

    Parameters
    ----------
    lit, dark : uint16 array, shape (n_frames, n_rows, n_cols)
        Counts.
    saturation_counts : int
        From which a pixel is saturated.
    """
    glance = [
        dark.mean(axis=(1, 2)),
        lit.mean(axis=(1, 2)),
        (lit >= saturation_counts).mean(axis=(1, 2)),
        _fingerprints(lit),
        _fingerprints(dark),
    ]
    sums = [each.reshape(len(each), -1) @ _weights(*each.shape[1:]) for each in (dark, lit)]
    return np.concatenate([np.stack(glance, axis=1), *sums], axis=1)


@lru_cache
def _weights(n_rows: int, n_cols: int) -> Floats:
    """Return the weights of sums, float64 (n_pixels, 8), that add up to nothing.

    They are the same for a frame that is mirrored or turned, and whole numbers, so that sums are
    the same on every machine.
    """
    drawn = np.random.default_rng(_SUMS_SEED).integers(0, 2, (N_SUMS, n_rows, n_cols)) * 2 - 1
    drawn = drawn + drawn[:, ::-1]
    drawn = drawn + drawn[:, :, ::-1]
    if n_rows == n_cols:
        drawn = drawn + drawn.transpose(0, 2, 1)
    flat = drawn.reshape(N_SUMS, -1)
    return np.asarray((flat.shape[1] * flat - flat.sum(axis=1)[:, None]).T, dtype=np.float64)


def _fingerprints(frames: Counts) -> Floats:
    """Return whole numbers below 2**48 that equal frames share; 0 of a frame without a pattern.

    They are of a frame's counts in rising order, so that a frame that was mirrored, turned or cut
    into rows and put together otherwise keeps its own.
    """
    found = np.zeros(len(frames))
    # Of 16 bits, NumPy's stable sort is one by digits, in a fraction of the time.
    ordered = np.sort(frames.reshape(len(frames), -1), axis=1, kind="stable").astype("<u2")
    for index, counts in enumerate(ordered):
        if counts[0] != counts[-1]:
            digest = hashlib.blake2b(counts.tobytes(), digest_size=_FINGERPRINT_BYTES)
            found[index] = int.from_bytes(digest.digest(), "little")
    return found


def light_noise(sensor: Sensor, lit: Floats, dark: Floats) -> Floats:
    """Return the standard error of a frame's mean light, counts, from what the sensor states.

    Read noise and rounding of both exposures, and shot noise of what they hold (EMVA 1288, Release
    4.0, section 2, from memory), over the number of pixels.
    """
    gain = sensor.conversion_gain_dn_per_e
    shot = gain * np.maximum(lit + dark - 2.0 * sensor.black_level_counts, 0.0)
    return np.asarray(np.sqrt((2.0 * _fixed_variance(sensor) + shot) / sensor.n_pixels))


def _fixed_variance(sensor: Sensor) -> float:
    """Return the variance of a pixel's counts without light: read noise and rounding."""
    return (sensor.conversion_gain_dn_per_e * sensor.read_noise_e) ** 2 + 1.0 / 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Signs:
    """The signs of one recording, read as one.

    Parameters
    ----------
    sensor : Sensor
    values : float64 array, shape (n_frames, 21)
        As :func:`signs_of_block` returns them.
    time_s : float64 array, shape (n_frames,)
        From the first frame pair.
    """

    sensor: Sensor
    values: Floats
    time_s: Floats

    @property
    def sums(self) -> Floats:
        """Sums of pixels of the dark and of the lit exposure, float64 (n_frames, 16), a copy."""
        return np.array(self.values[:, N_SIGNS - 2 * N_SUMS :])

    @property
    def sums_noise(self) -> Floats:
        """Standard deviations of the noise in :attr:`sums`, from what the sensor states."""
        held = np.maximum(self.values[:, :2] - self.sensor.black_level_counts, 0.0)
        pixel = np.sqrt(_fixed_variance(self.sensor) + self.sensor.conversion_gain_dn_per_e * held)
        weights = np.linalg.norm(_weights(self.sensor.n_rows, self.sensor.n_cols), axis=0)
        return np.asarray((pixel[:, :, None] * weights).reshape(len(held), -1))

    @property
    def light(self) -> Floats:
        """Mean lit minus dark of each frame pair, counts; of an LED that is off, above black."""
        without = self.values[:, 0] if self.lit else self.sensor.black_level_counts
        return np.asarray(self.values[:, 1] - without)

    @property
    def lit(self) -> bool:
        """Whether the LED was on; else both exposures are of the light that is there anyway."""
        return self.sensor.led_current_ma > 0.0

    @property
    def strong_light(self) -> float:
        """The light that 5 % of the frame pairs pass, counts."""
        return float(np.quantile(self.light, _STRONG_QUANTILE)) if len(self.values) else 0.0

    @property
    def empty(self) -> npt.NDArray[np.bool_]:
        """Frame pairs in which no light came back that noise would not give as well.

        Not a share of the strongest light: a hand three times as far away gives a hundredth of it.
        Where the cover lets the LED's light leak to the pixels, no frame is empty.
        """
        noise = light_noise(self.sensor, self.values[:, 1], self.values[:, 0])
        return np.asarray(self.light < NOISE_MULTIPLE * noise)

    @property
    def saturated(self) -> npt.NDArray[np.bool_]:
        """Frame pairs of which more than 1 % of the lit pixels are saturated."""
        return np.asarray(self.values[:, 2] > SATURATED_SHARE)

    def flicker_left(self) -> tuple[float | None, float]:
        """Return which mains flicker the difference still shows, Hz or None, and how much.

        Nothing is asked of recordings without the LED, whose difference is not what is read.
        Its amplitude is given as a share of the recording's strong light.
        """
        if not len(self.values) or not self.lit:
            return None, 0.0
        time_us = np.rint(1e6 * self.time_s).astype(np.int64)
        found = find_flicker(self.light, time_us, self.sensor.frame_rate_hz)
        share = found.amplitude_counts / max(self.strong_light, 1e-9)
        return found.frequency_hz, share if found.frequency_hz is not None else 0.0


class SignsOfBlocks:
    """Takes a recording's readouts block by block, and keeps a few numbers of each frame pair.

    Parameters
    ----------
    sensor : Sensor
    """

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor
        self._parts, self._times = [np.zeros((0, N_SIGNS))], [np.zeros(0, np.int64)]

    def add(self, block: FrameBlock) -> None:
        """Take the next block."""
        self._parts.append(signs_of_block(block.lit, block.dark, self._sensor.saturation_counts))
        self._times.append(block.time_us)

    def result(self) -> Signs:
        """Return the signs of all blocks so far."""
        time_us = np.concatenate(self._times)
        seconds = (time_us - time_us[:1].sum()) / 1e6
        return Signs(self._sensor, np.concatenate(self._parts), seconds)


def read_signs(blocks: Iterable[FrameBlock], sensor: Sensor) -> Signs:
    """Return the signs of a stream of readouts, in bounded memory."""
    signs = SignsOfBlocks(sensor)
    for block in blocks:
        signs.add(block)
    return signs.result()


@dataclass(frozen=True, slots=True)
class Twins:
    """Two recordings of different people that hold the same frames.

    Parameters
    ----------
    first, second : int
        Their places among the recordings looked at.
    share : float
        Share of the shorter one's frames that the other holds too.
    """

    first: int
    second: int
    share: float


def find_twins(people: Sequence[str], signs: Sequence[Signs]) -> list[Twins]:
    """Find recordings under two names that are copies of each other, whole or in part.

    Exposures are compared as they were read, lit and dark by themselves: noise makes each its own,
    so that only a copy repeats four of them on end, forwards or backwards. It is found whatever was
    cut off or out, however its pixels were turned about, and where one of the two kinds of exposure
    was changed. Runs that one recording holds twice tell nothing (a stuck sensor, frames without
    noise) and are passed over. A copy with frames left out all over has no four on end: single
    frames are compared as well, and both are held against how many chance would give.

    Parameters
    ----------
    people : sequence of str
        Whose each recording is.
    signs : sequence of Signs

    Returns
    -------
    list of Twins
        The largest share first.
    """
    shares: dict[tuple[int, int], float] = {}
    for column in (3, 4):
        marks = [each.values[:, column].astype(np.int64) for each in signs]
        for parts, least, rate in (
            ([_runs_of(each) for each in marks], MIN_SHARED_RUNS, _rate_met),
            ([_frames_of(each) for each in marks], MIN_SHARED_FRAMES, garwood_upper),
        ):
            for pair, n_shared in _shared(people, parts).items():
                first, second = (parts[i] for i in pair)
                if n_shared >= least and _beyond_chance(n_shared, first, second, rate):
                    share = n_shared / min(first.n, second.n)
                    shares[pair] = max(share, shares.get(pair, 0.0))
    found = [Twins(*pair, min(1.0, share)) for pair, share in shares.items()]
    return sorted(found, key=lambda twins: (-twins.share, twins.first, twins.second))


Marks = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Runs of a recording, or its frames.

    Parameters
    ----------
    own : list of bytes
        Those that it holds once.
    n, n_same : int
        All of them, and pairs of them that are the same.
    """

    own: list[bytes]
    n: int
    n_same: int


def _parts_of(rows: Marks) -> _Parts:
    kinds, counts = np.unique(rows, axis=0, return_counts=True)
    own = [kind.tobytes() for kind in kinds[counts == 1]]
    return _Parts(own, len(rows), int((counts * (counts - 1) // 2).sum()))


def _frames_of(marks: Marks) -> _Parts:
    """Return the frames that have a pattern."""
    return _parts_of(marks[marks != 0])


def _runs_of(marks: Marks) -> _Parts:
    """Return the runs of four frames with a pattern, either way round."""
    if len(marks) < _RUN:
        return _Parts([], 0, 0)
    windows = np.lib.stride_tricks.sliding_window_view(marks, _RUN)
    telling = windows[(windows != 0).all(axis=1) & (np.ptp(windows, axis=1) != 0)]
    backwards = telling[:, ::-1]
    # The first place that differs from its mirror image tells the ways apart.
    turned = np.sign(telling - backwards)[:, : _RUN // 2] @ (2, 1) < 0
    return _parts_of(np.where(turned[:, None], backwards, telling))


def _rate_met(n_events: int, n_trials: float) -> float:
    return n_events / n_trials


def _beyond_chance(
    n_shared: int, first: _Parts, second: _Parts, rate: Callable[[int, float], float]
) -> bool:
    """Tell whether two recordings have more in common than two people's would.

    What one recording holds is at least as much alike as what two hold: how often two parts of it
    are the same is how often one of each would be. A few counts of noise in a few pixels give
    frames, and runs of them even, that come again and again.
    """
    n_pairs = sum(each.n * (each.n - 1) / 2.0 for each in (first, second))
    expected = rate(first.n_same + second.n_same, n_pairs) * first.n * second.n
    return n_shared > expected + BEYOND_CHANCE * float(np.sqrt(expected))


def _shared(people: Sequence[str], parts: Sequence[_Parts]) -> dict[tuple[int, int], int]:
    """Return how much each two recordings of different people have in common."""
    holders: dict[bytes, list[int]] = {}
    for index, each in enumerate(parts):
        for mark in each.own:
            holders.setdefault(mark, []).append(index)
    shared: dict[tuple[int, int], int] = {}
    for who in holders.values():
        for place, first in enumerate(who):
            for second in who[place + 1 :]:
                if people[first] != people[second]:
                    shared[first, second] = shared.get((first, second), 0) + 1
    return shared
