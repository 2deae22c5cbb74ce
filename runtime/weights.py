"""Arrays in one ``.npz`` file, without pickle, the same bytes every time."""

from __future__ import annotations

import io
import lzma
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from runtime.errors import FormatError

__all__ = ["pack_arrays", "read_arrays"]

_MAX_BYTES = 64 << 20
_MAX_ARRAYS = 512
_DTYPES = ("int8", "int16", "int32", "float64")
_WIDE_VERSION = 45  # that a reader of them needs
_UNIX = 3  # of a zip entry's "version made by"
_SIZES_AT = 18  # in an entry's local header: compressed size, then size
_WIDE = 0xFFFFFFFF  # in their place: they stand behind the name, in eight bytes each
# What zipfile, its decompressors and NumPy's parser of headers raise on bytes that are not theirs.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    tokenize.TokenError,
    ValueError,
    EOFError,
    NotImplementedError,
    RuntimeError,
)


def pack_arrays(arrays: Mapping[str, NDArray[Any]], *, deflated: bool = False) -> bytes:
    """Return an ``.npz`` file that hangs on its arrays only, by any Python on any system.

    Zip entries carry no time, and what they say of the system is fixed. Deflated, it has the bytes
    that NumPy's ``savez_compressed`` writes by Python 3.11.4 and later: sizes of eight bytes in
    each entry, and ones in the place of those of four. Python before that left these as they were.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        By name.
    deflated : bool
        Whether to compress them.
    """
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, array in arrays.items():
            member = io.BytesIO()
            npy.write_array(member, array, allow_pickle=False)
            entry = zipfile.ZipInfo(f"{name}.npy")
            entry.create_system = _UNIX
            if deflated:
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.create_version = entry.extract_version = _WIDE_VERSION
            with archive.open(entry, "w", force_zip64=deflated) as file:
                file.write(member.getvalue())
    packed = bytearray(buffer.getvalue())
    if deflated:
        for entry in archive.infolist():
            struct.pack_into("<LL", packed, entry.header_offset + _SIZES_AT, _WIDE, _WIDE)
    return bytes(packed)


def read_arrays(
    path: Path, dtypes: Sequence[str] = _DTYPES, max_bytes: int = _MAX_BYTES
) -> dict[str, NDArray[Any]]:
    """Read an untrusted ``.npz`` file; every size is checked before memory is taken.

    Parameters
    ----------
    path : Path
        The file.
    dtypes : sequence of str
        Names of the types that an array may have.
    max_bytes : int
        How large all arrays may be together, unpacked.

    Returns
    -------
    dict of str to ndarray
        Arrays by name; they cannot be written to.

    Raises
    ------
    FormatError
        It is missing, cut, too large, or holds anything but plain arrays.
    """
    where = str(path)
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if len(members) > _MAX_ARRAYS or sum(m.file_size for m in members) > max_bytes:
                raise FormatError(where, "size", "too large", f"at most {max_bytes} bytes")
            arrays = {}
            for member in members:
                with archive.open(member) as file:
                    arrays[member.filename.removesuffix(".npy")] = _read_array(
                        file, member.file_size, dtypes, f"{where}, {member.filename}"
                    )
            return arrays
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FormatError(where, "the file", f"unreadable ({reason})") from None
    except FormatError:
        raise
    except _DAMAGE:
        raise FormatError(where, "content", "damaged", "an npz file of plain arrays") from None


def _read_array(file: IO[bytes], size: int, dtypes: Sequence[str], where: str) -> NDArray[Any]:
    """Read one member that claims `size` bytes; its header must claim the same."""
    npy.read_magic(file)
    shape, fortran, dtype = npy.read_array_header_1_0(file, max_header_size=1000)
    if fortran or dtype.name not in dtypes or not dtype.isnative:
        raise FormatError(where, "dtype", dtype, f"one of {', '.join(dtypes)}, C order")
    n_bytes = int(np.prod(shape, dtype=object)) * dtype.itemsize
    if not 0 < n_bytes < size:
        raise FormatError(where, "bytes", n_bytes, f"below {size}")
    data = file.read(size)
    if len(data) != n_bytes:
        raise FormatError(where, "bytes", len(data), n_bytes)
    return np.frombuffer(data, dtype).reshape(shape)
