"""What a model tells as it comes: a sensor's frame pairs through one of its executions."""

from __future__ import annotations

import contextlib
import json
import math
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from capture.frames import FramePair
from capture.wire.codec import CommandKind, Description, Exposure, Message, WireCounts
from capture.wire.link import SerialLink
from capture.wire.pairing import Pairer
from capture.wire.timeline import TimeLine
from runtime.errors import Error, FormatError, PortError, UsageError
from runtime.files import read_limited
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.contract.closing import NO_EVENT
from runtime.verification.engines import Engine

__all__ = ["LiveEvent", "Watch", "calibrated_unit", "open_log"]

_REPORT_S = 0.1
_STALL_S = 3.0
_QUIET_S = 1.5
"""After which silence is told, so that an unplugged sensor is known of within two seconds."""
_REMEMBERED = 64  # arrivals of exposures whose pair is not yet handed out
_SETTINGS = ("frame_rate_hz", "exposure_us", "led_current_ma")


@dataclass(frozen=True, slots=True)
class LiveEvent:
    """One event.

    Parameters
    ----------
    sequence : int
        Frame pair on which it came, from 0 at the start.
    time_us : int
        The sensor's clock at that pair, microseconds since the first one; both go on rising when
        the sensor is started again after a lost connection.
    event : str
        What the model's closing stage calls it: a class, a count, that values are valid or lost.
    now : str
        What holds from this frame pair on, in words; empty where only events are told.
    values : dict
        The same as JSON values: scores of all classes, values with their intervals, a count.
    latency_ms : float
        Host time from the arrival of the pair's last byte to the answer; 3 decimals.
    """

    sequence: int
    time_us: int
    event: str
    now: str
    values: dict[str, Any]
    latency_ms: float

    def line(self) -> str:
        """Return the event for people."""
        more = f": {self.now}" if self.now and self.now != self.event else ""
        return f"{self.time_us / 1e6:9.3f} s  {self.event}{more}  ({self.latency_ms:.2f} ms)"

    def to_json(self) -> dict[str, Any]:
        """Return the event as a log holds it."""
        fields = {"sequence": self.sequence, "time_us": self.time_us, "event": self.event}
        return {**fields, **self.values, "latency_ms": self.latency_ms}


class Watch:
    """Steps a model over what a sensor sends and reports the events.

    Parameters
    ----------
    link : SerialLink
        Open port.
    description : Description
        What the sensor says it is.
    model : Model
        What its frame pairs are given to.
    engine : Engine
        The execution of that model.
    missed : callable, optional
        Called before each frame pair with how many never came since the one before; with infinity
        where nobody knows, as the connection was lost or the sensor's clock began anew.

    Attributes
    ----------
    n_pairs, n_events : int
        Frame pairs stepped, events told.
    missing, n_gaps : int
        Frame pairs that never came whole, or passed while the connection was lost, and in how many
        places. The model's state goes on over such a gap.
    connected : bool
        The port is there.
    time_us : int
        The sensor's clock at the newest frame pair, microseconds since the first one.
    now : str
        What the model's values or level are at the newest frame pair; empty where it tells events.
    latencies_ms : array of float
        Of every frame pair, in milliseconds (8 bytes each).

    Raises
    ------
    FormatError
        The sensor's rows, columns or bits are not the model's.
    """

    def __init__(
        self,
        link: SerialLink,
        description: Description,
        model: Model,
        engine: Engine,
        missed: Callable[[float], None] | None = None,
    ) -> None:
        _check_sensor(link.url, description.sensor, model.sensor)
        self._link = link
        self._description = description
        self._model = model
        self._engine = engine
        self._missed = missed or (lambda _: None)
        self._pairer = Pairer(description)
        self._line = TimeLine(description.sensor.frame_period_us)
        self._arrived_s: dict[int, float] = {}
        self._next_sequence = 0
        self.connected = True
        self._end_us = math.inf
        self._tell: Callable[[LiveEvent], None] = lambda _: None
        self._notice: Callable[[str], None] = lambda _: None
        self._done = False
        self.n_pairs = self.n_events = self.missing = self.n_gaps = self.time_us = 0
        self.latencies_ms = array("d")
        self.now = ""

    def stop(self) -> None:
        """Take no further frame pair: what was wanted is done, or not wanted any more.

        A lost connection is then no longer waited for, and ends in its error.
        """
        self._done = True

    def cautions(self, calibrated: str | None = None) -> list[str]:
        """Return a line for each setting in which the sensor differs from the model's.

        And one where the model was calibrated for one unit, and this is another.
        """
        unit = self._description.unit
        other = calibrated is not None and unit != calibrated
        uncalibrated = [
            f"caution: this is unit {unit}, but the model is calibrated for unit {calibrated} "
            "alone: of an uncalibrated one its values are not to be believed"
        ]
        pairs = ((name, self._description.sensor, self._model.sensor) for name in _SETTINGS)
        return (uncalibrated if other else []) + [
            f"caution: {name} of the sensor is {getattr(sensor, name):g}, but the model learned at "
            f"{getattr(learned, name):g}"
            for name, sensor, learned in pairs
            if not math.isclose(getattr(sensor, name), getattr(learned, name), rel_tol=1e-3)
        ]

    def run(
        self,
        tell: Callable[[LiveEvent], None],
        seconds: float = math.inf,
        progress: Callable[[Watch], None] | None = None,
        notice: Callable[[str], None] | None = None,
    ) -> None:
        """Start the sensor and step the model until the time is over or Ctrl-C is pressed.

        A port that is pulled is waited for, as by the recorder.

        Parameters
        ----------
        tell : callable
            Called with each event at once.
        seconds : float
            How long, on the sensor's clock.
        progress : callable, optional
            Called with this object about 10 times a second, and when the port was lost.
        notice : callable, optional
            Called with a line when readouts stop coming, within two seconds, and when they come
            again.

        Raises
        ------
        PortError
            The sensor did not come back, or is silent.
        FormatError
            It was set to another form of readout meanwhile.
        """
        self._tell, self._end_us = tell, seconds * 1e6
        self._notice = notice or (lambda _: None)
        self._link.decoder.counts = WireCounts()
        with contextlib.suppress(KeyboardInterrupt):
            self._listen(progress or (lambda _: None))
        if self.connected:
            self._link.ask(CommandKind.STOP)

    def _listen(self, progress: Callable[[Watch], None]) -> None:
        self._start(time.monotonic(), progress)
        heard = reported = time.monotonic()
        n_heard, quiet = self.n_pairs, False
        while not self._done:
            try:
                messages = self._link.read()
            except PortError:
                self._reconnect(heard, progress)
                messages, heard = [], time.monotonic()
            for message in messages:
                self._take(message)
            now = time.monotonic()
            if self.n_pairs > n_heard:
                if quiet:
                    self._notice("frame pairs come again")
                heard, n_heard, quiet = now, self.n_pairs, False
            elif now - heard > _QUIET_S and n_heard and not quiet:
                quiet = True
                self._notice(f"no frame pair for {_QUIET_S:g} s: is the sensor plugged in?")
            elif now - heard > _STALL_S:
                raise PortError(
                    self._link.url, "the sensor", f"silent for {_STALL_S:g} s", "frame pairs"
                )
            if now - reported >= _REPORT_S:
                reported = now
                progress(self)

    def _start(self, heard: float, progress: Callable[[Watch], None]) -> None:
        """Start the sensor; a port that is pulled meanwhile is waited for."""
        try:
            self._link.ask(CommandKind.START, after=self._take)
        except PortError as error:
            if error.what != "the port":
                raise
            self._reconnect(heard, progress)

    def _reconnect(self, heard: float, progress: Callable[[Watch], None]) -> None:
        """Wait for the port to come back and start the sensor again."""
        if self.connected:
            self._notice("the sensor is gone: plug it in again; it is waited for")
        self.connected = False

        def waiting() -> bool:
            progress(self)
            return self._done

        for pair in self._pairer.flush():
            self._step(pair)
        progress(self)  # that it is lost is told, however soon it is back
        description = self._link.reconnect(waiting)
        _check_sensor(self._link.url, description.sensor, self._model.sensor)
        self.connected = True
        self._notice("the sensor is back")
        self._pairer = Pairer(description, self._pairer.counts)
        self._arrived_s.clear()
        self._line.begin_run(time.monotonic() - heard)
        self._start(heard, progress)

    def _take(self, message: Message) -> None:
        """Take one message from the sensor."""
        if isinstance(message, Exposure):
            self._arrived_s[message.sequence] = self._link.arrived_s
            if len(self._arrived_s) > _REMEMBERED:
                del self._arrived_s[next(iter(self._arrived_s))]
            for pair in self._pairer.add(message):
                self._step(pair)
        elif isinstance(message, Description):
            _check_sensor(self._link.url, message.sensor, self._model.sensor)

    def _step(self, pair: FramePair) -> None:
        if self._done:
            return
        place = self._line.place(pair)
        if place is None:  # its clock is not to be believed; it is missed below
            return
        sequence = place.sequence
        time_us = self._line.now_us
        self._done = time_us >= self._end_us
        if self._done:
            return
        missing = sequence - self._next_sequence
        # A sensor may pause while its numbers go on.
        paused = round((time_us - self.time_us) / self._description.sensor.frame_period_us) - 1
        known = place.gap is None and place.leap is None
        self._missed(max(missing, paused) if known else math.inf)
        self.missing += missing
        self.n_gaps += missing > 0 or place.gap is not None
        self._next_sequence = sequence + 1
        answer = self._engine(pair.lit, pair.dark)
        # Forgotten only when the sensor's numbers leap about.
        arrived_s = self._arrived_s.pop(pair.sequence, self._link.arrived_s)
        latency_ms = 1e3 * (time.perf_counter() - arrived_s)
        self.n_pairs += 1
        self.time_us = time_us
        self.latencies_ms.append(latency_ms)
        told = self._model.closing.tell(answer.outputs, answer.evidence, self._model.classes)
        self.now = told.now
        if answer.event != NO_EVENT:
            self.n_events += 1
            latency_ms = round(latency_ms, 3)
            event = LiveEvent(sequence, time_us, told.event, told.now, told.values, latency_ms)
            self._tell(event)

    def status(self) -> str:
        """Return how it stands, in one line of a narrow terminal."""
        if not self.connected:
            return "the sensor is gone: plug it in again  (Ctrl-C ends)"
        newest = f"{self.latencies_ms[-1]:.2f} ms" if self.latencies_ms else "no pair yet"
        now = f"{self.now}  " if self.now else ""
        return (
            f"{now}{self.time_us / 1e6:.1f} s  pairs {self.n_pairs}  events {self.n_events}  "
            f"missing {self.missing}  latency {newest}  (Ctrl-C ends)"
        )

    def summary(self) -> str:
        """Return what came of it, in one line."""
        text = (
            f"{self.time_us / 1e6:.3f} s of the sensor's clock, {self.n_pairs} frame pairs, "
            f"{self.n_events} events, {self.missing} pairs missing in {self.n_gaps} gaps, "
            f"{self._link.decoder.counts.corrupt} packets corrupt, "
            f"{self._pairer.counts.foreign} exposures of another form"
        )
        if self.latencies_ms:
            median, high = np.percentile(self.latencies_ms, (50, 95))
            text += f", latency median {median:.2f} ms, 95th percentile {high:.2f} ms"
        return text


def calibrated_unit(folder: Path) -> str | None:
    """Return the one unit that a model is calibrated for; None where it answers for any.

    The model folder's ``evaluation.json`` says it (``source.calibration.unit``). A model that was
    copied without its evaluation says nothing, nor does one that is none: no more than a caution
    rests on it.
    """
    path = folder / "evaluation.json"
    try:
        content = json.loads(read_limited(path)) if path.exists() else {}
        unit = content["source"]["calibration"]["unit"]
    except (Error, ValueError, TypeError, KeyError, RecursionError):
        return None
    return unit if isinstance(unit, str) else None


@contextmanager
def open_log(path: Path | None) -> Iterator[Callable[[LiveEvent], None]]:
    """Yield a function that appends an event to a new file of JSON lines; to none without a path.

    Each line is in the file as soon as it is told, so that another program can follow it. A file
    that is still empty when an error ends the watch is removed: the next try may have its name.

    Raises
    ------
    UsageError
        The file is there already, or cannot be made.
    """
    if path is None:
        yield lambda _: None
        return
    try:
        file = path.open("x", encoding="utf-8", newline="\n", buffering=1)
    except OSError as error:
        raise UsageError(
            str(path), "the log", error.strerror, "a new file", "give another name"
        ) from None
    try:
        with file:
            yield lambda event: print(json.dumps(event.to_json()), file=file)
    except BaseException:
        if path.is_file() and path.stat().st_size == 0:
            path.unlink()
        raise


def _several(sensor: Sensor) -> str:
    """Return where a sensor's apertures are, if it has more than one."""
    if len(sensor.apertures) == 1:
        return ""
    return f", apertures at {' and '.join(str(each) for each in sensor.apertures)}"


def _check_sensor(url: str, sensor: Sensor, learned: Sensor) -> None:
    """Refuse readouts of another form than the model's."""
    got, wanted = (
        f"{s.n_rows} by {s.n_cols} pixels of {s.bit_depth} bits{_several(s)}"
        for s in (sensor, learned)
    )
    if got != wanted:
        raise FormatError(
            url, "the sensor", got, f"{wanted} as the model's", "use a model made for this sensor"
        )
