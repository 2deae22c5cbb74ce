"""A sensor's gain as an ordinary recording shows it, to hold the stated one against.

Thinning rests on the sensor's own figures: with a gain that is wrong by a half, weak settings get a
half too much or too little shot noise. A flat-field series measures the gain (`palmwatt inspect
--flat-field`); this here only sees that the recording does not speak against it.

The light of lit and of dark exposures is taken out (`capture.thin.underlying`), and of what is left
the temporal variance of each pixel is taken from second differences, in those frames in which the
patterns of light bend least. Variance over mean level is a straight line of slope K and intercept
s^2 (EMVA 1288, Release 4.0, section 2, from memory): lit and dark exposures of all pixels lie on
it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from capture.frames import Counts, FrameBlock
from capture.measure.photon_transfer import Estimate, PhotonTransfer
from capture.measure.readiness import Caution
from capture.store.session import Session, read_session
from capture.thin.underlying import Floats, ambient_of, refuse_missing_dark
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = [
    "GAIN_LEEWAY",
    "OwnNoise",
    "gain_cautions",
    "gain_fault",
    "own_noise",
    "refuse_no_dark",
    "refuse_unthinnable",
    "refuse_wrong_gains",
]

GAIN_LEEWAY = 0.25
"""Shot noise is then an eighth off, as a quarter more or less light would make it: settings lie
further apart than that."""
_STRETCH_FRAMES = 512
"""A pixel's variance is then known to an eighth: of 256 second differences, each with a share in
four others, the standard error is sqrt(2 * 1.94 / 256)."""
_MOST_STRETCHES = 4
"""By how much they differ is known to four tenths (of three degrees of freedom); at 30 frames a
second they are a minute, in which light changes as it does in longer recordings."""
_LEAST_FRAMES = 64
"""A pixel's variance is known to a third, as of 32 second differences; a thousand pixels make up
for that, but not for less than the two seconds in which a hand comes to rest."""
_STILLEST = 0.5
"""Of a stretch's frames: noise bends pixels alike in all, light that moves in some. People rest for
about half of the time, between takes and within them."""
_ERRORS = 3.0
"""Standard errors either way: of sound recordings one in 370 is doubted, were errors normal."""
_MOST_LOST = 0.5
"""What is left is divided by what was not lost: beyond a half, patterns counted wrongly weigh more
than noise."""
_LEAST_DN2 = 1e-3
"""Counts that never change have no variance to be weighed by."""
_CLEAR_SHARE = 0.2
"""Of the gain: a standard error above it tells nothing of the gain."""


@dataclass(frozen=True, slots=True)
class OwnNoise:
    """Gain and read noise as a recording shows them.

    Parameters
    ----------
    gain_dn_per_e : float or None
        Counts per electron; None where there is too little light, or too few frames, to tell.
    gain_error : float
        Its standard error.
    dark_noise_dn : float or None
        Noise of an exposure without light, counts rms, rounding taken off; None likewise.
    """

    gain_dn_per_e: float | None
    gain_error: float
    dark_noise_dn: float | None

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return dataclasses.asdict(self)


def own_noise(blocks: Iterable[FrameBlock] | Session, sensor: Sensor) -> OwnNoise:
    """Return gain and read noise as the first minute or so of a recording shows them.

    Parameters
    ----------
    blocks : iterable of FrameBlock, or Session
        In order; what is not needed is not read.
    sensor : Sensor
        What recorded them.
    """
    source = blocks.blocks() if isinstance(blocks, Session) else iter(blocks)
    lines: list[tuple[float, float, float] | None] = []
    held: list[FrameBlock] = []
    for block in source:
        held.append(block)
        if sum(map(len, held)) >= _STRETCH_FRAMES:
            lines.append(_line(FrameBlock.concatenate(held), sensor))
            held = []
        if len(lines) == _MOST_STRETCHES:
            break
    if not lines and sum(map(len, held)) >= _LEAST_FRAMES:
        lines.append(_line(FrameBlock.concatenate(held), sensor))
    found = [line for line in lines if line is not None]
    if not found:
        return OwnNoise(None, 0.0, None)
    gains, errors, darks = np.array(found).T
    weights = errors**-2.0 / (errors**-2.0).sum()
    gain = float(weights @ gains)
    # Where stretches differ by more than each says of itself, light that moved is in them.
    spread = float(np.sqrt(weights @ (gains - gain) ** 2 / max(1, len(gains) - 1)))
    error = max(float((errors**-2.0).sum() ** -0.5), spread)
    clear = gain > 0.0 and error < _CLEAR_SHARE * sensor.conversion_gain_dn_per_e
    dark = math.sqrt(max(float(np.median(darks)) - 1.0 / 12.0, 0.0))
    return OwnNoise(gain if clear else None, error, dark)


def _line(block: FrameBlock, sensor: Sensor) -> tuple[float, float, float] | None:
    """Return slope, its standard error, and intercept of variance over mean level.

    None where light moves in so many patterns that noise cannot be told from it.
    """
    clear = (block.lit < sensor.saturation_counts).all(axis=0).ravel()
    points = [_points(counts, sensor) for counts in (block.lit, block.dark)]
    if points[0] is None or points[1] is None:
        return None
    level = np.concatenate([points[0][0][clear], points[1][0]])
    variance = np.concatenate([points[0][1][clear], points[1][1]])
    # First all points weigh alike, then twice by how far each scatters about the line before.
    usual = max(float(np.median(variance)), _LEAST_DN2)
    expected = np.full_like(variance, usual)
    for _ in range(3):
        weight = 1.0 / expected**2
        middle = float(weight @ level) / weight.sum()
        squares = max(float(weight @ (level - middle) ** 2), 1e-12)
        slope = float(weight @ ((level - middle) * variance)) / squares
        at_black = float(weight @ variance) / weight.sum() - slope * middle
        line = at_black + slope * level
        expected = np.maximum(line, 0.1 * usual)
    scatter = float(np.sqrt(np.mean(((variance - line) / expected) ** 2)))
    return slope, max(scatter, 1e-6) / math.sqrt(squares), at_black


def _points(counts: Counts, sensor: Sensor) -> tuple[Floats, Floats] | None:
    """Return mean level above black and temporal variance of each pixel; None as above."""
    above = counts.reshape(len(counts), -1).astype(np.float64) - sensor.black_level_counts
    with threadpool_limits(1):
        light = ambient_of(above, sensor)
        left = above - light.mean(slice(None))
    lost = light.patterns.shape[0] / above.shape[1]  # of each exposure's noise, to the patterns
    if lost > _MOST_LOST:
        return None
    moved = (np.diff(light.shares, 2, axis=0) ** 2).sum(axis=1)
    still = np.argsort(moved, kind="stable")[: max(8, round(_STILLEST * len(moved)))]
    bends = np.diff(left, 2, axis=0)[still] ** 2 / 6.0
    return above[still + 1].mean(axis=0), bends.mean(axis=0) / (1.0 - lost)


def gain_fault(
    sensor: Sensor, found: OwnNoise | None = None, measured: PhotonTransfer | None = None
) -> str | None:
    """Say in one line that the stated gain is not what was found; None if it may be.

    Parameters
    ----------
    sensor : Sensor
        States a gain.
    found : OwnNoise, optional
        What a recording of it shows.
    measured : PhotonTransfer, optional
        What a series of flat fields says.
    """
    stated = sensor.conversion_gain_dn_per_e
    for source, verb, gain in (
        ("flat fields", "show", None if measured is None else measured.conversion_gain_dn_per_e),
        ("the recording", "shows", None if found is None else _interval(found)),
    ):
        if gain is None:
            continue
        low, high = gain.low * (1.0 - GAIN_LEEWAY), gain.high * (1.0 + GAIN_LEEWAY)
        if not low <= stated <= high:
            return (
                f"the sensor states a gain of {stated:.4g} DN/e, {source} "
                f"{verb} {gain.value:.4g} ({gain.low:.4g} to {gain.high:.4g}): noise of weaker "
                "settings would be wrong; measure it (palmwatt inspect --flat-field) and correct "
                "the sensor"
            )
    return None


def _interval(found: OwnNoise) -> Estimate | None:
    gain, error = found.gain_dn_per_e, _ERRORS * found.gain_error
    return None if gain is None else Estimate(gain, gain - error, gain + error)


def gain_cautions(files: Iterable[Path]) -> list[Caution]:
    """Say which physical sensors' recordings speak against the gain they state: one of each.

    Raises
    ------
    UsageError, FormatError
        One of the files is not readable.
    """
    return [
        Caution("gain", round(found.gain_dn_per_e or 0.0, 6), f"{file.name}: {fault}.")
        for file, found, fault in _faults(files)
    ]


def refuse_wrong_gains(files: Iterable[Path]) -> None:
    """Refuse recordings of a physical sensor that speak against the gain it states: one of each.

    Raises
    ------
    UsageError
        A file is not readable.
    FormatError
        It is damaged, or the stated gain is not what it shows; the line holds both.
    """
    for file, _, fault in _faults(files):
        raise FormatError(str(file), fault)


def refuse_no_dark(files: Iterable[Path]) -> None:
    """Refuse recordings without dark exposures, each by its first frame pairs.

    Raises
    ------
    UsageError
        A file is not readable.
    FormatError
        It is damaged, or has none: what its LED gave nobody knows.
    """
    for file in files:
        session = read_session(file, with_labels=False)
        block = next(iter(session.blocks()), None)
        if block is not None and len(block):
            above = block.dark.astype(np.float64) - session.sensor.black_level_counts
            refuse_missing_dark(above, session.sensor, str(file))


def refuse_unthinnable(files: Sequence[Path]) -> None:
    """Refuse recordings of which no weaker setting can be foretold; errors are those of the two.

    Without dark exposures, or with a gain that their physical sensor speaks against.
    """
    refuse_no_dark(files)
    refuse_wrong_gains(files)


def _faults(files: Iterable[Path]) -> Iterator[tuple[Path, OwnNoise, str]]:
    """Yield what is wrong with the gain of each physical sensor, by the first of its files."""
    seen: set[tuple[str, Sensor]] = set()
    for file in files:
        session = read_session(file, with_labels=False)
        if (session.unit, session.sensor) in seen:
            continue
        seen.add((session.unit, session.sensor))
        found = own_noise(session, session.sensor)
        fault = gain_fault(session.sensor, found)
        if fault is not None:
            yield file, found, fault
