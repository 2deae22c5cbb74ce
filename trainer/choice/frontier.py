"""The order of it all: from a data set and knobs to the settings that are worth having."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from runtime.budget import Budget
from runtime.errors import UsageError
from runtime.firmware.setting import DeviceSetting
from runtime.stages.contract.stage import Float64
from trainer.choice.tried.asked import Asked, Notify, Readings, read_for
from trainer.choice.tried.full_trials import Recognised, ask_locked, in_full
from trainer.choice.tried.rungs import (
    ask_cheaply,
    budgets_of,
    count_watching,
    devices_of,
    price_watching,
    prices_of,
)
from trainer.choice.tried.sampling import coordinates_of, places_of, spread
from trainer.choice.tried.settings import Tried
from trainer.choice.tried.watching import Watched
from trainer.choice.worth.foretold import next_to_try
from trainer.choice.worth.halving import promoted
from trainer.choice.worth.pareto import knee_of, on_front
from trainer.choice.worth.resamples import Resampled, resample, scores_of
from trainer.fit.kept_fits import Finished
from trainer.work.jobs import Workers

__all__ = ["Frontier", "Point", "find_frontier"]

FEW_FOLDS = 2
"""Of six: a third of the people say which settings are hopeless."""
FIRST_SHARE = 3
"""Of a search that does not try all: a third is spread evenly, the rest follows the best."""
AT_ONCE = 8
"""Settings that a search follows at a time: 16 quick fits, which keep a small machine busy."""
MOST_ROUNDS = 12
"""After which a search has come to all of them: a large one follows more at a time."""
TWO_POINTS = 0.0205
"""To the tenth of a point that is told: 2.04 would be called 2.0 and yet not be within two."""
SEED = 1


@dataclass(frozen=True, slots=True)
class Point:
    """A setting tried in full.

    Parameters
    ----------
    tried : Tried
    device : DeviceSetting
    budget : Budget
        Of a model of its shape at its setting.
    recognised : Recognised
    opponent : str
        Which plain sensor it is; empty for the sensor that recorded.
    """

    tried: Tried
    device: DeviceSetting
    budget: Budget
    recognised: Recognised
    opponent: str = ""

    @property
    def uw(self) -> float:
        """Average power over a day, median."""
        return float(self.budget.average_uw.median)

    @property
    def score(self) -> float:
        """Event F1, or accuracy where there are no events."""
        return float(scores_of(self.recognised.counts.sum(axis=0)))


@dataclass(frozen=True, slots=True)
class Frontier:
    """What a search has found.

    Parameters
    ----------
    asked : Asked
    readings : Readings
    cheap : list of (Tried, uW, accuracy)
        Every setting with its price and its cheap fits' accuracy on the people asked first.
    points : list of Point
        Settings tried in full, by rising power.
    front : list of int
        Those of the points that no other beats, by rising power.
    knee : int
        Place in `front`.
    resampled : Resampled
        Of the points.
    opponents : list of Point
        Plain sensors tried in full.
    watched : list of Watched
        Every way to watch, and what was counted.
    stand_ins : bool
        Whether gestures stood for arrivals.
    locked : dict of str to Recognised
        What the chosen few recognise of the locked people, by the name of what is tried.
    """

    asked: Asked
    readings: Readings
    cheap: list[tuple[Tried, float, float]]
    points: list[Point]
    front: list[int]
    knee: int
    resampled: Resampled
    opponents: list[Point]
    watched: list[Watched]
    stand_ins: bool
    locked: dict[str, Recognised] = field(default_factory=dict)

    @property
    def chosen(self) -> list[Point]:
        """The few that the page speaks of: the knee, and the cheapest within two points."""
        few = [self.on_front[self.knee], self.within_two_points]
        return few[:1] if few[0] is few[1] else few

    @property
    def within_two_points(self) -> Point:
        """The cheapest point of the front that is no further than two points from the best."""
        best = self.on_front[-1].score
        return next(p for p in self.on_front if p.score > best - TWO_POINTS)

    @property
    def on_front(self) -> list[Point]:
        """The front's points, by rising power."""
        return [self.points[index] for index in self.front]


def find_frontier(asked: Asked, workers: Workers, tell: Notify) -> Frontier:
    """Try what the knobs say, and keep what is worth having.

    What has finished is kept beside the data set: a search that was stopped goes on where it was.
    The locked people are asked at the very end, and only about the chosen few.

    Raises
    ------
    UsageError
        The knobs or the data cannot be used, or nothing is left that is worth having.
    FormatError
        The data set is not readable, or its recordings were made with different settings.
    """
    readings = read_for(asked, workers, tell)
    watched, stand_ins = count_watching(asked, readings, workers, tell)
    watched = price_watching(asked, readings, watched, workers, tell)
    devices = devices_of(asked, readings, watched, stand_ins)
    done = Finished(readings.base.corpus.folder, asked.recipes[0], readings.base.corpus.digest,
                    " frontier")  # fmt: skip
    search = asked.knobs.search
    tried, cost, few = _quickly(asked, readings, devices, done, workers, tell)
    again = promoted(cost, np.array(few), search.tried_on_everybody, [0])
    more = ask_cheaply(readings, [tried[i] for i in again], None, done, workers, tell)
    best = promoted(cost[again], np.array(more), search.tried_in_full, [0])
    chosen = [tried[again[i]] for i in best]
    every = [*chosen, *readings.opponents]
    full = in_full(readings, every, done, workers, tell)
    budgets = budgets_of(asked, readings, every, devices, workers, tell)
    found = [
        Point(one, devices[one.name], budgets[one.name], recognised)
        for one, recognised in zip(chosen, full, strict=False)
    ]
    plain = [
        Point(one, devices[one.name], budgets[one.name], recognised, one.option.turned[0][1])
        for one, recognised in zip(readings.opponents, full[len(chosen) :], strict=True)
    ]
    # Of the same people for every setting, so that knobs can be held against each other.
    rows = list(zip(tried, cost.tolist(), few, strict=True))
    front = _judged(asked, readings, rows, found, plain, watched, stand_ins)
    if not any(r.recording.locked for r in readings.base.main):
        return front
    chosen_few = [(point.tried, point.recognised) for point in front.chosen]
    answers = ask_locked(readings, chosen_few, done, workers, tell)
    names = [point.tried.name for point in front.chosen]
    return replace(front, locked=dict(zip(names, answers, strict=True)))


def _quickly(
    asked: Asked,
    readings: Readings,
    devices: dict[str, DeviceSetting],
    done: Finished,
    workers: Workers,
    tell: Notify,
) -> tuple[list[Tried], Float64, list[float]]:
    """Price settings and ask some people about them: all, or those that a search comes to."""
    every = readings.tried
    places = places_of(every)
    uw, few = np.full(len(every), np.nan), np.zeros(len(every))
    wanted = min(asked.n_settings or len(every), len(every))
    known: list[int] = []
    following = list(range(len(every)))
    if wanted < len(every):
        following = spread(places, max(2, wanted // FIRST_SHARE))
    at_once = max(AT_ONCE, -(-(wanted - len(following)) // MOST_ROUNDS))
    while following:
        some = [every[index] for index in following]
        uw[following] = prices_of(asked, readings, some, devices, workers, tell)
        few[following] = ask_cheaply(readings, some, FEW_FOLDS, done, workers, tell)
        known = sorted({*known, *following})
        tell(f"settings tried, {len(known)} of {wanted}: done")
        n_more = min(at_once, wanted - len(known))
        following = []
        if n_more > 0:
            following = next_to_try(coordinates_of(places), uw, known, few[known], n_more)
    return [every[i] for i in known], uw[known], few[known].tolist()


def _judged(
    asked: Asked,
    readings: Readings,
    cheap: list[tuple[Tried, float, float]],
    found: list[Point],
    plain: list[Point],
    watched: list[Watched],
    stand_ins: bool,
) -> Frontier:
    points = sorted(found, key=lambda point: (point.uw, -point.score))
    cost = np.array([point.uw for point in points])
    score = np.array([point.score for point in points])
    front = [i for i in np.flatnonzero(on_front(cost, score)).tolist() if score[i] > 0.0]
    if not front:
        raise UsageError(
            str(asked.data), "settings that recognise anything", 0, "at least 1",
            "look at the recordings with palmwatt inspect",
        )  # fmt: skip
    counts = np.stack([point.recognised.counts for point in points])
    resampled = resample(counts, cost, np.random.default_rng(SEED))
    knee = knee_of(cost[front], score[front], float(cost.max()))
    return Frontier(
        asked, readings, cheap, points, front, knee, resampled, plain, watched, stand_ins
    )
