"""New sessions in a data set: all of them whole and labelled, or none.

The files of a session get their names only when all sessions are whole, labels first, so that a
crash leaves no session that is not.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.cues.labels import GOOD, Event, write_events
from capture.store.dataset import (
    Participant,
    add_participant,
    hold_kind,
    prepare_dataset,
    remembered,
    session_path,
)
from capture.store.session import events_path
from capture.store.source_truth import checked_truth, write_truth
from capture.store.writer import SessionHeader, SessionWriter
from capture.study.provenance import Origin, keep_provenance
from runtime.errors import FormatError, UsageError

__all__ = ["Filled", "NewSession", "Written", "write_sessions"]


@dataclass(frozen=True, slots=True)
class Filled:
    """What was written of a session: its frame pairs, and the time from first to last."""

    n_pairs: int
    duration_s: float


@dataclass(frozen=True, slots=True)
class NewSession:
    """A session to be written.

    Parameters
    ----------
    where : str
        Where it comes from, as errors begin.
    person : Participant
        Who gave consent.
    header : SessionHeader
    events : tuple of Event
        Its labels.
    fill : callable
        Writes the frame pairs.
    truth : Path, optional
        Table of where sources of light were.
    """

    where: str
    person: Participant
    header: SessionHeader
    events: tuple[Event, ...]
    fill: Callable[[SessionWriter], Filled]
    truth: Path | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """One session that was written: where it is, its frame pairs and good takes."""

    path: Path
    n_pairs: int
    n_takes: int

    def to_json(self) -> dict[str, str | int]:
        """Return what the commands that write sessions print of each."""
        return {"path": str(self.path), "n_pairs": self.n_pairs, "n_takes": self.n_takes}


def write_sessions(
    sessions: Sequence[NewSession], kind: str, out: Path, tell: Callable[[str], None]
) -> tuple[Written, ...]:
    """Write sessions into a data set, all or none.

    Parameters
    ----------
    sessions : sequence of NewSession
    kind : str
        One of `capture.store.kind.KINDS`; what the data set holds, or will.
    out : Path
        Data set; made if missing.
    tell : callable
        Is told in a few words what was done.

    Raises
    ------
    UsageError
        A session is there already, or the data set holds data of another kind.
    FormatError
        Labels end after the readouts, or a truth does not reach over them; and what `fill` raises.
    Error
        The disk is full.
    """
    made = not out.exists()
    prepare_dataset(out)
    try:
        hold_kind(out, kind)
        return _write(sessions, out, tell)
    except BaseException:
        if made:
            _remove_empty(out)
        raise


def _write(
    sessions: Sequence[NewSession], out: Path, tell: Callable[[str], None]
) -> tuple[Written, ...]:
    heads = [session.header for session in sessions]
    places = [session_path(out, h.participant, h.session, h.script.name) for h in heads]
    for place in places:
        if place.exists() or events_path(place).exists():
            raise UsageError(
                str(place), "the session", "there already", "a new one", "give it another number"
            )
    parts = [place.with_name(f".{place.name}.{os.getpid()}.part") for place in places]
    filled, truths = [], []
    try:
        for number, (session, part) in enumerate(zip(sessions, parts, strict=True), start=1):
            try:
                part.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise UsageError(
                    str(part.parent), "the folder", f"not to be made ({error.strerror})"
                ) from None
            with SessionWriter(part, session.header) as writer:
                filled.append(session.fill(writer))
            _check_end(session, filled[-1].duration_s)
            table = session.truth
            truths.append(None if table is None else checked_truth(part, table))
            tell(f"{session.where}: {filled[-1].n_pairs} frame pairs, {number} of {len(sessions)}")
        for person in {s.person.participant_id: s.person for s in sessions}.values():
            add_participant(out, remembered(out, person))
        for session, place, part, truth in zip(sessions, places, parts, truths, strict=True):
            keep_provenance(place, session.header, Origin(None))  # when it was nobody said
            write_events(events_path(place), session.events)
            if truth is not None:
                write_truth(place, truth)
            part.replace(place)
    finally:
        for part in parts:
            part.unlink(missing_ok=True)
            for folder in (part.parent, part.parent.parent):
                with contextlib.suppress(OSError):  # something else is in it
                    folder.rmdir()
    return tuple(
        Written(place, done.n_pairs, sum(event.status == GOOD for event in session.events))
        for session, place, done in zip(sessions, places, filled, strict=True)
    )


def _remove_empty(out: Path) -> None:
    """Take away the folder of a data set that was made for nothing."""
    with contextlib.suppress(OSError):
        if {path.name for path in out.iterdir()} <= {"dataset_description.json"}:
            (out / "dataset_description.json").unlink()
            out.rmdir()


def _check_end(session: NewSession, duration_s: float) -> None:
    period_s = session.header.description.sensor.frame_period_us / 1e6
    for event in session.events:
        if event.end_s > duration_s + period_s:
            raise FormatError(
                session.where, f"end of {event.trial_type}", f"{event.end_s:g} s",
                f"within the readouts' {duration_s:g} s",
                "onset and duration are seconds from the recording's first frame pair",
            )  # fmt: skip
