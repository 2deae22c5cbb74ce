"""The recorded frames that lie beside a model, to verify and to profile it with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from runtime.errors import FormatError
from runtime.files import write_whole
from runtime.stages.contract.stage import Counts
from runtime.weights import pack_arrays, read_arrays

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["read_test_frames", "write_test_frames"]

TEST_FRAMES = "test_frames.npz"
"""Name of the file in a model folder: arrays ``lit`` and ``dark``, uint16 (n, n_rows, n_cols)."""

_MAX_BYTES = 1 << 30
_MAX_FRAMES = 100_000


def read_test_frames(model_dir: Path, model: Model, n_frames: int) -> tuple[Counts, Counts]:
    """Read the first frame pairs of ``test_frames.npz``, checked before anything is allocated.

    Returns
    -------
    lit, dark : uint16 (at most n_frames, n_rows, n_cols)

    Raises
    ------
    FormatError
        The file is missing, is not an archive of the two arrays, or does not fit the sensor.
    """
    path = model_dir / TEST_FRAMES
    shape = (model.sensor.n_rows, model.sensor.n_cols)
    found = read_arrays(path, ("uint16",), _MAX_BYTES)
    if found.keys() != {"lit", "dark"}:
        raise FormatError(str(path), "names of the arrays", sorted(found), "lit and dark")
    for name, array in found.items():
        if array.ndim != 3 or array.shape[1:] != shape:
            expected = f"(n, {shape[0]}, {shape[1]})"
            raise FormatError(str(path), f"shape of {name}", array.shape, expected)
        if not 1 <= len(array) <= _MAX_FRAMES or array.max() > model.sensor.max_counts:
            raise FormatError(str(path), name, "out of range", "counts of the sensor")
    lit, dark = found["lit"], found["dark"]
    if len(lit) != len(dark):
        raise FormatError(str(path), "number of dark exposures", len(dark), len(lit))
    return lit[:n_frames], dark[:n_frames]


def write_test_frames(model_dir: Path, lit: Counts, dark: Counts) -> None:
    """Write the frame pairs that lie beside a model, uint16 (n, n_rows, n_cols) each.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    write_whole(model_dir / TEST_FRAMES, pack_arrays({"lit": lit, "dark": dark}, deflated=True))
