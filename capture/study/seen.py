"""What a study needs to know of each session that is there, without reading its readouts."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.cues.labels import GOOD
from capture.measure.quality import quality_faults, session_quality
from capture.store.container import DAMAGE, metadata
from capture.store.dataset import SessionInfo, find_sessions
from capture.store.session import Session, read_session
from capture.study.provenance import (
    Provenance,
    provenance_path,
    read_provenance,
    script_sha256,
)
from runtime.errors import Error, UsageError

__all__ = ["Lookout", "Seen", "session_name", "with_doubtful_labels"]


@dataclass(frozen=True, slots=True)
class Seen:
    """A session as it is found.

    Parameters
    ----------
    info : SessionInfo
        Where it is.
    seed : int or None
        Seed of the order of its cues; None if the file cannot be read.
    script_sha256, unit : str
        Hash of its script, and its sensor.
    n_cues, n_good, n_rejected : int
        Cues that the script gives, and takes.
    provenance : Provenance or None
        None for older recordings.
    faults : tuple of str
        What is wrong with it, a few words each.
    running : bool
        It is being recorded.
    """

    info: SessionInfo
    seed: int | None
    script_sha256: str
    unit: str
    n_cues: int
    n_good: int
    n_rejected: int
    provenance: Provenance | None
    faults: tuple[str, ...]
    running: bool = False


def session_name(info: SessionInfo) -> str:
    """Return what a session is called: ``sub-P01_ses-01a_task-dynamic``."""
    return f"sub-{info.participant_id}_ses-{info.session}_task-{info.task}"


class Lookout:
    """Looks at the sessions of a data set; what has not changed since is not read again.

    Parameters
    ----------
    readouts : bool
        Read all readouts as well, and count what makes them unfit for training as faults.
    """

    def __init__(self, *, readouts: bool = False) -> None:
        self._readouts = readouts
        self._known: dict[Path, tuple[tuple[tuple[int, int], ...], Seen]] = {}

    def look(self, root: Path) -> tuple[Seen, ...]:
        """Return what is there now, in order of participant, session and task."""
        known, self._known = self._known, {}
        found = []
        for info in find_sessions(root):
            marks = _marks(info)
            before = known.get(info.path)
            seen = before[1] if before and before[0] == marks else self._see(info)
            if not seen.running:
                self._known[info.path] = _marks(info), seen  # opening may have finished the file
            found.append(seen)
        return tuple(found)

    def _see(self, info: SessionInfo) -> Seen:
        try:
            session = read_session(info.path)
            provenance = read_provenance(info.path)
            faults = _faults(session, info, provenance)
            if self._readouts:
                faults += quality_faults(session_quality(session), session.sensor)
        except Error as error:
            if isinstance(error, UsageError) and error.got == "being recorded":
                return Seen(info, _seed_of(info.path), "", "", 0, 0, 0, None, (), running=True)
            return Seen(info, None, "", "", 0, 0, 0, None, (str(error),))
        n_good = sum(event.status == GOOD for event in session.events)
        return Seen(
            info,
            session.header.seed,
            script_sha256(session.script),
            session.unit,
            session.script.n_cues,
            n_good,
            len(session.events) - n_good,
            provenance,
            faults,
        )


def with_doubtful_labels(seen: Sequence[Seen], rng: np.random.Generator) -> tuple[Seen, ...]:
    """Return sessions with what speaks against their labels among the faults.

    All readouts are read, and people are held against each other; see `capture.truth`.
    """
    from capture.truth.truth import doubts_of_files, label_faults

    readable = [one.info.path for one in seen if one.seed is not None and not one.running]
    found = doubts_of_files(readable, rng)
    return tuple(
        dataclasses.replace(
            one, faults=one.faults + label_faults(one.info.path.name, one.n_good, found)
        )
        for one in seen
    )


def _seed_of(path: Path) -> int | None:
    """Return the seed in the header of a file that another process is writing."""
    try:
        return int(metadata(path, "session")["seed"])
    except (Error, *DAMAGE):
        return None  # not written yet


def _marks(info: SessionInfo) -> tuple[tuple[int, int], ...]:
    """Return by what a change of a session's files is told."""
    marks = []
    for path in (info.path, info.events_path, provenance_path(info.path)):
        try:
            found = path.stat()
        except OSError:
            marks.append((0, -1))
        else:
            marks.append((found.st_mtime_ns, found.st_size))
    return tuple(marks)


def _faults(session: Session, info: SessionInfo, provenance: Provenance | None) -> tuple[str, ...]:
    faults = []
    said = (session.participant, session.header.session, session.script.name)
    if said != (info.participant_id, info.session, info.task):
        faults.append(f"its file says that it is {' '.join(said)}")
    if not info.events_path.exists():
        faults.append("its labels are missing")
    cues = {event.cue_onset_s for event in session.events if event.cue_onset_s is not None}
    n_asked = len(cues) or len(session.events)  # labels that were brought in know no cues
    if n_asked < session.script.n_cues:
        faults.append(f"{n_asked} of {session.script.n_cues} cues were given")
    good = {event.trial_type for event in session.events if event.status == GOOD}
    without = [label for label in session.script.trial_types if label not in good]
    if without:
        faults.append(f"no good take of {', '.join(without)}")
    if provenance is not None and provenance.script_sha256 != script_sha256(session.script):
        faults.append("the file beside it speaks of another script")
    return tuple(faults)
