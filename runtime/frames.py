"""The recorded frames that lie beside a model, to verify and to profile it with."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["TEST_FRAMES", "read_test_frames"]

Counts = NDArray[np.uint16]

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
    found: list[Counts] = []
    try:
        with zipfile.ZipFile(path) as archive:
            for name in ("lit", "dark"):
                if archive.getinfo(f"{name}.npy").file_size > _MAX_BYTES:
                    raise FormatError(str(path), name, "over 1 GiB", "at most 1 GiB")
                with archive.open(f"{name}.npy") as member:
                    array = np.lib.format.read_array(member, allow_pickle=False)
                if array.dtype != np.uint16 or array.ndim != 3 or array.shape[1:] != shape:
                    raise FormatError(
                        str(path), name, f"{array.dtype} {array.shape}", f"uint16 (n, {shape})"
                    )
                if not 1 <= len(array) <= _MAX_FRAMES or array.max() > model.sensor.max_counts:
                    raise FormatError(str(path), name, "out of range", "counts of the sensor")
                found.append(array[:n_frames])
    except (OSError, KeyError, ValueError, zipfile.BadZipFile, EOFError) as fault:
        if isinstance(fault, FormatError):
            raise
        raise FormatError(str(path), f"cannot be read: {fault}") from fault
    lit, dark = found
    if len(lit) != len(dark):
        raise FormatError(str(path), "dark", f"{len(dark)} frames", f"{len(lit)}")
    return lit, dark
