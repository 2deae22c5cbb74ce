"""The order of a search without an LED: prices, quick scores, trials in full, and what is left."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from capture.thin.own_noise import refuse_unthinnable
from runtime.budget import Budget
from runtime.errors import UsageError
from runtime.firmware.setting import DeviceSetting
from trainer.choice.tried.asked import LEAST_SETTINGS, Asked, Notify, foretellable
from trainer.choice.tried.knobs import WatchingKnobs, options_of
from trainer.choice.tried.pricing import BudgetJob, OfOneShape, PriceJob
from trainer.choice.tried.rungs import by_name, run_counted
from trainer.choice.tried.settings import Tried, tried_of
from trainer.choice.unlit.found import UnlitFrontier, UnlitPoint, by_rate, front_of
from trainer.choice.unlit.measures import Judged
from trainer.choice.unlit.sources import NoCalibration
from trainer.choice.unlit.tasks import Task, headroom_in, task_of, unlit_device
from trainer.choice.worth.halving import Countdown, promoted
from trainer.fit.kept_fits import Finished
from trainer.work.jobs import Workers

__all__ = ["find_unlit"]


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
        refuse_unthinnable([r.path for r in corpus.select(locked=False)])
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
    budgets = _budgets(task, asked, [one for one, _ in kept], devices, workers, tell)
    points = [
        _point(task, one, devices[one.name], priced, what)
        for (one, what), priced in zip(kept, budgets, strict=True)
        if priced is not None
    ]
    made = {point.tried.name for point in points}
    failed = [one.name for one in every if one.name not in made]
    cheap = list(zip(tried, cost.tolist(), quick.tolist(), strict=True))
    front = front_of(asked, task, cheap, points, (failed, found, n_all - len(tried)))
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


@dataclass(frozen=True, slots=True)
class _BudgetIfMade:
    """A whole budget of one setting; none where no model can be made of all readouts.

    Those of a trial were made, each of a part of them: a setting may stand just at the edge.
    """

    priced: OfOneShape

    def run(self) -> Budget | None:
        try:
            (found,) = BudgetJob(self.priced).run()
        except NoCalibration:
            return None
        return found


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
    found = run_counted(jobs, workers, Countdown(tell, "prices: models of each shape"))
    uw = by_name(groups.values(), found)
    return [uw[one.name] for one in tried]


def _budgets(
    task: Task,
    asked: Asked,
    tried: Sequence[Tried],
    devices: Mapping[str, DeviceSetting],
    workers: Workers,
    tell: Notify,
) -> list[Budget | None]:
    """Return the budget of each setting, of a model made there; none where it cannot be made."""
    jobs = [_BudgetIfMade(task.priced(asked, [one], [devices[one.name]])) for one in tried]
    return run_counted(jobs, workers, Countdown(tell, "budgets"))


def _promoted(
    task: Task, tried: Sequence[Tried], cost: Any, quick: Any, n_wanted: int
) -> list[int]:
    """Return the settings that go on, in their order: as many of every rate, the recorded first."""
    groups = by_rate(task, [one.sensor.frame_rate_hz for one in tried])
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
