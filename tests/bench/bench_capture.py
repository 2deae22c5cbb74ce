"""Prints what the capture room reaches on this machine; run as a script, asserts nothing.

python tests/bench/bench_capture.py
"""

from __future__ import annotations

import logging
import os
import pty
import select
import subprocess
import sys
import tempfile
import time
import tty
import zlib
from pathlib import Path

import numpy as np
from cobs import cobs

from capture.cues.script import load_script
from capture.emulated.optic.pixels import PixelArray
from capture.frames import FrameBlock, FramePair
from capture.lead.record import record
from capture.measure.photon_transfer import LightLevel, measure_level, photon_transfer
from capture.store.dataset import Participant
from capture.store.session import read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Result,
    encode,
)
from capture.wire.link import SerialLink
from runtime.sensor import Sensor

USB_BYTES_PER_S = 1e6  # what a 12 Mbit/s USB serial link carries (common practice, no source)


def byte_by_byte(data: bytes) -> int:
    """Decode as a plain loop over bytes does: unstuff, check, unpack 12-bit pixels one by one."""
    good = 0
    packet = bytearray()
    code = left = 0
    for byte in data:
        if byte == 0:
            body = bytes(packet)
            if zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little"):
                pixels = []
                for i in range(22, len(body) - 4, 3):
                    pixels.append(body[i] | (body[i + 1] & 15) << 8)
                    pixels.append(body[i + 1] >> 4 | body[i + 2] << 4)
                good += bool(pixels)
            packet.clear()
            code = left = 0
            continue
        if left == 0:
            if code and code < 255:
                packet.append(0)
            code, left = byte, byte - 1
        else:
            packet.append(byte)
            left -= 1
    return good


def exposures(side: int, bits: int, n: int) -> list[Exposure]:
    rng = np.random.default_rng(1)
    counts = np.clip(rng.normal(400, 12, (n, side, side)), 0, (1 << bits) - 1).astype(np.uint16)
    return [Exposure(i % 2 == 0, i // 2, 1000 * i, counts[i], bits) for i in range(n)]


def bench_decoding() -> None:
    data = b"".join(encode(e) for e in exposures(64, 12, 400))
    start = time.perf_counter()
    plain = byte_by_byte(data)
    plain_s = time.perf_counter() - start
    start = time.perf_counter()
    decoder = Decoder()
    for i in range(0, len(data), 65_536):
        decoder.feed(data[i : i + 65_536])
    fast_s = time.perf_counter() - start
    print(
        f"decoding 64x64 12 bit: {len(data) / fast_s / 1e6:.0f} MB/s, {plain_s / fast_s:.0f} times "
        f"a byte-by-byte loop ({plain} and {decoder.counts.good} packets)"
    )


def send_exposures(side: int, bits: int) -> None:
    """Send prepared exposures as fast as the host reads; runs as a process of its own."""
    sensor = Sensor("bench", side, side, bits)
    host, device = pty.openpty()
    tty.setraw(device)
    counts = [exposure.counts for exposure in exposures(side, bits, 64)]
    packets = []  # all that the script asks for, so that the host is measured and not this
    for n in range(3000):
        time_us = round(n * sensor.frame_period_us)
        pair = [
            Exposure(lit, n, time_us, counts[(2 * n + lit) % 64], bits) for lit in (True, False)
        ]
        packets.append(b"".join(encode(exposure) for exposure in pair))
    print(os.ttyname(device), flush=True)
    decoder = Decoder()
    sequence = -1
    while True:
        if select.select([host], [], [], 0 if sequence >= 0 else 1)[0]:
            for command in decoder.feed(os.read(host, 4096)):
                assert isinstance(command, Command)
                answer = Acknowledge(command.kind, Result.DONE, 0, command.sequence)
                send(host, encode(answer) + encode(Description(sensor, "bench", "1")))
                started = {CommandKind.START: 0, CommandKind.STOP: -1}
                sequence = started.get(command.kind, sequence)
        if sequence >= 0:
            send(host, packets[sequence])
            sequence += 1


def send(descriptor: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def bench_recording(side: int, bits: int) -> None:
    words = [sys.executable, __file__, "serve", str(side), str(bits)]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process,
    ):
        assert process.stdout is not None
        url = process.stdout.readline().strip()
        with SerialLink(url) as link:
            start, cpu = time.perf_counter(), time.process_time()
            recording = record(
                link, Participant("P01", True), load_script("dynamic"), 1, Path(folder) / "set"
            )
            wall_s, cpu_s = time.perf_counter() - start, time.process_time() - cpu
        process.kill()
    n_bytes = recording.n_pairs * 2 * side * side * bits / 8
    print(
        f"recording {side}x{side} {bits} bit through a pseudo-terminal: "
        f"{n_bytes / wall_s / 1e6:.1f} MB/s ({n_bytes / wall_s / USB_BYTES_PER_S:.0f} times USB "
        f"serial) at {cpu_s / wall_s:.2f} of a core, {n_bytes / cpu_s / 1e6:.1f} MB for each "
        f"second of processor time, {recording.n_pairs / wall_s:.0f} pairs/s, "
        f"{recording.pairs.missing} missing"
    )


def bench_hour() -> None:
    """A one-hour session of 64x64 pixels at 60 pairs/s; noise repeats to make it quickly."""
    sensor = Sensor("bench", 64, 64, frame_rate_hz=60.0)
    counts = [e.counts for e in exposures(64, 12, 64)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sub-P01_ses-01_task-dynamic_readouts.mcap"
        header = SessionHeader(
            "P01", "01", Description(sensor, "u", "1"), load_script("dynamic"), 1
        )
        with SessionWriter(path, header) as writer:
            for i in range(3600 * 60):
                pair = FramePair(i, 16_667 * i, counts[i % 64], counts[(i + 1) % 64])
                writer.add(pair, i, pair.time_us)
        start = time.perf_counter()
        session = read_session(path)
        open_s = time.perf_counter() - start
        start, cpu = time.perf_counter(), time.process_time()
        n_bytes = sum(block.lit.nbytes + block.dark.nbytes for block in session.blocks())
        read_s, cpu_s = time.perf_counter() - start, time.process_time() - cpu
        print(
            f"one hour of 64x64 at 60 pairs/s ({path.stat().st_size / 1e9:.2f} GB): opens in "
            f"{1000 * open_s:.0f} ms, reads {n_bytes / read_s / 1e6:.0f} MB/s of readout, "
            f"{n_bytes / cpu_s / 1e6:.0f} MB for each second of processor time"
        )


def write_until_killed(path: Path) -> None:
    """Write frame pairs at 120 a second and tell when each was given; runs as a process."""
    sensor = Sensor("bench", 64, 64)
    counts = exposures(64, 12, 2)[0].counts
    header = SessionHeader("P01", "01", Description(sensor, "b", "1"), load_script("dynamic"), 1)
    with SessionWriter(path, header) as writer:
        for i in range(100_000):
            writer.add(FramePair(i, 1000 * i, counts, counts), i, 1000 * i)
            print(i, time.monotonic(), flush=True)
            time.sleep(1 / 120)


def bench_kills(n: int = 100) -> None:
    """Kill -9 at random moments: how old the oldest lost frame pair was, and whether it opens."""
    rng = np.random.default_rng(3)
    lost_s = []
    logging.disable()  # each file says that it was repaired
    for _ in range(n):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sub-P01_ses-01_task-dynamic_readouts.mcap"
            words = [sys.executable, __file__, "write", str(path)]
            with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
                assert process.stdout is not None
                first = process.stdout.readline()
                time.sleep(rng.uniform(0.0, 1.2))
                process.kill()
                killed = time.monotonic()
                lines = [first, *process.stdout.readlines()]
            told = [float(line.split()[1]) for line in lines if line.endswith("\n")]
            kept = sum(len(block) for block in read_session(path).blocks())
            lost_s.append(killed - told[kept] if kept < len(told) else 0.0)
    logging.disable(logging.NOTSET)
    print(
        f"{n} kills: every file opened; lost at the end {np.median(lost_s):.2f} s in the median, "
        f"{max(lost_s):.2f} s at most"
    )


def flat_field(pixels: PixelArray, electrons: float, rng: np.random.Generator) -> LightLevel:
    """Measure 20 frame pairs of emulated pixels under even light."""
    sensor, n = pixels.sensor, 20
    shape = (n, sensor.n_rows, sensor.n_cols)
    dark = np.broadcast_to(pixels.dark_e, (n, sensor.n_pixels))
    lit = (dark + electrons * pixels.response).astype(np.float32)
    number = np.arange(n, dtype=np.int64)
    counts = [pixels.read(mean, rng).reshape(shape) for mean in (lit, dark)]
    return measure_level(FrameBlock(number, number, counts[0], counts[1]), sensor.exposure_us)


def bench_photon_transfer(n: int = 20) -> None:
    """How far gain and read noise of emulated sensors come back from what was set."""
    rng = np.random.default_rng(5)
    gain_errors, noise_errors = [], []
    for unit in range(n):
        gain, noise_e = float(rng.uniform(0.1, 0.5)), float(rng.uniform(4.0, 16.0))
        sensor = Sensor(
            "bench", 32, 32, conversion_gain_dn_per_e=gain, read_noise_e=noise_e, full_well_e=7000.0
        )
        pixels = PixelArray(sensor, f"unit-{unit}")
        levels = [flat_field(pixels, electrons, rng) for electrons in np.linspace(100, 6000, 12)]
        result = photon_transfer(levels, rng)
        gain_errors.append(abs(result.conversion_gain_dn_per_e.value / gain - 1.0))
        noise_errors.append(abs(result.read_noise_e.value / noise_e - 1.0))
    print(
        f"photon transfer of {n} emulated sensors: gain at most {max(gain_errors):.2%}, read noise "
        f"at most {max(noise_errors):.2%} off what was set"
    )


def bench_framing() -> None:
    compiled = cobs.encode.__module__.endswith("_ext")
    print(f"framing: the {'compiled' if compiled else 'pure Python'} part of cobs is in use")


def main() -> None:
    if sys.argv[1:2] == ["serve"]:
        send_exposures(int(sys.argv[2]), int(sys.argv[3]))
    if sys.argv[1:2] == ["write"]:
        write_until_killed(Path(sys.argv[2]))
    load = os.getloadavg()[0]  # others' work on the machine slows all that follows
    print(f"{os.cpu_count()} cores, {load:.1f} processes want them before this one does")
    bench_framing()
    bench_decoding()
    for side, bits in ((32, 12), (64, 12), (64, 16)):
        bench_recording(side, bits)
    bench_kills()
    bench_hour()
    bench_photon_transfer()


if __name__ == "__main__":
    main()
