"""A world's session as a device would send it: the wire protocol through a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import tty
from collections.abc import Iterator

import numpy as np

from worlds.product import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Message,
    Result,
    Sensor,
    encode,
)
from worlds.recording import Played

__all__ = ["playing"]


class _Device:
    """Sends a session's exposures as fast as the host takes them; the last one again at the end."""

    def __init__(self, sensor: Sensor, played: Played, apart_us: int) -> None:
        self.sensor, self.played, self.apart_us = sensor, played, apart_us
        self.description = Description(sensor, "unit-1", "1.0")
        self.host, self.port = os.openpty()
        tty.setraw(self.port)
        os.set_blocking(self.host, False)
        self.decoder = Decoder()
        self.waiting = bytearray(b"\0")
        self.next_pair: int | None = None
        self.closing = threading.Event()

    def answer(self, command: Command) -> list[Message]:
        """Return what a command is answered with."""
        acknowledge = Acknowledge(
            command.kind, Result.DONE, command.value, command.sequence, self.now_us
        )
        if command.kind == CommandKind.START:
            self.next_pair = 0
        elif command.kind == CommandKind.STOP:
            self.next_pair = None
            return [acknowledge]
        elif command.kind != CommandKind.DESCRIBE:
            refused = Result.OUT_OF_RANGE
            return [
                Acknowledge(command.kind, refused, command.value, command.sequence, self.now_us)
            ]
        return [acknowledge, self.description]

    @property
    def now_us(self) -> int:
        """The device's clock."""
        return self.time_of(self.next_pair or 0)

    def time_of(self, pair: int) -> int:
        """When a pair's lit exposure begins."""
        return int(self.played.time_us[0]) + round(pair * self.sensor.frame_period_us)

    def exposures(self, pair: int) -> list[Exposure]:
        """Return the lit and the dark exposure of a pair."""
        there = min(pair, len(self.played.lit) - 1)
        bits, at_us = self.sensor.bit_depth, self.time_of(pair)
        lit, dark = self.played.lit[there], self.played.dark[there]
        return [
            Exposure(True, pair, at_us, lit, bits),
            Exposure(False, pair, at_us + self.apart_us, dark, bits),
        ]

    def run(self) -> None:
        """Serve the port until closed."""
        while not self.closing.is_set():
            if not self.waiting and self.next_pair is not None:
                for exposure in self.exposures(self.next_pair):
                    self.waiting += encode(exposure)
                self.next_pair += 1
            wanted = [self.host] if self.waiting else []
            readable, writable, _ = select.select([self.host], wanted, [], 0.05)
            if readable:
                for message in self.decoder.feed(os.read(self.host, 4096)):
                    if isinstance(message, Command):
                        self.waiting += b"".join(encode(one) for one in self.answer(message))
            if writable:
                with contextlib.suppress(BlockingIOError):
                    del self.waiting[: os.write(self.host, self.waiting[:4096])]


@contextlib.contextmanager
def playing(sensor: Sensor, played: Played, apart_s: float) -> Iterator[str]:
    """Play a session on a new port; give its name.

    Parameters
    ----------
    sensor : Sensor
    played : Played
    apart_s : float
        From the start of a lit exposure to that of its dark one.
    """
    device = _Device(sensor, played, int(np.rint(1e6 * apart_s)))
    thread = threading.Thread(target=device.run, daemon=True)
    thread.start()
    try:
        yield os.ttyname(device.port)
    finally:
        device.closing.set()
        thread.join(timeout=5)
        os.close(device.host)
        os.close(device.port)
