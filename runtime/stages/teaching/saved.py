"""What was learned as bytes: the form that a device keeps over a reset, and a desk in a file.

Little-endian, without gaps:

| Bytes | Holds |
| --- | --- |
| 4 | ``PWEN`` |
| 1 | version of this form, 3 |
| 1 | 0 |
| 1 | n_slots: known classes and places for own gestures |
| 1 | n_kept: directions; with n_slots it says how many bytes there are |
| 32 | the first 32 characters of the model's identity, ASCII |
| 2 n_slots | takes that each class was learned from, int16, 0 and more |
| n_slots n_kept | rows: means of the classes, int8, -127 and more, one class after the other |
| 4 | CRC-32 of all before (IEEE 802.3) |

The twin in C is ``pw_enrol_save`` and ``pw_enrol_load``. Both tell first that the mark is missing,
then that the first eight bytes are cut, then another version, then damage, then another model; only
a file may have nothing behind its last byte.
"""

from __future__ import annotations

import zlib

import numpy as np

from runtime.errors import FormatError
from runtime.stages.contract.stage import Int32
from runtime.stages.teaching.lesson import KEPT_LIMIT, Sizes

__all__ = ["VERSION", "pack_learned", "read_learned", "saved_bytes"]

VERSION = 3
_MARK = b"PWEN"
_ID_CHARACTERS = 32
_FIRST_BYTES = 8  # fewer do not say what they are
_HEAD_BYTES = _FIRST_BYTES + _ID_CHARACTERS


def saved_bytes(sizes: Sizes) -> int:
    """Return how many bytes what was learned takes."""
    return _HEAD_BYTES + sizes.n_slots * (2 + sizes.n_kept) + 4


def _head(sizes: Sizes, model_id: str) -> bytes:
    mark = _MARK + bytes([VERSION, 0, sizes.n_slots, sizes.n_kept])
    return mark + model_id[:_ID_CHARACTERS].encode("ascii")


def pack_learned(sizes: Sizes, model_id: str, taught: Int32, rows: Int32) -> bytes:
    """Return what was learned as bytes.

    Parameters
    ----------
    sizes : Sizes
    model_id : str
        SHA-256 of the model, hexadecimal.
    taught : int32 (n_slots,)
    rows : int32 (n_slots, n_kept)
    """
    body = _head(sizes, model_id) + taught.astype("<i2").tobytes() + rows.astype("i1").tobytes()
    return body + zlib.crc32(body).to_bytes(4, "little")


def read_learned(sizes: Sizes, model_id: str, data: bytes, where: str) -> tuple[Int32, Int32]:
    """Read what was learned from untrusted bytes.

    Returns
    -------
    taught : int32 (n_slots,)
    rows : int32 (n_slots, n_kept)

    Raises
    ------
    FormatError
        It is no such state, of another version or another model, or damaged.
    """
    do = "enrol anew with this model"
    if data[:4] != _MARK:
        raise FormatError(where, "first bytes", repr(data[:4]), repr(_MARK), do)
    if len(data) >= _FIRST_BYTES and data[4] != VERSION:
        raise FormatError(where, "version", f"{data[4]:02x}", VERSION, do)
    # A cut or flipped file is told before whose it is: nothing in it is to be believed.
    told = len(data) > _HEAD_BYTES and _HEAD_BYTES + data[6] * (2 + data[7]) + 4 == len(data)
    if not told or zlib.crc32(data[:-4]).to_bytes(4, "little") != data[-4:]:
        raise FormatError(where, "enrolment", "damaged", "bytes with their checksum", do)
    head = _head(sizes, model_id)
    if data[: len(head)] != head:
        got = data[8:20].decode("ascii", "replace")
        raise FormatError(where, "model of the enrolment", repr(got), repr(model_id[:12]), do)
    at = len(head) + 2 * sizes.n_slots
    taught = np.frombuffer(data[len(head) : at], dtype="<i2").astype(np.int32)
    rows = np.frombuffer(data[at:-4], dtype="i1").astype(np.int32)
    if taught.min() < 0 or rows.min() < -KEPT_LIMIT:
        raise FormatError(where, "enrolment", "out of range", f"means to {KEPT_LIMIT}", do)
    return taught, rows.reshape(sizes.n_slots, sizes.n_kept)
