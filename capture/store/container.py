"""The records of an MCAP file, walked within limits.

Not the library's reader, because a recording may come from anybody: every length is checked against
a limit before a byte of it is read or unpacked.
"""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import zstandard
from mcap.data_stream import ReadDataStream
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, Metadata

from runtime.errors import FormatError

__all__ = [
    "DAMAGE",
    "ENDS",
    "MAGIC",
    "MAX_RECORD",
    "RECORD",
    "StoredMessage",
    "chunk_messages",
    "messages",
    "metadata",
    "unpack_chunk",
]

MAGIC = b"\x89MCAP0\r\n"
"""How a file begins, and how a finished one ends."""
DAMAGE = (McapError, ValueError, KeyError, struct.error, zstandard.ZstdError, EOFError)
"""What reading a damaged record raises."""
RECORD = struct.Struct("<BQ")
"""How a record begins: its kind and its length."""
_CHUNK_TIMES = struct.Struct("<QQ")  # first and last log time, nanoseconds
_MESSAGE = struct.Struct("<HIQQ")  # channel, sequence, log time, publish time
MAX_RECORD = 32 * 2**20
"""Longest record that is read, and what a chunk may unpack to, bytes."""
ENDS = {Opcode.DATA_END: 4, Opcode.FOOTER: 20}
"""Records behind which there are no messages, and their lengths in bytes."""


@dataclass(frozen=True, slots=True)
class StoredMessage:
    """One message: its topic, the container's sequence and log time, and its bytes."""

    topic: str
    sequence: int
    time_us: int
    data: memoryview


def _records(file: BinaryIO, where: str, since_us: int = 0) -> Iterator[tuple[int, bytes]]:
    """Yield opcode and content of each record up to the end of the data section.

    Chunks that end before `since_us` are passed unread, but for the first: it names the channels.
    """
    file.seek(len(MAGIC))
    named = False
    while True:
        head = file.read(RECORD.size)
        if len(head) < RECORD.size:
            raise FormatError(where, "the file", "cut off", "finished")
        opcode, length = RECORD.unpack(head)
        if opcode in ENDS:
            if length != ENDS[opcode]:
                raise FormatError(where, "length of the closing record", length, ENDS[opcode])
            return
        if length > MAX_RECORD:
            raise FormatError(where, "length of a record", length, f"at most {MAX_RECORD}")
        content = b""
        if opcode == Opcode.CHUNK:
            if named and since_us and length >= _CHUNK_TIMES.size:
                content = file.read(_CHUNK_TIMES.size)
                times = _CHUNK_TIMES.unpack(content.ljust(_CHUNK_TIMES.size, b"\xff"))
                if times[1] < 1000 * since_us:
                    file.seek(length - len(content), os.SEEK_CUR)
                    continue
            named = True
        content += file.read(length - len(content))
        if len(content) < length:
            raise FormatError(where, "the file", "cut off", "finished")
        yield opcode, content


class _Content(io.BytesIO):
    """What stands in a record; gives no less than is requested."""

    def read(self, size: int | None = -1) -> bytes:
        if size is not None and size > len(self.getbuffer()) - self.tell():
            raise EOFError("a field passes the end of its record")
        return super().read(size)


def _stream(content: bytes) -> ReadDataStream:
    return ReadDataStream(_Content(content))


def unpack_chunk(content: bytes, where: str) -> memoryview:
    """Return the records in a chunk, which its check sum holds for; one of `DAMAGE` if not."""
    inside_record = _Content(content)
    chunk = Chunk.read(ReadDataStream(inside_record))
    if inside_record.tell() != len(content):  # its lengths are wiped: it only seems to be empty
        raise FormatError(where, "length of a chunk", inside_record.tell(), len(content))
    if chunk.uncompressed_size > MAX_RECORD:
        raise FormatError(where, "size of a chunk", chunk.uncompressed_size, f"<= {MAX_RECORD}")
    data = chunk.data
    if chunk.compression == "zstd":
        inside = zstandard.get_frame_parameters(data).content_size
        if inside != chunk.uncompressed_size:
            raise FormatError(where, "size inside a chunk", inside, chunk.uncompressed_size)
        data = zstandard.ZstdDecompressor().decompress(data, max_output_size=inside)
    elif chunk.compression:
        raise FormatError(where, "compression", repr(chunk.compression[:20]), "zstd or none")
    if len(data) != chunk.uncompressed_size:
        raise FormatError(where, "length of a chunk", len(data), chunk.uncompressed_size)
    if zlib.crc32(data) != chunk.uncompressed_crc:
        raise FormatError(where, "CRC-32 of a chunk", "wrong", f"{chunk.uncompressed_crc:#010x}")
    return memoryview(data)


def messages(path: Path, until_damage: bool = False, since_us: int = 0) -> Iterator[StoredMessage]:
    """Yield the messages of a file in order.

    Parameters
    ----------
    path : Path
        The file.
    until_damage : bool
        Damage, and the end of an unfinished file, ends the messages quietly.
    since_us : int
        Leave out, unread, the chunks that end before this time.

    Raises
    ------
    FormatError
        The file is damaged or unfinished; the message says where.
    """
    topics: dict[int, str] = {}
    with path.open("rb") as file:
        records = _records(file, str(path), since_us)
        while True:
            try:
                opcode, content = next(records)
                chunk = unpack_chunk(content, str(path)) if opcode == Opcode.CHUNK else None
                found = list(chunk_messages(chunk, topics)) if chunk is not None else []
            except StopIteration:
                return
            except DAMAGE as error:
                if until_damage:
                    return
                raise _with_the_offer(error, path, file.tell()) from None
            yield from found


def _with_the_offer(error: Exception, path: Path, place: int) -> FormatError:
    """Return what is wrong in a file, with what to do about it."""
    do = f"keep what is whole with: palmwatt repair {path}"
    if isinstance(error, FormatError):
        return FormatError(error.where, error.what, error.got, error.expected, do)
    return FormatError(str(path), f"the record before byte {place}", f"damaged ({error})", do=do)


def chunk_messages(chunk: memoryview, topics: dict[int, str]) -> Iterator[StoredMessage]:
    """Yield the messages of an unpacked chunk, and take the channels it names into `topics`."""
    place = 0
    while place < len(chunk):
        opcode, length = RECORD.unpack_from(chunk, place)
        start = place + RECORD.size
        place = start + length
        if place > len(chunk):
            raise EOFError("a record passes the end of its chunk")
        if opcode == Opcode.CHANNEL:
            channel = Channel.read(_stream(bytes(chunk[start:place])))
            topics[channel.id] = channel.topic
        elif opcode == Opcode.MESSAGE:
            channel_id, sequence, log_ns, _ = _MESSAGE.unpack_from(chunk, start)
            data = chunk[start + _MESSAGE.size : place]
            yield StoredMessage(topics[channel_id], sequence, log_ns // 1000, data)


def metadata(path: Path, name: str) -> dict[str, str]:
    """Return the texts of the first metadata record of a name.

    Raises
    ------
    FormatError
        There is none.
    Exception
        One of `DAMAGE`: what is there is damaged.
    """
    with path.open("rb") as file:
        for opcode, content in _records(file, str(path)):
            if opcode == Opcode.METADATA:
                record = Metadata.read(_stream(content))
                if record.name == name:
                    texts: dict[str, str] = record.metadata
                    return texts
    raise FormatError(str(path), "the header", "missing", "a session's metadata record")
