"""The C99 sender: compiled, run, and its bytes decoded by the host."""

from __future__ import annotations

import ctypes
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from sender_on_a_core import encode_on_core

import capture
from capture.frames import Counts
from capture.wire.codec import (
    Acknowledge,
    Command,
    Decoder,
    Description,
    Exposure,
    Message,
    Status,
    encode,
)
from capture.wire.messages import CommandKind, Result
from runtime.sensor import Aperture, Sensor

SOURCE = Path(capture.__file__).parent / "sender" / "pw_send.c"
# What a board brings: the two functions of string.h that the sender uses.
STRING = """
#include <stddef.h>
void *memset(void *to, int byte, size_t n) { unsigned char *p = to; while (n--) *p++ = (unsigned char)byte; return to; }
void *memcpy(void *to, const void *from, size_t n) { unsigned char *p = to; const unsigned char *q = from; while (n--) *p++ = *q++; return to; }
size_t strlen(const char *text) { size_t n = 0; while (text[n]) n++; return n; }
"""  # noqa: E501  # C on one line each
# A CRC unit as a board describes it; here it is a register that software works.
CRC_UNIT = """
static uint32_t crc_unit;
static inline void crc_unit_feed(uint8_t byte)
{
    crc_unit ^= byte;
    for (int i = 0; i < 8; i++) { crc_unit = (crc_unit >> 1) ^ (crc_unit & 1u ? 0xEDB88320u : 0u); }
}
#define PW_CRC_START() ((void)(crc_unit = 0xFFFFFFFFu))
#define PW_CRC_FEED(byte) crc_unit_feed(byte)
#define PW_CRC_VALUE() (crc_unit ^ 0xFFFFFFFFu)
"""
OPTIONS = {"table": (), "small": ("-DPW_CRC_SMALL",), "unit": ('-DPW_CRC_HEADER="crc_unit.h"',)}


class CAperture(ctypes.Structure):
    _fields_ = (
        ("x_um", ctypes.c_int32),
        ("y_um", ctypes.c_int32),
        ("first_row", ctypes.c_uint16),
        ("n_rows", ctypes.c_uint16),
        ("first_col", ctypes.c_uint16),
        ("n_cols", ctypes.c_uint16),
    )


class CDescription(ctypes.Structure):
    _fields_ = (
        ("n_rows", ctypes.c_uint16),
        ("n_cols", ctypes.c_uint16),
        ("first_row", ctypes.c_uint16),
        ("bit_depth", ctypes.c_uint8),
        ("black_level_counts", ctypes.c_uint16),
        ("conversion_gain", ctypes.c_uint32),
        ("read_noise", ctypes.c_uint32),
        ("dark_signal", ctypes.c_uint64),
        ("full_well", ctypes.c_uint32),
        ("exposure", ctypes.c_uint32),
        ("frame_rate", ctypes.c_uint32),
        ("led_current", ctypes.c_uint32),
        ("led_wavelength", ctypes.c_uint32),
        ("led_offset", ctypes.c_uint32),
        ("sensor", ctypes.c_char_p),
        ("unit", ctypes.c_char_p),
        ("firmware", ctypes.c_char_p),
        ("apertures", ctypes.POINTER(CAperture)),
        ("n_apertures", ctypes.c_uint8),
    )


class CCommand(ctypes.Structure):
    _fields_ = (
        ("command", ctypes.c_uint8),
        ("value", ctypes.c_uint32),
        ("sequence", ctypes.c_uint32),
    )


class CExposure(ctypes.Structure):
    _fields_ = (
        ("lit", ctypes.c_uint8),
        ("bits", ctypes.c_uint8),
        ("first_row", ctypes.c_uint16),
        ("n_rows", ctypes.c_uint16),
        ("n_cols", ctypes.c_uint16),
        ("sequence", ctypes.c_uint32),
        ("time_us", ctypes.c_uint64),
    )


class Sender:
    """The compiled sender with a wire that takes what is pending in pieces of its own size."""

    def __init__(self, library: Path) -> None:
        self.c = ctypes.CDLL(str(library))
        self.c.pw_pending.restype = ctypes.c_size_t
        self.port = ctypes.create_string_buffer(1024)
        self.memory = np.zeros(0, np.uint16)  # of the exposure that waits
        self.c.pw_port_init(self.port)

    def take(self, n_bytes: int = 2**20) -> bytes:
        """Take at most so many of the bytes that wait in one piece."""
        at = ctypes.c_void_p()
        n = min(self.c.pw_pending(self.port, ctypes.byref(at)), n_bytes)
        if not n:
            return b""
        taken = ctypes.string_at(at, n)
        self.c.pw_taken(self.port, ctypes.c_size_t(n))
        return taken

    def drain(self, n_bytes: int = 2**20) -> bytes:
        """Take all that waits, at most so many bytes at once."""
        return b"".join(iter(lambda: self.take(n_bytes), b""))

    def messages(self) -> list[Message]:
        """Drain the port and decode what came."""
        decoder = Decoder()
        got = decoder.feed(self.drain())
        assert decoder.counts.corrupt == decoder.counts.unknown == 0
        return got

    def expose(self, exposure: Exposure, *, in_place: bool = True) -> int:
        """Ask for an exposure to be sent, encoded where its counts lie or elsewhere."""
        counts = np.ascontiguousarray(exposure.counts)
        counts_at = 13 + counts.size // 254  # PW_COUNTS_AT, and below PW_EXPOSURE_WORDS
        n_words = counts_at + counts.size + 3
        memory = np.full(n_words + 8, 0x5A5A, np.uint16)
        within = memory[counts_at : counts_at + counts.size] if in_place else counts.ravel().copy()
        within[:] = counts.ravel()
        c = CExposure(
            exposure.lit,
            exposure.bits,
            exposure.first_row,
            *counts.shape,
            exposure.sequence,
            exposure.time_us,
        )
        pointers = (array.ctypes.data_as(ctypes.c_void_p) for array in (within, memory))
        sent = self.c.pw_send_exposure(self.port, ctypes.byref(c), *pointers)
        if sent:
            self.memory = memory
        assert (memory[n_words:] == 0x5A5A).all()  # nothing is written behind the memory
        return int(sent)

    def receive(self, data: bytes) -> list[tuple[int, int, int]]:
        command = CCommand()
        got = []
        for byte in data:
            if self.c.pw_receive(self.port, byte, ctypes.byref(command)):
                got.append((command.command, command.value, command.sequence))
        return got


@pytest.fixture(scope="module", params=OPTIONS)
def library(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sender")
    (folder / "string.c").write_text(STRING)
    (folder / "crc_unit.h").write_text(CRC_UNIT)
    path = folder / "sender.so"
    subprocess.run(
        [
            *(sys.executable, "-m", "ziglang", "cc", "-std=c99", "-O2", "-shared", "-fPIC"),
            *("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror", "-nostdlib"),
            *("-fno-builtin", "-fno-sanitize=all", str(SOURCE), str(folder / "string.c")),
            *(f"-I{folder}", *OPTIONS[request.param], "-o", str(path)),
        ],
        check=True,
    )
    return path


@pytest.fixture
def sender(library: Path) -> Iterator[Sender]:
    yield Sender(library)


def some_counts(rng: np.random.Generator, shape: tuple[int, int], bits: int) -> Counts:
    """Counts that fill blocks of COBS, break them often, or are few bits of many."""
    used = rng.integers(1, bits + 1)
    counts = rng.integers(0, 1 << used, shape, np.uint16)
    counts[rng.random(shape) < rng.choice([0, 0, 0.01, 0.3, 1])] = 0
    return np.where(rng.random() < 0.3, counts | 0x55 & (1 << bits) - 1, counts).astype(np.uint16)


@pytest.mark.parametrize("bits", [4, 6, 7, 8, 10, 11, 12, 14, 16])
def test_exposures_from_c_are_those_of_the_host(sender: Sender, bits: int) -> None:
    """Every exposure that the C sender packs, in place or not, is byte for byte the host's."""
    rng = np.random.default_rng([bits, 7])
    shapes = [(256, 256), (1, 1), (3, 5), (32, 32), (64, 64)]
    shapes += [(int(rng.integers(1, 9)), int(rng.integers(1, 256))) for _ in range(150)]
    for number, shape in enumerate(shapes):
        counts = some_counts(rng, shape, bits)
        wanted = Exposure(number % 2 == 0, 4_000_000_000, 2**60 + 5, counts, bits, number % 7)
        assert sender.expose(wanted, in_place=number % 3 > 0)
        assert sender.drain() == encode(wanted), (shape, bits)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_long_runs_without_a_zero_are_framed_alike(sender: Sender, bits: int) -> None:
    """Exposures without any zero byte, of all lengths around a COBS block, are the host's."""
    for n_cols in range(60, 257):
        counts = np.full((1, n_cols), 0x5555 & (1 << bits) - 1, np.uint16)
        wanted = Exposure(True, 0x01010101, 0x0101010101010101, counts, bits, 0x0)
        assert sender.expose(wanted)
        packet = sender.drain()
        raw = cobs.decode(packet[:-1])
        assert zlib.crc32(raw[:-4]) == int.from_bytes(raw[-4:], "little")
        assert packet == encode(wanted)


def test_nothing_waits_and_nothing_is_lost(sender: Sender) -> None:
    """A full port says so and sends nothing of what it refused; answers pass between exposures."""
    counts = np.full((8, 8), 300, np.uint16)
    first, second = (Exposure(lit, 1, 2, counts, 12, 0) for lit in (True, False))
    command = CCommand(command=2, value=0, sequence=9)

    def acknowledge() -> int:
        time_us, value = ctypes.c_uint64(3), ctypes.c_uint32(0)
        c = ctypes.byref(command)
        return int(sender.c.pw_send_acknowledge(sender.port, time_us, c, 0, value))

    assert sender.take() == b"" and not sender.c.pw_exposure_waits(sender.port)
    assert sender.expose(first) and not sender.expose(second)
    start = sender.take(10)
    n_answers = 0
    while acknowledge():
        n_answers += 1
    assert n_answers == 384 // 26  # PW_SHORT_BYTES, and an acknowledge of 24 bytes, code and zero
    assert sender.c.pw_exposure_waits(sender.port)
    packets = (start + sender.drain(7)).split(b"\0")
    assert packets[0] + b"\0" == encode(first)
    answer = encode(Acknowledge(CommandKind.START, Result.DONE, 0, 9, 3))
    assert packets[1:] == [answer[:-1]] * n_answers + [b""]
    assert sender.expose(second) and acknowledge()
    assert sender.drain() == answer + encode(second)


def test_an_answer_may_come_while_the_wire_is_busy(sender: Sender) -> None:
    """What was handed to the wire is what it took, though an answer was sent in the meantime."""
    counts = np.full((8, 8), 300, np.uint16)
    wanted = Exposure(True, 1, 2, counts, 12, 0)
    assert sender.expose(wanted)
    at = ctypes.c_void_p()
    n_bytes = sender.c.pw_pending(sender.port, ctypes.byref(at))
    handed = ctypes.string_at(at, n_bytes)
    command, time_us = CCommand(command=2, value=0, sequence=9), ctypes.c_uint64(3)
    value = ctypes.c_uint32(0)
    assert sender.c.pw_send_acknowledge(sender.port, time_us, ctypes.byref(command), 0, value)
    sender.c.pw_taken(sender.port, ctypes.c_size_t(n_bytes))
    assert not sender.c.pw_exposure_waits(sender.port)
    assert handed == encode(wanted)
    assert sender.drain() == encode(Acknowledge(CommandKind.START, Result.DONE, 0, 9, 3))


@pytest.mark.slow
@pytest.mark.parametrize("core", ["cortex-m0plus", "rv32imc"])
@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_a_core_encodes_as_the_host_does(core: str, bits: int) -> None:
    """The smallest cores make the same packet, within 15 executed instructions a byte."""
    counts = np.random.default_rng(bits).integers(0, 1 << bits, (32, 32), np.uint16)
    packet, n_executed = encode_on_core(counts, bits, core)
    assert packet == encode(Exposure(True, 77, 123_456_789, counts, bits, 0))
    assert n_executed <= 15 * len(packet)


@pytest.mark.parametrize("n_apertures", [0, 2, 4])
def test_description_status_and_acknowledge_from_c(sender: Sender, n_apertures: int) -> None:
    """Description, status and acknowledge of the C sender mean what they say."""
    apertures = tuple(
        Aperture(1.86 * k - 0.93, -0.005 * k, 6 * k, 6, k, 8 + k) for k in range(n_apertures)
    )
    c_apertures = (CAperture * 4)(
        *((1860 * k - 930, -5 * k, 6 * k, 6, k, 8 + k) for k in range(n_apertures))
    )
    sensor = Sensor(
        "lensless",
        24,
        32,
        10,
        conversion_gain_dn_per_e=0.280769,
        read_noise_e=10.9,
        exposure_us=150.25,
        frame_rate_hz=59.94,
        apertures=apertures,
    )
    c = CDescription(
        n_rows=24,
        n_cols=32,
        first_row=4,
        bit_depth=10,
        black_level_counts=64,
        conversion_gain=280_769,
        read_noise=10_900,
        dark_signal=500_000,
        full_well=16_000,
        exposure=150_250,
        frame_rate=59_940,
        led_current=100_000,
        led_wavelength=940_000,
        led_offset=2_000,
        sensor=b"lensless",
        unit=b"board 7",
        firmware=b"2.1",
        apertures=c_apertures,
        n_apertures=n_apertures,
    )
    sender.c.pw_send_description(sender.port, ctypes.c_uint64(12), ctypes.byref(c))
    sender.c.pw_send_status(
        sender.port, ctypes.c_uint64(13), ctypes.c_int16(-1050), 3290, ctypes.c_uint32(9)
    )
    command = CCommand(command=4, value=100, sequence=77)
    sender.c.pw_send_acknowledge(
        sender.port, ctypes.c_uint64(14), ctypes.byref(command), 2, ctypes.c_uint32(150_250)
    )
    assert sender.messages() == [
        Description(sensor, "board 7", "2.1", 4, 12),
        Status(13, -10.5, 3290, 9),
        Acknowledge(CommandKind.SET_EXPOSURE, Result.OUT_OF_RANGE, 150_250, 77, 14),
    ]


def test_the_clock_is_answered_in_c(sender: Sender) -> None:
    """The answer to *clock* tells when the command came and how long it was held."""
    command = CCommand(command=8, value=0, sequence=5)
    sender.c.pw_send_clock(
        sender.port, ctypes.c_uint64(2**40), ctypes.c_uint64(2**40 + 37), ctypes.byref(command)
    )
    assert sender.messages() == [Acknowledge(CommandKind.CLOCK, Result.DONE, 37, 5, 2**40)]


def test_commands_are_received_in_c(sender: Sender) -> None:
    """The C receiver takes every sound command, among noise, and nothing else."""
    commands = [
        Command(kind, value, sequence)
        for kind in CommandKind
        for value, sequence in ((0, 0), (2**32 - 1, 1), (65536 * 32 + 4, 0x01010101))
    ]
    noise = np.random.default_rng(3)
    data = bytearray(b"\0")
    for command in commands:
        data += encode(command) + noise.bytes(40) + b"\0" + noise.bytes(5) + b"\0"
    wanted = [(int(c.kind), c.value, c.sequence) for c in commands]
    assert sender.receive(bytes(data)) == wanted


def test_a_damaged_command_is_not_carried_out(sender: Sender) -> None:
    """No command with a flipped bit is received."""
    packet = encode(Command(CommandKind.SET_LED_CURRENT, 20_000, 3))
    for place in range(8 * (len(packet) - 1)):
        flipped = bytearray(packet)
        flipped[place // 8] ^= 1 << place % 8
        assert sender.receive(b"\0" + bytes(flipped) + b"\0") == []
    assert sender.receive(packet) == [(5, 20_000, 3)]
