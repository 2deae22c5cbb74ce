"""What a search without an LED has found: its points, those worth having, and how surely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from capture.measure.headroom import Headroom
from runtime.budget import Budget
from runtime.errors import UsageError
from runtime.firmware.setting import DeviceSetting
from trainer.choice.tried.asked import Asked
from trainer.choice.tried.settings import Tried
from trainer.choice.unlit.measures import Judged
from trainer.choice.unlit.tasks import Task
from trainer.choice.worth.pareto import knee_of, non_dominated_ranks
from trainer.choice.worth.resamples import Resampled, resample

__all__ = ["UnlitFrontier", "UnlitPoint", "by_rate", "front_of"]

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


def by_rate(task: Task, rates: Sequence[float]) -> dict[float, list[int]]:
    """Return which settings meet each other: those of one rate where the rate is free."""
    groups: dict[float, list[int]] = {}
    for index, rate in enumerate(rates):
        groups.setdefault(rate if task.rate_is_free else 0.0, []).append(index)
    return groups


def front_of(
    asked: Asked,
    task: Task,
    cheap: list[tuple[Tried, float, float]],
    found: Sequence[UnlitPoint],
    noted: tuple[list[str], Headroom, int],
) -> UnlitFrontier:
    """Return what is worth having of the points found.

    Parameters
    ----------
    asked : Asked
    task : Task
    cheap, noted
        As `UnlitFrontier` holds them; `noted` are settings that failed, headroom, and how many
        settings were left out.
    found : sequence of UnlitPoint
        Plain sensors among them.

    Raises
    ------
    UsageError
        Nothing is.
    """
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
    knee = main[_knee(task, [points[front[place]] for place in main], points)]
    resampled = {
        rate: (own, _resampled(task, [points[i] for i in own]))
        for rate, own in by_rate(task, [p.hz for p in points]).items()
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


def _knee(task: Task, own: Sequence[UnlitPoint], points: Sequence[UnlitPoint]) -> int:
    """Return beyond which point of a front more power brings little.

    Half the error is taken to be worth as much as half the power, wherever one begins: where their
    product is least. A share has no such scale, and its knee is sought over the range tried.
    """
    cost = np.array([p.uw for p in own])
    if task.measure.is_error:
        return int((cost * np.array([p.value for p in own])).argmin())
    return knee_of(cost, np.array([p.score for p in own]), max(p.uw for p in points))


def _resampled(task: Task, points: Sequence[UnlitPoint]) -> Resampled:
    sums = np.stack([p.judged.sums for p in points])
    cost = np.array([p.uw for p in points])
    return resample(sums, cost, np.random.default_rng(SEED), score_of=task.measure.score)
