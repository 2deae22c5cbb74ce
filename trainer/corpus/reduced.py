"""Reduced recordings: what an entry stage leaves of the readouts, and the frames to look at.

The readouts themselves stay on disk. Each recording is reduced once for each entry stage, and what
is learned from all of them at once is learned from excerpts, so that a data set of any size fits.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import capture.measure.signs
import capture.store.session
import capture.thin.mains
import capture.thin.setting
import capture.thin.thinned
import capture.thin.underlying
import trainer.corpus.recordings
from capture.measure.signs import Signs
from capture.store.session import read_session
from runtime.sensor import Sensor
from runtime.stages.contract.stage import EntryStage, Float64, Int32, Int64
from trainer.corpus.recordings import LabelledCue, Recording, labelled_cues, reduce_recording
from trainer.corpus.windows import judged_spans, surest_frames, take_spans, training_frames
from trainer.learn.excerpt import Excerpt, seen_values
from trainer.learn.levels import learn_level, noise_counts
from trainer.learn.mains import steadied
from trainer.recipe import Recipe
from trainer.work.cache import Cache, StoredArray, code_digest

__all__ = ["ReduceJob", "Reduced", "excerpts", "look_at", "rate_of", "value_noise"]

RUN_FRAMES = 64
"""About two seconds at 30 a second: a take and what is before it, or the changes of one."""
LEAD_FRAMES = 16
"""Before a take: as many as the longest mean against lamps looks back at a hundred frames a second,
and no more. What is further from a take, and how much of it there is, is to change nothing."""
MAX_EXCERPT_FRAMES = 1 << 16
"""With every pixel of 32 by 32 as an int32, 268 MB; half an hour of takes at 30 frames a second."""


@dataclass(frozen=True, slots=True)
class EntryOutputs:
    """One recording after an entry stage.

    Parameters
    ----------
    recording : Recording
    stored : StoredArray or int32 (n_frames, n_values)
        Outputs of the entry stage.
    stored_frames : StoredArray or float64 (n_frames, 22)
        Time and signs of each frame pair, as :func:`reduce_recording` returns them.
    """

    recording: Recording
    stored: StoredArray | Int32
    stored_frames: StoredArray | Float64

    @property
    def values(self) -> Int32:
        """Outputs of the entry stage, int32 (n_frames, n_values), read anew at each use."""
        return np.asarray(_array(self.stored), dtype=np.int32)

    @property
    def time_s(self) -> Float64:
        """Device time from the first frame, seconds, float64 (n_frames,)."""
        return np.array(_array(self.stored_frames)[:, 0])

    @property
    def dark(self) -> Float64:
        """Mean counts of each dark exposure, float64 (n_frames,)."""
        return np.array(_array(self.stored_frames)[:, 1])

    @property
    def frames_table(self) -> Float64:
        """Times and signs of all frame pairs, float64 (n_frames, 22), a copy."""
        return np.array(_array(self.stored_frames))

    def signs(self, sensor: Sensor) -> Signs:
        """Return what each frame pair shows at a glance."""
        frames = self.frames_table
        return Signs(sensor, frames[:, 1:], frames[:, 0])

    @property
    def n_frames(self) -> int:
        """Frames of the recording."""
        return self.stored.shape[0]

    def cued(self, recipe: Recipe, cues: list[LabelledCue]) -> Cued:
        """Return the recording with its cues, and the frames among which each take is judged."""
        judged = judged_spans(recipe, cues, self.n_frames)
        return Cued(self.recording, self.stored, self.stored_frames, cues, judged)


@dataclass(frozen=True, slots=True)
class Cued(EntryOutputs):
    """The same, and what the participant was asked to do when.

    Parameters
    ----------
    cues : list of LabelledCue
    judged : list of (int, int), one per cue
        The frames among which a cue's take is judged, stop exclusive.
    """

    cues: list[LabelledCue]
    judged: list[tuple[int, int]]

    @property
    def takes(self) -> list[tuple[LabelledCue, tuple[int, int]]]:
        """The cues that are takes, each with the frames among which it is judged."""
        return [pair for pair in zip(self.cues, self.judged, strict=True) if pair[0].take]

    @property
    def windows(self) -> tuple[Int64, Int64]:
        """Last frames and classes of training windows: none while no gesture has its place."""
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing

    def judged_frames(self, scores: Int32 | Float64, recipe: Recipe) -> Int64:
        """Return the frame at which each take is judged, int64 (n_takes,).

        Parameters
        ----------
        scores : int32 or float64 (n_frames, n_classes)
            Of every frame of the recording.
        """
        return surest_frames(scores, [span for _, span in self.takes], len(recipe.classes))

    def placed(self, recipe: Recipe, starts: list[int], ends: list[int]) -> Reduced:
        """Return the recording with its cues' movements there, and training frames to match."""
        frames, labels = training_frames(recipe, self.cues, ends, self.n_frames)
        outputs = self.recording, self.stored, self.stored_frames
        return Reduced(*outputs, self.cues, self.judged, starts, ends, frames, labels)


@dataclass(frozen=True, slots=True)
class Reduced(Cued):
    """The same, with all that training and test look at: where gestures are, and training frames.

    Parameters
    ----------
    starts, ends : list of int, one per cue
        First and last frame of each cue's movement; of everyday time and of poses, of the cue.
    frames, labels : int64 (n_windows,)
        Last frames of training windows, and their classes.
    """

    starts: list[int]
    ends: list[int]
    frames: Int64
    labels: Int64

    @property
    def windows(self) -> tuple[Int64, Int64]:
        """Last frames and classes of training windows."""
        return self.frames, self.labels


def _array(stored: StoredArray | NDArray[Any]) -> NDArray[Any]:
    return stored.read() if isinstance(stored, StoredArray) else stored


def excerpts(
    recordings: Sequence[Cued], max_frames: int = MAX_EXCERPT_FRAMES, *, of_people: bool = False
) -> list[Excerpt]:
    """Return all frames of the recordings while few are asked about, else a share of each.

    Frames to learn from are those of takes: there the hand does what is asked for, while between
    them it may be anywhere, and out of view for any length of time. So only takes are kept, and
    what stages that remember have seen just before: how long people pause changes nothing of it.
    Everyday time is left out. The share is the same for every recording, in runs of 64 of the
    frames kept, because noise and motion are learned from the change between consecutive frames.

    Parameters
    ----------
    max_frames : int
        About as many frames are returned at most.
    of_people : bool
        Whether all recordings of a person are one origin: where it is recordings that differ by
        what is to be learned, and not what people do within them.
    """
    recordings = [r for r in recordings if not r.cues or any(cue.take for cue in r.cues)]
    asked = [_asked(r) for r in recordings]
    led = [np.flatnonzero(_with_lead(each)) for each in asked]
    every = max(1, -(-sum(len(own) for own in led) // max_frames))
    kept = []
    for recording, in_takes, own in zip(recordings, asked, led, strict=True):
        chosen = own[np.arange(len(own)) // RUN_FRAMES % every == 0]
        frames, labels = recording.windows
        place = np.searchsorted(chosen, frames)
        inside = place < len(chosen)
        inside[inside] = chosen[place[inside]] == frames[inside]
        windows = place[inside], labels[inside]
        origin = recording.recording.participant if of_people else ""
        kept.append(Excerpt(recording.values[chosen], in_takes[chosen], *windows, origin))
    return kept


def _with_lead(asked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which frames are of a take, or shortly before one, bool (n_frames,)."""
    soon = np.cumsum(np.concatenate([asked, np.zeros(LEAD_FRAMES, dtype=bool)]))
    before = np.concatenate([[0], soon[: len(asked) - 1]])
    return np.asarray(soon[LEAD_FRAMES:] > before)


def _asked(recording: Cued) -> NDArray[np.bool_]:
    """Return which frames belong to a take: until it is judged. All, without a single cue."""
    inside = np.full(recording.n_frames, not recording.cues)
    for cue, (_, stop) in recording.takes:
        inside[cue.start : max(cue.stop, stop)] = True
    return inside


@dataclass(frozen=True, slots=True)
class ReduceJob:
    """A recording to be run through entry stages, unless the cache holds the outcome.

    Parameters
    ----------
    recording : Recording
    place : str
        The recording's path within the data set.
    entries : tuple of EntryStage
    cache : Cache
    """

    recording: Recording
    place: str
    entries: tuple[EntryStage, ...]
    cache: Cache

    def run(self) -> list[StoredArray]:
        """Return where times and levels of the frames and each entry stage's outputs are kept.

        Raises
        ------
        FormatError
            The recording is damaged, or holds fewer than two frames.
        """
        # Each once: how many entries there are is no part of the program.
        stages = dict.fromkeys(sys.modules[type(stage).__module__] for stage in self.entries)
        modules = [capture.store.session, capture.measure.signs, trainer.corpus.recordings, *stages]
        if self.recording.setting is not None:
            modules += [capture.thin.setting, capture.thin.thinned]
            modules += [capture.thin.underlying, capture.thin.mains]
        program = code_digest(*modules)
        source = hashlib.sha256(f"{self.recording.digest} {program}".encode()).hexdigest()
        parts = ["frames", *(_stage_text(stage) for stage in self.entries)]
        keys = [hashlib.sha256(f"{source} {part}".encode()).hexdigest() for part in parts]
        stored = self.cache.load(keys)
        if stored is not None:
            return stored
        at = () if self.recording.setting is None else (self.recording.setting,)
        values, frames = reduce_recording(self.recording.path, self.entries, *at)
        arrays: list[NDArray[Any]] = [frames, *values]
        named = dict(zip(keys, arrays, strict=True))
        # What is kept of a session at one setting is no older form of what is kept at another.
        asked = self.recording.setting
        session = self.place if asked is None else f"{self.place} at {asked.to_json()}"
        kept = self.cache.store(named, self.recording.participant, session, source)
        by_key = dict(zip(named, kept, strict=True))
        return [by_key[key] for key in keys]  # two entries may be one and the same


def _stage_text(stage: EntryStage) -> str:
    """Return all that an entry stage is, as text."""
    arrays = {name: hashlib.sha256(a.tobytes()).hexdigest() for name, a in stage.arrays().items()}
    return json.dumps([stage.to_json(), arrays], sort_keys=True)


def value_noise(recordings: Sequence[Cued], sensor: Sensor, entry: EntryStage) -> float:
    """Return the noise of one value of an entry stage when no LED light comes back, counts rms.

    In the ambient light of the takes: the median over the recordings that have any.
    """
    dark = [float(np.median(r.dark[_asked(r)])) for r in recordings if r.takes]
    ambient = float(np.median(dark)) - sensor.black_level_counts if dark else 0.0
    return noise_counts(sensor, entry.n_pixels_read // entry.n_out, ambient)


def rate_of(recipe: Recipe, sensor: Sensor) -> float:
    """Return the frames a second that a recipe counts in, or those of the sensor."""
    return recipe.frame_rate_hz or sensor.frame_rate_hz


def look_at(
    recipe: Recipe,
    sensor: Sensor,
    entry: EntryStage,
    recordings: Sequence[Recording],
    stored: Sequence[list[StoredArray]],
) -> list[tuple[Reduced, ...]]:
    """Find the frames to look at first; return the recordings for each entry stage.

    Gestures are where their strokes are, until alignment has found them again. The frames are found
    on the first entry's values and used for all, so that a comparison differs in nothing but the
    readout. The stages they are seen through are learned from recordings of participants who are
    not locked.

    Parameters
    ----------
    sensor : Sensor
    entry : EntryStage
        The first of those that the recordings were reduced by.
    stored : sequence of list of StoredArray, one per recording
        As :meth:`ReduceJob.run` returns them.
    """
    plain = []
    for recording, (frames_of, first, *_) in zip(recordings, stored, strict=True):
        uncued = EntryOutputs(recording, first, frames_of)
        cues = labelled_cues(read_session(recording.path), recipe, uncued.time_s)
        plain.append(uncued.cued(recipe, cues))
    learned_from = [r for r in plain if not r.recording.locked]
    before, asked, noise = steadied(
        recipe.features,
        rate_of(recipe, sensor),
        (entry, sensor),
        excerpts(learned_from),
        value_noise(learned_from, sensor, entry),
    )
    clip = recipe.quantisation.clip_quantile
    level = learn_level(seen_values(asked), recipe.features, clip, noise)
    results: list[list[Reduced]] = [[] for _ in stored[0][1:]]
    for each, (_, *outputs) in zip(plain, stored, strict=True):
        levelled = each.values
        for stage in (*before, level):
            levelled, _ = stage.run(levelled, stage.initial_state())
        spans = take_spans(recipe, levelled, each.cues)
        placed = each.placed(recipe, [first for first, _ in spans], [last for _, last in spans])
        for result, output in zip(results, outputs, strict=True):
            result.append(replace(placed, stored=output))
    return [tuple(result) for result in results]
