"""The order of a search without an LED: prices, quick scores, trials in full, and what is left."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from capture.measure.headroom import Headroom
from capture.thin.own_noise import refuse_wrong_gains
from runtime.budget import Budget
from runtime.errors import UsageError
from runtime.firmware.setting import DeviceSetting
from trainer.choice.tried.asked import LEAST_SETTINGS, Asked, Notify, foretellable
from trainer.choice.tried.knobs import WatchingKnobs, options_of
from trainer.choice.tried.pricing import BudgetJob, OfOneShape, PriceJob
from trainer.choice.tried.settings import Tried, tried_of
from trainer.choice.unlit.measures import Judged
from trainer.choice.unlit.sources import NoCalibration
from trainer.choice.unlit.tasks import Task, headroom_in, task_of, unlit_device
from trainer.choice.worth.halving import Countdown, promoted
from trainer.choice.worth.pareto import knee_of, non_dominated_ranks
from trainer.choice.worth.resamples import Resampled, resample
from trainer.fit.kept_fits import Finished
from trainer.work.jobs import Workers, run_jobs

__all__ = ["UnlitFrontier", "UnlitPoint", "find_unlit"]

SEED = 1
TWO_POINTS = 0.02
A_QUARTER = 1.25
"""Of an error: by how much larger it may be in what is said to be nearly as good."""
VALID_KEPT = 0.9
"""Of the recorded setting's valid frames: with fewer, an error is of other frames (assumed)."""


@dataclass(frozen=True, slots=True)
class UnlitPoint:
    """A setting tried in full.

    Parameters
    ----------
    tried : Tried
    device : DeviceSetting
    budget : Budget
        Of a model made at the setting.
    judged : Judged
    value, score : float
        The measure of all units together, and the same so that more is better.
    opponent : str
        Which plain sensor it is; empty for the sensor that recorded.
    """

    tried: Tried
    device: DeviceSetting
    budget: Budget
    judged: Judged
    value: float
    score: float
    opponent: str = ""

    @property
    def uw(self) -> float:
        """Average power over a day, median."""
        return float(self.budget.average_uw.median)

    @property
    def hz(self) -> float:
        """Values a second."""
        return self.tried.sensor.frame_rate_hz


@dataclass(frozen=True, slots=True)
class UnlitFrontier:
    """What a search has found.

    Parameters
    ----------
    asked : Asked
    task : Task
    cheap : list of (Tried, uW, score)
        Every setting with its price and its quick score.
    points : list of UnlitPoint
        By rising power.
    front : list of int
        Those that no other beats: costs as little and is as good, one of them better; where the
        frame rate is free, and tells as often.
    knee : int
        Place in `front`.
    resampled : dict of float to (list of int, Resampled)
        By frame rate, or 0 where all are held together: the points, and how they fare.
    opponents : list of UnlitPoint
    failed : list of str
        Settings at which no model could be made.
    headroom : Headroom
    n_left_out : int
        Settings of weaker light that saturated takes forbid to foretell.
    locked : dict of str to Judged
        What the chosen few are worth on locked units.
    """

    asked: Asked
    task: Task
    cheap: list[tuple[Tried, float, float]]
    points: list[UnlitPoint]
    front: list[int]
    knee: int
    resampled: dict[float, tuple[list[int], Resampled]]
    opponents: list[UnlitPoint]
    failed: list[str]
    headroom: Headroom
    n_left_out: int
    locked: dict[str, Judged] = field(default_factory=dict)

    @property
    def on_front(self) -> list[UnlitPoint]:
        """The front's points, by rising power."""
        return [self.points[index] for index in self.front]

    @property
    def at_knees_rate(self) -> list[UnlitPoint]:
        """Those of the front that are held against the knee: where rates are free, of its own."""
        knee = self.on_front[self.knee]
        return [p for p in self.on_front if not self.task.rate_is_free or p.hz == knee.hz]

    @property
    def nearly_best(self) -> UnlitPoint:
        """The cheapest that is two points, or a quarter of the error, from the best at most."""
        best = max(self.at_knees_rate, key=lambda p: p.score)
        least = best.score - TWO_POINTS
        if self.task.measure.is_error:
            least = best.score * A_QUARTER
        return next(p for p in self.at_knees_rate if p.score >= least - 1e-12)

    @property
    def chosen(self) -> list[UnlitPoint]:
        """The few that locked units are asked about."""
        few = [self.on_front[self.knee], self.nearly_best]
        return few[:1] if few[0] is few[1] else few


def find_unlit(asked: Asked, workers: Workers, tell: Notify) -> UnlitFrontier:
    """Try what the knobs say, and keep what is worth having; a stopped search goes on.

    Raises
    ------
    UsageError
        A knob turns an LED or the watching state, or is out of the sensor's range; the data cannot
        be used; or nothing is left that is worth having.
    FormatError
        The data set is not readable, its recordings were made with different settings, or they
        speak against the gain that their sensor states.
    """
    _refuse_light_of_its_own(asked)
    task = task_of(asked, tell)
    corpus = task.corpus
    tried = tried_of(options_of(asked.knobs, asked.recipes), corpus.sensor)
    plain = task.opponents(asked.recipes[0]) if asked.knobs.search.plain_sensors else []
    opponents = tried_of(plain, corpus.sensor) if plain else []
    found, n_all = headroom_in(corpus, asked.recipes[0]), len(tried)
    most = asked.knobs.search.max_saturated_takes
    tried = foretellable(tried, found, most, asked.data, tell)
    if any(one.setting.weaker_light for one in tried):
        refuse_wrong_gains(r.path for r in corpus.select(locked=False))
    devices = {one.name: unlit_device(one) for one in (*tried, *opponents)}
    done = Finished(corpus.folder, asked.recipes[0], corpus.digest, " frontier")

    cost = np.array(_prices(task, asked, tried, devices, workers, tell))
    quick = np.array(task.quickly(tried, done, workers, tell))
    chosen = _promoted(task, tried, cost, quick, asked.knobs.search.tried_in_full)
    every = [*(tried[i] for i in chosen), *opponents]
    outcomes = done.run([task.trial(one) for one in every], workers,
                        Countdown(tell, f"{len(every)} settings in full"))  # fmt: skip
    judged = [task.judged(*each) for each in zip(every, outcomes, strict=True)]
    kept = [(one, what) for one, what in zip(every, judged, strict=True) if what is not None]
    failed = [one.name for one, what in zip(every, judged, strict=True) if what is None]
    budgets = _budgets(task, asked, [one for one, _ in kept], devices, workers, tell)
    points = [
        _point(task, one, devices[one.name], priced, what)
        for (one, what), priced in zip(kept, budgets, strict=True)
    ]
    cheap = list(zip(tried, cost.tolist(), quick.tolist(), strict=True))
    front = _judged(asked, task, cheap, points, (failed, found, n_all - len(tried)))
    if not any(r.locked for r in corpus.recordings):
        return front
    told = Countdown(tell, f"locked {task.units}, asked about what is chosen")
    few = [p.tried for p in front.chosen]
    answers = done.run([task.trial(one, locked=True) for one in few], workers, told)
    locked = {
        one.name: what
        for one, answer in zip(few, answers, strict=True)
        if (what := task.judged(one, answer, locked=True)) is not None
    }
    return replace(front, locked=locked)


def _refuse_light_of_its_own(asked: Asked) -> None:
    """Refuse knobs that say nothing here, rather than turn them without effect."""
    knobs, name = asked.knobs, asked.recipes[0].name
    if knobs.active.led_share.values != (1.0,):
        raise UsageError(
            "knobs", "active.led_share", knobs.active.led_share.values,
            f"none: recipe {name} takes light that is not the device's own",
            "turn exposure_share",
        )  # fmt: skip
    if knobs.watching != WatchingKnobs():
        raise UsageError(
            "knobs", "watching", "given", "none", f"recipe {name} has no watching that is traded"
        )
    if asked.n_settings is not None:
        raise UsageError(
            "frontier", "--search", asked.n_settings, f"the whole grid for recipe {name}",
            "leave it out, and list fewer values in --knobs",
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _PriceIfMade:
    """Prices of one structure; infinite where no model of it can be made."""

    priced: OfOneShape

    def run(self) -> list[float]:
        try:
            return PriceJob(self.priced).run()
        except NoCalibration:
            return [math.inf] * len(self.priced.tried)


def _prices(
    task: Task,
    asked: Asked,
    tried: Sequence[Tried],
    devices: Mapping[str, DeviceSetting],
    workers: Workers,
    tell: Notify,
) -> list[float]:
    """Return every setting's average power, by a model for each structure."""
    groups: dict[str, list[Tried]] = {}
    for one in tried:
        groups.setdefault(task.structure(one), []).append(one)
    jobs = [
        _PriceIfMade(task.priced(asked, own, [devices[one.name] for one in own]))
        for own in groups.values()
    ]
    found = _counted(jobs, workers, Countdown(tell, "prices: models of each shape"))
    uw = {
        one.name: price
        for own, prices in zip(groups.values(), found, strict=True)
        for one, price in zip(own, prices, strict=True)
    }
    return [uw[one.name] for one in tried]


def _budgets(
    task: Task,
    asked: Asked,
    tried: Sequence[Tried],
    devices: Mapping[str, DeviceSetting],
    workers: Workers,
    tell: Notify,
) -> list[Budget]:
    """Return the budget of each setting, of a model made there."""
    jobs = [BudgetJob(task.priced(asked, [one], [devices[one.name]])) for one in tried]
    found = _counted(jobs, workers, Countdown(tell, "budgets"))
    return [budget for (budget,) in found]


def _counted(jobs: Sequence[Any], workers: Workers, countdown: Countdown) -> list[Any]:
    numbers = itertools.count(1)
    return run_jobs(jobs, workers, lambda *_: countdown(f"{next(numbers)} of {len(jobs)}"))


def _groups(task: Task, rates: Sequence[float]) -> dict[float, list[int]]:
    """Return which settings meet each other: those of one rate where the rate is free."""
    groups: dict[float, list[int]] = {}
    for index, rate in enumerate(rates):
        groups.setdefault(rate if task.rate_is_free else 0.0, []).append(index)
    return groups


def _promoted(
    task: Task, tried: Sequence[Tried], cost: Any, quick: Any, n_wanted: int
) -> list[int]:
    """Return the settings that go on, in their order: as many of every rate, the recorded first."""
    groups = _groups(task, [one.sensor.frame_rate_hz for one in tried])
    each = max(LEAST_SETTINGS, n_wanted // len(groups))
    chosen: list[int] = []
    for own in groups.values():
        here = [i for i in own if math.isfinite(quick[i] + cost[i])]
        if here:
            first = [0] if here[0] == 0 else []
            chosen += [here[i] for i in promoted(cost[here], quick[here], each, first)]
    return sorted(chosen)


def _point(
    task: Task, tried: Tried, device: DeviceSetting, budget: Budget, judged: Judged
) -> UnlitPoint:
    sums, plain = judged.sums.sum(axis=0), dict(tried.option.turned).get("sensor", "")
    value, score = float(task.measure.value(sums)), float(task.measure.score(sums))
    return UnlitPoint(tried, device, budget, judged, value, score, plain)


def _judged(
    asked: Asked,
    task: Task,
    cheap: list[tuple[Tried, float, float]],
    found: Sequence[UnlitPoint],
    noted: tuple[list[str], Headroom, int],
) -> UnlitFrontier:
    points = sorted((p for p in found if not p.opponent), key=lambda p: (p.uw, -p.score))
    eligible = _valid_enough(points)
    if not eligible:
        raise UsageError(
            str(asked.data), "settings at which anything is told", 0, "at least 1",
            "look at the recordings with palmwatt inspect, or train once and read its page",
        )  # fmt: skip
    rates = [p.hz if task.rate_is_free else 0.0 for p in points]
    table = np.array([[points[i].uw, -points[i].score, -rates[i]] for i in eligible])
    front = [i for i, rank in zip(eligible, non_dominated_ranks(table), strict=True) if rank == 0]
    main = [place for place, i in enumerate(front) if rates[i] == max(rates[j] for j in front)]
    score = np.array([_for_knee(task, points[front[place]].score) for place in main])
    cost = np.array([points[front[place]].uw for place in main])
    knee = main[knee_of(cost, score, max(p.uw for p in points))]
    resampled = {
        rate: (own, _resampled(task, [points[i] for i in own]))
        for rate, own in _groups(task, [p.hz for p in points]).items()
    }
    plain = [p for p in found if p.opponent]
    return UnlitFrontier(asked, task, cheap, points, front, knee, resampled, plain, *noted)


def _valid_enough(points: Sequence[UnlitPoint]) -> list[int]:
    """Return the points that tell about as often as the one that tells most often."""
    most = max((p.judged.valid or 0.0 for p in points), default=0.0)
    return [
        i for i, p in enumerate(points)
        if math.isfinite(p.score)
        and (p.judged.valid is None or p.judged.valid >= VALID_KEPT * most)
        and (p.score > 0.0 or p.judged.valid is not None)
    ]  # fmt: skip


def _for_knee(task: Task, score: float) -> float:
    """Return what the knee is sought in: of an error its logarithm, as of the cost."""
    return -math.log(max(-score, 1e-12)) if task.measure.is_error else score


def _resampled(task: Task, points: Sequence[UnlitPoint]) -> Resampled:
    sums = np.stack([p.judged.sums for p in points])
    cost = np.array([p.uw for p in points])
    return resample(sums, cost, np.random.default_rng(SEED), score_of=task.measure.score)
