"""Recordings made harder: the same takes with the hand away for longer, in other light, other bits.

What a person did stays as it is, count for count where nothing is asked for that changes counts. So
any two of these data sets are compared take by take, and a built-in sensor, whose physics nothing
here knows, is made harder as the worlds are.
"""

from __future__ import annotations

import math
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from worlds.product import (
    Event,
    FrameBlock,
    FramePair,
    Sensor,
    Session,
    SessionWriter,
    events_path,
    open_dataset,
    read_session,
    write_events,
)

__all__ = ["AWAY_SCRIPT", "HARDER", "Harder", "harden"]

AWAY = "everyday_empty"
"""The cue in whose second half nobody is in view."""
AWAY_SCRIPT = Path(__file__).with_name("away.toml")
"""A script of that cue alone: all that is wanted beside the takes."""
FLICKER_HZ, DEPTH, SHARE = 100.0, 0.95, 0.08
"""Lamps on a mains of 50 Hz that go nearly dark, and their mean light as a share of the range."""
APART_S = 2e-3
"""From a lit exposure to its dark one, where the recording does not say."""
GLARE_S = (0.1, 1.0)
"""How long a passing glare lasts: from a glint to somebody who turns a lamp away (invented)."""
GLARE_LIGHT = (0.5, 4.0)
"""Its light as a share of the range where it is brightest: some pixels become full, or all."""


@dataclass(frozen=True)
class Harder:
    """What is done to a recording.

    Parameters
    ----------
    empty : float
        Share of frames in which the hand is away between takes, 0 to 0.95.
    flicker : bool
    exposure : float
        Factor of all light over the black level.
    more_bits : int
        Of the sensor, over the same range; below 0, fewer.
    glare : float
        Share of the frames, 0 to 0.5, that are within a passing glare, and saturated in part or
        wholly; all others stay as they are.
    full : float
        Share of the frames, each by chance, whose lit exposure is full in every pixel.
    """

    empty: float = 0.0
    flicker: bool = False
    exposure: float = 1.0
    more_bits: int = 0
    glare: float = 0.0
    full: float = 0.0


HARDER = {
    "as recorded": Harder(),
    "10 % empty": Harder(empty=0.1),
    "50 % empty": Harder(empty=0.5),
    "90 % empty": Harder(empty=0.9),
    "strong flicker": Harder(flicker=True),
    "twice the light": Harder(exposure=2.0),
    "saturated frames": Harder(exposure=4.0),
    "10 % full": Harder(full=0.1),
    "10 % in glare": Harder(glare=0.1),
    "30 % in glare": Harder(glare=0.3),
    "2 bits fewer": Harder(more_bits=-2),
    "4 bits more": Harder(more_bits=4),
}


def harden(source: Path, target: Path, script: str, harder: Harder) -> float:
    """Write a data set of the same people doing one script's takes under harder conditions.

    Parameters
    ----------
    source : Path
        Data set with that script of each participant, and one in which the hand is away.
    target : Path
        New folder.

    Returns
    -------
    float
        Share of the frames written in which a fiftieth of the lit pixels are saturated.
    """
    dataset = open_dataset(source)
    target.mkdir(parents=True)
    for name in ("dataset_description.json", "participants.tsv"):
        shutil.copy(source / name, target / name)
    sessions: dict[str, dict[str, Path]] = {}
    for info in dataset.sessions:
        named = "script" if f"task-{script}_" in info.path.name else "away"
        sessions.setdefault(info.participant_id, {})[named] = info.path
    saturated = []
    for number, person in enumerate(sorted(sessions)):
        own = sessions[person]
        path = target / own["script"].relative_to(source)
        rng = np.random.default_rng([number, sum(script.encode())])
        saturated.append(_harden(own["script"], own["away"], path, harder, rng))
    return float(np.mean(saturated))


def _harden(
    source: Path, away: Path, path: Path, harder: Harder, rng: np.random.Generator
) -> float:
    session = read_session(source)
    block, events = session.frames(), list(session.events)
    if harder.empty:
        block, events = _longer_away(block, events, _away(read_session(away)), harder.empty)
    lit, dark, sensor = _exposed(block, session.sensor, harder, rng)
    path.parent.mkdir(parents=True)
    header = replace(session.header, description=replace(session.header.description, sensor=sensor))
    with SessionWriter(path, header) as writer:
        for i, time_us in enumerate(block.time_us.tolist()):
            pair = FramePair(int(block.sequence[i]), time_us, lit[i], dark[i])
            writer.add(pair, pair.sequence, time_us)
    write_events(events_path(path), events)
    return float(((lit >= sensor.saturation_counts).mean(axis=(1, 2)) > 0.02).mean())


def _away(session: Session) -> FrameBlock:
    """Return frames of the same person's session without anybody in view."""
    block = session.frames()
    time_s = (block.time_us - block.time_us[0]) / 1e6
    cue = next(event for event in session.events if event.trial_type == AWAY)
    onset_s = cue.onset_s if cue.cue_onset_s is None else cue.cue_onset_s
    lasting_s = cue.cue_duration_s or cue.duration_s
    first, stop = np.searchsorted(time_s, [onset_s + lasting_s / 2, onset_s + lasting_s])
    return FrameBlock(
        block.sequence[first:stop], block.time_us[first:stop], block.lit[first:stop],
        block.dark[first:stop],
    )  # fmt: skip


def _longer_away(
    block: FrameBlock, events: list[Event], away: FrameBlock, share: float
) -> tuple[FrameBlock, list[Event]]:
    """Let the hand be away in the middle of every rest, alike for each; labels move along."""
    time_s = (block.time_us - block.time_us[0]) / 1e6
    period_s = float(np.median(np.diff(time_s)))
    cues = sorted(events, key=_onset_s)
    ends_s = [_onset_s(cue) + (cue.cue_duration_s or cue.duration_s) for cue in cues]
    rests_s = [(a + _onset_s(b)) / 2 for a, b in zip([0.0, *ends_s[:-1]], cues, strict=True)]
    places = np.searchsorted(time_s, rests_s)
    n_more = math.ceil(len(time_s) * share / (1 - share) / len(places))
    order: list[NDArray[np.int64]] = []
    # Frames of the recording by their number, those without anybody by what is left of -1.
    for number, part in enumerate(np.split(np.arange(len(time_s)), places)):
        if number:
            order.append(-1 - (number * n_more + np.arange(n_more)) % len(away.lit))
        order.append(part)
    index = np.concatenate(order)
    here, gone = np.maximum(index, 0), -1 - np.minimum(index, -1)
    lit, dark = (
        np.where((index >= 0)[:, None, None], own[here], other[gone])
        for own, other in ((block.lit, away.lit), (block.dark, away.dark))
    )
    # Whole microseconds more for each part: a cue holds the frames that it held.
    more_us = round(1e6 * period_s * n_more)
    since_us = np.cumsum(index < 0) * (more_us / n_more)
    time_us = block.time_us[np.maximum.accumulate(here)] + np.rint(since_us).astype(np.int64)
    moved = [
        replace(
            cue,
            onset_s=_later_s(cue.onset_s, more_us * (number + 1)),
            cue_onset_s=_later_s(_onset_s(cue), more_us * (number + 1)),
            cue_duration_s=cue.cue_duration_s or cue.duration_s,
        )
        for number, cue in enumerate(cues)
    ]
    return FrameBlock(np.arange(len(index)), time_us, lit, dark), moved


def _later_s(onset_s: float, more_us: int) -> float:
    return round(onset_s * 1e6 + more_us) / 1e6


def _onset_s(event: Event) -> float:
    return event.onset_s if event.cue_onset_s is None else event.cue_onset_s


def _exposed(
    block: FrameBlock, sensor: Sensor, harder: Harder, rng: np.random.Generator
) -> tuple[NDArray[np.uint16], NDArray[np.uint16], Sensor]:
    """Return the counts, lit and dark, under other light and of a sensor of other bits."""
    seen = []
    time_s = (block.time_us - block.time_us[0]) / 1e6
    glared = _glare(time_s, block.lit.shape[1:], harder.glare, rng)
    for side, (counts, late_s) in enumerate(((block.lit, 0.0), (block.dark, APART_S))):
        real = counts.astype(np.float32)
        if harder.exposure != 1.0:
            real = sensor.black_level_counts + harder.exposure * (real - sensor.black_level_counts)
        if harder.flicker:
            turn = np.sin(2 * np.pi * FLICKER_HZ * (1 + 2e-4) * (time_s + late_s))
            lamp = (SHARE * sensor.max_counts * (1 + DEPTH * turn)).astype(np.float32)
            real = _with_shot_noise(real, lamp[:, None, None], sensor, rng)
        for frames, light in glared[side]:
            real[frames] = _with_shot_noise(real[frames], sensor.max_counts * light, sensor, rng)
        if harder.full and not side:
            real[rng.random(len(real)) < harder.full] = sensor.max_counts
        if harder.more_bits > 0:  # a finer step is somewhere within the coarser one
            real = real + rng.random(real.shape, np.float32) - np.float32(0.5)
        seen.append(np.minimum(real, sensor.max_counts))
    steps = 2.0**harder.more_bits
    other = replace(
        sensor,
        bit_depth=sensor.bit_depth + harder.more_bits,
        conversion_gain_dn_per_e=sensor.conversion_gain_dn_per_e * steps,
        black_level_counts=max(1, round(sensor.black_level_counts * steps)),
    )
    lit, dark = (
        np.clip(np.rint(real * np.float32(steps)), 0, other.max_counts).astype(np.uint16)
        for real in seen
    )
    return lit, dark, other


def _with_shot_noise(
    real: NDArray[np.float32], light: NDArray[np.float32], sensor: Sensor, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Add light, in counts: normal with the variance of its mean, right above some 20 electrons."""
    noise = rng.standard_normal(real.shape, np.float32)
    spread = np.sqrt(light * np.float32(sensor.conversion_gain_dn_per_e))
    return np.asarray(real + light + noise * spread, dtype=np.float32)


def _glare(
    time_s: NDArray[np.float64], shape: tuple[int, ...], share: float, rng: np.random.Generator
) -> tuple[list[tuple[slice, NDArray[np.float32]]], list[tuple[slice, NDArray[np.float32]]]]:
    """Return where a glare passes in lit and in dark exposures, and its light, shares of the range.

    Each is brightest at one edge and falls off to nothing, across the sensor or beyond it. Every
    other one is light of the surroundings, in both exposures; the rest come back from the LED, as
    from a ring, and are in the lit one alone.
    """
    lit: list[tuple[slice, NDArray[np.float32]]] = []
    dark: list[tuple[slice, NDArray[np.float32]]] = []
    down, across = np.meshgrid(*(np.linspace(-1, 1, n) for n in shape), indexing="ij")
    at_s = 0.0
    while share:
        lasting_s = float(rng.uniform(*GLARE_S))
        # Without a glare for as long as leaves the share, on average; at least half of that.
        at_s += lasting_s * (1 / share - 1) * float(rng.uniform(0.5, 1.5))
        first, stop = np.searchsorted(time_s, [at_s, at_s + lasting_s])
        at_s += lasting_s
        if first == len(time_s):
            break
        turn, edge = rng.uniform(0, 2 * np.pi), rng.uniform(-3, 1)
        brightest = math.exp(rng.uniform(*np.log(GLARE_LIGHT)))
        along = np.cos(turn) * down + np.sin(turn) * across
        light = brightest * np.clip((along - edge) / (along.max() - edge), 0, 1)
        lit.append((slice(first, stop), light.astype(np.float32)))
        if len(lit) % 2:
            dark.append(lit[-1])
    return lit, dark
