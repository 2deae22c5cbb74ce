"""From recordings on disk to what training needs: reduced readouts, cues and who was recorded.

Raw exposures are read in blocks and reduced at once by the model's first stage, so that memory
grows with the reduced values of one recording, not with the data set.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from capture.cues.labels import REJECTED
from capture.frames import FrameBlock
from capture.measure.signs import N_SIGNS, signs_of_block
from capture.store.dataset import Dataset, Participant, open_dataset
from capture.store.session import Session, events_path, read_session
from capture.thin.setting import Setting, thinned_sensor
from capture.thin.thinned import generator_of, thinned
from runtime.errors import FormatError, UsageError
from runtime.files import sha256_of
from runtime.sensor import Sensor
from runtime.stages.contract.stage import EntryStage, Float64, Int32
from trainer.recipe import QuantityRecipe, Recipe

__all__ = [
    "Corpus",
    "LabelledCue",
    "Recording",
    "consenting",
    "groups_of",
    "labelled_cues",
    "open_corpus",
    "readouts_at",
    "recorded_with",
    "reduce_recording",
    "refuse_missing_truth",
]

BLOCK_FRAMES = 256
"""Read at once: of 32 by 32 pixels, both exposures are 1 MB, which stays in a processor's cache."""
UNATTENDED = ("script", "energy")
"""Labellers that are no person: bounds of the prompt, or of all movement after it."""
MIN_FRAMES = 2
"""A rate and a change between frames need two."""
THINNING_SEED = 1
"""Of the noise that a weaker setting adds, of any: two differ by the setting and not by chance."""


@dataclass(frozen=True, slots=True)
class LabelledCue:
    """One cue of a recording: its frames ``start`` to ``stop`` (exclusive) and its class.

    ``take`` is false for everyday time, which has a class to learn but nothing to be judged.
    ``from_labels`` tells that a person has set the bounds: they are then those
    of the movement itself. ``noted`` is what columns that somebody added to the table say of it.
    """

    start: int
    stop: int
    label: int
    take: bool = True
    from_labels: bool = False
    noted: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Recording:
    """One session that a recipe can use.

    Parameters
    ----------
    path : pathlib.Path
        The session, as :func:`capture.store.session.read_session` takes it.
    participant, unit, firmware : str
        Who was recorded, with which sensor, running what.
    locked : bool
        Whether the participant is kept for the final test.
    digest : str
        SHA-256 of the session's file.
    distance_mm : float, optional
        From sensor to hand, as a collector noted it.
    setting : Setting, optional
        The weaker setting that its readouts are taken at; as recorded without.
    """

    path: Path
    participant: str
    unit: str
    firmware: str
    locked: bool
    digest: str
    distance_mm: float | None = None
    setting: Setting | None = None

    def readouts(self, n_frames: int = BLOCK_FRAMES) -> Iterator[FrameBlock]:
        """Yield the readouts in order, at the setting; about so many frames at a time.

        Raises
        ------
        FormatError
            The recording is damaged.
        """
        return readouts_at(self.path, self.setting, n_frames)[1]

    def truth(self, target: str) -> float:
        """Return what the recording says of itself, in the target's unit.

        Raises
        ------
        UsageError
            Nobody noted it.
        """
        value: float | None = getattr(self, target)
        if value is None:
            raise UsageError(
                str(self.path), target, "not noted", "a number with every recording",
                "record with --distance-mm, or leave the session out",
            )  # fmt: skip
        return value


@dataclass(frozen=True, slots=True)
class Corpus:
    """The recordings of a data set that a recipe can use, all with one setting of one sensor.

    Parameters
    ----------
    sensor : Sensor
    recordings : tuple of Recording
    participants : dict
        The people recorded, by pseudonym.
    digest : str
        SHA-256 of the recordings, their labels, and who is locked.
    folder : pathlib.Path
        The data set.
    """

    sensor: Sensor
    recordings: tuple[Recording, ...]
    participants: dict[str, Participant]
    digest: str
    folder: Path

    def select(self, locked: bool) -> tuple[Recording, ...]:
        """Return the recordings of the locked or of the other participants."""
        return tuple(r for r in self.recordings if r.locked == locked)

    def at(self, setting: Setting) -> Corpus:
        """Return the same recordings as a weaker setting would have read them.

        Raises
        ------
        UsageError
            The setting asks for more than was recorded.
        """

        def told_apart(digest: str) -> str:
            text = json.dumps(setting.to_json(), sort_keys=True)
            return hashlib.sha256(f"{digest} {text} {THINNING_SEED}".encode()).hexdigest()

        recordings = tuple(
            replace(r, setting=setting, digest=told_apart(r.digest)) for r in self.recordings
        )
        sensor, digest = thinned_sensor(self.sensor, setting), told_apart(self.digest)
        return replace(self, sensor=sensor, recordings=recordings, digest=digest)


def open_corpus(
    folder: Path,
    recipe: Recipe,
    tell: Callable[[str], None] = lambda _: None,
    digests: dict[Path, str] | None = None,
) -> Corpus:
    """Find the recordings in a data set whose cues the recipe knows.

    Parameters
    ----------
    folder : pathlib.Path
        Data set as `palmwatt record` writes it.
    recipe : Recipe
        Recordings are left out unless a cue carries one of its classes, or all are its background.
    tell : callable, optional
        Is told how far it is.
    digests : dict, optional
        SHA-256 of files, worked out before in the same run; more are added.

    Raises
    ------
    FormatError
        No recording carries the recipe's labels; cues are unknown; sensor settings differ.
    UsageError
        A participant's consent is missing.
    """
    dataset = open_dataset(folder)
    known = {} if digests is None else digests
    recordings: list[Recording] = []
    people: dict[str, Participant] = {}
    sensor: Sensor | None = None
    has_classes = False
    content = hashlib.sha256()
    for number, info in enumerate(dataset.sessions, start=1):
        tell(f"checking session {number} of {len(dataset.sessions)}")
        session = read_session(info.path)
        use = _use_of(session, recipe)
        if use is None:
            continue
        has_classes |= use == "gestures"
        person = consenting(dataset, session)
        if sensor is not None and session.sensor != sensor:
            raise FormatError(
                str(info.path), "sensor setting", "another than before", "one for the whole set"
            )
        sensor = session.sensor
        for path in (info.path, events_path(info.path)):
            if path not in known:
                known[path] = sha256_of(path)
            content.update(path.name.encode() + b"\0" + bytes.fromhex(known[path]))
        content.update(f"{person.participant_id} {person.locked}\0".encode())
        people[person.participant_id] = person
        recordings.append(
            Recording(
                info.path,
                session.participant,
                session.unit,
                session.header.description.firmware,
                person.locked,
                known[info.path],
                session.distance_mm,
            )
        )
    if sensor is None or not has_classes:
        raise FormatError(
            str(folder), f"label of a class of recipe {recipe.name}", "missing", "in some session",
            "record with a cue script that gives them",
        )  # fmt: skip
    return Corpus(sensor, tuple(recordings), people, content.hexdigest(), Path(folder))


def _use_of(session: Session, recipe: Recipe) -> Literal["gestures", "background"] | None:
    """Return what a recipe can use a session as, if at all.

    Raises
    ------
    FormatError
        It has gestures of the recipe, and cues that the recipe does not know.
    """
    kinds = {event.trial_type for event in session.events if event.status != REJECTED}
    with_classes = bool(kinds & set(recipe.classes))
    # A take that was rejected happened all the same: such a session is no everyday time.
    everyday = all(recipe.is_background(event.trial_type) for event in session.events)
    if not with_classes and not (kinds and everyday):
        return None
    unknown = sorted(kind for kind in kinds if recipe.class_index(kind) is None)
    if unknown:
        raise FormatError(
            str(session.path), "trial_type", ", ".join(unknown[:8]),
            f"those that recipe {recipe.name} knows", "list it there as one of classes or of other",
        )  # fmt: skip
    return "gestures" if with_classes else "background"


def consenting(dataset: Dataset, session: Session) -> Participant:
    """Return whose a session is.

    Raises
    ------
    UsageError
        They have not consented.
    """
    person = dataset.participant(session.participant)
    if not person.consent:
        raise UsageError(
            str(session.path), f"consent of {person.participant_id}", "missing", "yes",
            "ask for it, or delete what was recorded",
        )  # fmt: skip
    return person


def refuse_missing_truth(corpus: Corpus, quantity: QuantityRecipe) -> None:
    """Refuse a data set in which a recording does not say what is to be learned, or all say alike.

    Raises
    ------
    UsageError
        It does not, or there is nothing to tell apart.
    """
    references = {recording.truth(quantity.target) for recording in corpus.select(locked=False)}
    for recording in corpus.select(locked=True):
        recording.truth(quantity.target)
    if len(references) < 2:
        raise UsageError(
            str(corpus.folder), quantity.target, f"{min(references):g} in every recording",
            "different ones", "record at several distances",
        )  # fmt: skip


def labelled_cues(session: Session, recipe: Recipe, time_s: Float64) -> list[LabelledCue]:
    """Place a session's events on its frames, without rejected ones and those without frames.

    Bounds that a person set are taken as they are. Those that the recorder refined are movement
    above what the session shows at rest, so that they depend on how restful it is, on flicker and
    on a hand that comes and leaves; the prompt's own bounds depend on nothing and are taken.

    Parameters
    ----------
    time_s : float64 (n_frames,)
        Seconds in whole microseconds, as bounds are taken: else a sum's last bit decides there.
    """
    cues = []
    for event in session.events:
        label = None if event.status == REJECTED else recipe.class_index(event.trial_type)
        by_hand = event.labeller not in UNATTENDED
        onset_s, duration_s = event.onset_s, event.duration_s
        if not by_hand and event.cue_onset_s is not None and event.cue_duration_s is not None:
            onset_s, duration_s = event.cue_onset_s, event.cue_duration_s
        bounds_s = np.rint(1e6 * np.array([onset_s, onset_s + duration_s])) / 1e6
        start, stop = np.searchsorted(time_s, bounds_s).tolist()
        if label is not None and stop > start:
            take = not recipe.is_background(event.trial_type)
            noted = tuple((name, text) for name, text in event.further if text is not None)
            cues.append(LabelledCue(start, stop, label, take, by_hand, noted))
    return cues


def recorded_with(corpus: Corpus) -> Sensor:
    """Return the sensor as it recorded, whatever setting its recordings are taken at."""
    return read_session(corpus.recordings[0].path, with_labels=False).sensor


def readouts_at(
    path: Path, setting: Setting | None, n_frames: int = BLOCK_FRAMES
) -> tuple[Sensor, Iterator[FrameBlock]]:
    """Return the sensor at a setting, and a session's readouts there; as recorded without any.

    Raises
    ------
    FormatError
        The recording is damaged.
    UsageError
        The setting asks for more than was recorded.
    """
    session = read_session(path, with_labels=False)
    if setting is None:
        return session.sensor, iter(session.blocks(n_frames))
    blocks = thinned(session, session.sensor, setting, generator_of(session, THINNING_SEED))
    return thinned_sensor(session.sensor, setting), blocks


def reduce_recording(
    path: Path, entries: Sequence[EntryStage], setting: Setting | None = None
) -> tuple[list[Int32], Float64]:
    """Run entry stages over a recording, in blocks, at a weaker setting where one is given.

    Returns
    -------
    values : list of int32 (n_frames, n_out)
        One array per entry stage.
    frames : float64 (n_frames, 1 + N_SIGNS)
        Time from the first frame, seconds, and the signs of each frame pair
        (:func:`capture.measure.signs.signs_of_block`), first of all mean counts of the dark
        exposure.

    Raises
    ------
    FormatError
        The recording is damaged, or holds fewer than two frames.
    """
    values: list[list[Int32]] = [[] for _ in entries]
    times, signs = [np.zeros(0, dtype=np.int64)], [np.zeros((0, N_SIGNS))]
    sensor, blocks = readouts_at(path, setting)
    for block in blocks:
        times.append(block.time_us)
        signs.append(signs_of_block(block.lit, block.dark, sensor.saturation_counts))
        for stage, parts in zip(entries, values, strict=True):
            parts.append(stage.run_frames(block.lit, block.dark))
    time_us = np.concatenate(times)
    if len(time_us) < MIN_FRAMES:
        raise FormatError(str(path), "number of frames", len(time_us), f"at least {MIN_FRAMES}")
    time_s = (time_us - time_us[0]) / 1e6
    frames = np.concatenate([time_s[:, None], np.concatenate(signs)], axis=1)
    return [np.concatenate(parts) for parts in values], frames


def groups_of(recordings: Sequence[Recording], split: str) -> tuple[str, ...]:
    """Return what is held out whole for each recording: its participant, or its sensor unit.

    Raises
    ------
    UsageError
        The split is neither ``participants`` nor ``units``.
    """
    if split not in ("participants", "units"):
        raise UsageError("split", "held out", split, "participants or units")
    return tuple(r.participant if split == "participants" else r.unit for r in recordings)
