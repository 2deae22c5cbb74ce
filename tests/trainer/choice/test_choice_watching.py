"""Which ways to watch will do."""

from __future__ import annotations

from runtime.budget.price.wake_up_counts import WakeUpCounts
from trainer.choice.tried.knobs import WatchingOption
from trainer.choice.tried.watching import Watched, acceptable


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
