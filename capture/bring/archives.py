"""Arrays of untrusted files, ``.npy`` and ``.npz``: never a pickle, and a block at a time."""

from __future__ import annotations

import math
import zipfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError

__all__ = ["Member", "array_names", "load_archive", "load_array", "open_arrays", "unreadable"]

_MOST_WHOLE_BYTES = 4 << 30
"""Of arrays that are read whole: scenes, and frames that lie column by column. A small file may
hold more than a machine has."""


def load_array(path: Path, name: str, beside: str) -> tuple[NDArray[Any], NDArray[Any] | None]:
    """Read one array of an untrusted ``.npy``, or two named ones of an ``.npz``.

    Returns
    -------
    array, array or None
        The only one, or that called `name`; and that called `beside`, where there is one.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, is damaged, or has no array of that name.
    """
    if path.suffix.lower() == ".npy":
        return open_arrays([path])[0], None
    if path.suffix.lower() != ".npz":
        raise UsageError(str(path), "the file's ending", path.suffix or "none", ".npy or .npz")
    found = load_archive(path, (name, beside))
    if name not in found:
        raise FormatError(str(path), f"array {name}", "missing", "in the archive")
    return found[name], found.get(beside)


def open_arrays(paths: Sequence[Path]) -> list[NDArray[Any]]:
    """Open ``.npy`` files without reading them; errors are those of :func:`load_array`."""
    arrays: list[NDArray[Any]] = []
    for path in paths:
        try:
            arrays.append(np.load(path, mmap_mode="r", allow_pickle=False))
        except Exception as error:  # the header's parser raises whatever Python's own does
            raise unreadable(path, error) from None
        if not isinstance(arrays[-1], np.ndarray):
            raise FormatError(str(path), "the file", "an archive", "one array")
    return arrays


class Member:
    """An array of an archive, read row by row as it is asked for: memory is of a block at a time.

    Parameters
    ----------
    path : Path
        Of the archive, for errors.
    archive : ZipFile
    entry : ZipInfo
    stack : ExitStack
        Closes what is opened.
    """

    def __init__(
        self, path: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, stack: ExitStack
    ) -> None:
        self.path, self.at = path, 0
        self.whole: NDArray[Any] | None = None
        try:
            self.file = stack.enter_context(archive.open(entry))
            self.shape, by_columns, self.dtype = _header(path, entry, self.file)
        except FormatError:
            raise
        except (
            Exception
        ) as error:  # zip, zlib and the header's parser each have errors of their own
            raise unreadable(path, error) from None
        self.ndim = len(self.shape)
        if by_columns and self.ndim > 1:  # its first row lies all over the file
            name = entry.filename.removesuffix(".npy")
            self.whole = load_archive(path, (name,))[name]

    def __len__(self) -> int:
        return self.shape[0] if self.shape else 0

    def __getitem__(self, rows: slice) -> NDArray[Any]:
        """Return the next rows; each is read once, in order."""
        if self.whole is not None:
            return self.whole[rows]
        n_rows = min(rows.stop, len(self)) - self.at
        self.at += n_rows
        shape = (n_rows, *self.shape[1:])
        n_bytes = math.prod(shape) * self.dtype.itemsize
        try:
            data = self.file.read(n_bytes)
        except Exception as error:  # zip and zlib each have errors of their own
            raise unreadable(self.path, error) from None
        if len(data) < n_bytes:
            raise FormatError(str(self.path), "the file", "cut short", f"{self.shape} numbers")
        return np.frombuffer(data, self.dtype).reshape(shape)


def _header(
    path: Path, entry: zipfile.ZipInfo, file: IO[bytes]
) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Read an array's header; return shape, whether it lies column by column, and dtype."""
    where = f"{path} array {entry.filename.removesuffix('.npy')[:40]}"
    version = np.lib.format.read_magic(file)
    read = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }.get(version)
    if read is None:  # which is for names of fields in other scripts
        raise FormatError(where, "version of its header", version, "(1, 0) or (2, 0)")
    shape, by_columns, dtype = read(file)
    if dtype.hasobject:
        raise FormatError(where, "dtype", "damaged or objects of Python", "whole numbers")
    n_bytes = math.prod(shape) * dtype.itemsize
    if n_bytes > entry.file_size:
        raise FormatError(where, "size by its header", n_bytes, entry.file_size)
    return shape, by_columns, dtype


def array_names(path: Path) -> str:
    """Return what the arrays of an archive are called, in words."""
    with zipfile.ZipFile(path) as archive:
        names = [name.removesuffix(".npy")[:40] for name in archive.namelist()]
    return ", ".join(name for name in names[:6] if name.isprintable()) or "none"


def load_archive(path: Path, names: Sequence[str]) -> dict[str, NDArray[Any]]:
    """Read arrays of an archive whose sizes were checked before memory was taken for them."""
    found: dict[str, NDArray[Any]] = {}
    try:
        with zipfile.ZipFile(path) as archive:
            entries = {entry.filename: entry for entry in archive.infolist()}
            asked = [entries[f"{name}.npy"] for name in names if f"{name}.npy" in entries]
            if sum(entry.file_size for entry in asked) > _MOST_WHOLE_BYTES:
                raise FormatError(
                    str(path), "size of its arrays", "too large", f"<= {_MOST_WHOLE_BYTES} bytes"
                )
            for entry in asked:
                with archive.open(entry) as file:
                    _header(path, entry, file)
                with archive.open(entry) as file:
                    array = np.lib.format.read_array(file, allow_pickle=False)
                found[entry.filename.removesuffix(".npy")] = array
    except FormatError:
        raise
    except Exception as error:  # zip, zlib and the header's parser each have errors of their own
        raise unreadable(path, error) from None
    return found


def unreadable(path: Path, error: Exception) -> FormatError | UsageError:
    """Return the house's error for what a library says of a file."""
    if isinstance(error, OSError) and error.errno is not None:
        return UsageError(str(path), "the file", f"unreadable ({error.strerror})", "readable")
    said = " ".join(str(error).split())[:120]
    return FormatError(str(path), "the file", f"damaged ({said})", "arrays of numbers")
