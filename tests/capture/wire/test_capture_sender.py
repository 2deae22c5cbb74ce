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

import capture
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
from runtime.sensor import Sensor

SOURCE = Path(capture.__file__).parent / "sender" / "pw_send.c"
# What a board brings: the two functions of string.h that the sender uses.
STRING = """
#include <stddef.h>
void *memset(void *to, int byte, size_t n) { unsigned char *p = to; while (n--) *p++ = (unsigned char)byte; return to; }
void *memcpy(void *to, const void *from, size_t n) { unsigned char *p = to; const unsigned char *q = from; while (n--) *p++ = *q++; return to; }
size_t strlen(const char *text) { size_t n = 0; while (text[n]) n++; return n; }
"""  # noqa: E501  # C on one line each
PUT = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.POINTER(ctypes.c_uint8), ctypes.c_size_t)


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
        ("baseline", ctypes.c_uint32),
        ("sensor", ctypes.c_char_p),
        ("unit", ctypes.c_char_p),
        ("firmware", ctypes.c_char_p),
    )


class CCommand(ctypes.Structure):
    _fields_ = (
        ("command", ctypes.c_uint8),
        ("value", ctypes.c_uint32),
        ("sequence", ctypes.c_uint32),
    )


class Sender:
    """The compiled sender with its wire in `sent`."""

    def __init__(self, library: Path) -> None:
        self.sent = bytearray()
        self.c = ctypes.CDLL(str(library))
        self.port = ctypes.create_string_buffer(512)
        self.pieces: list[int] = []

        def put(context: object, data: object, n_bytes: int) -> None:
            self.sent += ctypes.string_at(data, n_bytes)  # type: ignore[arg-type]  # a pointer
            self.pieces.append(n_bytes)

        self.put = PUT(put)
        self.c.pw_port_init(self.port, self.put, None)

    def messages(self) -> list[Message]:
        decoder = Decoder()
        got = decoder.feed(bytes(self.sent))
        assert decoder.counts.corrupt == decoder.counts.unknown == 0
        self.sent.clear()
        return got

    def expose(self, exposure: Exposure) -> None:
        counts = np.ascontiguousarray(exposure.counts)
        self.c.pw_send_exposure(
            self.port,
            int(exposure.lit),
            ctypes.c_uint32(exposure.sequence),
            ctypes.c_uint64(exposure.time_us),
            counts.ctypes.data_as(ctypes.c_void_p),
            exposure.first_row,
            *counts.shape,
            exposure.bits,
        )

    def receive(self, data: bytes) -> list[tuple[int, int, int]]:
        command = CCommand()
        got = []
        for byte in data:
            if self.c.pw_receive(self.port, byte, ctypes.byref(command)):
                got.append((command.command, command.value, command.sequence))
        return got


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sender")
    (folder / "string.c").write_text(STRING)
    path = folder / "sender.so"
    subprocess.run(
        [
            *(sys.executable, "-m", "ziglang", "cc", "-std=c99", "-O2", "-shared", "-fPIC"),
            *("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror", "-nostdlib"),
            *("-fno-builtin", "-fno-sanitize=all", str(SOURCE), str(folder / "string.c")),
            *("-o", str(path)),
        ],
        check=True,
    )
    return path


@pytest.fixture
def sender(library: Path) -> Iterator[Sender]:
    yield Sender(library)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize(("n_rows", "n_cols"), [(1, 1), (3, 5), (32, 32), (64, 64)])
def test_exposures_from_c_are_decoded(sender: Sender, bits: int, n_rows: int, n_cols: int) -> None:
    """Every exposure that the C sender packs comes out as it went in, byte for byte as encoded."""
    rng = np.random.default_rng([bits, n_rows])
    for lit in (True, False):
        counts = rng.integers(0, 1 << bits, (n_rows, n_cols), np.uint16)
        counts[rng.random(counts.shape) < 0.3] = 0  # zeros are what COBS is about
        wanted = Exposure(lit, 4_000_000_000, 2**60 + 5, counts, bits, first_row=7)
        sender.expose(wanted)
        assert bytes(sender.sent) == encode(wanted)
        (got,) = sender.messages()
        assert isinstance(got, Exposure)
        assert np.array_equal(got.counts, counts)
    assert max(sender.pieces) <= 255


def test_long_runs_without_a_zero_are_framed_alike(sender: Sender) -> None:
    """Exposures without any zero byte, of all lengths around a COBS block, are decoded."""
    for n_cols in range(200, 257):
        counts = np.full((1, n_cols), 0x55, np.uint16)
        sender.expose(Exposure(True, 0x01010101, 0x0101010101010101, counts, 8, 0x0))
        raw = cobs.decode(bytes(sender.sent)[:-1])
        assert zlib.crc32(raw[:-4]) == int.from_bytes(raw[-4:], "little")
        assert len(sender.messages()) == 1


def test_description_status_and_acknowledge_from_c(sender: Sender) -> None:
    """Description, status and acknowledge of the C sender mean what they say."""
    sensor = Sensor(
        "lensless",
        24,
        32,
        10,
        conversion_gain_dn_per_e=0.280769,
        read_noise_e=10.9,
        exposure_us=150.25,
        frame_rate_hz=59.94,
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
        baseline=1_860,
        sensor=b"lensless",
        unit=b"board 7",
        firmware=b"2.1",
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
