"""Settings for a place of light: foreseen by the bound, then calibrated and held out.

Light of a source is not the LED's: a shorter exposure takes less of it, in both exposures alike.
Where a rig was recorded several times, sessions are held out whole; of one session alone,
stretches of its stops are, so that what differs between sessions is in no figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ArgumentError, OverflowRisk, UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.align.bound import PixelNoise
from trainer.choice.tried.pricing import OfOneShape
from trainer.choice.tried.settings import Tried
from trainer.choice.unlit.measures import Judged
from trainer.corpus.recordings import Recording
from trainer.fit.held_out import HeldOut
from trainer.recipe import Recipe
from trainer.source.calibrated import Calibrated, calibrate, samples_of
from trainer.source.entered import as_one_exposure, read_calibration
from trainer.source.examined import bounds_of, frame_errors, light_on
from trainer.source.pairs import calibrate_pair
from trainer.source.readouts import Box, SourceReadouts, apertures_of, read_sources, without_source

__all__ = ["Foreseen", "NoCalibration", "PricedSource", "SourceTrial", "foresee", "judge_source"]

STRETCHES = 4
"""Into which the stops of a rig's one session are cut, each held out once."""
_FOLDS = 4
"""At most: a calibration takes some ten seconds."""
_FORESEEN_FRAMES = 200
_HIDDEN = -1
_PARTS = 1e6
"""Errors are kept as whole millionths: of the distance, or of a milliradian."""
_MOST = float(np.iinfo(np.int32).max)
_MOST_DISTANCES, _CLASSES = 8, 4
"""At which a rig stops, to be told one by one; else classes with as many frames each."""


class NoCalibration(UsageError):  # noqa: N818  # says what there is not
    """Readouts at a setting do not follow the directions of their source."""


@dataclass(frozen=True, slots=True)
class SourceTrial:
    """A calibration at a setting, made again without each unit, and what it tells of that unit.

    Parameters
    ----------
    name : str
    recipe : Recipe
    sensor : Sensor
        At the setting.
    train : tuple of Recording
        At the setting, of one physical sensor.
    locked : tuple of Recording
        Where there are any, they are asked about by a calibration from all others.
    """

    name: str
    recipe: Recipe
    sensor: Sensor
    train: tuple[Recording, ...]
    locked: tuple[Recording, ...] = ()

    @property
    def held(self) -> tuple[str, ...]:
        """One table comes of it."""
        return ("frames",)

    def run(self) -> HeldOut:
        """Return a row for each frame of one source: see `judge_source`.

        A setting at which no calibration can be made has no rows.

        Raises
        ------
        FormatError, UsageError
            A recording or its truth is faulty.
        """
        box = apertures_of(self.sensor, self.recipe)
        box, train = read_calibration(self.train, box, self.recipe, self.sensor)
        asked = [read_sources(r, box) for r in self.locked]
        asked = [each for each in asked if each.single(self.recipe).size]
        try:
            rows = self._locked(train, asked, box) if asked else self._in_turn(train, box)
        except NoCalibration:
            rows = np.zeros((0, 6), dtype=np.int32)
        return HeldOut((rows,), 1.0)

    def _in_turn(self, train: Sequence[SourceReadouts], box: Box) -> Int32:
        units = _units_of(train, self.recipe)
        n_units = 1 + max(int(each.max()) for each in units)
        if n_units < 2:
            raise UsageError(self.recipe.name, "stops of the rig", 1, "at least 2")
        n_folds = min(_FOLDS, n_units)
        found = []
        for fold in range(n_folds):
            out = range(fold, n_units, n_folds)
            learned_from = _without(train, [np.isin(each, out) for each in units])
            made = self._calibrate(learned_from, box)
            for unit in out:
                held = _without(train, [each != unit for each in units])
                found.append(self._rows(made, held, box, unit))
        return np.concatenate(found)

    def _locked(
        self, train: Sequence[SourceReadouts], asked: Sequence[SourceReadouts], box: Box
    ) -> Int32:
        made = self._calibrate(train, box)
        return np.concatenate(
            [self._rows(made, [each], box, unit) for unit, each in enumerate(asked)]
        )

    def _calibrate(self, train: Sequence[SourceReadouts], box: Box) -> Calibrated:
        return _calibrated(train, box, self.sensor, self.recipe)

    def _rows(self, made: Calibrated, held: Sequence[SourceReadouts], box: Box, unit: int) -> Int32:
        try:
            errors, _ = frame_errors(made, samples_of(held, self.recipe, box), box)
        except ArgumentError as fault:
            raise NoCalibration(fault.where, fault.what, fault.got, fault.expected) from None
        columns = [np.full(len(errors.valid), unit), errors.valid]
        if errors.truth.shape[1] == 4:
            distance = errors.truth[:, 3]
            relative = np.stack([errors.errors[:, 3], errors.bound[:, 3]]) / distance
            columns += [_PARTS * relative[0], 1e3 * errors.errors[:, 3], 1e3 * distance,
                        _PARTS * relative[1]]  # fmt: skip
        else:
            bound = np.sqrt((errors.bound**2).mean(axis=1))
            columns += [*(_PARTS * errors.errors[:, :2]).T, np.zeros(len(bound)), _PARTS * bound]
        table = np.column_stack([np.rint(np.clip(each, -_MOST, _MOST)) for each in columns])
        return np.asarray(table, dtype=np.int32)


def _calibrated(
    train: Sequence[SourceReadouts], box: Box, sensor: Sensor, recipe: Recipe
) -> Calibrated:
    samples = samples_of(train, recipe, box)
    dark = without_source(train, as_one_exposure(sensor, box))
    made_by = {"made by": "a trial"}
    try:
        return calibrate(samples, box, sensor, dark, recipe, made_by, lambda _: None)
    except (ArgumentError, OverflowRisk, UsageError) as fault:
        raise NoCalibration(fault.where, fault.what, fault.got, fault.expected) from None


def _units_of(readouts: Sequence[SourceReadouts], recipe: Recipe) -> list[Int64]:
    """Return which unit each frame belongs to, int64 (n_frames,); -1 where it is none of one."""
    single = [each.single(recipe) for each in readouts]
    several, found, number = sum(frames.size > 0 for frames in single) > 1, [], 0
    for each, frames in zip(readouts, single, strict=True):
        unit = np.full(len(each.n_sources), -1, dtype=np.int64)
        if frames.size and several:
            unit[frames] = number
            number += 1
        elif frames.size:
            moved = np.abs(np.diff(each.tangents[frames], axis=0)).max(axis=1) > 1e-9
            stop = np.concatenate([[0], np.cumsum(moved)])
            unit[frames] = stop * min(STRETCHES, int(stop[-1]) + 1) // (stop[-1] + 1)
        found.append(unit)
    return found


def _without(
    readouts: Sequence[SourceReadouts], hidden: Sequence[NDArray[np.bool_]]
) -> list[SourceReadouts]:
    """Return readouts some of whose frames are none of one source that may be looked at."""
    return [
        replace(each, n_sources=np.where(away & (each.n_sources == 1), _HIDDEN, each.n_sources))
        for each, away in zip(readouts, hidden, strict=True)
    ]


def judge_source(rows: Int32, measures: str) -> Judged | None:
    """Return what a trial's rows say of its setting; None where no value is valid.

    Parameters
    ----------
    rows : int32 (n_frames, 6)
        Unit; whether all values are valid; then, for a range, millionths of the distance that the
        range is off by, micrometres of the same, micrometres of the distance, and the bound in
        millionths; for a direction both angles' errors and, last, their bound, millionths of a
        milliradian.
    measures : str
        ``range`` or ``direction``.
    """
    if not len(rows) or not rows[:, 1].any():
        return None
    kept = rows[rows[:, 1] == 1].astype(np.float64)
    first, second, bound = kept[:, 2] / _PARTS, kept[:, 3], kept[:, 5] / _PARTS
    squares = first**2
    figures: dict[str, Any] = {"bound": _root(bound)}
    if measures == "direction":
        squares = (first**2 + (second / _PARTS) ** 2) / 2.0
        figures["mrad"] = _root(np.sqrt(squares))
    else:
        distance = kept[:, 4] * 1e-3
        figures["mm"] = _root(second * 1e-3)
        figures["distances"] = _over_distance(first, bound, distance)
    units = np.arange(int(rows[:, 0].max()) + 1)
    own = [kept[:, 0] == unit for unit in units]
    sums = np.array([[squares[each].sum(), each.sum()] for each in own])
    figures["n_frames"] = len(rows)
    return Judged(sums, round(float(rows[:, 1].mean()), 6), figures)


def _root(values: Float64) -> float:
    return round(float(np.sqrt(np.mean(values**2))), 6)


def _over_distance(relative: Float64, bound: Float64, distance_mm: Float64) -> list[dict[str, Any]]:
    """Return the error at each distance there was; of many, in classes with as many frames each."""
    order = np.argsort(distance_mm, kind="stable")
    stops, first = np.unique(np.rint(distance_mm[order]), return_index=True)
    few = len(stops) <= _MOST_DISTANCES
    parts = np.split(order, first[1:]) if few else np.array_split(order, _CLASSES)
    return [
        {
            "from_mm": round(float(distance_mm[part].min()), 3),
            "to_mm": round(float(distance_mm[part].max()), 3),
            "n_frames": len(part),
            "error": _root(relative[part]),
            "bound": _root(bound[part]),
        }
        for part in parts
        if len(part)
    ]


@dataclass(frozen=True, eq=False)
class Foreseen:
    """What one calibration at the recorded setting says of weaker ones: their bound.

    Parameters
    ----------
    light, electrons
        As `trainer.source.examined.light_on` returns them.
    samples : Samples
    box : Box
    sensor : Sensor
        As it recorded.
    floor : float
        Variance of a pixel without a source, electrons squared.
    n_values : int
        2 for a direction, 4 for a range.
    """

    light: list[Any]
    electrons: list[Any]
    samples: Any
    box: Box
    sensor: Sensor
    floor: float
    n_values: int

    def error(self, tried: Tried) -> float:
        """Return the root mean square of the bound at a setting; infinite where there is none.

        Electrons, and of the floor all but read noise and rounding, shrink with the exposure;
        rounding grows with the steps; pixels of rows that are not read are left out.
        """
        share, before, after = tried.setting.exposure_fraction, self.sensor, tried.sensor
        fixed = [2.0 * (s.read_noise_e**2 + 1.0 / 12.0 / s.conversion_gain_dn_per_e**2)
                 for s in (before, after)]  # fmt: skip
        floor = fixed[1] + share * max(self.floor - fixed[0], 0.0)
        try:
            bound = bounds_of(
                self._read(tried), [share * each for each in self.electrons], self.samples,
                self.box, self.n_values, PixelNoise(math.sqrt(floor)),
            )  # fmt: skip
        except ArgumentError:
            return math.inf
        if self.n_values == 4:
            return _root(bound[:, 3] / self.samples.distance_mm)
        return _root(bound)

    def _read(self, tried: Tried) -> list[Any]:
        """Return the light on the rows that a setting reads."""
        first, stop = tried.first_row, tried.first_row + tried.sensor.n_rows
        found = []
        for aperture, parts in zip(self.box.apertures, self.light, strict=True):
            pixels = np.arange(aperture.n_rows * aperture.n_cols)
            row = aperture.first_row + pixels // aperture.n_cols
            found.append([part[:, (row >= first) & (row < stop)] for part in parts])
        return found


def foresee(train: Sequence[Recording], sensor: Sensor, recipe: Recipe) -> Foreseen:
    """Calibrate at the recorded setting; errors are those of `trainer.source.fitted.fit_source`."""
    box, readouts = read_calibration(train, apertures_of(sensor, recipe), recipe, sensor)
    made = _calibrated(readouts, box, sensor, recipe)
    samples = samples_of(readouts, recipe, box).take(_FORESEEN_FRAMES)
    light, electrons = light_on(made, samples, box)
    n_values = made.model.closing.n_out // 2
    return Foreseen(light, electrons, samples, box, sensor, made.floor, n_values)


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedSource(OfOneShape):
    """Settings that are priced by the model calibrated at the first of them.

    Parameters
    ----------
    recipe : Recipe
    train : tuple of Recording
        At the first setting.
    """

    recipe: Recipe
    train: tuple[Recording, ...]

    def model(self) -> Model:
        """Calibrate; errors are those of `trainer.source.calibrated.calibrate`."""
        sensor = self.tried[0].sensor
        box, readouts = read_calibration(
            self.train, apertures_of(sensor, self.recipe), self.recipe, sensor
        )
        made = _calibrated(readouts, box, sensor, self.recipe)
        if self.recipe.source is not None and self.recipe.source.sources == 2:
            samples = samples_of(readouts, self.recipe, box)
            made = calibrate_pair(made, samples, as_one_exposure(sensor, box), self.recipe)
        return made.model
