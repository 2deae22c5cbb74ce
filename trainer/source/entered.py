"""How a frame pair becomes values: lit minus dark, or both exposures above what is there anyway.

By ambient light a source shines in both exposures, and so does all that is not the source: the sky,
the room, lesser lights. What both hold without a source is measured while the calibration's rig
stands dark, pixel by pixel, and taken off. It is followed while no source is there (`Offset`); what
was not followed yet, of another place, a lamp that was switched on or a shortened exposure, no
source explains, and then nothing has a value.

Flicker: two exposures of half a period of the lamps' flicker each, one behind the other, are one
whole period, whose mean holds none of it. So are two of any whole number of half periods: 25 ms
each are two and a half periods of 100 Hz and three of 120 Hz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Int32, Stage
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.offset import MOST_PARTS, SLOWEST, Offset
from trainer.align.light import LEAST_QUIET
from trainer.corpus.recordings import Recording
from trainer.recipe import Recipe
from trainer.source.readouts import (
    Box,
    SourceReadouts,
    quiet_frames,
    read_sources,
)

__all__ = [
    "as_one_exposure",
    "entry_stages",
    "flicker_kept",
    "following",
    "offsets_of",
    "read_calibration",
]

_FLICKER_HZ = 100, 120
"""Of lamps at 50 and 60 Hz mains."""
_PARTS = 16
"""Of the values, whose means move in turn: on each frame few instructions more. A mean slower than
the stage's slowest has more."""


def read_calibration(
    recordings: Sequence[Recording], box: Box, recipe: Recipe, sensor: Sensor
) -> tuple[Box, list[SourceReadouts]]:
    """Read recordings to calibrate with, and by ambient light what they hold without a source.

    Returns
    -------
    box : Box
        With its offsets, by which other recordings are to be read. Those that it was learned from
        are read by what was measured, without following.
    readouts : list of SourceReadouts

    Raises
    ------
    FormatError, UsageError
        As `read_sources`, or the rig never stood dark.
    """
    readouts = [read_sources(each, box) for each in recordings]
    if not box.ambient:
        return box, readouts
    still = Offset(offsets_of(readouts), 0, 0, 1, 1)
    readouts = [
        replace(each, values=still.above(each.values.astype(np.int32)).astype(np.int16))
        for each in readouts
    ]
    brought = [each.int32(each.single(recipe)).sum(axis=1) for each in readouts]
    offset = following(still.offsets, np.concatenate(brought), recipe, sensor)
    return replace(box, offset=offset), readouts


def following(offsets: Int32, brought: Int32, recipe: Recipe, sensor: Sensor) -> Offset:
    """Return offsets that follow while less comes than half of the least that a source brought.

    Parameters
    ----------
    offsets : int32 (n_box,)
    brought : int32 (n_frames,)
        Sums of the values of frames of one source.
    recipe : Recipe
    sensor : Sensor

    Raises
    ------
    UsageError
        The recipe's ``drift_s`` is longer than the stage can follow.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    most_frames = MOST_PARTS << SLOWEST
    frames = max(1.0, recipe.source.drift_s * sensor.frame_rate_hz)
    if frames > most_frames:
        raise UsageError(
            recipe.name, "drift_s", f"{recipe.source.drift_s:g}",
            f"at most {math.floor(most_frames / sensor.frame_rate_hz)} at "
            f"{sensor.frame_rate_hz:g} frames per second", "lower drift_s in [source]",
        )  # fmt: skip
    n_parts = max(min(_PARTS, round(frames)), math.ceil(frames / (1 << SLOWEST)))
    shift = max(0, round(math.log2(frames / n_parts)))
    limit = max(0, int(brought.min()) // 2) if len(brought) else 0
    longest = max(1, round(recipe.source.still_s * sensor.frame_rate_hz))
    return Offset(offsets, limit, shift, n_parts, longest)


def offsets_of(readouts: Sequence[SourceReadouts]) -> Int32:
    """Return what sums of both exposures hold without a source, rounded down, int32 (n_box,).

    The mean of all frames without one, each recording's alike.

    Raises
    ------
    UsageError
        There are hardly any.
    """
    quiet = [each.values[quiet_frames(each)] for each in readouts]
    n_frames = sum(len(each) for each in quiet)
    if n_frames < LEAST_QUIET:
        raise UsageError(
            str(readouts[0].recording.path.parent) if readouts else "calibration",
            "frames without a source", n_frames, f"at least {LEAST_QUIET}",
            "let the rig stand dark for some seconds, in the light that will be there",
        )  # fmt: skip
    mean = np.mean([each.mean(axis=0) for each in quiet if len(each)], axis=0)
    return np.asarray(np.floor(mean), dtype=np.int32)


def entry_stages(box: Box, sensor: Sensor) -> tuple[Stage, ...]:
    """Return the stages from exposures to the box's values."""
    if box.offset is not None:
        n_rows, n_cols = sensor.n_rows, sensor.n_cols
        return Ambient(n_rows, n_cols, n_rows, n_cols, 0), box.offset
    return (
        Bins(
            sensor.n_rows, sensor.n_cols, box.n_rows, box.n_cols,
            box.first_row, box.first_row + box.n_rows, box.first_col, box.first_col + box.n_cols,
        ),
    )  # fmt: skip


def flicker_kept(sensor: Sensor) -> dict[str, float]:
    """Return which share of lamps' flicker two exposures, one behind the other, hold, by hertz.

    The mean over a length 2 T of a sine of frequency f has ``|sinc(2 f T)|`` of its amplitude.
    """
    both_s = 2.0 * sensor.exposure_us * 1e-6
    return {str(f): round(abs(float(np.sinc(f * both_s))), 4) for f in _FLICKER_HZ}


def as_one_exposure(sensor: Sensor, box: Box) -> Sensor:
    """Return a sensor one of whose exposures, above its black level, is as the box's values are.

    Half of the sum of two exposures is one of twice the light at half the conversion gain; what it
    holds without a source is its black level, and the fuller that is, the less is left.
    """
    if box.offset is None:
        return sensor
    gain = sensor.conversion_gain_dn_per_e
    fullest = math.ceil(float(box.offset.offsets.max()) / 2.0)
    well = 2.0 * (sensor.black_level_counts + gain * sensor.full_well_e - fullest) / gain
    return replace(
        sensor, conversion_gain_dn_per_e=gain / 2.0, full_well_e=max(well, 1.0),
        black_level_counts=min(fullest, sensor.max_counts),
    )  # fmt: skip
