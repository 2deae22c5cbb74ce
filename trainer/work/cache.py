"""Arrays kept on disk under the hash of all that they depend on: nothing is worked out twice.

A data set's working folder holds one ``.npy`` file for each recording and entry stage, and an
``index.json`` beside them that says whose readouts each was made from::

    {"NAME.npy": {"participant": "P01", "session": "...", "source": "...", "seal": "..."}, ...}

NAME is the SHA-256 of the recording's bytes, of the program that reduces, and of the entry stage.
Nothing here is believed, and nothing is waited for until the disk has it (a thousand recordings
are 7,000 files): a file that is missing, damaged or cut is made anew, and so is one that
somebody else has made, because a data set may come with arrays that are not its readouts. The seal
of a file is therefore a keyed hash of its name and bytes (HMAC, RFC 2104), and the key is the
user's own.
"""

from __future__ import annotations

import atexit
import hashlib
import hmac
import inspect
import io
import json
import math
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.tsv_tables import alone_in
from runtime.errors import Error, UsageError
from runtime.files import read_limited, sha256_of, write_whole

__all__ = [
    "Cache",
    "StoredArray",
    "code_digest",
    "fits_digest",
    "open_cache",
    "program_digest",
]

NO_PART_IN_FITS = ("runtime/budget", "runtime/trace", "trainer/audit", "trainer/tell")
"""Prices, and what is written about a model: after a change of these, fits are used again."""
INDEX = "index.json"
MAX_INDEX_BYTES = 64 << 20
FIELDS = ("participant", "session", "source", "seal")
KEY_BYTES = 32
_NAME = re.compile(r"[0-9a-f]{64}\.npy")
_Index = dict[str, dict[str, str]]
_Version = tuple[int, int, int]
_DTYPES = ("<i2", "<i4", "<f8")


@dataclass(frozen=True, slots=True)
class StoredArray:
    """An array on disk, opened at each use; it travels to other processes as its path.

    Parameters
    ----------
    path : pathlib.Path
    dtype : str
        As NumPy writes it, such as ``<i2``.
    shape : tuple of int
    digest : str
        SHA-256 of the file.
    """

    path: Path
    dtype: str
    shape: tuple[int, ...]
    digest: str

    def read(self) -> NDArray[Any]:
        """Return the array, read-only.

        A training asks for a thousand small ones a dozen times: mapped into memory, each would take
        ten times as long.

        Raises
        ------
        UsageError
            The file is not there (any more), or not this array.
        """
        try:
            content = self.path.read_bytes()
        except OSError as error:
            raise UsageError(
                str(self.path), "a working file of the training", f"unreadable ({error.strerror})",
                "readable by every worker, until the training ends", "train again",
            ) from None  # fmt: skip
        header, dtype = _header(self.dtype, self.shape), np.dtype(self.dtype)
        n_bytes = len(header) + dtype.itemsize * math.prod(self.shape)
        if not content.startswith(header) or len(content) != n_bytes:
            raise UsageError(
                str(self.path), "a working file of the training", "changed", "left alone",
                "train again",
            )  # fmt: skip
        return np.frombuffer(content, dtype, offset=len(header)).reshape(self.shape)


@lru_cache(maxsize=4096)
def _header(dtype: str, shape: tuple[int, ...]) -> bytes:
    """Return what stands before an array's values in its file."""
    file = io.BytesIO()
    content = {"descr": dtype, "fortran_order": False, "shape": shape}
    np.lib.format.write_array_header_1_0(file, content)
    return file.getvalue()


def _mapped(path: Path) -> NDArray[Any]:
    """Map an array file; ValueError for all that is not exactly one array of a dtype in use."""
    array = np.lib.format.open_memmap(path, mode="r")
    if array.dtype.str not in _DTYPES or not array.flags.c_contiguous:
        raise ValueError("another kind of array")
    if array.offset + array.nbytes != path.stat().st_size:
        raise ValueError("more bytes than the array")
    return array


def _smallest(array: NDArray[Any]) -> NDArray[Any]:
    """Return integers as int16 where they fit, so that a data set takes half the space."""
    if array.dtype.kind == "f":
        return array.astype("<f8")
    small = np.iinfo(np.int16)
    fits = not array.size or (small.min <= array.min() and array.max() <= small.max)
    return array.astype("<i2" if fits else "<i4")


class Cache:
    """A folder of stored arrays; several processes may use it at the same time.

    Parameters
    ----------
    folder : pathlib.Path
        Exists and is writable.
    key : bytes
        Files sealed with another are not believed.
    """

    def __init__(self, folder: Path, key: bytes) -> None:
        self.folder, self._key = folder, key
        self._known: tuple[_Version | None, _Index] | None = None
        self._texts: dict[str, tuple[dict[str, str], str]] = {}

    def load(self, keys: Sequence[str]) -> list[StoredArray] | None:
        """Return what was stored under some keys, if all of it is there byte for byte."""
        index = self._index()
        stored = []
        for key in keys:
            path = self.folder / f"{key}.npy"
            try:
                digest = bytes.fromhex(sha256_of(path))
                seal = self._seal(path.name, digest)
                if not hmac.compare_digest(seal, index[path.name]["seal"]):
                    return None
                array = _mapped(path)
            except (OSError, ValueError, KeyError):
                return None
            stored.append(StoredArray(path, array.dtype.str, array.shape, digest.hex()))
        return stored

    def store(
        self, arrays: dict[str, NDArray[Any]], participant: str, session: str, source: str
    ) -> list[StoredArray]:
        """Keep arrays made from one recording.

        Parameters
        ----------
        arrays : dict
            Arrays of integers or floats, by key.
        participant : str
            Whose readouts they were made from, so that they can be removed with them.
        session : str
            The recording's place in the data set.
        source : str
            Digest of the recording and the program. What was kept of the same session from another
            source is of no use any more, and is removed.
        """
        stored = []
        entries = {}
        for key, array in arrays.items():
            kept = _smallest(np.ascontiguousarray(array))
            file = io.BytesIO()
            np.lib.format.write_array(file, kept, allow_pickle=False)
            content = file.getvalue()
            path = self.folder / f"{key}.npy"
            write_whole(path, content, lasting=False)
            digest = hashlib.sha256(content).digest()
            entries[path.name] = {
                "participant": participant,
                "session": session,
                "source": source,
                "seal": self._seal(path.name, digest),
            }
            stored.append(StoredArray(path, kept.dtype.str, kept.shape, digest.hex()))
        self._change(entries, lambda e: e["session"] == session and e["source"] != source)
        return stored

    def remove(self, session: str) -> None:
        """Remove all that was kept of a session."""
        self._change({}, lambda entry: entry["session"] == session)

    def _seal(self, name: str, digest: bytes) -> str:
        return hmac.digest(self._key, name.encode() + digest, "sha256").hex()

    def _change(self, more: _Index, is_old: Callable[[dict[str, str]], bool]) -> None:
        """Add entries to the index; remove old ones, and their files."""
        with alone_in(self.folder):
            index = self._index()
            old = [name for name, entry in index.items() if is_old(entry)]
            for name in old:
                (self.folder / name).unlink(missing_ok=True)
                del index[name]
            changed = index | more
            text = "{" + ", ".join(self._text(n, changed[n]) for n in sorted(changed)) + "}\n"
            write_whole(self.folder / INDEX, text.encode(), lasting=False)
            self._known = self._version(), changed

    def _text(self, name: str, entry: dict[str, str]) -> str:
        """Return an entry as JSON, worked out once: each of a thousand sessions writes them all."""
        kept = self._texts.get(name)
        if kept is None or kept[0] is not entry:
            text = f"{json.dumps(name)}: {json.dumps(entry, sort_keys=True)}"
            kept = self._texts[name] = entry, text
        return kept[1]

    def _index(self) -> _Index:
        """Return the index, read again where it is another file than the last time."""
        version = self._version()
        if version is None:
            return {}
        if self._known is None or self._known[0] != version:
            self._known = version, self._read_index()
        return dict(self._known[1])

    def _version(self) -> _Version | None:
        """Return what tells an index file from one that took its place; None if there is none."""
        try:
            found = (self.folder / INDEX).stat()
        except OSError:
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size

    def _read_index(self) -> _Index:
        """Read the index; of one that is damaged, nothing is known."""
        try:
            content = json.loads(read_limited(self.folder / INDEX, MAX_INDEX_BYTES))
        except (Error, ValueError, RecursionError):
            return {}
        if not isinstance(content, dict):
            return {}
        return {
            name: entry
            for name, entry in content.items()
            if _NAME.fullmatch(name)
            and isinstance(entry, dict)
            and all(isinstance(entry.get(field), str) for field in FIELDS)
        }

    def __getstate__(self) -> dict[str, object]:
        """Leave the index behind where the cache goes to another process."""
        return {**self.__dict__, "_known": None, "_texts": {}}


def open_cache(data: Path, name: str) -> Cache:
    """Open a cache of a data set, or one for this run where the data set cannot be written to.

    Parameters
    ----------
    data : pathlib.Path
        Folder of the data set.
    name : str
        The cache's folder below ``derivatives/palmwatt``.
    """
    folder = data / "derivatives" / "palmwatt" / name
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return Cache(folder, _own_key())
    except OSError:
        scratch = Path(tempfile.mkdtemp(prefix="palmwatt-"))
        atexit.register(shutil.rmtree, scratch, ignore_errors=True)
        return Cache(scratch, secrets.token_bytes(KEY_BYTES))


def _own_key() -> bytes:
    """Return the key that this user's arrays are sealed with, made at first use.

    It is in the user's state folder (XDG Base Directory Specification 0.8). Where that cannot be
    written to, a key for this run only: arrays are then made anew in the next.
    """
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    path = Path(state) / "palmwatt" / "cache.key"
    new = secrets.token_bytes(KEY_BYTES)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            part = path.with_name(f".{secrets.token_hex(8)}.part")
            part.touch(mode=0o600)
            part.write_bytes(new)
            with suppress(FileExistsError):  # another process was first: its key stays
                os.link(part, path)
            part.unlink()
        kept = read_limited(path, KEY_BYTES)
    except (OSError, Error):
        return new
    return kept if len(kept) == KEY_BYTES else new


def code_digest(*modules: ModuleType) -> str:
    """Return the SHA-256 of the text of some modules: another program may give other values."""
    digest = hashlib.sha256()
    for module in modules:
        digest.update(inspect.getsource(module).encode() + b"\0")
    return digest.hexdigest()


def fits_digest() -> str:
    """Return the SHA-256 of the code and the libraries' versions that a fit comes from.

    An import contract holds that no fit reaches what is left out.
    """
    return program_digest(NO_PART_IN_FITS)


def program_digest(left_out: Sequence[str] = ()) -> str:
    """Return the SHA-256 of all code and of the libraries' versions that a model comes from.

    Parameters
    ----------
    left_out : sequence of str
        Rooms, such as ``runtime/budget``, that what is kept does not depend on.
    """
    digest = hashlib.sha256()
    rooms = tuple(f"{room}/" for room in left_out)
    for package in ("trainer", "capture", "runtime"):
        root = Path(str(resources.files(package)))
        for file in sorted(root.rglob("*.py")):
            name = f"{package}/{file.relative_to(root).as_posix()}"
            if name.startswith(rooms):
                continue
            digest.update(f"{name}\0".encode() + file.read_bytes())
    for library in ("numpy", "scipy", "scikit-learn"):
        digest.update(f"{library} {version(library)}\0".encode())
    return digest.hexdigest()
