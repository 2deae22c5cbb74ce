"""The emulated sensor as a serial device in a process of its own, which this module also is."""

from __future__ import annotations

import argparse
import dataclasses
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from runtime.reproducible_floats import hold_arithmetic_steady

if __name__ == "__main__":
    hold_arithmetic_steady()  # before NumPy is loaded: the readouts depend on its kernels

from capture.emulated.port.device_settings import DeviceSettings
from capture.emulated.port.emulated_device import Device
from capture.emulated.port.ports import Port, open_port
from capture.wire.codec import Command, Decoder
from runtime.errors import Error, PortError
from runtime.files import write_whole

__all__ = ["DeviceSettings", "main", "run_device", "running_device"]


class _Pace:
    """When a device's packets are due on the clock of the machine that emulates it."""

    def __init__(self, device: Device) -> None:
        self._device, self._speed = device, device.settings.speed
        self._due: deque[tuple[int, bytes]] = deque()
        self._runs, self._started_s = 0, 0.0

    def follow(self) -> None:
        """Begin anew where the device was started or stopped: what was due is not sent."""
        if self._device.runs != self._runs or not self._device.running:
            self._due.clear()
            self._runs, self._started_s = self._device.runs, time.monotonic()

    def take_due(self) -> bytes:
        """Return the packets that are due by now; all of a block at once where speed is 0."""
        if not self._device.running:
            return b""
        if not self._due:
            self._due.extend(self._device.next_packets())
        now_us, packets = self._now_us(), []
        while self._due and (not self._speed or self._due[0][0] <= now_us):
            packets.append(self._due.popleft()[1])
        return b"".join(packets)

    def idle_s(self) -> float | None:
        """Return how long until the next packet is due; None until a command comes."""
        if not self._device.running:
            return None
        if not self._due or not self._speed:
            return 0.0
        return max(0.0, (self._due[0][0] - self._now_us()) * 1e-6 / self._speed)

    def clock_us(self) -> int | None:
        """Return the device's clock; None where it follows what is read and not time."""
        running = self._device.running and self._device.runs == self._runs
        return int(self._now_us()) if running and self._speed else None

    def _now_us(self) -> float:
        return (time.monotonic() - self._started_s) * 1e6 * self._speed


def _run_on_port(device: Device, port: Port) -> None:
    """Serve a port until a signal ends the process.

    Packets wait for the host when it does not read: the device drops none of its own accord.
    """
    decoder, pace = Decoder(), _Pace(device)
    out = bytearray()
    while True:
        for message in decoder.feed(port.read()):
            if isinstance(message, Command):
                out += device.handle(message, pace.clock_us())
        pace.follow()
        if not out:
            out += pace.take_due()
        if out:
            del out[: port.write(out)]
        # Until there is room to write, a packet is due, or a command comes.
        port.wait(None if out else pace.idle_s(), to_write=bool(out))


@contextmanager
def running_device(settings: DeviceSettings) -> Iterator[str]:
    """Run the device in a process of its own; gives the URL that a host opens.

    Raises
    ------
    PortError
        The process ended before it had a port.
    """
    given = dataclasses.asdict(settings).items()
    options = [f"--{name}={value}" for name, value in given if value is not None]
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
    if settings.truth is not None:
        write_whole(Path(settings.truth), device.truth().to_csv().encode())
    port = open_port(settings.transport, settings.port)
    signal.signal(signal.SIGTERM, _stop)
    signal.signal(signal.SIGINT, _stop)
    try:
        announce(port.url)
        _run_on_port(device, port)
    finally:
        port.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the device of the options; the entry of its own process. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="emulated sensor", description=__doc__)
    for field in dataclasses.fields(DeviceSettings):
        kind = {"int": int, "float": float, "float | None": float}.get(str(field.type), str)
        parser.add_argument(f"--{field.name}", type=kind, default=field.default)
    try:
        run_device(DeviceSettings(**vars(parser.parse_args(arguments))))
    except Error as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
