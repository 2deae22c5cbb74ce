"""Packets between sensor and host, version 1; ``PROTOCOL.md`` beside this file is the same for C.

A packet is header, body and CRC-32, all little-endian, encoded with COBS and closed by one zero
byte::

    offset  size  field
         0     1  version    1
         1     1  kind       see below
         2     4  sequence   frame pair of an exposure; number of a command or of the command
                             that is acknowledged; else 0
         6     8  time_us    device clock, microseconds; 0 in a command
        14     n  body       by kind
      14+n     4  crc        CRC-32 of ISO-HDLC (zlib) over everything before it

COBS (Cheshire and Baker, "Consistent Overhead Byte Stuffing", 1999) keeps zero out of the packet,
so that a receiver that lost its place finds it again at the next zero: noise costs the packet it
hits and no other.
"""

from __future__ import annotations

import enum
import struct
import zlib
from dataclasses import dataclass, field

from cobs import cobs

from capture.wire.description import pack_description, read_description
from capture.wire.messages import (
    MAX_SIDE,
    Acknowledge,
    Command,
    CommandKind,
    Description,
    Exposure,
    Message,
    Result,
    Status,
    check_range,
)
from capture.wire.packing import pack_counts, unpack_counts
from runtime.errors import FormatError

__all__ = [
    "MAX_PACKET",
    "Acknowledge",
    "Command",
    "CommandKind",
    "Decoder",
    "Description",
    "Exposure",
    "Message",
    "Result",
    "Status",
    "WireCounts",
    "decode",
    "encode",
]

VERSION = 1
_HEADER = struct.Struct("<BBIQ")
_CRC = struct.Struct("<I")
_EXPOSURE = struct.Struct("<BBHHH")  # lit, bits, first_row, n_rows, n_cols
_STATUS = struct.Struct("<hHI")  # temperature 0.01 C, supply mV, overruns
_COMMAND = struct.Struct("<BI")  # command, value
_ACKNOWLEDGE = struct.Struct("<BBI")  # command, result, value in force

_MAX_DECODED = _HEADER.size + _EXPOSURE.size + 2 * MAX_SIDE**2 + _CRC.size
MAX_PACKET = _MAX_DECODED + _MAX_DECODED // 254 + 1
"""Longest packet on the wire without its zero, bytes."""


class _Kind(enum.IntEnum):
    DESCRIPTION = 1
    EXPOSURE = 2
    STATUS = 3
    ACKNOWLEDGE = 4
    COMMAND = 16


def _read_exposure(body: memoryview, sequence: int, time_us: int) -> Exposure:
    lit, bits, first_row, n_rows, n_cols = _EXPOSURE.unpack_from(body)
    check_range("lit", lit, 0, 1)
    check_range("n_rows", n_rows, 1, MAX_SIDE)
    check_range("n_cols", n_cols, 1, MAX_SIDE)
    check_range("first_row", first_row, 0, MAX_SIDE - n_rows)
    counts = unpack_counts(body[_EXPOSURE.size :], n_rows * n_cols, bits)
    return Exposure(bool(lit), sequence, time_us, counts.reshape(n_rows, n_cols), bits, first_row)


def encode(message: Message) -> bytes:
    """Return the bytes of one message on the wire, closed by its zero.

    Raises
    ------
    FormatError
        A value of the message does not fit its field.
    """
    sequence = 0 if isinstance(message, Description | Status) else message.sequence
    time_us = 0 if isinstance(message, Command) else message.time_us
    check_range("sequence", sequence, 0, 2**32 - 1)
    check_range("time_us", time_us, 0, 2**64 - 1)
    try:
        match message:
            case Description():
                kind, body = _Kind.DESCRIPTION, pack_description(message)
            case Exposure(lit=lit, counts=counts, bits=bits, first_row=first_row):
                n_rows, n_cols = counts.shape
                check_range("n_rows", n_rows, 1, MAX_SIDE)
                check_range("n_cols", n_cols, 1, MAX_SIDE)
                check_range("first_row", first_row, 0, MAX_SIDE - n_rows)
                head = _EXPOSURE.pack(lit, bits, first_row, n_rows, n_cols)
                kind, body = _Kind.EXPOSURE, head + pack_counts(counts, bits)
            case Status():
                steps = round(message.temperature_c * 100)
                kind = _Kind.STATUS
                body = _STATUS.pack(steps, message.supply_mv, message.overruns)
            case Command():
                kind, body = _Kind.COMMAND, _COMMAND.pack(message.kind, message.value)
            case Acknowledge():
                kind = _Kind.ACKNOWLEDGE
                body = _ACKNOWLEDGE.pack(message.kind, message.result, message.value)
    except struct.error as error:
        name = type(message).__name__.lower()
        raise FormatError("packet", f"a value of the {name}", f"wrong ({error})") from None
    packet = _HEADER.pack(VERSION, kind, sequence, time_us) + body
    stuffed: bytes = cobs.encode(packet + _CRC.pack(zlib.crc32(packet)))
    return stuffed + b"\0"


def decode(packet: bytes) -> Message | None:
    """Return the message of one packet, without its zero; None if its version or kind is unknown.

    Raises
    ------
    FormatError
        The packet is not COBS, its CRC is wrong, or its body is not what its kind asks for.
    """
    try:
        raw = cobs.decode(packet)
    except cobs.DecodeError as error:
        raise FormatError("packet", "framing", f"wrong ({error})") from None
    if len(raw) < _HEADER.size + _CRC.size:
        raise FormatError("packet", "length", len(raw), f"{_HEADER.size + _CRC.size} or more")
    view = memoryview(raw)
    (crc,) = _CRC.unpack(view[-_CRC.size :])
    if zlib.crc32(view[: -_CRC.size]) != crc:
        raise FormatError("packet", "CRC-32", "wrong", f"{crc:#010x}")
    version, kind, sequence, time_us = _HEADER.unpack_from(view)
    if version != VERSION or kind not in _KINDS:
        return None
    body = view[_HEADER.size : -_CRC.size]
    try:
        match kind:
            case _Kind.EXPOSURE:
                return _read_exposure(body, sequence, time_us)
            case _Kind.DESCRIPTION:
                return read_description(body, time_us)
            case _Kind.STATUS:
                steps, supply_mv, overruns = _STATUS.unpack(body)
                return Status(time_us, steps / 100, supply_mv, overruns)
            case _Kind.COMMAND:
                command, value = _COMMAND.unpack(body)
                return Command(CommandKind(command), value, sequence)
            case _:
                command, result, value = _ACKNOWLEDGE.unpack(body)
                return Acknowledge(command, Result(result), value, sequence, time_us)
    except FormatError:
        raise
    except (struct.error, IndexError, ValueError) as error:
        raise FormatError("packet", f"body of kind {kind}", f"wrong ({error})") from None


_KINDS = frozenset(_Kind)


@dataclass(slots=True)
class WireCounts:
    """What a decoder has seen; grows as it works.

    Parameters
    ----------
    good : int
        Messages handed out.
    corrupt : int
        Packets with wrong framing, CRC, length or values; thrown away.
    unknown : int
        Sound packets of another version or kind; thrown away.
    repeated : int
        Exposures that had been seen before, or come too late to tell; thrown away.
    reordered : int
        Exposures that came after a later one; handed out.
    missing : int
        Exposures that a later one shows to be lost; one that still comes is taken off again.
    doubted : int
        Exposures far ahead of all others, with none beside them to bear them out; thrown away.
    """

    good: int = 0
    corrupt: int = 0
    unknown: int = 0
    repeated: int = 0
    reordered: int = 0
    missing: int = 0
    doubted: int = 0


@dataclass(slots=True)
class _Order:
    """Which exposures of the current run have come, remembered for the last 128 of them.

    One that is far ahead may be a wrong number in a sound packet: believed, it would make every
    true one behind it too late. So it waits for a second one beside it, as RFC 3550, appendix A.1,
    has it for the sequence numbers of RTP (2003; its MAX_DROPOUT is 3000).
    """

    SPAN = 128
    LEAP = 3000
    started: bool = False  # the run counts from 0; else the first exposure is believed as it comes
    next_index: int = 0
    seen: int = 0  # bit k: exposure next_index - 1 - k has come
    doubted: int | None = None  # the last one that was too far ahead to be believed alone

    def accept(self, exposure: Exposure, counts: WireCounts) -> bool:
        """Return whether the exposure is new, and count what its place says."""
        index = 2 * exposure.sequence + (not exposure.lit)
        step = index - self.next_index
        known = self.started or self.seen
        if known and step >= self.LEAP and not self._borne_out(index):
            counts.doubted += 1
            return False
        if step >= 0:
            counts.missing += step
            self.seen = (self.seen << min(step + 1, self.SPAN) | 1) & ((1 << self.SPAN) - 1)
            self.next_index = index + 1
            return True
        if -step > self.SPAN:
            counts.repeated += 1
            return False
        place = 1 << (-step - 1)
        if self.seen & place:
            counts.repeated += 1
            return False
        self.seen |= place
        counts.reordered += 1
        counts.missing -= 1
        return True

    def _borne_out(self, index: int) -> bool:
        """Return whether the last one that was doubted was a little before this one."""
        before, self.doubted = self.doubted, index
        return before is not None and 0 < index - before <= self.SPAN


@dataclass(slots=True)
class Decoder:
    """Turns bytes, in pieces of any size, into messages; holds at most one packet.

    The acknowledge of a START begins a new run: exposures count from sequence 0 again.
    """

    counts: WireCounts = field(default_factory=WireCounts)
    _pending: bytearray = field(default_factory=bytearray)
    _overlong: bool = False
    _order: _Order = field(default_factory=_Order)

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages that `data` completes, each exposure at most once.

        Never raises: what is not a sound packet is counted and passed over.
        """
        first, *others = data.split(b"\0")
        if not others:
            self._hold(first)
            return []
        self._hold(first)
        packets = [bytes(self._pending)]
        if self._overlong:
            self.counts.corrupt += 1
            packets = []
        packets += others[:-1]
        self._pending.clear()
        self._overlong = False
        self._hold(others[-1])
        messages = []
        for packet in packets:
            message = self._read(packet) if packet else None
            if message is not None:
                self.counts.good += 1
                messages.append(message)
        return messages

    def restart(self) -> None:
        """Forget half a packet and the order of exposures: the port was opened anew."""
        self._pending.clear()
        self._overlong = False
        self._order = _Order()

    def _hold(self, piece: bytes) -> None:
        if self._overlong or len(self._pending) + len(piece) > MAX_PACKET:
            self._overlong = True
            self._pending.clear()
        else:
            self._pending += piece

    def _read(self, packet: bytes) -> Message | None:
        if len(packet) > MAX_PACKET:
            self.counts.corrupt += 1
            return None
        try:
            message = decode(packet)
        except FormatError:
            self.counts.corrupt += 1
            return None
        if message is None:
            self.counts.unknown += 1
        elif isinstance(message, Exposure):
            return message if self._order.accept(message, self.counts) else None
        elif (
            isinstance(message, Acknowledge)
            and message.kind == CommandKind.START
            and message.result == Result.DONE
        ):
            self._order = _Order(started=True)
        return message
