"""False events and false wakes of a device through hours of everyday life: on invented people.

Run as a script:

    python tests/bench/bench_everyday.py [--model models/dynamic] [--people 60] [--first 101]
        [--empty-hours 2] [--gestures 8] [--persist N] [--keep DIR]

Plays script everyday before the emulated sensor for each person (six minutes in which something
happens all the time: typing, drinking, talking, visitors, lamps, carrying, a pocket), and a table
with nobody at it for some hours. As in the device, the watching stage looks first, in its own light
at its own rate, and the model is begun anew whenever that wakes it, its first frame standing for
those before (``pw_settle``), until for the hold time nothing has moved and it has told nothing; so
an hour in which nobody comes costs little. Nobody makes a gesture: each event is false. Prints
events by kind of scene, and for the hours with people, for the empty ones and for a day of usage
``everyday`` the one-sided 95 % bound (Garwood, Biometrika 28:437, 1936). With --gestures so many of
the people play script dynamic as well, and event F1 is printed as the device has it, asleep or
awake: of all gestures, and of those that begin once the watching stage has warmed up after the
start. --persist asks for so many frames in a row instead of the model's own.
With --keep, what the model's first stage gave is kept
in DIR, and what it holds is not played again: it is for one sensor, first stage and setting.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from invented_people import strokes

from capture.cues.script import Cue, Script, load_script
from capture.emulated.session import Bench, EmulatedSession, World, dark_offset_us
from runtime.budget.inputs.library import Usage, load_parts
from runtime.budget.price.power import active_seconds
from runtime.firmware.setting import DeviceSetting, read_setting
from runtime.firmware.watching import (
    BEFORE,
    MOVED,
    RECENT,
    WARM_UP_FRAMES,
    moved_margin,
    watching_model,
    watching_threshold,
)
from runtime.intervals import garwood_upper
from runtime.model import Model, load_model
from runtime.stages.contract.chain import run_stages
from runtime.stages.contract.stage import Counts, Int32
from trainer.judge.events import Detection, Reference
from trainer.judge.matching import match_moments

AT_ONCE = 64
EMPTY_SCRIPT_S = 600.0
MAX_LATENCY_S = 0.5
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


def _scene_at(cues: Sequence[Cue], time_s: float) -> str:
    for cue in cues:
        if cue.onset_us <= time_s * 1e6 < cue.end_us:
            return cue.trial_type
    return HANDS_AWAY


def empty_script() -> Script:
    """Return a script of ten minutes in which nobody comes near."""
    everyday = load_script("everyday")
    (cue,) = (cue for cue in everyday.cues if cue.trial_type == "everyday_empty")
    longer = cue.model_copy(update={"duration_s": EMPTY_SCRIPT_S})
    return everyday.model_copy(update={"name": "everyday_empty", "cues": (longer,)})


def kept(
    folder: Path | None, model: Model, setting: DeviceSetting, script: Script, number: int
) -> tuple[Played, EmulatedSession]:
    """Play a session, or take what was kept of it."""
    session = EmulatedSession(script, number, number, model.sensor)
    path = None if folder is None else folder / f"{script.name}-{number}.npz"
    names = ("time_s", "first", "bins")
    if path is None or not path.exists():
        played = play(model, setting, session, number)
        if path is not None:
            arrays = {name: getattr(played, name) for name in names}
            spans = np.array(played.spans).reshape(-1, 2)
            np.savez_compressed(path, seconds=played.seconds, spans=spans, **arrays)
        return played, session
    with np.load(path, allow_pickle=False) as found:
        spans = [(float(a), float(b)) for a, b in found["spans"]]
        arrays = {name: found[name] for name in names}
    return Played(float(session.script_end_s), spans, **arrays), session


@dataclass
class Tally:
    """What was counted over some sessions."""

    hours: float = 0.0
    awake_hours: float = 0.0
    wakes: int = 0
    events: int = 0

    def line(self, what: str) -> str:
        """Say it, with the bounds."""
        bound, wakes = garwood_upper(self.events, self.hours), garwood_upper(self.wakes, self.hours)
        return (
            f"{what}: {self.events} false events in {self.hours:.2f} h "
            f"({self.events / self.hours:.2f} an hour, at most {bound:.2f}), "
            f"{self.wakes} wakes ({self.wakes / self.hours:.2f} an hour, at most {wakes:.2f}), "
            f"awake {self.awake_hours / self.hours:.1%}"
        )


def main() -> None:
    """Play, count, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", type=Path, default=Path("models/dynamic"))
    parser.add_argument("--people", type=int, default=60)
    parser.add_argument("--first", type=int, default=101)
    parser.add_argument("--empty-hours", type=float, default=2.0)
    parser.add_argument("--gestures", type=int, default=0)
    parser.add_argument("--persist", type=int)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    model = load_model(asked.model)
    if asked.persist:
        closing = dataclasses.replace(model.closing, persist=asked.persist)
        model = dataclasses.replace(model, stages=(*model.stages[:-1], closing))
    setting = read_setting(asked.model, model.sensor)
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    n_empty = round(3600.0 * asked.empty_hours / EMPTY_SCRIPT_S)
    busy, empty = Tally(), Tally()
    scenes: Counter[tuple[str, str]] = Counter()
    for tally, script, n in (
        (empty, empty_script(), n_empty), (busy, load_script("everyday"), asked.people)
    ):  # fmt: skip
        for number in range(asked.first, asked.first + n):
            played, session = kept(asked.keep, model, setting, script, number)
            tally.hours += played.seconds / 3600.0
            tally.awake_hours += sum(end - begin for begin, end in played.spans) / 3600.0
            tally.wakes += len(played.spans)
            events = events_of(played, model)
            tally.events += len(events)
            scenes.update((_scene_at(session.cues, t), model.classes[c]) for t, c in events)
        if n:
            print(tally.line("nobody there" if tally is empty else "everyday life"), flush=True)
    for (scene, gesture), count in sorted(scenes.items(), key=lambda each: -each[1]):
        print(f"  {count:4d} {gesture} at {scene}")
    if asked.people:
        print(_day(busy))
    if asked.gestures:
        people = range(asked.first, asked.first + asked.gestures)
        print(_gestures(people, model, setting, asked.keep))


def _day(busy: Tally) -> str:
    """Say what a day of usage makes of it: events come while the model is awake."""
    usage = load_parts(None).get(Usage, "everyday")
    named = ("on_time", "hand_present", "visits", "false_wakes", "hold_time")
    values = {f"usage.{name}": getattr(usage, name).typical for name in named}
    awake_h, on_h = active_seconds(values) / 3600.0, values["usage.on_time"]
    most = garwood_upper(busy.events, busy.awake_hours) * awake_h / on_h
    return (
        f"a day of usage everyday, awake {awake_h:.2f} of {on_h:g} h, and no gesture in it: "
        f"{busy.events / busy.awake_hours * awake_h / on_h:.3f} an hour, at most {most:.3f}"
    )


def _gestures(
    people: Sequence[int], model: Model, setting: DeviceSetting, folder: Path | None
) -> str:
    """Say how many gestures are told of, each with the truth of its stroke."""
    script, counts = load_script("dynamic"), np.zeros((2, 3), np.int64)
    warm_s = WARM_UP_FRAMES / setting.watching_rate_hz
    for number in people:
        played, _ = kept(folder, model, setting, script, number)
        every = [
            Reference(begin_s, end_s, model.classes.index(name), False)
            for begin_s, end_s, name in strokes(script, number)
        ]
        told = [Detection(*event) for event in events_of(played, model)]
        for place, truth in enumerate((every, [r for r in every if r.onset_s >= warm_s])):
            counts[place] += len(match_moments(told, truth, MAX_LATENCY_S)), len(told), len(truth)
    (right, told_of_all, made), (right_warm, _, made_warm) = counts.tolist()
    return (
        f"gestures of {len(people)} people: event F1 {2 * right / (told_of_all + made):.3f}, "
        f"{right} right of {told_of_all} told and {made} made; without those that begin before the "
        f"device is warm {2 * right_warm / (told_of_all + made_warm):.3f} of {made_warm}"
    )


if __name__ == "__main__":
    main()
