"""Readouts of sources whose places are known: recordings beside their truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.store.session import read_session
from capture.store.source_truth import session_truth, truth_path
from capture.thin.setting import Setting
from runtime.errors import FormatError, UsageError
from runtime.sensor import Aperture, Sensor
from runtime.stages.contract.stage import Float64, Int32
from runtime.stages.passive.offset import Offset
from trainer.align.light import LEAST_QUIET
from trainer.corpus.recordings import Recording, readouts_at
from trainer.recipe import Recipe

__all__ = [
    "Box",
    "SourceReadouts",
    "WithoutSource",
    "apertures_of",
    "quiet_frames",
    "read_sources",
    "slopes_at",
    "without_source",
]

_FAR_MM = 1e9
_MOST_QUIET = 600
"""Frames without a source that are kept, of all recordings alike: a variance of them is known
within 6 % (the root of two over their number)."""
_LONGEST = 0.75
"""The upper quartile of variances: half of the frames may be of exposures that were short for a
while after a bright source, and what is told is still that of long ones."""


@dataclass(frozen=True, slots=True)
class Box:
    """The rectangle of the array that holds the apertures which are read, and where each lies.

    Parameters
    ----------
    first_row, n_rows, first_col, n_cols : int
        In the array.
    apertures : tuple of Aperture
        All of one size.
    ambient : bool
        Both exposures are of light that shines anyway, and added up; the box is the whole array.
    offset : Offset, optional
        What their sum holds without a source, and how that is followed; none before it is known.
    """

    first_row: int
    n_rows: int
    first_col: int
    n_cols: int
    apertures: tuple[Aperture, ...]
    ambient: bool = False
    offset: Offset | None = None

    @property
    def firsts(self) -> tuple[int, ...]:
        """First value of each aperture in the box, row by row."""
        return tuple(
            (a.first_row - self.first_row) * self.n_cols + a.first_col - self.first_col
            for a in self.apertures
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of one aperture."""
        return self.apertures[0].n_rows, self.apertures[0].n_cols

    @property
    def places_mm(self) -> Float64:
        """Places of the apertures, (n_apertures, 2)."""
        return np.array([(a.x_mm, a.y_mm) for a in self.apertures])

    def of_aperture(self, values: NDArray[np.integer], index: int) -> NDArray[np.integer]:
        """Return an aperture's part of values (n, n_box), (n, n_pixels)."""
        one = self.apertures[index]
        rows = slice(one.first_row - self.first_row, one.first_row - self.first_row + one.n_rows)
        cols = slice(one.first_col - self.first_col, one.first_col - self.first_col + one.n_cols)
        square = values.reshape(-1, self.n_rows, self.n_cols)[:, rows, cols]
        return square.reshape(len(values), -1)


def apertures_of(sensor: Sensor, recipe: Recipe) -> Box:
    """Return the apertures that a recipe reads.

    Raises
    ------
    UsageError
        The sensor has too few, or they differ in size.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    n = recipe.source.n_apertures
    chosen = tuple(sensor.apertures)[:n]
    if len(chosen) < n:
        raise UsageError(
            recipe.name, "apertures of the sensor", len(chosen), f"{n} for a range",
            "take a sensor with two apertures, or the recipe point",
        )  # fmt: skip
    if len({(a.n_rows, a.n_cols) for a in chosen}) > 1:
        raise UsageError(recipe.name, "sizes of the apertures", "different", "one size")
    first_row, first_col = min(a.first_row for a in chosen), min(a.first_col for a in chosen)
    if recipe.entry.light == "ambient":
        if sensor.led_current_ma > 0.0:
            raise UsageError(
                recipe.name, "led_current_ma of the recordings", f"{sensor.led_current_ma:g}", "0",
                'record a sensor without an LED, or take entry.light "difference"',
            )  # fmt: skip
        return Box(0, sensor.n_rows, 0, sensor.n_cols, chosen, ambient=True)
    last_row = max(a.first_row + a.n_rows for a in chosen)
    last_col = max(a.first_col + a.n_cols for a in chosen)
    return Box(first_row, last_row - first_row, first_col, last_col - first_col, chosen)


@dataclass(frozen=True, eq=False)
class SourceReadouts:
    """One recording's frames with what was in front of the sensor.

    Parameters
    ----------
    recording : Recording
    values : int16 (n_frames, n_box)
        Lit minus dark; by ambient light half of how far their sum is above its offsets, or,
        where it has none, the sum.
    cue : tuple of str, length n_frames
        The cue that each frame lies in; empty between cues.
    n_sources : int64 (n_frames,)
        Sources that were on.
    tangents : float64 (n_frames, 2)
        ``x / z`` and ``y / z`` of the one source; NaN where there was none or several.
    distance_mm : float64 (n_frames,)
        Along the line of sight; NaN where it is not known.
    saturated : bool (n_frames,)
        Pixels are full when lit that were not when dark, or by ambient light in either exposure:
        their readout is not known.
    both : float64 (n_frames, 2, 3)
        Tangents and distance of the two sources of a frame; NaN where there are not two.
    """

    recording: Recording
    values: NDArray[np.int16]
    cue: tuple[str, ...]
    n_sources: NDArray[np.int64]
    tangents: Float64
    distance_mm: Float64
    saturated: NDArray[np.bool_]
    both: Float64

    def single(self, recipe: Recipe) -> NDArray[np.intp]:
        """Return the frames of one source in the recipe's cues, within its field, unsaturated."""
        assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
        wanted = np.array([each in recipe.classes for each in self.cue])
        widest = np.tan(np.radians(recipe.source.half_field_deg))
        with np.errstate(invalid="ignore"):
            inside = np.hypot(self.tangents[:, 0], self.tangents[:, 1]) <= widest
        return np.flatnonzero(wanted & (self.n_sources == 1) & inside & ~self.saturated)

    def int32(self, frames: NDArray[np.intp]) -> Int32:
        """Return values of some frames as stages take them."""
        return self.values[frames].astype(np.int32)


def read_sources(recording: Recording, box: Box) -> SourceReadouts:
    """Read a recording beside its truth.

    Raises
    ------
    FormatError
        The truth is faulty, or does not reach over the recording.
    UsageError
        There is none.
    """
    truth = session_truth(recording.path)
    if truth is None:
        raise UsageError(
            str(truth_path(recording.path)), "truth of the sources", "missing", "a table",
            "record with --truth, or give the rig's table when bringing readouts in",
        )  # fmt: skip
    rows = slice(box.first_row, box.first_row + box.n_rows)
    cols = slice(box.first_col, box.first_col + box.n_cols)
    times, sequences = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    values = [np.zeros((0, box.n_rows * box.n_cols), np.int16)]
    for block in recording.readouts():
        # Two exposures hold of a light that moves where it is in their middle.
        middle = np.maximum(block.dark_time_us, block.time_us) if box.ambient else block.time_us
        times.append(middle)
        sequences.append(block.sequence)
        lit, dark = (e[:, rows, cols].astype(np.int32) for e in (block.lit, block.dark))
        left = lit + dark if box.ambient else lit - dark
        if np.abs(left).max(initial=0) > np.iinfo(np.int16).max:
            what = "sum of both exposures" if box.ambient else "lit minus dark"
            raise FormatError(str(recording.path), what, "over 15 bits", "at most 15")
        values.append(left.astype(np.int16).reshape(len(left), -1))
    time_us = np.concatenate(times)
    if not time_us.size:
        raise FormatError(str(recording.path), "number of frames", 0, "at least 1")
    truth.require_cover(int(time_us[0]), int(time_us[-1]), str(truth_path(recording.path)))
    at = truth.at(time_us)
    on = at[:, :, 3] > 0.0
    n_sources = on.sum(axis=0)
    first = on.argmax(axis=0)
    last = len(on) - 1 - on[::-1].argmax(axis=0)
    both = at[np.stack([first, last], axis=1), np.arange(len(time_us))[:, None], :3]
    both[n_sources != 2] = np.nan
    both[:, :, :2] = np.tan(both[:, :, :2])
    one = at[first, np.arange(len(time_us))]
    one[n_sources != 1] = np.nan
    found = np.concatenate(values)
    return SourceReadouts(
        recording, found if box.offset is None else _above(found, box.offset),
        _cues(recording, time_us), n_sources,
        np.tan(one[:, :2]), one[:, 2], _saturated(recording, box, np.concatenate(sequences)),
        both,
    )  # fmt: skip


def _above(sums: NDArray[np.int16], offset: Offset) -> NDArray[np.int16]:
    """Return half of how far sums are above offsets that follow them, as on the device."""
    return offset.run(sums.astype(np.int32), offset.initial_state())[0].astype(np.int16)


def _saturated(recording: Recording, box: Box, sequence: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return in which frames pixels are full when lit that were not when dark.

    At a weaker setting it is asked of the readouts as they were recorded: a full pixel stays wrong
    however little of it is left, and no longer looks full.
    """
    sensor, recorded = readouts_at(recording.path, None)
    setting = recording.setting or Setting()
    first = box.first_row + (setting.rows[0] if setting.rows else 0)
    rows = slice(first, first + box.n_rows)
    cols = slice(box.first_col, box.first_col + box.n_cols)
    full_counts = sensor.saturation_counts
    found: dict[int, bool] = {}
    for block in recorded:
        lit, dark = block.lit[:, rows, cols], block.dark[:, rows, cols]
        full = lit >= full_counts
        full = full | (dark >= full_counts) if box.ambient else full & (dark < full_counts)
        filled = np.asarray(full.any(axis=(1, 2)))
        found.update(zip(block.sequence.tolist(), filled.tolist(), strict=True))
    divisor = setting.frame_rate_divisor
    return np.array([found[int(each) * divisor] for each in sequence], dtype=bool)


@dataclass(frozen=True, eq=False)
class WithoutSource:
    """What the apertures read while no source was on.

    Parameters
    ----------
    floor : float
        Variance of lit minus dark of a pixel, electrons squared.
    values : int16 (n_frames, n_box)
        Of some such frames; none where the rig never stood dark.
    """

    floor: float
    values: NDArray[np.int16]


def quiet_frames(readouts: SourceReadouts) -> NDArray[np.intp]:
    """Return the frames without a source whose neighbours, one before and two behind, have none.

    A source that goes on or off within a frame pair is in one of its exposures.
    """
    off = readouts.n_sources == 0
    return np.flatnonzero(off[:-3] & off[1:-2] & off[2:-1] & off[3:]) + 1


def without_source(readouts: Sequence[SourceReadouts], sensor: Sensor) -> WithoutSource:
    """Return what is read without a source: by what the sensor states, and by what frames show.

    Stated are read noise of both exposures, their dark signal, and rounding to counts (1/12 of a
    count squared: B. Widrow, from memory). All light that shines in both exposures leaves its noise
    as well, so that the floor is what frames without a source show where that is more: half the
    variance of the difference of successive ones, of which nothing that stands still is left.
    Exposures that set themselves are short for a while after a bright source, and dim sources are
    measured with long ones: the upper quartile counts.
    """
    dark = sensor.dark_signal_e_per_s * sensor.exposure_us * 1e-6
    gain = sensor.conversion_gain_dn_per_e
    stated = 2.0 * (sensor.read_noise_e**2 + dark + 1.0 / 12.0 / gain**2)
    variances, values = [], []
    for each in readouts:
        first = quiet_frames(each)
        steps = each.int32(first + 1) - each.int32(first)
        variances.append(steps.var(axis=1) / 2.0)
        values.append(each.values[first])
    found, frames = np.concatenate(variances), np.concatenate(values)
    if len(found) < LEAST_QUIET:
        return WithoutSource(stated, frames)
    seen = float(np.quantile(found, _LONGEST)) / gain**2
    some = np.linspace(0, len(frames) - 1, min(len(frames), _MOST_QUIET)).astype(int)
    return WithoutSource(max(stated, seen), frames[some])


def _cues(recording: Recording, time_us: NDArray[np.int64]) -> tuple[str, ...]:
    found = np.full(len(time_us), "", dtype=object)
    seconds = (time_us - time_us[0]) / 1e6
    for event in read_session(recording.path).events:
        begin = event.onset_s if event.cue_onset_s is None else event.cue_onset_s
        length = event.duration_s if event.cue_duration_s is None else event.cue_duration_s
        found[(seconds >= begin) & (seconds < begin + length)] = event.trial_type
    return tuple(found.tolist())


def slopes_at(tangents: Float64, distance_mm: Float64, place_mm: Float64) -> Float64:
    """Return the slopes (n, 2) at which an aperture sees sources; far away where none is known."""
    depth = distance_mm / np.sqrt(1.0 + (tangents**2).sum(axis=1))
    depth = np.where(np.isnan(depth), _FAR_MM, depth)
    return np.asarray(tangents - place_mm / depth[:, None])
