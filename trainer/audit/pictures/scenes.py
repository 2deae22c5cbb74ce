"""Scenes with their pictures, and what every step of the chain held of each.

A recording holds no picture of what was in front of the sensor, so that no attack on it could be
marked. Takes of the emulated sensor can be made again from their person, script and seed; whether
they were, is held against the recorded readouts. Drawn stand-ins are shown to a known optic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.emulated.session import EmulatedSession, dark_offset_us
from capture.frames import FrameBlock
from capture.store.kind import INVENTED
from capture.store.session import Session, read_session
from runtime.model import Model
from runtime.stages.contract.stage import Counts, Float64
from trainer.audit.chain import DARK, RAW, Floats
from trainer.audit.pictures.optic import N_ACROSS, KnownOptic, field_of
from trainer.audit.steps import ChainTakes, heard_over

__all__ = [
    "MOST_HELD",
    "MOST_MOVING",
    "MOST_TAKES",
    "Further",
    "Held",
    "Shown",
    "again",
    "further_people",
    "further_session",
    "held_of_takes",
    "made_again",
    "n_further",
    "settled_frames",
    "shown_stand_ins",
]

Held = NDArray[np.floating[Any]]
LEAST_LIKENESS = 0.9
"""Correlation of how a readout differs from the mean of all takes with how that of the scene made
again does, the median of a session: a sensor's noise leaves more, another person or seed less."""
MOST_TAKES = 1_000
"""Of more takes, so many are attacked, evenly of each person: kernels grow with their square."""
_MOST_VALUES = 1_200
"""Of all frames of a take together: finding directions among more takes longer than the attacks."""
MOST_MOVING = 24
"""People whose movements are emulated beside those recorded: each takes some 2,400 frames and five
seconds, thirty times as long as somebody who holds poses."""
MOST_HELD = 100_000
"""Frames for which drawn scenes are held in all: as long as all that is recorded, some minutes."""
_FIRST_FURTHER = 1_000_000  # numbers of people that no recording was made of
_MOST_SETTLING = 256


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """Scenes with their pictures, and what the steps held.

    Parameters
    ----------
    name : str
        Of the scenes.
    pictures : float64 (n_scenes, n_cells)
        Cells inside the field, from 0 to 1.
    people : str (n_scenes,)
    values : dict of str to float32 or float64 (n_scenes, n_values)
        By step: what it held at the scene, and behind that what may be held of the frames before.
    kinds : str (n_scenes,), optional
        What is known of each scene without any attack, so that a blind guess knows it as well.
    """

    name: str
    pictures: Float64
    people: NDArray[np.str_]
    values: Mapping[str, Held]
    kinds: NDArray[np.str_] | None = None

    def joined(self, other: Shown) -> Shown:
        """Return the scenes of both."""
        values = {key: np.concatenate([a, other.values[key]]) for key, a in self.values.items()}
        pictures = np.concatenate([self.pictures, other.pictures])
        people = np.concatenate([self.people, other.people])
        kinds = None
        if self.kinds is not None and other.kinds is not None:
            kinds = np.concatenate([self.kinds, other.kinds])
        return Shown(self.name, pictures, people, values, kinds)


def brightness(radiance: Float64) -> Float64:
    """Return radiance as brightness from 0 to 1: how far away a thing is, is no shape.

    Each scene is scaled to the 95th percentile of what it lights at all, so that one bright spot
    does not darken the rest.
    """
    most = radiance.max(axis=1, keepdims=True)
    lit = np.where((radiance > 0.1 * most) & (most > 0), radiance, np.nan)
    seen = (most > 0).ravel()
    scale = np.ones(len(radiance))
    scale[seen] = np.nanquantile(lit[seen], 0.95, axis=1)
    return np.asarray(np.clip(radiance / scale[:, None], 0.0, 1.0))


def held_of_takes(frames: Floats) -> Floats:
    """Return what an attacker has who listened to all of a take: the last frame, then the others.

    Parameters
    ----------
    frames : float32 (n_takes, n_frames, n_values)

    Returns
    -------
    float32 (n_takes, n_held)
        Every frame, the last one first; the last and the mean where all would be too many values,
        and the last alone where these would be: noise of so many values hides little.
    """
    n_takes, n_frames, n_values = frames.shape
    every = frames[:, ::-1]
    if n_frames * n_values <= _MOST_VALUES:
        return every.reshape(n_takes, -1)
    if 2 * n_values > _MOST_VALUES:
        return every[:, 0].copy()
    mean = every.mean(axis=1, dtype=np.float64).astype(np.float32)
    return np.concatenate([every[:, 0], mean], axis=1)


def made_again(takes: ChainTakes) -> Shown | None:
    """Make the scenes of emulated takes again; None where none can be.

    Sessions of another kind are left out, and those whose readouts the scenes do not explain.
    """
    takes = takes.select(_some(takes.participants))
    pictures, people, chosen = [], [], []
    usual = takes.values[RAW].mean(axis=0, dtype=np.float64)
    for name, path in takes.paths.items():
        if takes.kind != INVENTED:
            continue
        session = read_session(path, with_labels=False)
        mine = np.flatnonzero(takes.sessions == name)
        made = again(session, takes.times_s[mine, -1], takes.values[RAW][mine], usual)
        if made is None:
            continue
        pictures.append(made)
        people += [session.participant] * len(mine)
        chosen.append(mine)
    if not pictures:
        return None
    rows = np.concatenate(chosen)
    values = {key: held_of_takes(array[rows]) for key, array in takes.frames.items()}
    return Shown("takes", np.concatenate(pictures), np.array(people), values)


def again(session: Session, times_s: Float64, raw: Floats, usual: Float64) -> Float64 | None:
    """Return pictures of an emulated session's scenes; None where they do not explain its readouts.

    Parameters
    ----------
    session : Session
    times_s : float64 (n,)
        Device times of the scenes.
    raw : float32 (n, n_pixels)
        What was read then, lit minus dark.
    usual : float64 (n_pixels,)
        Mean of what is read.
    """
    number = session.participant.removeprefix("P")
    found = _seen(session, int(number), times_s) if number.isdecimal() else None
    if found is None:
        return None
    led, difference = found
    pairs = zip(difference - usual, raw - usual, strict=True)
    if np.median([_likeness(*both) for both in pairs]) < LEAST_LIKENESS:
        return None
    return _pictures(led)


def _some(people: NDArray[np.str_]) -> NDArray[np.int64]:
    """Return takes of everybody, the same share of each person's, rising."""
    names, places = np.unique(people, return_inverse=True)
    share = min(1.0, MOST_TAKES / len(people))
    kept = []
    for person in range(len(names)):
        own = np.flatnonzero(places == person)
        n = max(1, int(len(own) * share))
        kept.append(own[np.linspace(0, len(own) - 1, n).round().astype(int)])
    return np.sort(np.concatenate(kept))


def _seen(
    session: Session, number: int, times_s: Float64
) -> tuple[NDArray[np.float32], Float64] | None:
    """Return the LED's light of a session's scenes, and the readouts that it would give."""
    header = session.header
    unit, sensor = header.description.unit, session.sensor
    try:
        acted = EmulatedSession(header.script, number, header.seed, sensor, unit)
    except ValueError:  # a script that the emulator does not know how to act
        return None
    led, other, factors = acted.world.see(times_s, dark_offset_us(sensor) * 1e-6, sensor)
    if not np.any(led):
        return None
    lit, dark = acted.bench.expose(led, other, factors, np.random.default_rng(0))
    return led, (lit.astype(np.float64) - dark).reshape(len(lit), -1)


def _likeness(one: Float64, other: Float64) -> float:
    a, b = one - one.mean(), other - other.mean()
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(a @ b) / size if size > 0 else 0.0


def _pictures(led: NDArray[np.float32]) -> Float64:
    share = field_of(N_ACROSS)[1]
    return brightness(led.astype(np.float64) @ share.T)


def n_further(like: Session, n_people: int) -> int:
    """Return how many further people are emulated of so many: fewer where they move."""
    return min(n_people, MOST_MOVING) if like.script.movement else n_people


def further_people(takes: ChainTakes, n_people: int) -> Shown:
    """Emulate takes of other people, whom an attacker may learn from beside those recorded.

    They show what the first session's script asks for; of movements there are as many people as
    :func:`n_further` says.
    """
    session = read_session(next(iter(takes.paths.values())), with_labels=False)
    made = [_one_more(takes.model, session, k) for k in range(n_further(session, n_people))]
    pictures = np.concatenate([pictures for pictures, _ in made])
    people = [f"further {k}" for k, (part, _) in enumerate(made) for _ in part]
    values = {key: np.concatenate([part[key] for _, part in made]) for key in made[0][1]}
    return Shown("takes", pictures, np.array(people), values)


@dataclass(frozen=True, slots=True, eq=False)
class Further:
    """A session of one more person, whom nobody recorded.

    Parameters
    ----------
    frames : FrameBlock
    spans : tuple of (str, int, int)
        Label, first and last frame of each take of the model's classes.
    acted : EmulatedSession
    """

    frames: FrameBlock
    spans: tuple[tuple[str, int, int], ...]
    acted: EmulatedSession

    def pictures(self, at: Sequence[int]) -> Float64:
        """Return pictures of what was before the sensor at some frames."""
        times_s = self.frames.time_us[list(at)] / 1e6
        sensor = self.acted.sensor
        led, _, _ = self.acted.world.see(times_s, dark_offset_us(sensor) * 1e-6, sensor)
        return _pictures(led)


def further_session(model: Model, like: Session, place: int) -> Further:
    """Emulate one more person's session of the same script; people by their places from 0 on."""
    number, script = _FIRST_FURTHER + place, like.script
    acted = EmulatedSession(script, number, number, like.sensor, like.header.description.unit)
    frames = acted.next_block(int(np.ceil(acted.script_end_s * like.sensor.frame_rate_hz)))
    edges = [
        (cue.trial_type, *np.searchsorted(frames.time_us, [cue.onset_us, cue.end_us]).tolist())
        for cue in acted.cues
        if not model.classes or cue.trial_type in model.classes
    ]
    spans = sorted(((label, first, stop - 1) for label, first, stop in edges), key=lambda s: s[2])
    return Further(frames, tuple(spans), acted)


def _one_more(model: Model, like: Session, place: int) -> tuple[Float64, dict[str, Floats]]:
    more = further_session(model, like, place)
    spans = [(first, last + 1) for _, first, last in more.spans]
    heard, at = heard_over(model, (more.frames.lit, more.frames.dark), spans)
    return more.pictures(at[:, -1].tolist()), {k: held_of_takes(a) for k, a in heard.items()}


def settled_frames(model: Model, lit: Counts, dark: Counts) -> int:
    """Return for how many frames a still scene is held until no step changes any more.

    Parameters
    ----------
    lit, dark : uint16 (1, n_rows, n_cols)
    """
    n = _MOST_SETTLING
    still = np.repeat(lit, n, axis=0), np.repeat(dark, n, axis=0)
    evidence = model.run(*still).evidence
    changes = np.flatnonzero((evidence[1:] != evidence[:-1]).any(axis=1))
    return int(changes[-1]) + 2 if len(changes) else 1


def shown_stand_ins(
    name: str,
    pictures: Float64,
    people: NDArray[np.str_],
    optic: KnownOptic,
    takes: ChainTakes,
    seed: int,
) -> Shown:
    """Hold drawn pictures before a known optic; return what every step holds of them.

    They are as bright as the takes are, half to twice; the room lights them with a fifth of the
    LED's light (invented). Each is held until no step changes any more; where that takes long, only
    the first are.

    Parameters
    ----------
    pictures : float64 (n_scenes, height, width)
    """
    rng = np.random.default_rng([seed, len(pictures)])
    cells = pictures[:, optic.inside]
    readout = takes.values[RAW]
    if optic.sensor.led_current_ma == 0:
        readout = takes.values[DARK] - optic.sensor.black_level_counts
    bright = max(1.0, float(np.median(readout.mean(axis=1))))
    plain = (cells @ optic.matrix.T).mean(axis=1)
    factors = bright / np.where(plain > 0, plain, 1.0) * 2.0 ** rng.uniform(-1.0, 1.0, len(cells))
    scenes = cells * factors[:, None]
    n_frames = settled_frames(takes.model, *optic.expose(scenes[:1], 0.2, rng))
    n_held = max(1, min(len(scenes), MOST_HELD // n_frames))
    rows: list[dict[str, Floats]] = []
    for scene in scenes[:n_held]:
        pair = optic.expose(np.repeat(scene[None], n_frames, axis=0), 0.2, rng)
        heard, _ = heard_over(takes.model, pair, [(0, n_frames)])
        rows.append({key: held_of_takes(array)[0] for key, array in heard.items()})
    values = {key: np.stack([row[key] for row in rows]) for key in rows[0]}
    return Shown(name, brightness(cells[:n_held]), people[:n_held], values)
