"""The emulated sensor as a serial device in a process of its own.

It speaks ``capture.wire.codec`` and nothing else. The participant in front of it follows the script
of its settings; a START begins the session anew, at device time 0.
"""

from __future__ import annotations

import argparse
import dataclasses
import re
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from runtime.steady import hold_arithmetic_steady

if __name__ == "__main__":
    hold_arithmetic_steady()  # before NumPy is loaded: the readouts depend on its kernels

import numpy as np

from capture.cues.script import load_script
from capture.emulated.body.motion import check_acts
from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.ports import Port, open_port
from capture.emulated.session import BLOCK_FRAMES, EmulatedSession, dark_offset_us
from capture.frames import FrameBlock
from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Result,
    Status,
    encode,
)
from runtime.errors import Error, FormatError, PortError, UsageError
from runtime.sensor import Sensor

__all__ = [
    "FIRMWARE",
    "Device",
    "DeviceSettings",
    "main",
    "run_device",
    "run_on_port",
    "running_device",
]

FIRMWARE = "emulated 1"
_UNIT = re.compile(r"[A-Za-z0-9_-]{1,32}")


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """What stands in front of the sensor, and how it is wired.

    Parameters
    ----------
    participant : int
        Number of the invented participant, >= 0.
    script : str
        Built-in script or path of a TOML file; the host must use the same one.
    sensor : str
        Name in ``SENSORS``.
    seed : int
        Seed of the schedule and of everything drawn, >= 0.
    speed : float
        Device seconds for each second of the clock; 0 as fast as the host reads.
    unit : str
        Name of the physical sensor: 1 to 32 letters, digits, dashes and underscores.
    transport : str
        ``auto``, ``pty`` or ``socket``.
    port : int
        Number of the socket; 0 for any free one.
    loss, corruption : float
        Share of exposure packets that are lost, or arrive with one wrong byte; 0 to 1.
    led_current_ma : float
        LED current while lit, 0 to 1000 mA; what the LED at hand allows is for its data sheet.
    """

    participant: int = 1
    script: str = "dynamic"
    sensor: str = "lensless32"
    seed: int = 1
    speed: float = 1.0
    unit: str = "unit-a"
    transport: str = "auto"
    port: int = 0
    loss: float = 0.0
    corruption: float = 0.0
    led_current_ma: float = 100.0

    def __post_init__(self) -> None:
        where = "emulated sensor"
        if self.sensor not in SENSORS:
            raise UsageError(where, "sensor", self.sensor, f"one of {', '.join(SENSORS)}")
        if not _UNIT.fullmatch(self.unit):
            raise UsageError(
                where, "unit", repr(self.unit), "1 to 32 letters, digits, dashes and underscores"
            )
        for name, low, high in (
            ("participant", 0, 10**6),
            ("seed", 0, 2**32 - 1),
            ("speed", 0.0, 1e6),
            ("port", 0, 65_535),
            ("loss", 0.0, 1.0),
            ("corruption", 0.0, 1.0),
            ("led_current_ma", 0.0, 1000.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(where, name, value, f"{low:g} to {high:g}")


class Device:
    """Commands in, packets out; knows no port and no clock.

    Parameters
    ----------
    settings : DeviceSettings
        What to emulate.

    Attributes
    ----------
    runs : int
        How often a START was carried out.

    Raises
    ------
    UsageError, FormatError
        There is no such script, it is wrong, or it asks for an unknown act.
    """

    def __init__(self, settings: DeviceSettings) -> None:
        self.settings = settings
        self._script = load_script(settings.script)
        check_acts(self._script.trial_types)
        self._whole: Sensor = dataclasses.replace(
            SENSORS[settings.sensor], led_current_ma=settings.led_current_ma
        )
        self._first_row, self._n_rows = 0, self._whole.n_rows
        self._session: EmulatedSession | None = None
        self.runs = 0
        self._time_us = 0
        self._next_status_us = 0
        self._last: Acknowledge | None = None
        self._cable = np.random.default_rng([settings.seed, 3])

    @property
    def running(self) -> bool:
        """Whether exposures are being sent."""
        return self._session is not None

    @property
    def sensor(self) -> Sensor:
        """The setting in force, with the rows that are read."""
        return dataclasses.replace(self._whole, n_rows=self._n_rows)

    def handle(self, command: Command) -> bytes:
        """Carry out a command and return the answer.

        A command with the number of the last one is answered again and not carried out again: the
        host repeats a command when the answer was lost.
        """
        if self._last is not None and command.sequence == self._last.sequence:
            return encode(self._last)
        result, value = self._carry_out(command)
        self._last = Acknowledge(command.kind, result, value, command.sequence, self._time_us)
        answer = encode(self._last)
        if result is Result.DONE and command.kind is not CommandKind.STOP:
            answer += encode(self._description())
        return answer

    def _description(self) -> Description:
        return Description(
            self.sensor, self.settings.unit, FIRMWARE, self._first_row, self._time_us
        )

    def _carry_out(self, command: Command) -> tuple[Result, int]:
        match command.kind:
            case CommandKind.DESCRIBE:
                return Result.DONE, 0
            case CommandKind.START:
                settings = self.settings
                self._session = EmulatedSession(
                    self._script, settings.participant, settings.seed, self._whole, settings.unit
                )
                self.runs += 1
                self._time_us = self._next_status_us = 0
                return Result.DONE, 0
            case CommandKind.STOP:
                self._session = None
                return Result.DONE, 0
            case _:
                if self.running:
                    return Result.NOT_NOW, 0
                return self._set(command.kind, command.value)

    def _set(self, kind: CommandKind, value: int) -> tuple[Result, int]:
        if kind is CommandKind.SET_ROWS:
            first_row, n_rows = value & 0xFFFF, value >> 16
            if not 1 <= n_rows <= self._whole.n_rows - first_row:
                return Result.OUT_OF_RANGE, self._first_row | self._n_rows << 16
            self._first_row, self._n_rows = first_row, n_rows
            return Result.DONE, value
        field = {
            CommandKind.SET_EXPOSURE: "exposure_us",
            CommandKind.SET_LED_CURRENT: "led_current_ma",
            CommandKind.SET_FRAME_RATE: "frame_rate_hz",
        }.get(kind)
        if field is None:
            return Result.UNKNOWN, 0
        try:
            self._whole = dataclasses.replace(self._whole, **{field: value / 1000.0})  # type: ignore[arg-type]  # the field is one of the three float fields above
        except FormatError:
            return Result.OUT_OF_RANGE, round(getattr(self._whole, field) * 1000.0)
        return Result.DONE, value

    def next_packets(self) -> list[tuple[int, bytes]]:
        """Return the packets of the next block with the device time at which each is ready.

        Without a session there are none. After the script's end the participant stays at rest.
        """
        if self._session is None:
            return []
        block = self._session.next_block(BLOCK_FRAMES)
        packets = []
        for k in range(len(block)):
            packets += self._pair(block, k)
        self._time_us = packets[-1][0]
        return packets

    def _pair(self, block: FrameBlock, k: int) -> list[tuple[int, bytes]]:
        rows = slice(self._first_row, self._first_row + self._n_rows)
        sequence, lit_us = int(block.sequence[k]), int(block.time_us[k])
        dark_us = lit_us + dark_offset_us(self._whole)
        ready_us = dark_us + round(self._whole.exposure_us)
        packets = []
        if lit_us >= self._next_status_us:
            # Warms up by 6 degrees within minutes; invented.
            warm = 25.0 + 6.0 * float(1.0 - np.exp(-lit_us / 120e6))
            packets.append((lit_us, encode(Status(lit_us, warm, 3300, 0))))
            self._next_status_us += 1_000_000
        bits = self._whole.bit_depth
        for lit, time_us, counts in ((True, lit_us, block.lit[k]), (False, dark_us, block.dark[k])):
            exposure = Exposure(lit, sequence, time_us, counts[rows], bits, self._first_row)
            packet = self._through_cable(encode(exposure))
            if packet:
                packets.append((ready_us, packet))
        return packets or [(ready_us, b"")]

    def _through_cable(self, packet: bytes) -> bytes:
        """Return the packet as it arrives: whole, with one wrong byte, or not at all."""
        if self.settings.loss and self._cable.uniform() < self.settings.loss:
            return b""
        if self.settings.corruption and self._cable.uniform() < self.settings.corruption:
            place = int(self._cable.integers(len(packet) - 1))
            wrong = packet[place] ^ int(self._cable.integers(1, 256))
            return packet[:place] + bytes([wrong]) + packet[place + 1 :]
        return packet


def run_on_port(device: Device, port: Port) -> None:
    """Serve a port until the process is told to stop (SIGINT or SIGTERM).

    Packets wait for the host when it does not read: the device drops none of its own accord.
    """
    decoder, speed = Decoder(), device.settings.speed
    out = bytearray()
    due: deque[tuple[int, bytes]] = deque()
    runs, started_s = 0, 0.0
    while True:
        for message in decoder.feed(port.read()):
            if isinstance(message, Command):
                out += device.handle(message)
        if device.runs != runs or not device.running:
            due.clear()
            runs, started_s = device.runs, time.monotonic()
        if device.running and not out:
            if not due:
                due.extend(device.next_packets())
            now_us = (time.monotonic() - started_s) * 1e6 * speed
            while due and (not speed or due[0][0] <= now_us):
                out += due.popleft()[1]
        if out:
            del out[: port.write(out)]
        timeout_s: float | None = None  # until a command comes or there is room to write
        if device.running and not out:
            now_us = (time.monotonic() - started_s) * 1e6 * speed
            timeout_s = max(0.0, (due[0][0] - now_us) * 1e-6 / speed) if due and speed else 0.0
        port.wait(timeout_s, to_write=bool(out))


@contextmanager
def running_device(settings: DeviceSettings) -> Iterator[str]:
    """Run the device in a process of its own; gives the URL that a host opens.

    Raises
    ------
    PortError
        The process ended before it had a port.
    """
    options = [f"--{name}={value}" for name, value in dataclasses.asdict(settings).items()]
    process = subprocess.Popen(  # noqa: S603  # our own module and checked values
        [sys.executable, "-m", "capture.emulated.port.device", *options],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        if process.stdout is None:
            raise PortError("emulated sensor", "its output", "closed")
        url = process.stdout.readline().strip()
        if not url:
            raise PortError("emulated sensor", "its process", "ended", "a port")
        yield url
    finally:
        process.terminate()
        process.wait(10.0)
        if process.stdout is not None:
            process.stdout.close()


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise SystemExit(0)


def _print_line(url: str) -> None:
    print(url, flush=True)


def run_device(settings: DeviceSettings, announce: Callable[[str], None] = _print_line) -> None:
    """Announce the port's URL and serve it until SIGINT or SIGTERM ends the process.

    Parameters
    ----------
    announce : callable
        Is given the URL; prints it on one line by default.

    Raises
    ------
    UsageError, FormatError
        The script is not one that can be acted, or there is no such transport.
    PortError
        The port cannot be opened.
    """
    device = Device(settings)
    port = open_port(settings.transport, settings.port)
    signal.signal(signal.SIGTERM, _stop)
    signal.signal(signal.SIGINT, _stop)
    try:
        announce(port.url)
        run_on_port(device, port)
    finally:
        port.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the device of the options; the entry of its own process. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="emulated sensor", description=__doc__)
    for field in dataclasses.fields(DeviceSettings):
        kind = {"int": int, "float": float}.get(str(field.type), str)
        parser.add_argument(f"--{field.name}", type=kind, default=field.default)
    try:
        run_device(DeviceSettings(**vars(parser.parse_args(arguments))))
    except Error as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
