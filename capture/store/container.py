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

__all__ = ["DAMAGE", "MAGIC", "StoredMessage", "damaged_before_its_end", "messages", "metadata"]

MAGIC = b"\x89MCAP0\r\n"
"""How a file begins, and how a finished one ends."""
DAMAGE = (McapError, ValueError, KeyError, struct.error, zstandard.ZstdError, EOFError)
"""What reading a damaged record raises."""
_RECORD = struct.Struct("<BQ")
_CHUNK_TIMES = struct.Struct("<QQ")  # first and last log time, nanoseconds
_MESSAGE = struct.Struct("<HIQQ")  # channel, sequence, log time, publish time
_MAX_RECORD = 32 * 2**20
_ENDS = {Opcode.DATA_END: 4, Opcode.FOOTER: 20}
"""Records behind which there are no messages, and their lengths in bytes."""
_LONGEST_CUT = 2 * 2**20
"""More than any one record that a recorder writes."""


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
        head = file.read(_RECORD.size)
        if len(head) < _RECORD.size:
            raise FormatError(where, "the file", "cut off", "finished")
        opcode, length = _RECORD.unpack(head)
        if opcode in _ENDS:
            if length != _ENDS[opcode]:
                raise FormatError(where, "length of the closing record", length, _ENDS[opcode])
            return
        if length > _MAX_RECORD:
            raise FormatError(where, "length of a record", length, f"at most {_MAX_RECORD}")
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


def _unpack_chunk(content: bytes, where: str) -> memoryview:
    chunk = Chunk.read(_stream(content))
    if chunk.uncompressed_size > _MAX_RECORD:
        raise FormatError(where, "size of a chunk", chunk.uncompressed_size, f"<= {_MAX_RECORD}")
    data = chunk.data
    if chunk.compression == "zstd":
        inside = zstandard.get_frame_parameters(data).content_size
        if inside != chunk.uncompressed_size:
            raise FormatError(where, "size inside a chunk", inside, chunk.uncompressed_size)
        data = zstandard.ZstdDecompressor().decompress(data, max_output_size=inside)
    elif chunk.compression:
        raise FormatError(where, "compression", repr(chunk.compression[:20]), "zstd or none")
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
                chunk = _unpack_chunk(content, str(path)) if opcode == Opcode.CHUNK else None
                found = list(_chunk_messages(chunk, topics)) if chunk is not None else []
            except StopIteration:
                return
            except DAMAGE as error:
                if until_damage:
                    return
                if isinstance(error, FormatError):
                    raise
                raise FormatError(
                    str(path), f"the record before byte {file.tell()}", f"damaged ({error})"
                ) from None
            yield from found


def _chunk_messages(chunk: memoryview, topics: dict[int, str]) -> Iterator[StoredMessage]:
    place = 0
    while place < len(chunk):
        opcode, length = _RECORD.unpack_from(chunk, place)
        start = place + _RECORD.size
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


def damaged_before_its_end(path: Path) -> bool:
    """Tell whether an unfinished file is more than cut inside its last record or its index."""
    size = path.stat().st_size
    with path.open("rb") as file:
        sound = len(MAGIC)
        try:
            for opcode, content in _records(file, str(path)):
                if opcode == Opcode.CHUNK:
                    _unpack_chunk(content, str(path))
                sound = file.tell()
        except DAMAGE:
            pass  # where it was met is judged below
        else:
            return False  # every message is there; what is cut is the index behind them
        # A cut is met at the end of the file; a wrong length may reach there too, from far off.
        return file.tell() < size or size - sound > _LONGEST_CUT
