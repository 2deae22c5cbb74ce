"""The recorder: leads one participant through one script and keeps every readout."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.conductor import Conductor, Moment
from capture.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.frames import FramePair
from capture.labels import Event, refine, write_events
from capture.link import Link
from capture.pairing import PairCounts, Pairer
from capture.script import Script, schedule
from capture.session import events_path
from capture.store import SessionHeader, SessionWriter
from capture.wire import CommandKind, Description, Exposure, Message, Status, WireCounts
from runtime.errors import Error, PortError, UsageError

__all__ = ["Progress", "Recording", "record"]

_REPORT_S = 0.05
_STALL_S = 3.0
_RECONNECT_S = 120.0


@dataclass(frozen=True, slots=True)
class Progress:
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
        Share of its pixels at the largest value.
    level_change : float
        Mean of its lit minus dark against that of the first frame pair; 0 if that was 0.
    missing : int
        Frame pairs lost so far.
    corrupt : int
        Packets thrown away so far.
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


@dataclass(frozen=True, slots=True)
class Recording:
    """What was recorded: its file, and what was counted while it came.

    `overruns` is the sensor's own count of exposures that it could not send, since its power-up.
    """

    path: Path
    n_pairs: int
    duration_s: float
    events: tuple[Event, ...]
    wire: WireCounts
    pairs: PairCounts
    n_gaps: int
    overruns: int
    stopped_early: bool


class _Recorder:
    """State of one recording; lives for one call of `record`."""

    def __init__(
        self,
        link: Link,
        writer: SessionWriter,
        description: Description,
        script: Script,
        seed: int,
    ) -> None:
        self.link = link
        self.writer = writer
        self.description = description
        self.conductor = Conductor(schedule(script, seed), round(1e6 * script.lead_in_s))
        self.pair_counts = PairCounts()
        self.pairer = Pairer(description, self.pair_counts)
        self.run = 0
        self.n_pairs = 0
        self.first_us = 0
        self.now_us = 0
        self.next_sequence = 0
        self.sequence_offset = 0
        self.time_offset_us = 0
        self.rebase: float | None = None  # host seconds without readouts, at a run's first pair
        self.overruns = 0
        self.n_journalled = 0
        self.newest: FramePair | None = None
        self.first_level = 0.0
        self.previous: np.ndarray | None = None
        self.energy: list[float] = []
        self.time_s: list[float] = []

    def take(self, message: Message) -> None:
        """Take one message from the sensor."""
        if isinstance(message, Exposure):
            for pair in self.pairer.add(message):
                self._keep(pair)
        elif isinstance(message, Status):
            self.overruns = message.overruns
            self.writer.add_status(message)
        elif isinstance(message, Description) and _setting(message) != _setting(self.description):
            raise PortError(
                self.link.url,
                "the sensor's setting",
                "changed while it was recorded",
                do="begin a new session; what came before is kept",
            )

    def _keep(self, pair: FramePair) -> None:
        if self.rebase is not None:
            self._begin_run(pair, self.rebase)
        sequence = pair.sequence + self.sequence_offset
        time_us = pair.time_us + self.time_offset_us
        if self.n_pairs == 0:
            self.first_us = time_us
        self.writer.add(pair, sequence, time_us, self.run)
        self.n_pairs += 1
        self.next_sequence = sequence + 1
        self.now_us = time_us - self.first_us
        difference = pair.lit.astype(np.int32) - pair.dark
        if self.previous is None:
            self.first_level = float(difference.mean())
            self.previous = difference
        self.energy.append(float(np.abs(difference - self.previous).sum()))
        self.time_s.append(self.now_us / 1e6)
        self.previous = difference
        self.newest = pair
        self.conductor.advance(self.now_us)
        self._journal()

    def _begin_run(self, pair: FramePair, silent_s: float) -> None:
        period_us = self.description.sensor.frame_period_us
        lost = max(0, round(1e6 * silent_s / period_us) - 1)
        before_us = self.now_us
        last_us = self.first_us + self.now_us
        self.sequence_offset = self.next_sequence + lost - pair.sequence
        # The device's clock may have gone on, or begun anew with the device.
        if pair.time_us + self.time_offset_us <= last_us:
            self.time_offset_us = last_us + round((lost + 1) * period_us) - pair.time_us
        self.rebase = None
        self.writer.add_json(
            "/gaps",
            {
                "run": self.run,
                "after_sequence": self.next_sequence - 1,
                "silent_s": silent_s,
                "sequence_offset": self.sequence_offset,
                "time_offset_us": self.time_offset_us,
            },
        )
        now_us = pair.time_us + self.time_offset_us - self.first_us
        self.conductor.interrupt(before_us, now_us)

    def _journal(self) -> None:
        """Write down the cues that ended, so that a killed recording keeps its labels."""
        for index in range(self.n_journalled, len(self.conductor.ended)):
            self.journal_event(index)
        self.n_journalled = len(self.conductor.ended)

    def journal_event(self, index: int) -> None:
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

    def end_run(self) -> None:
        """Hand out what the pairer still holds."""
        for pair in self.pairer.flush():
            self._keep(pair)

    def reconnect(self, began: float, stopped: Callable[[], bool]) -> None:
        """Wait for the port to come back and start the sensor again."""
        self.end_run()
        self.writer.tick()
        give_up = time.monotonic() + _RECONNECT_S
        while True:
            self.link.reopen(give_up - time.monotonic(), stopped)
            try:
                description = self.link.describe()
                break
            except PortError:  # there, but still starting, or gone again
                if time.monotonic() > give_up or stopped():
                    raise
        if _setting(description) != _setting(self.description):
            raise PortError(self.link.url, "the sensor", "another one than before", "the same")
        self.run += 1
        self.pairer = Pairer(self.description, self.pair_counts)
        self.rebase = time.monotonic() - began
        self.link.ask(CommandKind.START, after=self.take)

    def progress(self) -> Progress:
        """Return how the recording stands."""
        pair = self.newest
        level = 0.0
        lit_mean = saturated = 0.0
        if pair is not None:
            lit_mean = float(pair.lit.mean())
            saturated = float((pair.lit >= self.description.sensor.max_counts).mean())
            level = lit_mean - float(pair.dark.mean())
        return Progress(
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
        )


def _setting(description: Description) -> Description:
    return dataclasses.replace(description, time_us=0)


def record(
    link: Link,
    participant: Participant,
    script: Script,
    seed: int,
    out: Path,
    *,
    session: str | None = None,
    progress: Callable[[Progress], None] | None = None,
    controls: Callable[[], str | None] | None = None,
) -> Recording:
    """Record one session and leave it finished and labelled in the data set `out`.

    Parameters
    ----------
    link : Link
        Open port of a sensor.
    participant : Participant
        Must have given consent; the row in ``participants.tsv`` is written before the first frame.
    script : Script
        What to ask for.
    seed : int
        Seed of the order of the cues.
    out : Path
        Folder of the data set; made if missing.
    session : str, optional
        Number of the session, such as ``01``; by default the next free one of this task.
    progress : callable, optional
        Called about 20 times a second and once at the end.
    controls : callable, optional
        Asked often; returns ``pause`` (again to go on), ``redo``, ``stop`` or None.

    Returns
    -------
    Recording
        Counts and the labels as written.

    Raises
    ------
    UsageError
        No consent, or the session is there already.
    PortError
        The sensor fell silent or did not come back; what came before is kept.
    Error
        The disk is full; likewise.
    """
    if not participant.consent:
        raise UsageError(
            participant.participant_id,
            "consent",
            "not given",
            "given before the first frame",
            "ask the person, and record only with their consent",
        )
    prepare_dataset(out)
    link.decoder.counts = WireCounts()  # of this session alone
    description = link.describe()
    add_participant(out, participant)
    number = session or _next_session(out, participant.participant_id, script.name)
    path = session_path(out, participant.participant_id, number, script.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    header = SessionHeader(participant.participant_id, number, description, script, seed)
    writer = SessionWriter(path, header)
    recorder = _Recorder(link, writer, description, script, seed)
    events: tuple[Event, ...] = ()
    try:
        stopped = _run(recorder, progress or (lambda _: None), controls or (lambda: None))
    finally:
        # Also after an error: finish what came, so that it opens without a repair.
        events = _finish(recorder, script)
    link.ask(CommandKind.STOP)
    return Recording(
        path,
        recorder.n_pairs,
        recorder.now_us / 1e6,
        events,
        link.decoder.counts,
        recorder.pair_counts,
        recorder.run,
        recorder.overruns,
        stopped,
    )


def _run(
    recorder: _Recorder,
    progress: Callable[[Progress], None],
    controls: Callable[[], str | None],
) -> bool:
    link = recorder.link
    link.ask(CommandKind.START, after=recorder.take)
    heard = reported = time.monotonic()
    stopped = False

    def waiting() -> bool:
        now = recorder.progress()
        progress(dataclasses.replace(now, moment=Moment("disconnected", "", 0.0)))
        return controls() == "stop"

    while not stopped and recorder.conductor.advance(recorder.now_us).phase != "done":
        try:
            messages = link.read()
        except PortError:
            recorder.reconnect(heard, waiting)
            messages = []
            heard = time.monotonic()
        for message in messages:
            recorder.take(message)
        recorder.writer.tick()
        now = time.monotonic()
        if any(isinstance(message, Exposure) for message in messages):
            heard = now
        elif now - heard > _STALL_S:
            raise PortError(
                link.url, "the sensor", f"silent for {_STALL_S:g} s", "exposures", "look at it"
            )
        if now - reported >= _REPORT_S:
            reported = now
            progress(recorder.progress())
            wish = controls()
            stopped = wish is not None and recorder.control(wish)
    recorder.end_run()
    progress(recorder.progress())
    return stopped


def _finish(recorder: _Recorder, script: Script) -> tuple[Event, ...]:
    """Close the file and write the labels beside it; a session without readouts goes away."""
    path = recorder.writer.path
    events = tuple(recorder.conductor.ended)
    try:
        recorder.writer.close()
        if recorder.n_pairs == 0:
            path.unlink()
            return ()
        if script.movement:
            events = refine(events, np.array(recorder.energy), np.array(recorder.time_s))
        write_events(events_path(path), events)
    except (Error, OSError):
        # The disk refused: the file is finished when it is next opened, from its own journal.
        recorder.writer.abandon()
    return events


def _next_session(out: Path, participant_id: str, task: str) -> str:
    for number in range(1, 1000):
        if not session_path(out, participant_id, f"{number:02d}", task).exists():
            return f"{number:02d}"
    raise UsageError(str(out), "number of sessions", 999, "fewer for one participant and task")
