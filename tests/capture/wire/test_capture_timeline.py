"""One time line over several runs, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from capture.frames import FramePair
from capture.wire.timeline import ClockLeap, Gap, Place, TimeLine

NOTHING = np.zeros((1, 1), np.uint16)


def placed(line: TimeLine, sequence: int, time_us: int) -> Place:
    place = line.place(a_pair(sequence, time_us))
    assert place is not None
    return place


def a_pair(sequence: int, time_us: int) -> FramePair:
    return FramePair(sequence, time_us, NOTHING, NOTHING)


def test_one_run_is_as_the_sensor_counts_it() -> None:
    """Without a lost connection, sequence and clock are the sensor's own, and now is from 0."""
    line = TimeLine(1000.0)
    assert (line.run, line.now_us) == (0, 0)
    assert line.place(a_pair(5, 70_000)) == Place(5, 70_000, None)
    assert line.now_us == 0
    assert line.place(a_pair(8, 73_500)) == Place(8, 73_500, None)
    assert (line.run, line.now_us) == (0, 3_500)


def test_a_clock_that_begins_anew_goes_on_after_the_silence() -> None:
    """5 ms of silence at a pair each ms lose four pairs: the next one is five periods on."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 100))
    line.place(a_pair(1, 1_100))
    line.begin_run(0.005)
    gap = Gap(1, 0.005, 6, 6_080, 1_000, 6_000)
    assert line.place(a_pair(0, 20)) == Place(6, 6_100, gap)
    assert line.place(a_pair(1, 1_020)) == Place(7, 7_100, None)
    assert (line.run, line.now_us) == (1, 7_000)


def test_a_clock_that_went_on_is_believed() -> None:
    """A device that kept its clock tells the time itself; only the sequence is moved on."""
    line = TimeLine(1000.0)
    line.place(a_pair(7, 50_000))
    line.begin_run(0.002)
    found = placed(line, 3, 53_333)
    assert found == Place(9, 53_333, Gap(7, 0.002, 6, 0, 0, 3_333))


@pytest.mark.parametrize(("ahead_us", "time_us"), [(0, 52_000), (1, 50_001), (-1, 52_000)])
def test_a_clock_that_does_not_rise_begins_anew(ahead_us: int, time_us: int) -> None:
    """A clock that stands at the last pair's time counts as new, one microsecond more as on."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 50_000))
    line.begin_run(0.002)
    assert placed(line, 0, 50_000 + ahead_us).time_us == time_us


@pytest.mark.parametrize(("silent_s", "lost"), [(0.0, 0), (0.0004, 0), (0.001, 0), (0.0026, 2)])
def test_pairs_lost_are_the_whole_periods_of_the_silence_less_one(
    silent_s: float, lost: int
) -> None:
    """A silence of a period or less loses nothing; periods are rounded to the nearest."""
    line = TimeLine(1000.0)
    line.place(a_pair(4, 0))
    line.begin_run(silent_s)
    found = placed(line, 0, 0)
    assert (found.sequence, found.time_us) == (5 + lost, 1000 * (lost + 1))


def test_several_losses_add_up_and_one_before_the_first_pair_is_a_gap_too() -> None:
    """Each start moves on from where the line was; before any pair the gap is after none."""
    line = TimeLine(1000.0)
    line.begin_run(0.003)
    assert line.place(a_pair(0, 5)) == Place(2, 5, Gap(-1, 0.003, 2, 0, 0, 5))
    line.begin_run(0.002)
    line.begin_run(0.004)  # the silence that ends is the last one told
    found = placed(line, 0, 5)
    assert (found.sequence, found.gap and found.gap.silent_s, line.run) == (6, 0.004, 3)
    line.begin_run(0.001)
    assert placed(line, 2, 5).sequence == 7
    assert line.now_us == 5_000


@pytest.mark.parametrize("to_us", [0, 49_000, 50_000, 2_000_000, 2**62])
def test_one_wild_clock_is_left_out_and_changes_nothing(to_us: int) -> None:
    """A pair whose clock falls, stands or leaps is not placed; the next true one is, as it says."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 50_000))
    assert line.place(a_pair(1, to_us)) is None
    assert line.now_us == 0
    assert line.place(a_pair(2, 52_000)) == Place(2, 52_000, None)


@pytest.mark.parametrize("to_us", [0, 49_000, 2_000_000, 2**62])
def test_two_that_agree_begin_the_clock_anew(to_us: int) -> None:
    """Then time goes on by the sequence: two pairs on are two periods on."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 50_000))
    line.place(a_pair(1, to_us))
    leap = ClockLeap(0, to_us + 1_000 - 52_000, 52_000 - to_us - 1_000)
    assert line.place(a_pair(2, to_us + 1_000)) == Place(2, 52_000, None, leap)
    assert line.place(a_pair(3, to_us + 2_000)) == Place(3, 53_000, None)
    assert line.now_us == 3_000


def test_two_wild_clocks_that_disagree_are_both_left_out() -> None:
    """What does not bear the first one out is doubted in its turn."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 50_000))
    assert line.place(a_pair(1, 9_000_000)) is None
    assert line.place(a_pair(2, 7)) is None
    assert line.place(a_pair(3, 53_000)) == Place(3, 53_000, None)


@pytest.mark.parametrize(("passed_us", "believed"), [(1_010_000, True), (1_010_001, False)])
def test_a_slow_sensor_is_believed(passed_us: int, believed: bool) -> None:
    """Ten periods for one, and a second besides, are believed; a microsecond more is not."""
    line = TimeLine(1000.0)
    line.place(a_pair(0, 50_000))
    assert (line.place(a_pair(1, 50_000 + passed_us)) is not None) == believed
