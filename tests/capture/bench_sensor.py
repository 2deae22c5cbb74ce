"""A sensor on a pseudo-terminal whose every readout is known, for the tests of this room."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from capture.cues.script import parse_script
from capture.store.dataset import Participant
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
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 4, 5)
SCRIPT = parse_script(
    b"""
name = "short"
lead_in_s = 0.3
rest_s = [0.2, 0.2]
[[cue]]
trial_type = "push"
repetitions = 2
duration_s = 0.6
[[cue]]
trial_type = "idle"
repetitions = 1
duration_s = 0.5
""",
    "test",
)
PERSON = Participant("P01", consent=True)


def counts(sequence: int, lit: bool) -> np.ndarray:
    rng = np.random.default_rng([sequence, lit])
    return rng.integers(60, 200 + 100 * lit, (SENSOR.n_rows, SENSOR.n_cols), np.uint16)


class BenchSensor:
    """A sensor on a pseudo-terminal, as fast as it is read; `damage` may change what it sends."""

    def __init__(self, damage: Callable[[int, bool, bytes], bytes] | None = None) -> None:
        self.host, self.device = pty.openpty()
        tty.setraw(self.device)
        self.url = os.ttyname(self.device)
        self.damage = damage or (lambda sequence, lit, packet: packet)
        self.stopping = threading.Event()
        self.commands: list[Command] = []
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _send(self, data: bytes) -> None:
        while data and not self.stopping.is_set():
            if select.select([], [self.host], [], 0.1)[1]:
                data = data[os.write(self.host, data[:2048]) :]

    def _serve(self) -> None:
        decoder = Decoder()
        sequence = -1  # not started
        last = 0
        while not self.stopping.is_set():
            if select.select([self.host], [], [], 0 if sequence >= 0 else 0.05)[0]:
                for message in decoder.feed(os.read(self.host, 4096)):
                    assert isinstance(message, Command)
                    repeated = message.sequence == last
                    if not repeated:  # noted before it is answered: the answer ends a test's wait
                        self.commands.append(message)
                    self._send(encode(Acknowledge(message.kind, Result.DONE, 0, message.sequence)))
                    if repeated:
                        continue
                    last = message.sequence
                    if message.kind in (CommandKind.DESCRIBE, CommandKind.START):
                        self._send(encode(Description(SENSOR, "unit-1", "test")))
                    sequence = {CommandKind.START: 0, CommandKind.STOP: -1}.get(
                        message.kind, sequence
                    )
            if sequence >= 0:
                time_us = 1_000_000 + round(sequence * SENSOR.frame_period_us)
                for lit in (True, False):
                    at_us = time_us + 300 * (not lit)
                    exposure = Exposure(lit, sequence, at_us, counts(sequence, lit))
                    self._send(self.damage(sequence, lit, encode(exposure)))
                if sequence % 30 == 0:
                    self._send(encode(Status(time_us, 25.5, 3300, 0)))
                sequence += 1

    def take_the_place_of(self, path: Path) -> None:
        """Be found under a name that outlives this port, as a plugged-in device is."""
        path.unlink(missing_ok=True)
        path.symlink_to(self.url)

    def close(self) -> None:
        if self.stopping.is_set():
            return
        self.stopping.set()
        self.thread.join(5)
        os.close(self.host)
        os.close(self.device)


PULLED = 60
"""The pair in which a cable is pulled."""


@contextmanager
def cable_changed(name: Path, read_s: float = 0.0) -> Iterator[None]:
    """Run a sensor under a name, pull it in its pair :data:`PULLED`, and plug in another one.

    `read_s` is left for what it sent before to be read.
    """
    second: list[BenchSensor] = []

    def change() -> None:
        first.close()
        second.append(BenchSensor())
        second[0].take_the_place_of(name)

    def pull(sequence: int, lit: bool, packet: bytes) -> bytes:
        if (sequence, lit) == (PULLED, True):
            time.sleep(read_s)
            threading.Thread(target=change).start()
        return packet

    first = BenchSensor(pull)
    first.take_the_place_of(name)
    try:
        yield
    finally:
        for sensor in second:
            sensor.close()
