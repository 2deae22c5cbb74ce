"""The optic that picture attacks know: the emulated sensor's, or one from a calibration file.

A calibration file is a NumPy archive (``.npz``, without pickled objects) with ``patterns``, float
(n_patterns, height, width), the brightness that was shown, from 0 up, row 0 the lowest; and
``responses``, float (n_patterns, n_rows, n_cols), what the sensor read, lit minus dark, in counts.
Of fewer patterns than pixels shown, the optic is what can be known by them.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.emulated.optic.optics import AngularGrid
from capture.emulated.session import Bench
from runtime.errors import FormatError
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Counts, Float64

__all__ = ["N_ACROSS", "KnownOptic", "calibrated_optic", "emulated_optic", "field_of"]

N_ACROSS = 27
"""Cells across the emulated field: two by two of the optic's own, about 4 degrees each."""
_MAX_BYTES = 1 << 28


@dataclass(frozen=True, slots=True, eq=False)
class KnownOptic:
    """A calibrated optic: scenes as cells of a picture in, counts out.

    Parameters
    ----------
    sensor : Sensor
    inside : bool (height, width)
        Cells of a picture that the optic sees.
    matrix : float64 (n_pixels, n_cells)
        Counts of the difference for each cell at brightness 1.
    name : str
        Where it is from, in words.
    """

    sensor: Sensor
    inside: NDArray[np.bool_]
    matrix: Float64
    name: str

    def expose(
        self, scenes: Float64, room: float, rng: np.random.Generator
    ) -> tuple[Counts, Counts]:
        """Return one lit and one dark exposure of scenes, with the sensor's noise.

        Parameters
        ----------
        scenes : float64 (n_scenes, n_cells)
            What the LED lights, in the matrix's units; without an LED, what the room does.
        room : float
            Light of the room on the same scene, as a share of the LED's.
        rng : Generator

        Returns
        -------
        lit, dark : uint16 (n_scenes, n_rows, n_cols)
        """
        counts = scenes @ self.matrix.T
        if self.sensor.led_current_ma == 0:
            return self._read(counts, rng), self._read(counts, rng)
        return self._read(counts * (1.0 + room), rng), self._read(counts * room, rng)

    def _read(self, counts: Float64, rng: np.random.Generator) -> Counts:
        """Shot noise and read noise as one Gaussian, then the converter's steps and range."""
        sensor = self.sensor
        gain = sensor.conversion_gain_dn_per_e
        dark_e = sensor.dark_signal_e_per_s * sensor.exposure_us * 1e-6
        electrons = np.minimum(np.maximum(counts / gain, 0.0) + dark_e, sensor.full_well_e)
        sigma = np.sqrt(electrons + sensor.read_noise_e**2)
        noisy = electrons + sigma * rng.standard_normal(electrons.shape)
        read = np.rint(noisy * gain + sensor.black_level_counts)
        shape = (len(counts), sensor.n_rows, sensor.n_cols)
        return np.clip(read, 0, sensor.max_counts).astype(np.uint16).reshape(shape)

    def pictures(self, cells: Float64) -> Float64:
        """Return cells as pictures, float64 (n, height, width); 0 where nothing is seen."""
        pictures = np.zeros((len(cells), *self.inside.shape))
        pictures[:, self.inside] = cells
        return pictures


def field_of(n_across: int) -> tuple[NDArray[np.bool_], Float64]:
    """Return the cells of a picture that lie in the emulated field, and what fills them.

    Returns
    -------
    inside : bool (n_across, n_across)
        Row 0 is the lowest, as the optic counts.
    share : float64 (n_inside, n_angles)
        Of each cell's light, what each of the optic's cells holds; rows add up to 1.
    """
    grid = AngularGrid()
    rows, cols = np.nonzero(grid.inside)
    cell = (rows * n_across // grid.n_across) * n_across + cols * n_across // grid.n_across
    inside = np.isin(np.arange(n_across**2), cell).reshape(n_across, n_across)
    share = (np.flatnonzero(inside)[:, None] == cell[None]).astype(np.float64)
    return inside, share / share.sum(axis=1, keepdims=True)


def emulated_optic(sensor: Sensor, unit: str) -> KnownOptic:
    """Return the emulated optic of a unit, calibrated with one cell of light at a time."""
    bench = Bench(sensor, unit)
    inside, share = field_of(N_ACROSS)
    lit = (share > 0).astype(np.float32)
    electrons = bench.pixels.electrons(bench.optic.image(lit)).astype(np.float64)
    without = bench.pixels.electrons(bench.optic.image(np.zeros_like(lit[:1])))
    matrix = (electrons - without).T * sensor.conversion_gain_dn_per_e
    return KnownOptic(sensor, inside, matrix, f"emulated sensor, {unit}")


def calibrated_optic(path: Path, sensor: Sensor) -> KnownOptic:
    """Read an optic from a file of pattern responses.

    The matrix is the smallest that explains them all, by least squares.

    Raises
    ------
    FormatError
        The file is not such a file, or is of another sensor.
    """
    patterns, responses = _read_calibration(path)
    where = str(path)
    if responses.shape[1:] != (sensor.n_rows, sensor.n_cols):
        wanted = (sensor.n_rows, sensor.n_cols)
        raise FormatError(where, "rows and columns of responses", responses.shape[1:], wanted)
    if len(patterns) != len(responses) or not len(patterns):
        raise FormatError(where, "number of responses", len(responses), f"{len(patterns)} patterns")
    seen = patterns.max(axis=0) > 0
    if min(seen.shape) < 8 or max(seen.shape) > 64:
        raise FormatError(where, "height and width of patterns", seen.shape, "8 to 64 pixels")
    if not seen.any():
        raise FormatError(where, "patterns", "all dark", "light in some pixel")
    shown, read = patterns[:, seen], responses.reshape(len(responses), -1)
    if not read.any():
        raise FormatError(where, "responses", "all zero", "what the sensor read of each pattern")
    matrix = np.asarray(np.linalg.lstsq(shown, read, rcond=1e-6)[0].T, np.float64)
    return KnownOptic(sensor, seen, matrix, f"calibration {path.name}")


def _read_calibration(path: Path) -> tuple[Float64, Float64]:
    where = str(path)
    do = "give an .npz with patterns (n, height, width) and responses (n, rows, columns)"
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise FormatError(where, "size", "too large", f"at most {_MAX_BYTES} bytes")
        with path.open("rb") as opened, np.load(opened, allow_pickle=False) as file:
            arrays = [np.asarray(file[name]) for name in ("patterns", "responses")]
    except OSError as error:
        raise FormatError(where, "the file", error.strerror or "unreadable", do=do) from None
    except (ValueError, KeyError, EOFError, AttributeError, TypeError, zipfile.BadZipFile) as error:
        if isinstance(error, FormatError):
            raise
        raise FormatError(where, "content", "no such arrays", do=do) from None
    for name, array in zip(("patterns", "responses"), arrays, strict=True):
        numbers = array.dtype.kind in "iuf" and array.ndim == 3
        if not numbers or not np.isfinite(array).all():
            got = f"{array.dtype} with {array.ndim} axes"
            raise FormatError(where, name, got, "finite numbers with 3 axes")
    patterns, responses = (array.astype(np.float64) for array in arrays)
    if patterns.size and patterns.min() < 0:
        raise FormatError(where, "patterns", float(patterns.min()), "brightness of 0 and more")
    return patterns, responses
