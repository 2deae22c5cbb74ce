"""The recorder: leads one participant through one script and keeps every readout."""

from __future__ import annotations

import contextlib
import dataclasses
import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.cues.conductor import Moment
from capture.cues.labels import GOOD, Event, refine, write_events
from capture.cues.script import Script
from capture.lead.host_clock import HostClock
from capture.lead.incoming_pairs import Intake, PairWatcher, RecordingStatus
from capture.store.dataset import (
    Participant,
    add_participant,
    hold_kind,
    prepare_dataset,
    remembered,
    require_consent,
    session_path,
)
from capture.store.kind import kind_of
from capture.store.session import events_path
from capture.store.source_truth import keep_truth
from capture.store.writer import STILL_S, SessionHeader, SessionWriter
from capture.study.provenance import Origin, keep_provenance, provenance_path
from capture.study.session_names import next_session
from capture.wire.clock import ClockFit
from capture.wire.codec import CommandKind, WireCounts
from capture.wire.link import SerialLink
from capture.wire.pairing import PairCounts
from runtime.errors import Error, FormatError, PortError, UsageError

__all__ = ["Operator", "RecordedSession", "RecordingStatus", "SessionNotes", "record"]

_REPORT_S = 0.05
_STALL_S = 10.0


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """What was recorded: its file, and what was counted while it came.

    `overruns` is the sensor's own count of exposures that it could not send, since its power-up;
    `clock` how its clock stood to the host's, segment by segment, where that was asked for.
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
    n_clock_leaps: int = 0
    clock: tuple[ClockFit | None, ...] = ()

    @property
    def n_takes(self) -> int:
        """Takes that are not rejected."""
        return sum(event.status == GOOD for event in self.events)

    @property
    def n_rejected(self) -> int:
        """Takes that are: given again, or cut by a pause, a stop or a lost connection."""
        return len(self.events) - self.n_takes


@dataclass(frozen=True, slots=True)
class SessionNotes:
    """What is noted of a session beside its script.

    Parameters
    ----------
    number : str, optional
        Name of the session, such as ``01``; by default the next number of this task and the
        station's name, or a short random part, so that no other laptop gives the same.
    distance_mm : float, optional
        Distance of the hand that the participant was asked for, 10 to 1000; noted in the file.
    host_clock : bool
        Write down beside the recording when its readouts arrived, and how the sensor's clock stands
        to the host's; see :mod:`capture.lead.host_clock`. The recording itself stays as it is.
    origin : Origin, optional
        What is written beside the file of where it comes from; by default that it begins now.
    truth : Path, optional
        Table of a rig that is there when the recording ends: where sources of light were, see
        :mod:`capture.store.source_truth`. It is kept beside the recording.
    """

    number: str | None = None
    distance_mm: float | None = None
    host_clock: bool = False
    origin: Origin | None = None
    truth: Path | None = None


def _nothing_to_show(status: RecordingStatus) -> None:
    """Show nothing to nobody."""


def _no_wish() -> None:
    """Wish nothing."""


@dataclass(frozen=True, slots=True)
class Operator:
    """Who stands beside a recording: what they see of it and what they wish.

    Parameters
    ----------
    progress : callable, optional
        Called about 20 times a second and once at the end.
    wish : callable, optional
        Called often; returns ``pause`` (again to go on), ``redo``, ``stop`` or None.
    watch : callable, optional
        Sees each frame pair after it was kept, with its time in seconds from the first and its
        readout energy in counts; must return at once.
    still_s : float
        As of :class:`SessionWriter`.
    repeat_missed : bool
        Give a cue in which nothing moved again at once, at most twice; its take is rejected.
    """

    progress: Callable[[RecordingStatus], None] = _nothing_to_show
    wish: Callable[[], str | None] = _no_wish
    watch: PairWatcher | None = None
    still_s: float = STILL_S
    repeat_missed: bool = False


def record(
    link: SerialLink,
    participant: Participant,
    script: Script,
    seed: int,
    out: Path,
    *,
    notes: SessionNotes | None = None,
    operator: Operator | None = None,
) -> RecordedSession:
    """Record one session and leave it finished and labelled in the data set `out`.

    Parameters
    ----------
    link : SerialLink
        Open port of a sensor.
    participant : Participant
        Must have given consent; the row in ``participants.tsv`` is written before the first frame.
        What an older row says stays where this one says nothing, and who is locked stays locked.
    script : Script
        What to ask for.
    seed : int
        Seed of the order of the cues.
    out : Path
        Folder of the data set; made if missing.
    notes : SessionNotes, optional
        Name of the session, distance of the hand and where the recording comes from.
    operator : Operator, optional
        Who sees how far it is and may pause or stop it. Ctrl-C (KeyboardInterrupt) stops as well.

    Returns
    -------
    RecordedSession
        Counts and the labels as written.

    Raises
    ------
    UsageError
        No consent, the session is there already, or the data set holds data of another kind.
    FormatError
        The truth is faulty or does not reach over the recording, which is kept without it.
    PortError
        The sensor did not come back, or sends nothing when started; what came before is kept.
    Error
        The disk is full; likewise.
    """
    require_consent(participant)
    notes, operator = notes or SessionNotes(), operator or Operator()
    origin = notes.origin or Origin()
    prepare_dataset(out)
    link.decoder.counts = WireCounts()  # of this session alone
    description = link.describe()
    hold_kind(out, kind_of(description.firmware))
    add_participant(out, remembered(out, participant))
    number = notes.number or next_session(
        out, participant.participant_id, script.name, origin.station, random.SystemRandom()
    )
    path = session_path(out, participant.participant_id, number, script.name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            str(path.parent), "the folder", f"not to be made ({error.strerror})"
        ) from None
    header = SessionHeader(
        participant.participant_id, number, description, script, seed, notes.distance_mm
    )
    writer = SessionWriter(path, header, operator.still_s)
    intake = Intake(link, writer, description, script, seed, operator.watch)
    intake.repeat_missed = operator.repeat_missed
    try:
        keep_provenance(path, header, origin)
        if notes.host_clock:
            intake.host_clock = HostClock(link, path, lambda: intake.line.offset_us)
        stopped = _run(intake, operator)
    except BaseException as error:
        # Finish what came, so that it opens without a repair; the first error is the one to tell.
        with contextlib.suppress(Error):
            _finish(intake, script)
        if isinstance(error, PortError) and intake.n_pairs:
            raise _with_what_is_kept(error, path) from None
        raise
    events = _finish(intake, script)
    with contextlib.suppress(PortError) if stopped else contextlib.nullcontext():
        # Who stops early may have pulled the sensor already: one that is gone is not waited for.
        link.ask(CommandKind.STOP, stopped=lambda: intake.gone)
    if notes.truth is not None and intake.n_pairs:
        _keep_truth(path, notes.truth)
    return RecordedSession(
        path,
        intake.n_pairs,
        intake.now_us / 1e6,
        events,
        link.decoder.counts,
        intake.pair_counts,
        intake.line.run,
        intake.overruns,
        stopped,
        intake.n_clock_leaps,
        intake.host_clock.fits if intake.host_clock is not None else (),
    )


def _keep_truth(path: Path, table: Path) -> None:
    try:
        keep_truth(path, table)
    except (FormatError, UsageError) as error:
        do = f"the recording is kept without a truth; mend the table, then palmwatt truth {path}"
        raise FormatError(error.where, error.what, error.got, error.expected, do) from None


def _with_what_is_kept(error: PortError, path: Path) -> PortError:
    kept = f"what was recorded before it is kept in {path}"
    do = f"{error.do}; {kept}" if error.do else kept
    return PortError(error.where, error.what, error.got, error.expected, do)


def _run(intake: Intake, operator: Operator) -> bool:
    try:
        stopped = _lead(intake, operator)
    except KeyboardInterrupt:
        stopped = intake.control("stop")
    intake.end_run()
    operator.progress(intake.progress())
    return stopped


def _lead(intake: Intake, operator: Operator) -> bool:
    """Take readouts until the script is over; return whether the operator ended it before.

    A port that is gone, and a sensor that falls silent or out of step with its own numbers, are
    waited for and started again.
    """
    link = intake.link
    link.ask(CommandKind.START, after=intake.take)
    heard = reported = time.monotonic()
    came = stopped = False
    n_heard = intake.n_pairs

    while not stopped and intake.conductor.advance(intake.now_us).phase != "done":
        messages, lost = [], False
        try:
            intake.ask_clock()
            messages = link.read()
        except PortError:
            lost = True
        now = time.monotonic()
        if intake.n_pairs > n_heard:
            heard, n_heard, came = now, intake.n_pairs, True
        elif not lost and now - heard > _STALL_S:
            if not came:  # started, to no avail
                said = f"silent for {_STALL_S:g} s"
                expected = "frame pairs of the form it described"
                raise PortError(link.url, "the sensor", said, expected, "look at it")
            lost = True  # pulled behind an adapter, whose port is still there; or out of step
        if lost:
            if _wait_given_up(intake, operator, heard):
                return True
            heard, came = time.monotonic(), False
            n_heard = intake.n_pairs
        for message in messages:
            # What came behind the last cue in the same read is not part of the session.
            if intake.conductor.advance(intake.now_us).phase == "done":
                break
            intake.take(message)
        intake.writer.tick()
        now = time.monotonic()
        if now - reported >= _REPORT_S:
            reported = now
            operator.progress(intake.progress())
            wish = operator.wish()
            stopped = wish is not None and intake.control(wish)
    return stopped


def _wait_given_up(intake: Intake, operator: Operator, heard: float) -> bool:
    """Wait for a sensor that is gone and start it again; return whether the operator stopped.

    A stop that is wished is no error: what came before is a session that ended early.
    """
    stopped = False

    def given_up() -> bool:
        nonlocal stopped
        now = intake.progress()
        operator.progress(dataclasses.replace(now, moment=Moment("disconnected", "", 0.0)))
        stopped = stopped or operator.wish() == "stop"
        return stopped

    # Asked at once: it may be back before it is waited for.
    if not given_up():
        try:
            intake.reconnect(heard, given_up)
        except PortError:
            if not stopped:
                raise
    if stopped:
        intake.gone = True
        intake.control("stop")
    return stopped


def _finish(intake: Intake, script: Script) -> tuple[Event, ...]:
    """Write the labels and close the file; a session without readouts goes away.

    The labels go first: killed in between, the file is finished when it is next opened.
    """
    path = intake.writer.path
    if intake.n_pairs == 0:
        intake.writer.abandon()
        path.unlink()
        provenance_path(path).unlink(missing_ok=True)
        if intake.host_clock is not None:
            intake.host_clock.abandon()
        return ()
    events = tuple(intake.conductor.ended)
    if script.movement:
        events = refine(events, np.array(intake.energy), np.array(intake.time_s))
    try:
        write_events(events_path(path), events)
    except Error:
        # Left unfinished, the file gives its labels from its journal when it is next opened.
        with contextlib.suppress(Error):
            intake.writer.flush()
        intake.writer.abandon()
        raise
    intake.writer.close()
    if intake.host_clock is not None:
        intake.host_clock.close()
    return events
