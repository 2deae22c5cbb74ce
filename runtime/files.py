"""Whole files: written all or nothing, read only up to a limit, known again by fingerprints.

``fingerprints.json`` maps names of files beside it to their SHA-256 in hexadecimal. Most files of a
model folder can be made again from the model and compared; what came of recordings that are not in
the folder (float ONNX, evaluation, tables, pages, card) can only be held to its fingerprint.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from runtime.errors import ArgumentError, FormatError, UsageError

__all__ = [
    "FINGERPRINTS",
    "as_path",
    "damaged_parquet",
    "fingerprint",
    "open_parquet",
    "read_fingerprints",
    "read_limited",
    "refresh_fingerprint",
    "refuse_used_folder",
    "sha256_of",
    "whole_folder",
    "write_fingerprints",
    "write_whole",
]

MAX_BYTES = 16 << 20
"""How long a file of text may be: tables, descriptions and evaluations stay far below."""

FINGERPRINTS = "fingerprints.json"
"""Name of the file in a model folder."""

_SHA256 = re.compile(r"[0-9a-f]{64}")
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}")
_MOST_NAMES = 1000


def write_whole(path: Path, content: bytes, *, private: bool = False, lasting: bool = True) -> None:
    """Write a file so that a reader, or a power cut, sees the old one or the new one whole.

    The bytes go to a hidden name in the same folder (a rename is atomic only within one file
    system), are brought to the disk, and then get the file's name. Process and thread are part
    of the hidden name, so that two writers of one file never share it.

    Parameters
    ----------
    path : Path
        The file; its folder exists. An older file of the name is replaced.
    content : bytes
        All of it.
    private : bool
        Whether nobody but the file's user may read it, from its first byte on (mode 0600).
    lasting : bool
        Whether to wait for the disk. Without, a reader still sees one file or the other; a power
        cut may leave neither, which is enough for what is checked when read and made anew.

    Raises
    ------
    UsageError
        It cannot be written; an older file is as it was, and nothing is left beside it.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with open(part, "wb", opener=_for_its_user if private else None) as file:
            file.write(content)
            file.flush()
            if lasting:
                os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise UsageError(str(path), "the file", f"not writable ({error.strerror})") from error
    finally:
        with suppress(OSError):  # renamed, or never made
            part.unlink()


def _for_its_user(name: str, flags: int) -> int:
    """Make a file that its user alone may read and write."""
    return os.open(name, flags, 0o600)


def read_limited(path: Path, limit: int = MAX_BYTES) -> bytes:
    """Read a file that may come from anybody.

    Parameters
    ----------
    path : Path
        The file.
    limit : int
        How many bytes it may have; no more than one beyond is taken into memory.

    Returns
    -------
    bytes
        All of it.

    Raises
    ------
    UsageError
        It cannot be read.
    FormatError
        It is longer than `limit` bytes.
    """
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise UsageError(
            str(path), "the file", f"unreadable ({error.strerror})", "readable"
        ) from None
    if len(data) > limit:
        raise FormatError(str(path), "the file", "too long", f"at most {limit} bytes")
    return data


def as_path(given: Path | str, what: str) -> Path:
    """Return a path that a program gave; ArgumentError names `what` when it is none."""
    try:
        return Path(given)
    except TypeError:
        raise ArgumentError("call", what, type(given).__name__, "a path or its text") from None


def refuse_used_folder(out: Path) -> None:
    """Refuse an output folder that already holds something.

    Raises
    ------
    UsageError
        `out` is a file, or a folder that is not empty.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UsageError(str(out), "output folder", "in use", "missing or empty", "name another")


@contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """Give an empty folder to fill, which becomes `out` when the ``with`` block ends well.

    Parameters
    ----------
    out : Path
        Missing or empty folder.

    Raises
    ------
    UsageError
        `out` is in use, or cannot be made; nothing is left of it then.
    """
    refuse_used_folder(out)
    part = out.with_name(f".{out.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    try:
        part.mkdir(parents=True)
    except OSError as error:
        raise UsageError(
            str(out), "output folder", f"refused ({error.strerror})", "writable"
        ) from None
    try:
        yield part
        if out.exists():
            out.rmdir()
        part.rename(out)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def open_parquet(path: Path) -> Any:
    """Open a Parquet file with pyarrow, which is not among this package's dependencies.

    Returns
    -------
    pyarrow.parquet.ParquetFile

    Raises
    ------
    UsageError
        pyarrow is not installed, or the file cannot be read.
    FormatError
        It is no Parquet file.
    """
    try:
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise UsageError(
            str(path), "reading Parquet", "not possible without pyarrow", "pyarrow installed",
            "install it (pip install pyarrow), or save the table as CSV",
        ) from None  # fmt: skip
    try:
        return parquet.ParquetFile(path)
    except OSError as error:
        if error.errno is not None:
            raise UsageError(str(path), "the file", f"unreadable ({error.strerror})") from None
        raise damaged_parquet(path, error) from None
    except Exception as error:  # likewise
        raise damaged_parquet(path, error) from None


def damaged_parquet(path: Path, error: Exception) -> FormatError:
    """Return what to say of a Parquet file that pyarrow could not read to its end."""
    return FormatError(str(path), "the file", f"damaged ({str(error)[:120]})", "a Parquet table")


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's content, 64 hexadecimal digits; raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def fingerprint(path: Path) -> str:
    """Return a file's SHA-256; raises FormatError where it cannot be read."""
    try:
        return sha256_of(path)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FormatError(
            str(path), "the file", f"unreadable ({reason})", "present", "export the model anew"
        ) from None


def write_fingerprints(folder: Path) -> None:
    """Write the fingerprints of the files that lie in a folder now; folders in it are left out."""
    files = sorted(path for path in folder.iterdir() if path.is_file())
    _write(folder, {path.name: fingerprint(path) for path in files if path.name != FINGERPRINTS})


def refresh_fingerprint(path: Path) -> None:
    """Write a file's fingerprint anew, where its folder keeps fingerprints at all."""
    if (path.parent / FINGERPRINTS).is_file():
        found = read_fingerprints(path.parent) | {path.name: fingerprint(path)}
        _write(path.parent, dict(sorted(found.items())))


def read_fingerprints(folder: Path) -> dict[str, str]:
    """Return the fingerprints of a folder's files by name.

    Raises
    ------
    FormatError, UsageError
        The file is missing, damaged, or names anything but files beside it.
    """
    path = folder / FINGERPRINTS
    try:
        found = json.loads(read_limited(path))
    except (ValueError, RecursionError) as error:
        if isinstance(error, FormatError):
            raise
        raise FormatError(str(path), "content", "not JSON", "names and SHA-256") from None
    if not isinstance(found, dict) or len(found) > _MOST_NAMES:
        raise FormatError(str(path), "content", "something else", "names and SHA-256")
    for name, value in found.items():
        if not _NAME.fullmatch(name) or not isinstance(value, str) or not _SHA256.fullmatch(value):
            raise FormatError(str(path), "entry", f"{name!r}: {value!r}", "a file and its SHA-256")
    return found


def _write(folder: Path, found: dict[str, str]) -> None:
    """Write the file whole."""
    write_whole(folder / FINGERPRINTS, (json.dumps(found, indent=1) + "\n").encode())
