"""A device that goes through hours of everyday life: it watches, wakes, tells and falls asleep."""

from __future__ import annotations

import dataclasses
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))


from capture.cues.script import Cue
from capture.emulated.session import Bench, EmulatedSession, World, dark_offset_us
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import (
    BEFORE,
    MOVED,
    RECENT,
    WARM_UP_FRAMES,
    moved_margin,
    watching_model,
    watching_threshold,
)
from runtime.model import Model
from runtime.stages.contract.chain import run_stages
from runtime.stages.contract.stage import Counts, Int32

AT_ONCE = 64
HANDS_AWAY = "between the cues"

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watching stage says on each of its frames.

    Parameters
    ----------
    time_s : float64 (n_frames,)
    arrived : bool (n_frames,)
    change, rest : int64 (n_frames,)
        Of the last frame, and the sum of those of the frames before the last three.
    margin : int
        By how much one has to be above the other.
    """

    time_s: Doubles
    arrived: npt.NDArray[np.bool_]
    change: npt.NDArray[np.int64]
    rest: npt.NDArray[np.int64]
    margin: int


@dataclass(frozen=True, slots=True)
class Played:
    """A session as the device went through it.

    Parameters
    ----------
    seconds : float
    spans : list of (start_s, end_s)
        In which it was awake.
    time_s : float64 (n_frames,)
        Of the model's frames.
    first : bool (n_frames,)
        The first of a span: there the model begins anew.
    bins : int32 (n_frames, n_bins)
        What the model's first stage gave.
    """

    seconds: float
    spans: list[tuple[float, float]]
    time_s: Doubles
    first: npt.NDArray[np.bool_]
    bins: Int32


def watched_by(model: Model, lit: Counts, dark: Counts, time_s: Doubles) -> Watched:
    """Run a watching stage over all its frames, awake or asleep: it goes on while awake."""
    changed, _ = run_stages(model.stages[:4], lit, dark, None)
    evidence = model.run(lit, dark).evidence.astype(np.int64)
    change = changed[:, 1].astype(np.int64)
    padded = np.concatenate([np.zeros(BEFORE + RECENT - 1, np.int64), change])
    sums = np.cumsum(np.concatenate([[0], padded]))
    rest = sums[BEFORE : BEFORE + len(change)] - sums[: len(change)]
    arrived = evidence[:, 1] - evidence[:, 0] >= watching_threshold(model)
    return Watched(time_s, arrived, change, rest, moved_margin(model))


def awake_spans(
    seen: Watched,
    setting: DeviceSetting,
    told: Callable[[float, float], Sequence[float]] = lambda begin_s, end_s: (),
) -> list[tuple[float, float]]:
    """Return when the model is awake: the state machine of ``pw_device.c``, frame by frame.

    Parameters
    ----------
    seen : Watched
    setting : DeviceSetting
    told : callable
        When the model, awake since one moment, tells something until another, seconds.
    """
    spans: list[tuple[float, float]] = []
    awake, watching, settled, just_woken = False, False, 0, False
    rest = lowest = n_rest = 0
    most_rest = math.ceil(setting.rest_time_s * setting.watching_rate_hz)
    begin_s = until_s = 0.0
    for k, now_s in enumerate(seen.time_s.tolist()):
        if watching:
            if seen.arrived[k]:
                awake, watching, just_woken, settled = True, False, True, 0
                rest, lowest, n_rest = int(seen.rest[k]), 2**31 - 1, 0
                begin_s, until_s = now_s, now_s + setting.hold_time_s
            continue
        moved = False
        if awake:
            over = MOVED[0] * int(seen.change[k]) - MOVED[1] * rest
            moved = over >= seen.margin and not just_woken
            lowest, n_rest = min(lowest, int(seen.rest[k])), n_rest + 1
            if n_rest == most_rest:
                rest, lowest, n_rest = lowest, 2**31 - 1, 0
            just_woken = False
        if moved:
            settled, until_s = 0, now_s + setting.hold_time_s
            continue
        settled += 1
        if awake and now_s >= until_s - 1e-9:
            until_s = max([until_s, *(t + setting.hold_time_s for t in told(begin_s, until_s))])
        if awake and now_s < until_s - 1e-9:
            continue
        if awake:
            spans.append((begin_s, until_s))
            awake = False
        watching = settled >= WARM_UP_FRAMES
    return [*spans, (begin_s, float(seen.time_s[-1]))] if awake else spans


def exposed_by(
    world: World, bench: Bench, times_s: Doubles, rng: np.random.Generator
) -> tuple[Counts, Counts]:
    """Return what a sensor sees of a world at some moments, lit and dark exposures."""
    later_s = dark_offset_us(bench.sensor) * 1e-6
    led, other, factors = world.see(times_s, later_s, bench.sensor)
    return bench.expose(led, other, factors, rng)


def play(model: Model, setting: DeviceSetting, session: EmulatedSession, seed: int) -> Played:
    """Let a device go through a session."""
    rng, world = np.random.default_rng([seed, 7]), session.world
    weak = dataclasses.replace(
        model.sensor, led_current_ma=setting.watching_led_current_ma,
        exposure_us=setting.exposure_of("watching"),
    )  # fmt: skip
    active = dataclasses.replace(
        model.sensor, led_current_ma=setting.led_current_ma, exposure_us=setting.exposure_us
    )
    grid = session.bench.optic.grid
    benches = [Bench(each, "unit-a", grid) for each in (weak, active)]
    seconds = session.script_end_s
    ticks = np.arange(int(seconds * setting.watching_rate_hz)) / setting.watching_rate_hz
    seen = [exposed_by(world, benches[0], part, rng) for part in _parts(ticks)]
    lit, dark = (np.concatenate(each) for each in zip(*seen, strict=True))
    watching = watching_model(model.sensor, setting.watching_rows)
    awake: list[_Awake] = []

    def play_until(begin_s: float, end_s: float) -> list[tuple[float, int]]:
        """Play on what is awake since a moment; return what it has told."""
        if not awake or awake[-1].begin_s != begin_s:
            awake.append(_Awake(begin_s))
        one = awake[-1]
        for part in _parts(one.frames_until(end_s, setting.frame_rate_hz)):
            if len(part):
                exposures = exposed_by(world, benches[1], part, rng)
                one.add(part, run_stages(model.stages[:1], *exposures, None)[0])
        return told_of(*one.played(), model) if one.time_s else []

    def told(begin_s: float, end_s: float) -> list[float]:
        return [time_s for time_s, _ in play_until(begin_s, end_s)]

    spans = awake_spans(watched_by(watching, lit, dark, ticks), setting, told)
    if spans:
        play_until(*spans[-1])  # which the session may have cut off
    played = [one.played() for one in awake if one.time_s]
    n_bins = model.stages[0].n_out
    return Played(
        seconds, spans, np.concatenate([np.zeros(0), *(time_s for time_s, _ in played)]),
        np.concatenate([np.zeros(0, bool), *(np.arange(len(t)) == 0 for t, _ in played)]),
        np.concatenate([np.zeros((0, n_bins), np.int32), *(bins for _, bins in played)]),
    )  # fmt: skip


@dataclass
class _Awake:
    """What has been played of a time awake: moments of its frames, and their first stage's bins."""

    begin_s: float
    time_s: list[Doubles] = field(default_factory=list)
    bins: list[Int32] = field(default_factory=list)

    def frames_until(self, end_s: float, rate_hz: float) -> Doubles:
        """Return when the frames are that lack until a moment."""
        n_played = sum(map(len, self.time_s))
        every = np.arange(self.begin_s + 0.5 / rate_hz, end_s - 1e-9, 1.0 / rate_hz)
        return every[n_played:]

    def add(self, time_s: Doubles, bins: Int32) -> None:
        """Take in more frames."""
        self.time_s.append(time_s)
        self.bins.append(bins)

    def played(self) -> tuple[Doubles, Int32]:
        """Return all of it."""
        return np.concatenate(self.time_s), np.concatenate(self.bins)


def _parts(times_s: Doubles) -> list[Doubles]:
    return np.array_split(times_s, max(1, -(-len(times_s) // AT_ONCE)))


def events_of(played: Played, model: Model) -> list[tuple[float, int]]:
    """Return when the model told of which class: it begins anew, and settled, with each span."""
    found = []
    for frames in np.split(np.arange(len(played.first)), np.flatnonzero(played.first)[1:]):
        if len(frames):
            found += told_of(played.time_s[frames], played.bins[frames], model)
    return found


def told_of(time_s: Doubles, bins: Int32, model: Model) -> list[tuple[float, int]]:
    """Return when a model that has just been woken tells of which class."""
    out = bins
    for stage in model.stages[1:]:
        out, _ = stage.run(out, stage.settled_state(out[0]))
    return [(float(time_s[i]), int(out[i, 0])) for i in np.flatnonzero(out[:, 0] >= 0)]


def scene_at(cues: Sequence[Cue], time_s: float) -> str:
    for cue in cues:
        if cue.onset_us <= time_s * 1e6 < cue.end_us:
            return cue.trial_type
    return HANDS_AWAY
