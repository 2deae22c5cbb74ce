"""The files of a data set with their hashes, and copies that are checked against them."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path

from runtime.errors import Error, UsageError
from runtime.files import sha256_of

__all__ = ["SetFile", "Tree", "copy_checked", "list_files"]

_BLOCK = 1 << 20
_HALF_WRITTEN = re.compile(r"\..*\.part")
"""What a writer that was killed leaves beside the file that it was about to replace."""
_WORKING = ("derivatives", "palmwatt")
"""Where training keeps what it can make anew, each kind in a folder of its own."""


@dataclass(frozen=True, slots=True)
class SetFile:
    """A file of a data set: where it is, its size in bytes and its hash."""

    path: Path
    n_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Tree:
    """A data set's files.

    Parameters
    ----------
    root : Path
    files : dict of str to SetFile
        By the path below the root, with slashes.
    left_out : tuple of str
        What is no part of it: half-written files, and what training can make anew.
    """

    root: Path
    files: dict[str, SetFile]
    left_out: tuple[str, ...]


def list_files(root: Path) -> Tree:
    """List and hash the files of a data set.

    Raises
    ------
    UsageError
        A file cannot be read, is a link, or is being recorded.
    """
    files: dict[str, SetFile] = {}
    left_out: list[str] = []
    try:
        for folder, folders, names in os.walk(root, onerror=_raise):
            here = Path(folder)
            for name in sorted(folders):
                _refuse_link(here / name)
                if here.relative_to(root).parts == _WORKING:
                    left_out.append(f"{(here / name).relative_to(root).as_posix()}/")
            folders[:] = [
                name for name in sorted(folders) if here.relative_to(root).parts != _WORKING
            ]
            for name in sorted(names):
                path = here / name
                known_as = path.relative_to(root).as_posix()
                _refuse_link(path)
                if _HALF_WRITTEN.fullmatch(name):
                    left_out.append(known_as)
                    continue
                if path.suffix == ".mcap":
                    _refuse_running(path)
                files[known_as] = SetFile(path, path.stat().st_size, sha256_of(path))
    except OSError as error:
        raise UsageError(
            str(error.filename or root), "the file", f"unreadable ({error.strerror})", "readable"
        ) from None
    return Tree(root, files, tuple(left_out))


def _raise(error: OSError) -> None:
    raise error


def _refuse_link(path: Path) -> None:
    if path.is_symlink():
        raise UsageError(str(path), "the file", "a link", "a file", "put what it points to there")


def _refuse_running(path: Path) -> None:
    """Refuse a file that a recorder holds; what a killed one left is held by nobody."""
    if sys.platform == "win32":
        return
    import fcntl

    with path.open("rb") as file:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            raise UsageError(
                str(path), "the session", "being recorded", "finished", "wait until it is"
            ) from None


def copy_checked(source: SetFile, target: Path) -> None:
    """Copy a file onto the disk; what was read and what was written must have its hash.

    Raises
    ------
    Error
        The file changed since it was listed, the disk is full, or the copy is another.
    """
    digest = hashlib.sha256()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with source.path.open("rb") as reading, target.open("xb") as writing:
            while block := reading.read(_BLOCK):
                digest.update(block)
                writing.write(block)
            writing.flush()
            os.fsync(writing.fileno())
        written = sha256_of(target)
    except OSError as error:
        raise Error(
            str(error.filename or target), "copying", f"refused ({error.strerror})",
            do="nothing was made; make room on the disk, or name another folder",
        ) from None  # fmt: skip
    if digest.hexdigest() != source.sha256:
        raise Error(str(source.path), "the file", "changed while it was copied", "left alone")
    if written != source.sha256:
        raise Error(str(target), "SHA-256 of the copy", written, source.sha256)
