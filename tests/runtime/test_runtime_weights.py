"""Arrays of untrusted ``.npz`` files: whatever stands in them, the answer is one line."""

from __future__ import annotations

import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.weights import read_arrays

PLAIN = "{'descr': '<u2', 'fortran_order': False, 'shape': (%d, 32, 32), }\n"


def archive(path: Path, header: str, body: bytes, compression: int = zipfile.ZIP_STORED) -> None:
    """Write one array whose header is given as text."""
    start = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header))
    with zipfile.ZipFile(path, "w", compression) as file:
        file.writestr(zipfile.ZipInfo("lit.npy"), start + header.encode() + body, compression)


@pytest.mark.parametrize(
    "header",
    [
        PLAIN % 10**9,
        PLAIN % -1,
        PLAIN.replace("<u2", "|O") % 1,
        PLAIN.replace("<u2", ">u2") % 1,
        PLAIN.replace("False", "True") % 1,
        PLAIN.replace("'<u2'", "None") % 1,
        "{'descr",
        "(" * 900,
    ],
)
def test_a_header_that_lies_is_refused_before_memory_is_taken(tmp_path: Path, header: str) -> None:
    """A header that is no header, or claims more than the file holds, is one line."""
    archive(tmp_path / "a.npz", header, bytes(2048))
    with pytest.raises(FormatError, match=r"a\.npz"):
        read_arrays(tmp_path / "a.npz", ("uint16",))


@pytest.mark.parametrize(
    "compression",
    [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA],
)
def test_a_flipped_byte_gives_the_array_or_one_line(tmp_path: Path, compression: int) -> None:
    """However the array is packed, one wrong byte never leaks a library's own error."""
    path = tmp_path / "a.npz"
    counts = np.random.default_rng(0).integers(0, 4096, (1, 32, 32), np.uint16)
    archive(path, PLAIN % 1, counts.tobytes(), compression)
    whole = path.read_bytes()
    np.testing.assert_array_equal(read_arrays(path, ("uint16",))["lit"], counts)
    n_refused = 0
    for place in range(0, len(whole), 7):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        try:
            read_arrays(path, ("uint16",))
        except FormatError:
            n_refused += 1
    assert n_refused > len(whole) // 14


def test_arrays_larger_together_than_allowed_are_refused(tmp_path: Path) -> None:
    """The limit counts what all arrays take unpacked."""
    archive(tmp_path / "a.npz", PLAIN % 1, bytes(2048), zipfile.ZIP_DEFLATED)
    with pytest.raises(FormatError, match="at most 2048 bytes"):
        read_arrays(tmp_path / "a.npz", ("uint16",), 2048)
