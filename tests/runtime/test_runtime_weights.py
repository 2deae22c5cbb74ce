"""Arrays of untrusted ``.npz`` files: whatever stands in them, the answer is one line."""

from __future__ import annotations

import struct
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.weights import pack_arrays, read_arrays

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


def as_3_11_2_began(entry: zipfile.ZipInfo, zip64: bool | None = None) -> bytes:
    """Begin a zip entry as Python before 3.11.4 did: its wide sizes are there and not pointed to.

    Written after its source (Lib/zipfile.py, ZipInfo.FileHeader, 3.11.2).
    """
    sizes = entry.compress_size, entry.file_size
    extra = struct.pack("<HHQQ", 1, 16, *sizes[::-1]) if zip64 else b""
    name = entry.filename.encode()
    head = struct.pack(
        "<4s2B4HL2L2H", b"PK\x03\x04", entry.extract_version, 0, entry.flag_bits,
        entry.compress_type, 0, 33, entry.CRC, *sizes, len(name), len(extra),
    )  # fmt: skip
    return head + name + extra


FRAMES = {
    name: np.random.default_rng(seed).integers(0, 64, (5, 8, 8), np.uint16)
    for seed, name in enumerate(("lit", "dark"))
}


@pytest.mark.parametrize("deflated", [False, True])
def test_bytes_hang_neither_on_python_s_minor_version_nor_on_the_system(
    monkeypatch: pytest.MonkeyPatch, deflated: bool
) -> None:
    """An archive's bytes are the same where zip entries are begun in another way, or on Windows."""
    whole = pack_arrays(FRAMES, deflated=deflated)
    monkeypatch.setattr(zipfile.ZipInfo, "FileHeader", as_3_11_2_began)
    monkeypatch.setattr("sys.platform", "win32")
    assert pack_arrays(FRAMES, deflated=deflated) == whole


def test_a_deflated_archive_is_what_numpy_writes(tmp_path: Path) -> None:
    """It is savez_compressed's, byte for byte, by a Python that marks wide sizes as it should.

    Those are in every local header, "ZIP64 extended information" (PKWARE's APPNOTE.TXT, 6.3.10,
    2022, sections 4.3.9.2, 4.4.3 and 4.5.3, from memory): version 45, sizes all ones.
    """
    whole = pack_arrays(FRAMES, deflated=True)
    (tmp_path / "ours.npz").write_bytes(whole)
    with np.load(tmp_path / "ours.npz") as found:
        assert list(found) == ["lit", "dark"]
        assert all(np.array_equal(found[name], FRAMES[name]) for name in FRAMES)
    with zipfile.ZipFile(tmp_path / "ours.npz") as ours:
        for entry in ours.infolist():
            version, *sizes = struct.unpack_from("<4xH12xLL", whole, entry.header_offset)
            at = entry.header_offset + 30 + len(entry.filename)
            assert (version, *sizes) == (45, 0xFFFFFFFF, 0xFFFFFFFF)
            assert struct.unpack_from("<HHQQ", whole, at) == (
                1, 16, entry.file_size, entry.compress_size
            )  # fmt: skip
    np.savez_compressed(tmp_path / "numpy.npz", **FRAMES)
    by_numpy = (tmp_path / "numpy.npz").read_bytes()
    if sys.version_info >= (3, 11, 4) and sys.platform != "win32":
        assert whole == by_numpy
    assert len(whole) == len(by_numpy)
