"""Which ways to watch will do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.store.session import read_session
from runtime.budget.price.wake_up_counts import WakeUpCounts
from trainer.choice.tried import watching
from trainer.choice.tried.knobs import WatchingOption
from trainer.choice.tried.watching import CountJob, Watched, acceptable, count_all
from trainer.corpus.recordings import open_corpus
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers


def _way(n_missed: int, n_false: int = 0, hours: float = 1.0) -> Watched:
    option = WatchingOption(5.0, 0.2, 0.5)
    return Watched(option, WakeUpCounts(100, n_missed, n_false, hours))


def test_ways_that_miss_too_much_are_left_out() -> None:
    """A way stays that misses no more arrivals than is allowed."""
    ways = [_way(5), _way(2), _way(1)]
    assert acceptable(ways, 0.02) == ways[1:]


def test_where_none_will_do_the_one_that_misses_least_is_taken() -> None:
    """A search goes on with the best way there is."""
    ways = [_way(30), _way(11), _way(12)]
    assert acceptable(ways, 0.02) == [ways[1]]


def test_false_wakes_count_only_where_there_was_time_to_count_them() -> None:
    """A way that surely wakes for nothing too often is left out, by hours and not by minutes."""
    often, short = _way(0, n_false=40), _way(0, n_false=2, hours=0.01)
    assert acceptable([often, short], 0.02) == [short]


def test_without_counts_the_usual_way_is_taken() -> None:
    """Where recordings cannot tell, the first way stands."""
    ways = [Watched(WatchingOption(rate, 0.2, 0.5), None) for rate in (5.0, 2.0)]
    assert acceptable(ways, 0.02) == ways[:1]


def _jobs(data: Path, recipe: Path, *options: WatchingOption) -> list[CountJob]:
    first = next(data.glob("sub-*/**/*_readouts.mcap"))
    sensor, people = read_session(first).sensor, ("P01", "P02")
    job = CountJob(data, load_recipe(str(recipe)), sensor, options, people, "P01")
    return [replace(job, person=person) for person in people]


def _invented(*asked: Any) -> list[WakeUpCounts]:
    """Count nothing: of each way and person other numbers, whose fractions take all bits."""
    ways, person = asked[3], int(asked[5][1:])
    return [
        WakeUpCounts(
            person + place + 2, 2, person, 0.1 * person + way.rate_hz / 7, way.n_rows, way.rate_hz,
            way.led_share, way.exposure_share, tuple(np.arange(person + place) / 3),
        )
        for place, way in enumerate(ways)
    ]  # fmt: skip


def _refuse(*_: object) -> None:
    raise AssertionError("counted again")


def test_what_was_counted_of_the_same_recordings_is_not_counted_again(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that is called again has its counts at once, to the bit, and only for its ways."""
    usual, slower = WatchingOption(5.0, 0.2, 0.5), WatchingOption(3.0, 0.2, 0.5)
    jobs, workers = _jobs(small_data, small_recipe, usual, slower), LocalWorkers(1)
    monkeypatch.setattr(watching, "count_wake_ups", _invented)
    first = count_all(jobs, workers, lambda _: None)
    assert [len(counts or ()) for counts in first] == [2, 2]
    monkeypatch.setattr(watching, "count_wake_ups", _refuse)
    assert count_all(jobs, workers, lambda _: None) == first
    with pytest.raises(AssertionError, match="counted again"):
        count_all(_jobs(small_data, small_recipe, slower, usual), workers, lambda _: None)
    labels = next(small_data.glob("sub-P01/**/*_events.tsv"))
    labels.write_text(labels.read_text("utf-8") + "\n", "utf-8")
    with pytest.raises(AssertionError, match="counted again"):
        count_all(jobs, workers, lambda _: None)


def test_files_whose_hash_is_known_are_not_read_for_it_again(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counts are kept under the same hash, whether a search knew those of its files or not."""
    jobs = _jobs(small_data, small_recipe, WatchingOption(5.0, 0.2, 0.5))
    digests: dict[Path, str] = {}
    open_corpus(small_data, load_recipe(str(small_recipe)), digests=digests)
    monkeypatch.setattr(watching, "count_wake_ups", _invented)
    first = count_all(jobs, LocalWorkers(1), lambda _: None)
    monkeypatch.setattr(watching, "count_wake_ups", _refuse)
    monkeypatch.setattr(watching, "sha256_of", _refuse)
    assert count_all(jobs, LocalWorkers(1), lambda _: None, digests) == first


def test_that_recordings_cannot_tell_is_kept_as_well(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no arrival or no empty time, nothing is read a second time to find out."""
    jobs = _jobs(small_data, small_recipe, WatchingOption(5.0, 0.2, 0.5))
    monkeypatch.setattr(watching, "count_wake_ups", lambda *_: None)
    assert count_all(jobs, LocalWorkers(1), lambda _: None) == [None, None]
    monkeypatch.setattr(watching, "count_wake_ups", _refuse)
    assert count_all(jobs, LocalWorkers(1), lambda _: None) == [None, None]
