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
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from everyday_device import Played, events_of, play, scene_at
from invented_people import strokes

from capture.cues.script import Script, load_script
from capture.emulated.session import EmulatedSession
from runtime.budget.inputs.library import Usage, load_parts
from runtime.budget.price.power import active_seconds
from runtime.firmware.setting import DeviceSetting, read_setting
from runtime.firmware.watching import (
    WARM_UP_FRAMES,
)
from runtime.intervals import garwood_upper
from runtime.model import Model, load_model
from trainer.judge.events import Detection, Reference
from trainer.judge.matching import match_moments

EMPTY_SCRIPT_S = 600.0
MAX_LATENCY_S = 0.5


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
            scenes.update((scene_at(session.cues, t), model.classes[c]) for t, c in events)
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
