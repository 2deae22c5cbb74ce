"""How the sensor may watch: every way counted over recordings, and the cheapest that will do.

What the watching state reads has no part in what the active state recognises, so that one choice
serves every setting of the active state.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from runtime.budget.price.wake_up_counts import WakeUpCounts
from runtime.firmware.setting import USUAL_HOLD_S
from runtime.firmware.watching import Watching
from runtime.sensor import Sensor
from trainer.choice.tried.knobs import WatchingOption
from trainer.judge.wake_up import count_wake_ups
from trainer.recipe import Recipe

__all__ = ["CountJob", "Watched", "acceptable", "wakes_too_often"]

LEAST_EMPTY_HOURS = 0.5
"""As a budget asks for: a rate of rare events cannot be told from minutes."""
MOST_FALSE_WAKES = 6.0
"""An hour; what the usage profiles price at most. What is surely above is priced wrongly."""


@dataclass(frozen=True, slots=True)
class CountJob:
    """Arrivals missed and false wakes of every way to watch, over one person's recordings.

    Parameters
    ----------
    folder : Path
        Data set.
    recipe : Recipe
    recorded : Sensor
    options : tuple of WatchingOption
    people : tuple of str
        Everybody who is watched, and so tells whether arrivals were recorded.
    person : str
        Whose recordings this job reads.
    """

    folder: Path
    recipe: Recipe
    recorded: Sensor
    options: tuple[WatchingOption, ...]
    people: tuple[str, ...]
    person: str

    def run(self) -> list[WakeUpCounts] | None:
        """Count each option; None where there is no arrival or no empty time."""
        ways = [
            Watching(
                max(1, round(option.rows_share * self.recorded.n_rows)), option.rate_hz,
                option.led_share, option.exposure_share, max(USUAL_HOLD_S, 1.0 / option.rate_hz),
            )
            for option in self.options
        ]  # fmt: skip
        return count_wake_ups(
            self.folder, self.recipe, self.recorded, ways, self.people, self.person
        )


@dataclass(frozen=True, slots=True)
class Watched:
    """A way to watch, and what was counted of it.

    Parameters
    ----------
    option : WatchingOption
    counts : WakeUpCounts or None
        None where the recordings cannot tell.
    uw : float, optional
        Average power over a day of a device that watches so and is awake at the recorded setting,
        where it was priced.
    """

    option: WatchingOption
    counts: WakeUpCounts | None
    uw: float | None = None


def acceptable(watched: list[Watched], max_miss_rate: float) -> list[Watched]:
    """Return the ways that miss few enough arrivals and wake for nothing seldom enough.

    Where recordings cannot tell (no empty time, or no arrival), only the first way is left: the
    usual one, whose misses are then assumed as everywhere else. Where none will do, it is the one
    that misses least.
    """
    if all(one.counts is None for one in watched):
        return watched[:1]
    told = [(one, one.counts) for one in watched if one.counts is not None]
    kept = [
        one
        for one, counts in told
        if counts.miss_rate.typical <= max_miss_rate and not wakes_too_often(counts)
    ]
    return kept or [min(told, key=lambda pair: pair[1].miss_rate.typical)[0]]


def wakes_too_often(counts: WakeUpCounts) -> bool:
    """Tell whether false wakes are surely more than are priced, where recordings can tell."""
    told = counts.empty_hours >= LEAST_EMPTY_HOURS
    return told and counts.false_wakes_per_hour.low > MOST_FALSE_WAKES
