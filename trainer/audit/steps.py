"""What every step of a model's chain held of every take of a data set."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.cues.labels import REJECTED, Event
from capture.frames import FrameBlock
from capture.measure.unread import unread_s
from capture.store.dataset import Dataset, Participant, open_dataset
from capture.store.kind import kind_of
from capture.store.session import READOUTS_SUFFIX, Session, read_session
from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.contract.stage import Counts, Float64, Int64, State
from trainer.audit.chain import Floats, Step, overheard, steps_of
from trainer.corpus.recordings import consenting
from trainer.corpus.windows import TOLD_S

__all__ = [
    "MOST_PEOPLE",
    "N_FRAMES",
    "N_FURTHER_PEOPLE",
    "N_FURTHER_TAKES",
    "ChainTakes",
    "chain_steps",
    "evenly",
    "further_takes",
    "heard_over",
    "taken",
]

N_FRAMES = 4
"""Frames of a take that are listened to, evenly over it; the last is the take's last."""
MOST_PEOPLE = 200
"""Of more people, so many are listened to, evenly among them: with 18 takes of each, what the steps
of a sensor of 32 by 32 pixels hold fills some 300 MB, and intervals are narrow by then."""
N_FURTHER_PEOPLE = 600
"""Of those beyond, so many are listened to for attackers to learn from: of hand breadth and skin
a network told 0.12 and 0.59 of the spread having met 160 people, 0.21 and 0.70 having met 600
(finger count, its bins, 200 people asked; half an interval's width 0.05 and 0.07)."""
N_FURTHER_TAKES = 6
"""Of each of these, evenly over what they have: people differ by more than their takes do."""


@dataclass(frozen=True, slots=True, eq=False)
class ChainTakes:
    """What every step of a chain held of the takes of a data set.

    Parameters
    ----------
    model : Model
    steps : tuple of Step
    frames : mapping of str to float32 (n_takes, n_frames, n_values)
        By step: after frames that lie evenly over each take, the take's last one at the end.
    participants, sessions, trial_types : str arrays (n_takes,)
        Whose each take is, the stem of the session's file, and what was asked for.
    times_s : float64 (n_takes, n_frames)
        Device time of those frames from the session's first, seconds.
    paths : mapping of str to Path
        File of each session.
    people : mapping of str to Participant
    kind : str
        One of :data:`capture.store.kind.KINDS`; ``mixed`` where sessions are of several.
    n_cut, n_sessions : int
        Sessions without readouts in part of their takes, of so many that were read.
    unread_fraction : float
        Share of all takes' time that has no readouts: nobody could listen there.
    """

    model: Model
    steps: tuple[Step, ...]
    frames: Mapping[str, Floats]
    participants: NDArray[np.str_]
    sessions: NDArray[np.str_]
    trial_types: NDArray[np.str_]
    times_s: Float64
    paths: Mapping[str, Path]
    people: Mapping[str, Participant]
    kind: str
    n_cut: int = 0
    n_sessions: int = 0
    unread_fraction: float = 0.0

    @property
    def values(self) -> dict[str, Floats]:
        """By step: float32 (n_takes, n_values), at each take's last frame."""
        return {name: array[:, -1] for name, array in self.frames.items()}

    @property
    def n_people(self) -> int:
        """People with a take."""
        return len(np.unique(self.participants))

    def select(self, chosen: NDArray[np.bool_] | Int64) -> ChainTakes:
        """Return some of the takes: a mask, or their numbers."""
        arrays = ("participants", "sessions", "trial_types", "times_s")
        parts = {name: getattr(self, name)[chosen] for name in arrays}
        frames = {name: array[chosen] for name, array in self.frames.items()}
        return dataclasses.replace(self, frames=frames, **parts)


def chain_steps(
    model: Model,
    data: Path,
    tell: Callable[[str], None] = lambda _: None,
    *,
    n_frames: int = N_FRAMES,
    state: State | None = None,
) -> ChainTakes:
    """Run a model over a data set; return what every step held of each take.

    Takes are the cues, not rejected, of the model's classes; where it has none, of any label. Only
    sessions at the model's own setting of the sensor are read, each from its first frame on.

    Parameters
    ----------
    model : Model
    data : pathlib.Path
        Data set.
    tell : callable, optional
        Is told how far it is.
    n_frames : int
        Frames of each take to listen at.
    state : dict, optional
        The model's at the beginning of every session, as of :func:`overheard`.

    Raises
    ------
    UsageError
        No session is at the model's setting with a take of its classes, or consent is missing.
    FormatError
        The data set or a recording is damaged.
    """
    dataset = open_dataset(data)
    sessions = _some(_sessions(model, dataset), MOST_PEOPLE)
    found = _heard(model, dataset, sessions, _Listening(n_frames, state), tell)
    if found is None:
        raise UsageError(
            str(data), "takes of the model's classes at its setting of the sensor", 0,
            "at least 1", "give recordings like those it was trained on",
        )  # fmt: skip
    return found


def further_takes(
    takes: ChainTakes, data: Path, tell: Callable[[str], None] = lambda _: None
) -> ChainTakes | None:
    """Listen to people of a data set whom nobody listened to; None where there are none.

    Parameters
    ----------
    takes : ChainTakes
        Those who were, as :func:`chain_steps` gives them.
    data : pathlib.Path
    tell : callable, optional

    Raises
    ------
    UsageError
        Consent is missing.
    FormatError
        The data set or a recording is damaged.
    """
    dataset = open_dataset(data)
    heard = set(takes.participants.tolist())
    others = [s for s in _sessions(takes.model, dataset) if s.participant not in heard]
    chosen = _some(others, N_FURTHER_PEOPLE)
    listening = _Listening(N_FRAMES, None, N_FURTHER_TAKES)
    return _heard(takes.model, dataset, chosen, listening, tell)


@dataclass(frozen=True, slots=True)
class _Listening:
    """How sessions are listened to: frames of each take, the model's first state, takes of each."""

    n_frames: int
    state: State | None
    most_takes: int | None = None


def _heard(
    model: Model,
    dataset: Dataset,
    sessions: Sequence[Session],
    how: _Listening,
    tell: Callable[[str], None],
) -> ChainTakes | None:
    """Return what every step held of each take of some sessions; None where they have none."""
    steps = steps_of(model)
    heard: dict[str, list[Floats]] = {step.name: [] for step in steps}
    marks: list[tuple[str, str, str]] = []
    times: list[Float64] = []
    paths: dict[str, Path] = {}
    people: dict[str, Participant] = {}
    kinds: set[str] = set()
    missing: list[tuple[float, float]] = []
    for number, session in enumerate(sessions, start=1):
        tell(f"session {number} of {len(sessions)}")
        person = consenting(dataset, session)
        name = session.path.name.removesuffix(READOUTS_SUFFIX)
        found, unread = _listen(model, session, how)
        missing.append(unread)
        for event, row, time_s in found:
            marks.append((session.participant, name, event.trial_type))
            times.append(time_s)
            for key, value in row.items():
                heard[key].append(value)
        if found:
            paths[name], people[person.participant_id] = session.path, person
            kinds.add(kind_of(session.header.description.firmware))
    if not marks:
        return None
    names, recorded, labels = (np.array(column) for column in zip(*marks, strict=True))
    frames = {key: np.stack(rows) for key, rows in heard.items()}
    kind = kinds.pop() if len(kinds) == 1 else "mixed"
    missing_s, asked_s = np.array(missing).sum(axis=0).tolist()
    return ChainTakes(
        model, steps, frames, names, recorded, labels, np.stack(times), paths, people, kind,
        sum(unread > 0.0 for unread, _ in missing), len(sessions),
        missing_s / asked_s if asked_s else 0.0,
    )  # fmt: skip


def _sessions(model: Model, dataset: Dataset) -> list[Session]:
    """Return the sessions at the model's setting that have takes."""
    sessions = (read_session(info.path) for info in dataset.sessions)
    return [each for each in sessions if _takes(model, each) and _same_setting(model, each)]


def _some(sessions: Sequence[Session], most_people: int) -> list[Session]:
    """Return the sessions of so many people at most, evenly among them."""
    people = evenly(list(dict.fromkeys(each.participant for each in sessions)), most_people)
    chosen = set(people)
    return [session for session in sessions if session.participant in chosen]


def evenly(people: Sequence[str], most: int) -> list[str]:
    """Return so many people at most, evenly among them, in their order."""
    if len(people) <= most:
        return list(people)
    places = np.linspace(0, len(people) - 1, most).round().astype(int)
    return [people[place] for place in places.tolist()]


def _takes(model: Model, session: Session) -> list[Event]:
    wanted = [
        event
        for event in session.events
        if event.status != REJECTED and (not model.classes or event.trial_type in model.classes)
    ]
    return sorted(wanted, key=lambda event: event.onset_s)


def _same_setting(model: Model, session: Session) -> bool:
    """Tell whether a session is at the model's setting; the wire rounds to thousandths."""
    ours, theirs = dataclasses.asdict(model.sensor), dataclasses.asdict(session.sensor)
    return all(
        theirs[key] == value
        or (isinstance(value, float) and math.isclose(theirs[key], value, rel_tol=1e-4))
        for key, value in ours.items()
    )


def taken(model: Model, session: Session) -> tuple[FrameBlock, list[tuple[Event, int, int]]]:
    """Return a session's readouts, and each of its takes with its frames, stop exclusive.

    Of a movement these go on until it has been answered, but not into the next take, so that what
    is heard of it is its own; takes without frames are left out.

    Raises
    ------
    FormatError
        The recording is damaged.
    """
    frames, takes = session.frames(), _takes(model, session)
    time_s = _time_s(frames)
    later_s = TOLD_S if session.script.movement else 0.0
    starts = np.searchsorted(time_s, [take.onset_s for take in takes])
    stops = np.searchsorted(time_s, [take.end_s + later_s for take in takes])
    stops[:-1] = np.minimum(stops[:-1], starts[1:])
    spans = zip(takes, starts.tolist(), stops.tolist(), strict=True)
    return frames, [(take, first, stop) for take, first, stop in spans if stop > first]


def _time_s(frames: FrameBlock) -> Float64:
    return np.asarray((frames.time_us - frames.time_us[:1]) / 1e6, np.float64)


def heard_over(
    model: Model,
    frames: tuple[Counts, Counts],
    spans: Sequence[tuple[int, int]],
    n_frames: int = N_FRAMES,
    state: State | None = None,
) -> tuple[dict[str, Floats], Int64]:
    """Run exposures; return what every step held over some spans of frames, and when.

    Parameters
    ----------
    model : Model
    frames : two uint16 (n, n_rows, n_cols)
        Lit and dark exposures.
    spans : sequence of (int, int)
        First frame and stop of each, in order, none empty and none over another.
    n_frames : int
        Frames to listen at, evenly over each; the last is the span's last. Of a shorter one some
        are heard twice.
    state : dict, optional
        The model's at the beginning, as of :func:`overheard`.

    Returns
    -------
    heard : dict of str to float32 (n_spans, n_frames, n_values)
    at : int64 (n_spans, n_frames)

    Raises
    ------
    FormatError
        Exposures are not the sensor's.
    """
    at = np.array(
        [np.linspace(first, stop - 1, n_frames + 1)[1:].round() for first, stop in spans], np.int64
    ).reshape(len(spans), n_frames)
    places, rows = np.unique(at, return_inverse=True)
    begins = np.array([first for first, _ in spans], np.int64)
    since = begins[np.searchsorted(begins, places, side="right") - 1]
    heard = overheard(model, [frames], places.tolist(), since.tolist(), state)
    return {key: array[rows.reshape(at.shape)] for key, array in heard.items()}, at


def _listen(
    model: Model, session: Session, how: _Listening
) -> tuple[list[tuple[Event, dict[str, Floats], Float64]], tuple[float, float]]:
    """Return each take of a session that has frames, with what every step held of it.

    And for how long its takes have no readouts, and how long they are in all, seconds.
    """
    frames, takes = taken(model, session)
    time_s = _time_s(frames)
    if how.most_takes is not None and len(takes) > how.most_takes:
        places = np.linspace(0, len(takes) - 1, how.most_takes).round().astype(int)
        takes = [takes[place] for place in places.tolist()]
    spans = [(first, stop) for _, first, stop in takes]
    heard, at = heard_over(model, (frames.lit, frames.dark), spans, how.n_frames, how.state)
    listened = [
        (event, {key: array[index] for key, array in heard.items()}, time_s[at[index]])
        for index, (event, _, _) in enumerate(takes)
    ]
    period_us = session.sensor.frame_period_us
    every = _takes(model, session)
    return listened, unread_s(every, frames.sequence, frames.time_us, period_us)
