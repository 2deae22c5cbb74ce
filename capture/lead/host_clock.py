"""When readouts arrived by the host's clock, in ``*_clock.tsv`` and ``*_clock.json`` beside them.

A recording holds the device's clock alone, so that the same readouts give the same bytes. Who wants
to align it with a camera or a reference device asks for this table besides. Each row is a frame
pair (when it had come whole) or an exchange of time with the device (:mod:`capture.wire.clock`).
Columns:

- ``kind``: ``pair`` or ``exchange``;
- ``segment``: from 0; a lost connection or a leap of the device's clock begins the next one;
- ``sequence``: of the frame pair; of an exchange, its number;
- ``time_us``: the recording's time line (the device's clock, with what goes on over its restarts);
  of an exchange, when the device had the request;
- ``held_us``: of an exchange, how long the device held it; ``n/a`` else;
- ``sent_us``: of an exchange, the host's clock before it was sent; ``n/a`` else;
- ``arrived_us``: the host's clock when the bytes of the pair or the answer were taken.

The host's clock is one that is never set, in microseconds from the first row on; the JSON beside it
says where on the clock of the day (UTC, Unix time) its zero was when the recording began and ended,
and the line of each segment. Rows are added as they come, so that a killed recording keeps its own.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable
from pathlib import Path

from capture.store.session import READOUTS_SUFFIX
from capture.wire.clock import ClockFit, Exchange, fit_clock
from capture.wire.codec import Acknowledge, Command, CommandKind, Result
from capture.wire.link import SerialLink
from runtime.errors import Error, FormatError
from runtime.files import write_whole

__all__ = ["CLOCK_COLUMNS", "HostClock", "clock_path"]

CLOCK_COLUMNS = ("kind", "segment", "sequence", "time_us", "held_us", "sent_us", "arrived_us")
_ASK_S = 0.5
_UNANSWERED = 8
"""Requests in a row without an answer, after which the device is taken not to know them."""


def clock_path(readouts: Path) -> Path:
    """Return where the host's times of a session's readouts file are."""
    return readouts.with_name(readouts.name.removesuffix(READOUTS_SUFFIX) + "_clock.tsv")


class HostClock:
    """Writes down arrivals, and asks the device for its clock twice a second while it sends.

    Parameters
    ----------
    link : SerialLink
        Open port.
    readouts : Path
        The session's file; the table goes beside it.
    offset_us : callable
        Returns what is to be added to the device's clock for the recording's time line.

    Attributes
    ----------
    segments : list of list of Exchange
        The exchanges of each segment, device's clock as on the time line.
    fits : tuple of ClockFit or None
        When it was closed, the line of each segment; None where it had too few exchanges.

    Raises
    ------
    UsageError
        The table cannot be made.
    Error
        From any method: the disk is full or gone.
    """

    def __init__(self, link: SerialLink, readouts: Path, offset_us: Callable[[], int]) -> None:
        self.path = clock_path(readouts)
        self.segments: list[list[Exchange]] = [[]]
        self.fits: tuple[ClockFit | None, ...] = ()
        self._link = link
        self._offset_us = offset_us
        self._asked: dict[int, float] = {}  # when each request that waits was sent
        self._next_s = 0.0
        self._silent = 0
        self._knows = True
        self._began = False
        self._zero_s = time.perf_counter()
        self._utc_us = self._utc_at_zero()
        try:
            self._file = self.path.open("x", encoding="ascii", newline="\n")
        except OSError as error:
            raise self._lost(error) from None
        self._write("\t".join(CLOCK_COLUMNS))
        self._tell({"utc_us_at_zero": self._utc_us})

    def pair(self, sequence: int, time_us: int) -> None:
        """Note that a frame pair has come whole, at its place in the time line."""
        self._began = True
        arrived_us = self._since_zero(self._link.arrived_s)
        segment = len(self.segments) - 1
        self._write(f"pair\t{segment}\t{sequence}\t{time_us}\tn/a\tn/a\t{arrived_us}")

    def answer(self, message: Acknowledge) -> None:
        """Take the device's answer to a request."""
        sent_s = self._asked.pop(message.sequence, None)
        if message.kind != CommandKind.CLOCK or sent_s is None:
            return
        self._silent = 0
        if message.result == Result.UNKNOWN:
            self._knows = False
        if message.result != Result.DONE:
            return
        time_us = message.time_us + self._offset_us()
        sent_us, arrived_us = self._since_zero(sent_s), self._since_zero(self._link.arrived_s)
        try:
            exchange = Exchange(sent_us, time_us, message.value, arrived_us)
        except FormatError:
            return  # a device that cannot have held it so long says nothing about its clock
        self.segments[-1].append(exchange)
        self._write(
            f"exchange\t{len(self.segments) - 1}\t{message.sequence}\t{time_us}"
            f"\t{message.value}\t{sent_us}\t{arrived_us}"
        )

    def begin_segment(self) -> None:
        """Begin anew: from here on nothing says how the device's clock stands to what it was."""
        self._asked.clear()
        self.segments.append([])

    def wait(self) -> None:
        """Ask nothing until the next frame pair: the sensor is gone."""
        self._began = False
        self._asked.clear()

    def tick(self) -> None:
        """Ask the device for its clock where that is due; a lost request is not repeated.

        Raises
        ------
        PortError
            The port is gone.
        """
        now = time.perf_counter()
        if not (self._began and self._knows) or now < self._next_s:
            return
        self._next_s = now + _ASK_S
        self._flush()
        if self._silent >= _UNANSWERED:
            self._knows = False
            return
        self._silent += 1
        number = self._link.next_number()
        self._asked[number] = time.perf_counter()
        while len(self._asked) > _UNANSWERED:
            del self._asked[next(iter(self._asked))]
        self._link.send(Command(CommandKind.CLOCK, 0, number))

    def close(self) -> None:
        """Finish the table and write the JSON beside it."""
        self._flush()
        self._file.close()
        self.fits = tuple(fit_clock(exchanges) for exchanges in self.segments)
        content: dict[str, object] = {
            "utc_us_at_zero": self._utc_us,
            "utc_us_at_zero_at_the_end": self._utc_at_zero(),
            "segments": [fit and fit.to_json() for fit in self.fits],
        }
        self._tell(content)

    def abandon(self) -> None:
        """Let go of the table and remove it: the session came to nothing."""
        with contextlib.suppress(OSError):
            self._file.close()
        self.path.unlink(missing_ok=True)
        self.path.with_suffix(".json").unlink(missing_ok=True)

    def _tell(self, content: dict[str, object]) -> None:
        text = json.dumps(content, indent=2) + "\n"
        write_whole(self.path.with_suffix(".json"), text.encode())

    def _utc_at_zero(self) -> int:
        return round(1e6 * (time.time() - (time.perf_counter() - self._zero_s)))

    def _since_zero(self, clock_s: float) -> int:
        return round(1e6 * (clock_s - self._zero_s))

    def _write(self, row: str) -> None:
        try:
            self._file.write(f"{row}\n")
        except OSError as error:
            raise self._lost(error) from None

    def _flush(self) -> None:
        try:
            self._file.flush()
        except OSError as error:
            raise self._lost(error) from None

    def _lost(self, error: OSError) -> Error:
        return Error(str(self.path), "writing", f"refused ({error.strerror})", do="make room")
