"""Whole files: written all or nothing, read only up to a limit."""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from pathlib import Path

from runtime.errors import FormatError, UsageError

__all__ = ["read_limited", "write_whole"]

MAX_BYTES = 16 << 20
"""How long a file of text may be: tables, descriptions and evaluations stay far below."""


def write_whole(path: Path, content: bytes) -> None:
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

    Raises
    ------
    UsageError
        It cannot be written; an older file is as it was, and nothing is left beside it.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise UsageError(str(path), "the file", f"not writable ({error.strerror})") from error
    finally:
        with suppress(OSError):  # renamed, or never made
            part.unlink()


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
