"""How the sensor may watch: every way counted over recordings, and the cheapest that will do.

What the watching state reads has no part in what the active state recognises, so that one choice
serves every setting of the active state.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.store.dataset import open_dataset
from capture.store.session import events_path
from runtime.budget.price.wake_up_counts import WakeUpCounts
from runtime.errors import UsageError
from runtime.files import sha256_of
from runtime.firmware.setting import USUAL_HOLD_S
from runtime.firmware.watching import Watching
from runtime.sensor import Sensor
from trainer.choice.tried.knobs import WatchingOption
from trainer.judge.wake_up import count_wake_ups
from trainer.recipe import Recipe
from trainer.work.cache import Cache, open_cache, program_digest
from trainer.work.jobs import Workers, run_jobs

__all__ = ["CountJob", "Watched", "acceptable", "count_all", "wakes_too_often"]

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

    @property
    def ways(self) -> list[Watching]:
        """Each option as the sensor takes it."""
        return [
            Watching(
                max(1, round(option.rows_share * self.recorded.n_rows)), option.rate_hz,
                option.led_share, option.exposure_share, max(USUAL_HOLD_S, 1.0 / option.rate_hz),
            )
            for option in self.options
        ]  # fmt: skip

    def run(self) -> list[WakeUpCounts] | None:
        """Count each option; None where there is no arrival or no empty time."""
        return count_wake_ups(
            self.folder, self.recipe, self.recorded, self.ways, self.people, self.person
        )


def count_all(
    jobs: Sequence[CountJob],
    workers: Workers,
    tell: Callable[[str], None],
    digests: Mapping[Path, str] | None = None,
) -> list[list[WakeUpCounts] | None]:
    """Run jobs of one search, but those that an earlier one has run; return all, in order.

    Parameters
    ----------
    jobs : sequence of CountJob
        Alike but for the person.
    workers : Workers
    tell : callable
        Is told how many are done.
    digests : mapping, optional
        SHA-256 of files, worked out before in the same run.
    """
    if not jobs:
        return []
    cache, source = open_cache(jobs[0].folder, "watching"), _source(jobs[0], digests or {})
    keys = [hashlib.sha256(f"{source} {job.person}".encode()).hexdigest() for job in jobs]
    found = {
        number: known[0]
        for number, (job, key) in enumerate(zip(jobs, keys, strict=True))
        if (known := _kept(cache, key, job)) is not None
    }
    left = [number for number in range(len(jobs)) if number not in found]

    def done(place: int, counts: list[WakeUpCounts] | None) -> None:
        number = left[place]
        found[number], person = counts, jobs[number].person
        cache.store({keys[number]: _as_array(counts)}, person, f"watching {person}", source)
        tell(f"{len(found)} of {len(jobs)}")

    tell(f"{len(found)} of {len(jobs)}")
    run_jobs([jobs[number] for number in left], workers, done)
    return [found[number] for number in range(len(jobs))]


def _source(job: CountJob, known: Mapping[Path, str]) -> str:
    """Return the hash of all that counts depend on but the person: recordings, ways, program."""
    digest = hashlib.sha256(program_digest().encode())
    for info in open_dataset(job.folder).sessions:
        if info.participant_id in job.people:
            for path in (info.path, events_path(info.path)):
                sha256 = known.get(path) or sha256_of(path)
                digest.update(f"{path.name} {sha256}\0".encode())
    asked = {
        "recipe": job.recipe.digest(), "recorded": job.recorded.to_json(), "people": job.people,
        "ways": [asdict(way) for way in job.ways],
    }  # fmt: skip
    digest.update(json.dumps(asked, sort_keys=True).encode())
    return digest.hexdigest()


def _as_array(counts: list[WakeUpCounts] | None) -> NDArray[np.float64]:
    """Return counts as a row: whether there are any, four of each way, then all delays."""
    told = [
        (one.n_arrivals, one.n_missed, one.n_false_wakes, one.empty_hours) for one in counts or ()
    ]
    delays = [delay for one in counts or () for delay in one.delays_s]
    numbers = [float(counts is not None), *(number for row in told for number in row), *delays]
    return np.array(numbers, dtype=np.float64)


def _kept(cache: Cache, key: str, job: CountJob) -> tuple[list[WakeUpCounts] | None] | None:
    """Return what was counted before, as a tuple of one; None if nothing is known."""
    stored = cache.load([key])
    if stored is None:
        return None
    try:
        is_counted, *numbers = np.array(stored[0].read()).tolist()
    except UsageError:  # removed by another process since
        return None
    if not is_counted:
        return (None,)
    ways = job.ways
    counts, at = [], 4 * len(ways)
    for place, way in enumerate(ways):
        arrivals, missed, false, hours = numbers[4 * place : 4 * place + 4]
        n_delays = int(arrivals - missed)
        delays, at = tuple(numbers[at : at + n_delays]), at + n_delays
        counts.append(
            WakeUpCounts(
                int(arrivals), int(missed), int(false), hours, way.n_rows, way.rate_hz,
                way.led_share, way.exposure_share, delays,
            )
        )  # fmt: skip
    return (counts,)


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
