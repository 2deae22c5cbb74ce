"""How well gestures of people never met are recognised, by what effort: the numbers of the trade.

Run as a script:

    python tests/bench/bench_recognition.py [--data DIR] [--people 256] [--locked 48] [--hours 14]

The people are invented and the sensor is emulated. Training people are P01 and on, the locked ones
P601 and on; sessions that the folder already holds are kept, so that a run can be repeated or
widened. Everything is trained and examined by the trainer's own functions, and fixed-point figures
are those of the integer stages. As a strong reference, MiniRocket's features with a ridge
classifier (A. Dempster et al., KDD 2021; aeon's implementation) are asked about the same windows.
"""

from __future__ import annotations

import argparse
import itertools
import math
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import joblib
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))
sys.path.insert(0, str(Path(__file__).parent))

from invented_people import add_person, record_session, strokes
from minirocket_reference import Moments, compare

from capture.cues.script import load_script
from capture.store.dataset import session_path
from capture.store.session import read_session
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judging_delay
from trainer.fit.training import Trained, fit_model
from trainer.judge.events import Detection, Reference
from trainer.judge.matching import EventCounts, f_measure, match_moments, total
from trainer.recipe import Recipe, load_recipe
from trainer.tell.tables import figure_text
from trainer.work.jobs import LocalWorkers

TASKS = ("dynamic", "finger_count", "subtle")
LEAN = {"dynamic": ("dynamic_lean",)}
"""Further recipes for a task; the last of all is held against MiniRocket."""
EVERYDAY = "everyday"
FIRST_LOCKED = 601
TIMED_PEOPLE, TIMED_LOCKED = 6, 2
SECONDS_PER_HOUR = 3600.0


def _sessions(
    tasks: Sequence[str], people: int, locked: int, hours: float
) -> Iterator[tuple[int, str, int]]:
    """Yield participant, script and session of everything that is to be recorded."""
    everyone = (*range(1, people + 1), *range(FIRST_LOCKED, FIRST_LOCKED + locked))
    for number, task in itertools.product(everyone, tasks):
        yield number, task, 1
    script = load_script(EVERYDAY)
    seconds = sum(c.repetitions * (c.duration_s + sum(script.rest_s) / 2) for c in script.cues)
    for index in range(math.ceil(hours * SECONDS_PER_HOUR / seconds)):
        yield 1 + index % people, EVERYDAY, 1 + index // people
        yield FIRST_LOCKED + index % locked, EVERYDAY, 1 + index // locked


def _record(folder: Path, number: int, task: str, session: int) -> None:
    """Record one session into a folder of its own first, so that none is ever half there."""
    path = session_path(folder, f"P{number:02d}", f"{session:02d}", task)
    if path.exists():
        return
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        record_session(Path(scratch), load_script(task), number, session)
        made = session_path(Path(scratch), f"P{number:02d}", f"{session:02d}", task).parent
        path.parent.mkdir(parents=True, exist_ok=True)
        for file in sorted(made.iterdir(), key=lambda file: file.suffix == ".mcap"):
            shutil.move(file, path.parent / file.name)


def _record_all(folder: Path, asked: argparse.Namespace) -> None:
    began = time.perf_counter()
    wanted = list(_sessions(asked.tasks, asked.people, asked.locked, asked.hours))
    for number in sorted({number for number, _, _ in wanted}):
        add_person(folder, number, number >= FIRST_LOCKED)
    record = joblib.delayed(_record)
    joblib.Parallel(asked.jobs)(record(folder, *session) for session in wanted)
    took = time.perf_counter() - began
    print(
        f"{len(wanted)} sessions of {asked.people} + {asked.locked} people in {took:.0f} s",
        flush=True,
    )


def _print_events(events: dict[str, Any]) -> None:
    false, latency = events["false_events_per_hour"], events["latency_ms"]
    print(f"  event F1          {_event_text(events['f1'])}; at least 0.97 wanted")
    print(f"  precision         {_event_text(events['precision'])}")
    print(f"  recall            {_event_text(events['recall'])}")
    print(f"  interval F1       {_event_text(events['interval_f1'])}, collars on onset and offset")
    print(
        f"  false events      {figure_text(false)} an hour, upper 95 % bound"
        f" {false['upper_95']:.3f}: {false['n_events']} in {false['hours']:.2f} h; a bound of at"
        " most 0.6 wanted"
    )
    if latency["median"] is not None:
        print(
            f"  latency           median {latency['median']:.0f} ms, 95th percentile"
            f" {latency['p95']:.0f} ms after the end that alignment finds; a median of at most 150"
            " wanted"
        )
    for point in events["trade_off"][::4]:
        print(
            f"    margin {point['margin']:8.3f}: F1 {point['f1']:.4f},"
            f" {point['false_per_hour']:.3f} false an hour"
        )


def _event_text(figure: dict[str, Any]) -> str:
    return f"{figure_text(figure)} of {figure['n_events']} events"


def _print_task(task: str, trained: Trained, took: float) -> None:
    evaluation = trained.evaluation
    print(f"\n{task}: trained and examined in {took:.1f} s", flush=True)
    for name in ("fixed", "float", "four_quadrant", "four_quadrant_float", "majority"):
        print(f"  {name:17} {figure_text(evaluation[name]['accuracy'])} of takes")
    loss = evaluation["float"]["accuracy"]["value"] - evaluation["fixed"]["accuracy"]["value"]
    print(f"  float minus fixed {100 * loss:.2f} points; at most 0.5 wanted")
    if "events" in evaluation:
        _print_events(evaluation["events"])
    for point in evaluation.get("learning_curve", ()):
        print(f"  {point['n_participants']:3} people: {figure_text(point['accuracy'])} held out")
    if worst := evaluation.get("worst_group"):
        print(f"  worst group       {worst}")


def _print_strokes(recipe: Recipe, trained: Trained) -> None:
    """Run the model on the locked people's readouts, and compare with what was truly moved when."""
    counts, latencies_ms = [], []
    for recording in trained.test:
        session = read_session(recording.path)
        if not set(session.script.trial_types) & set(recipe.classes):
            continue
        number = int(recording.participant.removeprefix("P"))
        references = [
            Reference(begin, end, recipe.classes.index(kind), False)
            for begin, end, kind in strokes(session.script, number)
        ]
        block = session.frames()
        decisions = trained.model.run(block.lit, block.dark).events
        time_s = (block.time_us - block.time_us[0]) / 1e6
        detected = [
            Detection(float(time_s[f]), int(decisions[f])) for f in np.flatnonzero(decisions >= 0)
        ]
        pairs = match_moments(detected, references, recipe.evaluation.max_latency_s)
        counts.append(EventCounts(len(pairs), len(detected), len(references)))
        latencies_ms += [1000 * (detected[t].detected_s - references[m].offset_s) for t, m in pairs]
    if not latencies_ms:
        return
    everyone = total(counts)
    median, late = np.quantile(latencies_ms, (0.5, 0.95))
    print(
        f"  by true strokes   event F1 {f_measure(everyone):.3f} ({everyone.right} right of"
        f" {everyone.detected} detected, {everyone.references} performed), median latency"
        f" {median:.0f} ms, 95th percentile {late:.0f} ms after the stroke's end",
        flush=True,
    )


def _moments(recipe: Recipe, train: Sequence[Reduced]) -> Moments:
    """Return the frames at which takes are judged by what the emulator knows.

    A gesture's end as training places it comes before the full stop, by a few frames that are
    learned from the people whom training sees; the moment is as long after it as in training.
    """
    if recipe.evaluation.take_end == "cue":
        return lambda recording: [stop - 1 for _, (_, stop) in recording.takes]
    early = [
        truth - placed
        for recording in train
        for placed, truth in zip(recording.ends, _true_ends(recipe, recording), strict=True)
        if truth is not None
    ]
    delay = judging_delay(recipe) - round(float(np.median(early)))

    def judged(recording: Reduced) -> list[int]:
        ends = zip(recording.ends, _true_ends(recipe, recording), strict=True)
        last = [placed if truth is None else truth for placed, truth in ends]
        return [min(end + delay, recording.n_frames - 1) for end in last]

    return judged


def _true_ends(recipe: Recipe, recording: Reduced) -> list[int | None]:
    """Return the last frame of each cue's gesture; None for what is no gesture or everyday time."""
    if not recording.takes:
        return [None] * len(recording.cues)
    session = read_session(recording.recording.path)
    number = int(recording.recording.participant.removeprefix("P"))
    ends_s = iter(end for _, end, _ in strokes(session.script, number))
    times = recording.time_s
    return [
        int(np.searchsorted(times, next(ends_s))) if cue.label < len(recipe.classes) else None
        for cue in recording.cues
    ]


def _time_training(folder: Path) -> None:
    """Train both tasks on eight people, without and with six everyday minutes of each."""
    people = (*range(1, TIMED_PEOPLE + 1), *range(FIRST_LOCKED, FIRST_LOCKED + TIMED_LOCKED))
    for scripts in (TASKS[:2], (*TASKS[:2], EVERYDAY)):
        with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
            data = Path(scratch) / "data"
            for number, script in itertools.product(people, scripts):
                add_person(data, number, number >= FIRST_LOCKED)
                path = session_path(folder, f"P{number:02d}", "01", script)
                there = data / path.parent.relative_to(folder)
                there.mkdir(parents=True, exist_ok=True)
                for file in path.parent.glob(f"*_task-{script}_*"):
                    shutil.copy(file, there)
            began, busy = time.perf_counter(), time.process_time()
            for task in TASKS[:2]:
                fit_model(data, load_recipe(task))
            took, busy = time.perf_counter() - began, time.process_time() - busy
        print(
            f"trained on {len(people)} people, sessions {', '.join(scripts)}, in {took:.1f} s"
            f" ({busy:.1f} s of one processor); below 60 wanted",
            flush=True,
        )


def main() -> None:
    """Record what is missing, train, examine and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, help="folder of a data set to keep and reuse")
    parser.add_argument("--people", type=int, default=256, help="participants to train on")
    parser.add_argument("--locked", type=int, default=48, help="participants never trained on")
    parser.add_argument("--hours", type=float, default=14.0, help="everyday time, of each side")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--tasks", nargs="*", default=TASKS, choices=TASKS)
    parser.add_argument("--reference-windows", type=int, default=6000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        data = asked.data or Path(scratch) / "data"
        _record_all(data, asked)
        for task in asked.tasks:
            for name in (task, *LEAN.get(task, ())):
                recipe = load_recipe(name)
                began = time.perf_counter()
                trained = fit_model(data, recipe, workers=LocalWorkers(asked.jobs))
                _print_task(name, trained, time.perf_counter() - began)
                if recipe.evaluation.take_end == "movement":
                    _print_strokes(recipe, trained)
            compare(data, recipe, trained, asked.reference_windows, partial(_moments, recipe))
        if set(TASKS[:2]) <= set(asked.tasks) and asked.hours:
            _time_training(data)


if __name__ == "__main__":
    main()
