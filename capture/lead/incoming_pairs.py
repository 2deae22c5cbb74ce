"""What one session takes in: messages to frame pairs on one time line, cues led by its clock."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass

from capture.cues.conductor import Conductor, Moment
from capture.cues.energy import EnergyMeter
from capture.cues.script import Script, schedule
from capture.frames import FramePair
from capture.lead.host_clock import HostClock
from capture.lead.missed import NO_MOVEMENT, Missed
from capture.store.writer import SessionWriter
from capture.wire.codec import (
    Acknowledge,
    CommandKind,
    Description,
    Exposure,
    Message,
    Status,
)
from capture.wire.link import SerialLink
from capture.wire.pairing import PairCounts, Pairer
from capture.wire.timeline import ClockLeap, Gap, TimeLine
from runtime.errors import PortError

__all__ = ["Intake", "PairWatcher", "RecordingStatus"]

PairWatcher = Callable[[FramePair, float, float], None]
"""Sees each frame pair as it is kept: the pair, its time in seconds from the first, its readout
energy in counts."""


@dataclass(frozen=True, slots=True)
class RecordingStatus:
    """How a recording stands; times are of the sensor's clock.

    Parameters
    ----------
    n_pairs : int
        Frame pairs received.
    time_s, total_s : float
        Time since the first frame pair, and when the script will be over.
    moment : Moment
        What the participant sees.
    n_cues_done : int
        Cues behind.
    mean_lit_counts : float
        Mean of the newest lit exposure.
    saturated_fraction : float
        Share of its pixels that are saturated.
    level_change : float
        Mean of its lit minus dark against that of the first frame pair; 0 if that was 0.
    missing : int
        Frame pairs lost so far.
    corrupt : int
        Packets thrown away so far.
    clock_leaps : int
        How often the sensor's clock fell or leapt while its frame pairs went on.
    missed : tuple of str
        Trial types of the cues in which nothing moved, in order.
    """

    n_pairs: int
    time_s: float
    total_s: float
    moment: Moment
    n_cues_done: int
    mean_lit_counts: float
    saturated_fraction: float
    level_change: float
    missing: int
    corrupt: int
    clock_leaps: int = 0
    missed: tuple[str, ...] = ()


class Intake:
    """Takes one session's messages: pairs them, keeps them on one time line, leads the cues.

    Parameters
    ----------
    link : SerialLink
        Open port.
    writer : SessionWriter
        Where readouts and journal go.
    description : Description
        The sensor as it was when the session began.
    script : Script
        What to ask for.
    seed : int
        Seed of the order of the cues.
    watch : callable, optional
        Sees each frame pair after it was kept.

    Attributes
    ----------
    gone : bool
        The sensor was lost and nobody waits for it any more.
    repeat_missed : bool
        A cue in which nothing moved is given again at once, at most twice.
    host_clock : HostClock or None
        Where arrivals by the host's clock go, if anywhere.
    """

    def __init__(
        self,
        link: SerialLink,
        writer: SessionWriter,
        description: Description,
        script: Script,
        seed: int,
        watch: PairWatcher | None = None,
    ) -> None:
        self.link = link
        self.writer = writer
        self.description = description
        self.watch = watch
        self.conductor = Conductor(schedule(script, seed), round(1e6 * script.lead_in_s))
        self.pair_counts = PairCounts()
        self.pairer = Pairer(description, self.pair_counts)
        self.line = TimeLine(description.sensor.frame_period_us)
        self.missed = Missed(script.movement)
        self.repeat_missed = False
        self.n_pairs = 0
        self.n_clock_leaps = 0
        self.gone = False
        self.host_clock: HostClock | None = None
        self.overruns = 0
        self.n_journalled = 0
        self.newest: FramePair | None = None
        self.first_level = 0.0
        self.meter = EnergyMeter()
        self.energy: list[float] = []
        self.time_s: list[float] = []

    def take(self, message: Message) -> None:
        """Take one message from the sensor."""
        if isinstance(message, Exposure):
            for pair in self.pairer.add(message):
                self._keep(pair)
        elif isinstance(message, Acknowledge):
            if self.host_clock is not None:
                self.host_clock.answer(message)
        elif isinstance(message, Status):
            self.overruns = message.overruns
            self.writer.add_status(message)
        elif isinstance(message, Description) and _setting(message) != _setting(self.description):
            raise PortError(
                self.link.url,
                "the sensor's setting",
                "changed while it was recorded",
                do="begin a new session",
            )

    @property
    def now_us(self) -> int:
        """Time of the newest frame pair, microseconds from the first."""
        return self.line.now_us

    def _keep(self, pair: FramePair) -> None:
        place = self.line.place(pair)
        if place is None:
            self.pair_counts.missing += 1
            self.pair_counts.pairs -= 1
            return
        if place.leap is not None:
            self._tell_leap(place.leap)
        if place.gap is not None:
            self._tell_gap(place.gap)
        self.writer.add(pair, place.sequence, place.time_us, self.line.run)
        if self.host_clock is not None:
            if place.gap is not None or place.leap is not None:
                self.host_clock.begin_segment()
            self.host_clock.pair(place.sequence, place.time_us)
        self.n_pairs += 1
        if self.newest is None:
            self.first_level = _level(pair)
        self.energy.append(float(self.meter.add(pair.lit[None], pair.dark[None])[0]))
        self.time_s.append(self.now_us / 1e6)
        self.newest = pair
        between = self.conductor.advance(self.now_us).phase == "rest"
        if self.repeat_missed and between and len(self.conductor.ended) > self.n_journalled:
            self._give_missed_again()
        self._journal()
        if self.watch is not None:
            self.watch(pair, self.time_s[-1], self.energy[-1])

    def _tell_gap(self, gap: Gap) -> None:
        content: dict[str, object] = {
            "run": self.line.run,
            "after_sequence": gap.after_sequence,
            "silent_s": gap.silent_s,
            "sequence_offset": gap.sequence_offset,
            "time_offset_us": gap.time_offset_us,
        }
        self.writer.add_json("/gaps", content)
        self.conductor.interrupt(gap.before_us, gap.now_us)

    def _tell_leap(self, leap: ClockLeap) -> None:
        """Note it among the gaps, which are what the time line needed to go on."""
        self.n_clock_leaps += 1
        content: dict[str, object] = {
            "run": self.line.run,
            "clock_leap_us": leap.leap_us,
            "clock_leap_after_sequence": leap.after_sequence,
            "time_offset_us": leap.time_offset_us,
        }
        self.writer.add_json("/gaps", content)

    def _give_missed_again(self) -> None:
        """Give the cue that has just ended once more if nothing moved in it."""
        self.missed.look(self.conductor.ended, self.energy, self.time_s)
        if self.missed.wants_again(self.conductor.ended):
            self.conductor.redo(self.now_us, NO_MOVEMENT)
            self.n_journalled = 0  # the entry changed: write the journal again

    def _journal(self) -> None:
        """Write down the cues that ended, so that a killed recording keeps its labels."""
        for index in range(self.n_journalled, len(self.conductor.ended)):
            self._journal_event(index)
        self.n_journalled = len(self.conductor.ended)

    def _journal_event(self, index: int) -> None:
        event = self.conductor.ended[index]
        self.writer.add_json(
            "/events",
            {
                "index": index,
                "onset": event.onset_s,
                "duration": event.duration_s,
                "trial_type": event.trial_type,
                "repetition": event.repetition,
                "status": event.status,
                "reason": event.reason or None,
                "cue_onset": event.cue_onset_s,
                "cue_duration": event.cue_duration_s,
            },
        )

    def control(self, wish: str) -> bool:
        """Do what the operator asks; return whether to stop."""
        if wish == "stop":
            self.conductor.stop(self.now_us)
        elif wish == "redo":
            self.conductor.redo(self.now_us)
            self.n_journalled = 0  # the redone take's entry changed: write the journal again
        elif wish == "pause":
            if self.conductor.advance(self.now_us).phase == "paused":
                self.conductor.resume(self.now_us)
            else:
                self.conductor.pause(self.now_us)
        self._journal()
        return wish == "stop"

    def ask_clock(self) -> None:
        """Ask the sensor for its clock where arrivals are noted and it is due."""
        if self.host_clock is not None:
            self.host_clock.tick()

    def end_run(self) -> None:
        """Hand out what the pairer still holds."""
        for pair in self.pairer.flush():
            self._keep(pair)

    def reconnect(self, began: float, stopped: Callable[[], bool]) -> None:
        """Wait for the port to come back and start the sensor again."""
        self.end_run()
        self.writer.tick()
        if self.host_clock is not None:
            self.host_clock.wait()
        description = self.link.reconnect(stopped)
        if _setting(description) != _setting(self.description):
            raise PortError(self.link.url, "the sensor", "another one than before", "the same")
        self.pairer = Pairer(self.description, self.pair_counts)
        self.line.begin_run(time.monotonic() - began)
        self.link.ask(CommandKind.START, after=self.take)

    def progress(self) -> RecordingStatus:
        """Return how the recording stands."""
        pair = self.newest
        level = 0.0
        lit_mean = saturated = 0.0
        if pair is not None:
            lit_mean = float(pair.lit.mean())
            saturated = float((pair.lit >= self.description.sensor.saturation_counts).mean())
            level = _level(pair)
        return RecordingStatus(
            self.n_pairs,
            self.now_us / 1e6,
            self.conductor.total_us / 1e6,
            self.conductor.advance(self.now_us),
            self.conductor.n_done,
            lit_mean,
            saturated,
            level / self.first_level - 1.0 if self.first_level else 0.0,
            self.pair_counts.missing,
            self.link.decoder.counts.corrupt,
            self.n_clock_leaps,
            self.missed.look(self.conductor.ended, self.energy, self.time_s),
        )


def _level(pair: FramePair) -> float:
    return float(pair.lit.mean()) - float(pair.dark.mean())


def _setting(description: Description) -> Description:
    return dataclasses.replace(description, time_us=0)
