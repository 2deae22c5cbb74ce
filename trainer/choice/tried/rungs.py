"""The steps of a search that run jobs: ways to watch, prices, budgets, quick fits."""

from __future__ import annotations

import itertools
import math
import operator
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import reduce
from typing import TypeVar

import numpy as np

from runtime.budget import Budget
from runtime.firmware.setting import DeviceSetting
from trainer.choice.tried.asked import Asked, Notify, Readings
from trainer.choice.tried.pricing import BudgetJob, Priced, PriceJob
from trainer.choice.tried.settings import Tried, device_of
from trainer.choice.tried.trials import CheapTrial
from trainer.choice.tried.watching import CountJob, Watched, acceptable, count_all
from trainer.choice.worth.halving import Countdown
from trainer.corpus.recordings import groups_of
from trainer.fit.held_out import HeldOut, folds_of
from trainer.fit.kept_fits import Finished
from trainer.judge.wake_up import has_arrivals
from trainer.work.jobs import Job, Workers, run_jobs

__all__ = [
    "ask_cheaply",
    "budgets_of",
    "by_name",
    "count_watching",
    "devices_of",
    "price_watching",
    "prices_of",
    "run_counted",
]

T = TypeVar("T")


def count_watching(
    asked: Asked, readings: Readings, workers: Workers, tell: Notify
) -> tuple[list[Watched], bool]:
    """Count what every way to watch misses."""
    options = readings.watching
    recipe, folder = readings.base.recipe, readings.base.corpus.folder
    known = readings.base.corpus.participants
    people = tuple(sorted(name for name, person in known.items() if not person.locked))
    jobs = [
        CountJob(folder, recipe, readings.recorded, options, people, person) for person in people
    ]
    what = f"{len(options)} ways to watch, arrivals missed by people"
    found = count_all(jobs, workers, Countdown(tell, what), readings.digests)
    if any(counts is None for counts in found):  # alike for everybody
        return [Watched(option, None) for option in options], not has_arrivals(folder)
    told = [counts for counts in found if counts is not None]
    together = [reduce(operator.add, of_all) for of_all in zip(*told, strict=True)]
    watched = [Watched(*each) for each in zip(options, together, strict=True)]
    return watched, not has_arrivals(folder)


def devices_of(
    asked: Asked,
    readings: Readings,
    watched: list[Watched],
    stand_ins: bool,
) -> dict[str, DeviceSetting]:
    """Return each setting's device: with the cheapest way to watch that misses few enough."""
    recorded = readings.recorded
    kept = _kept(watched, asked, stand_ins)
    chosen = min(kept, key=lambda way: math.inf if way.uw is None else way.uw).option
    return {
        one.name: device_of(one.sensor, recorded, chosen)
        for one in (*readings.tried, *readings.opponents)
    }


def price_watching(
    asked: Asked, readings: Readings, watched: list[Watched], workers: Workers, tell: Notify
) -> list[Watched]:
    """Return ways to watch with their prices, where there are several to choose among."""
    if len(watched) > 1:
        recorded, base = readings.recorded, readings.tried[0]
        pairs = [(base, device_of(base.sensor, recorded, way.option)) for way in watched]
        (prices,) = run_jobs([PriceJob(_priced(asked, readings, pairs))], workers)
        watched = [replace(way, uw=uw) for way, uw in zip(watched, prices, strict=True)]
    tell("prices of ways to watch: done")
    return watched


def _kept(ways: list[Watched], asked: Asked, stand_ins: bool) -> list[Watched]:
    """Return the ways that will do; where gestures stand for arrivals, as few misses as usually."""
    most = asked.knobs.search.max_miss_rate
    if stand_ins and ways[0].counts is not None:
        most = max(most, ways[0].counts.miss_rate.typical)
    return acceptable(ways, most)


def _priced(
    asked: Asked, readings: Readings, pairs: Sequence[tuple[Tried, DeviceSetting]]
) -> Priced:
    tried, devices = zip(*pairs, strict=True)
    source = readings.train[0].recording
    reading = readings.readings[tried[0].name]
    plain = any(key == "sensor" for key, _ in tried[0].option.turned)
    return Priced(
        tried=tried, devices=devices, reading=reading, source=source,
        choice=asked.choice, parts=asked.parts, plain=plain,
    )  # fmt: skip


def _by_structure(
    asked: Asked, readings: Readings, every: Sequence[Tried], devices: dict[str, DeviceSetting]
) -> list[Priced]:
    """Return settings in groups of one structure, which share a compiled model."""
    groups: dict[str, list[tuple[Tried, DeviceSetting]]] = {}
    for one in every:
        groups.setdefault(one.structure, []).append((one, devices[one.name]))
    return [_priced(asked, readings, group) for group in groups.values()]


def prices_of(
    asked: Asked,
    readings: Readings,
    every: Sequence[Tried],
    devices: dict[str, DeviceSetting],
    workers: Workers,
    tell: Notify,
) -> list[float]:
    """Return every setting's average power."""
    groups = _by_structure(asked, readings, every, devices)
    jobs = [PriceJob(group) for group in groups]
    found = run_counted(jobs, workers, Countdown(tell, "prices: models of each shape"))
    uw = by_name([group.tried for group in groups], found)
    return [uw[one.name] for one in every]


def budgets_of(
    asked: Asked,
    readings: Readings,
    every: Sequence[Tried],
    devices: dict[str, DeviceSetting],
    workers: Workers,
    tell: Notify,
) -> dict[str, Budget]:
    """Return a whole budget of each setting."""
    groups = _by_structure(asked, readings, every, devices)
    jobs = [BudgetJob(group) for group in groups]
    found = run_counted(jobs, workers, Countdown(tell, "budgets: models of each shape"))
    return by_name([group.tried for group in groups], found)


def run_counted(jobs: Sequence[Job[T]], workers: Workers, countdown: Countdown) -> list[T]:
    """Run jobs, and tell how many are done; their results are in order."""
    numbers = itertools.count(1)
    return run_jobs(jobs, workers, lambda *_: countdown(f"{next(numbers)} of {len(jobs)}"))


def by_name(groups: Iterable[Sequence[Tried]], found: Iterable[Sequence[T]]) -> dict[str, T]:
    """Return what was found of each setting, by its name; groups and results are in one order."""
    return {
        one.name: value
        for group, values in zip(groups, found, strict=True)
        for one, value in zip(group, values, strict=True)
    }


def ask_cheaply(
    readings: Readings,
    tried: Sequence[Tried],
    n_folds: int | None,
    done: Finished,
    workers: Workers,
    tell: Notify,
) -> list[float]:
    """Return each setting's share of right takes, by cheap fits that hold people out."""
    train = readings.train
    split = readings.base.recipe.evaluation.split
    folds = list(enumerate(folds_of(groups_of([r.recording for r in train], split)), start=1))
    jobs = [
        CheapTrial(f"cheaply, {one.identity}, fold {number}", one, readings.readings[one.name],
                   tuple(kept), tuple(held))
        for one in tried
        for number, (kept, held) in folds[:n_folds]
    ]  # fmt: skip
    n = len(jobs) // max(1, len(tried))
    who = "some people" if n_folds else "everybody"
    outcomes = done.run(jobs, workers, Countdown(tell, f"{len(tried)} settings on {who}: fits"))
    return [
        _share_right(jobs[i * n : (i + 1) * n], outcomes[i * n : (i + 1) * n], readings)
        for i in range(len(tried))
    ]


def _share_right(
    jobs: Sequence[CheapTrial], outcomes: Sequence[HeldOut], readings: Readings
) -> float:
    right = n_takes = 0
    for job, outcome in zip(jobs, outcomes, strict=True):
        for index, scores in zip(job.held, outcome.scores, strict=True):
            labels = np.array([cue.label for cue, _ in readings.train[index].takes], dtype=np.int64)
            right += int((scores.argmax(axis=1) == labels).sum()) if len(labels) else 0
            n_takes += len(labels)
    return right / max(1, n_takes)
