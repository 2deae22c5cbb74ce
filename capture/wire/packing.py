"""Counts as packed bytes: 4 to 16 bits a pixel, lowest bits first."""

from __future__ import annotations

import numpy as np

from capture.frames import Counts
from runtime.errors import FormatError
from runtime.sensor import LEAST_BITS, MOST_BITS

__all__ = ["pack_counts", "unpack_counts"]


_GROUPS = {
    10: (4, 5, np.arange(0, 40, 10, dtype=np.uint64)),
    12: (2, 3, np.arange(0, 24, 12, dtype=np.uint64)),
}
"""Pixels that fill whole bytes together, those bytes, and each pixel's lowest bit among theirs: a
group goes through one word of 64 bits."""


def packed_size(n_pixels: int, bits: int) -> int:
    """Bytes that `n_pixels` pixels of `bits` bits take."""
    return (n_pixels * bits + 7) // 8


def pack_counts(counts: Counts, bits: int) -> bytes:
    """Pack counts in row order, lowest bits first; the last byte is filled up with zeros.

    Parameters
    ----------
    counts : uint16 array, any shape
        Values below ``2**bits``.
    bits : int
        4 to 16. The layouts for 10 and 12 bits are Mono10p and Mono12p of the GenICam
        Pixel Format Naming Convention.

    Raises
    ------
    FormatError
        `bits` is outside of that, or a value does not fit.
    """
    flat = np.ravel(counts)
    _check(bits)
    if flat.size and int(flat.max()) >> bits:
        raise FormatError("pixels", "largest counts", int(flat.max()), f"below {1 << bits}")
    if bits == 16:
        return flat.astype("<u2").tobytes()
    if bits == 8:
        return flat.astype(np.uint8).tobytes()
    if bits not in (10, 12):
        return np.packbits(flat[:, None] >> _places(bits) & 1, bitorder="little").tobytes()
    if bits == 12:
        first, second = _columns(flat, 2)
        packed = np.empty((len(first), 3), np.uint8)
        packed[:, 0] = first
        packed[:, 1] = first >> 8 | second << 4
        packed[:, 2] = second >> 4
    else:
        a, b, c, d = _columns(flat, 4)
        packed = np.empty((len(a), 5), np.uint8)
        packed[:, 0] = a
        packed[:, 1] = a >> 8 | b << 2
        packed[:, 2] = b >> 6 | c << 4
        packed[:, 3] = c >> 4 | d << 6
        packed[:, 4] = d >> 2
    return packed.tobytes()[: packed_size(flat.size, bits)]


def _check(bits: int) -> None:
    if not LEAST_BITS <= bits <= MOST_BITS:
        raise FormatError("pixels", "bits a pixel", bits, f"{LEAST_BITS} to {MOST_BITS}")


def _places(bits: int) -> Counts:
    return np.arange(bits, dtype=np.uint16)


def _columns(flat: Counts, n: int) -> Counts:
    """Return the values as n columns, filled up with zeros; shape (n, ceil(size / n))."""
    padded = np.zeros((-(-flat.size // n), n), np.uint16)
    padded.ravel()[: flat.size] = flat
    return padded.T


def unpack_counts(packed: bytes | memoryview, n_pixels: int, bits: int) -> Counts:
    """Undo `pack_counts`: return uint16 counts of shape (n_pixels,).

    Raises
    ------
    FormatError
        `bits` is not 4 to 16, or `packed` is not exactly as long as that many pixels.
    """
    _check(bits)
    if len(packed) != packed_size(n_pixels, bits):
        raise FormatError("pixels", "length", len(packed), packed_size(n_pixels, bits))
    if bits == 16:
        return np.frombuffer(packed, "<u2").astype(np.uint16)
    if bits == 8:
        return np.frombuffer(packed, np.uint8).astype(np.uint16)
    if bits not in (10, 12):
        stream = np.unpackbits(np.frombuffer(packed, np.uint8), bitorder="little")
        bit_by_bit = stream[: n_pixels * bits].reshape(n_pixels, bits)
        return np.asarray(bit_by_bit.astype(np.uint16) @ (np.uint16(1) << _places(bits)))
    n_a_group, n_bytes, places = _GROUPS[bits]
    n_groups = -(-n_pixels // n_a_group)
    groups = np.zeros((n_groups, 8), np.uint8)
    if len(packed) == n_groups * n_bytes:
        groups[:, :n_bytes] = np.frombuffer(packed, np.uint8).reshape(n_groups, n_bytes)
    else:  # the last group is not whole
        whole = np.zeros(n_groups * n_bytes, np.uint8)
        whole[: len(packed)] = np.frombuffer(packed, np.uint8)
        groups[:, :n_bytes] = whole.reshape(n_groups, n_bytes)
    counts = (groups.view("<u8") >> places).astype(np.uint16) & np.uint16((1 << bits) - 1)
    return np.asarray(counts.ravel()[:n_pixels])
