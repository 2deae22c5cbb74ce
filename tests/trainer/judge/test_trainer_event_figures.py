"""Figures of streams by hand: latencies, placing, rates and what each interval rests on."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from runtime.intervals import garwood, garwood_upper, wilson
from trainer.corpus.recordings import Recording
from trainer.judge.evaluate import Conditions
from trainer.judge.event_figures import (
    MatchedStream,
    Placing,
    false_rate,
    learn_placing,
    match_streams,
    stream_figures,
)
from trainer.judge.events import Detection, Margins, Reference, Stream
from trainer.judge.intervals import over_participants
from trainer.judge.matching import EventCounts, EventSpan
from trainer.recipe import Recipe, parse_recipe


def a_recipe() -> Recipe:
    return parse_recipe(
        'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = ["idle"]\n'
        "[features]\nbins = [2, 2]\n[decision]\nhold_frames = 1\nhold_off_frames = 2\n"
        "max_false_per_hour = 0.25\n"
        "[evaluation]\ncollar_s = 0.125\noffset_share = 0.5\nmax_latency_s = 0.75\n",
        "two",
    )


def heard(
    participant: str,
    made: list[tuple[float, float, int]],
    told: list[tuple[float, int]],
    pairs: list[tuple[int, int]],
    n_frames: int = 3600,
    background: bool = False,
    from_labels: bool = True,
) -> MatchedStream:
    """Return a stream of so many half-seconds with the events that are said to be told of it."""
    who = Recording(Path(participant), participant, "unit-a", "emulated test", False, "")
    nothing = np.zeros(0, dtype=np.int64)
    stream = Stream(
        who, np.arange(n_frames) * 0.5, np.zeros((n_frames, 3), np.int32), 1.0, nothing, nothing,
        nothing, tuple(Reference(*row, from_labels) for row in made),
        Conditions(*np.zeros((3, 0))), background, nothing,
    )  # fmt: skip
    return MatchedStream(stream, [Detection(*row) for row in told], pairs)


FIRST = heard(
    "P1",
    [(1.0, 2.0, 0), (10.0, 10.5, 1), (20.0, 22.0, 0)],
    [(1.875, 0), (10.625, 1), (15.0, 1)],
    [(0, 0), (1, 1)],
)
SECOND = heard("P2", [(5.0, 6.0, 1)], [(6.25, 1)], [(0, 0)], from_labels=False)


def test_latency_counts_from_the_end_and_the_other_figure_from_the_onset() -> None:
    """A right event's latency is from its own gesture's end, below 0 where it was told before."""
    assert FIRST.counts == EventCounts(right=2, detected=3, references=3)
    assert FIRST.latencies_s() == [-0.125, 0.125]
    assert FIRST.after_onset_s() == [0.875, 0.625]


def test_placing_is_the_median_latency_and_the_median_length() -> None:
    """Latencies of right events, lengths of all gestures made, found or not; 0 without any."""
    placing = learn_placing([FIRST, SECOND])
    assert placing == Placing(latency_s=0.125, length_s=1.0)
    assert learn_placing([]) == Placing(0.0, 0.0)
    thirds = heard("P1", [(0.0, 1 / 3, 0)], [(2 / 3, 0)], [(0, 0)])
    assert learn_placing([thirds]) == Placing(0.333333, 0.333333)


def test_an_event_stands_for_the_stretch_before_it() -> None:
    """The end lies the latency before the event, the onset a length before the end."""
    assert Placing(0.25, 1.5).interval(Detection(10.0, 1)) == EventSpan(8.25, 9.75, 1)


def test_every_figure_by_hand() -> None:
    """Three of four events right, of four gestures; histogram of 50 ms; intervals of placed ones.

    Placed with 0 latency and one second: 0.875 to 1.875 (onset and end within 0.125 and half a
    length), 9.625 to 10.625 (onset 0.375 off), 14 to 15, 5.25 to 6.25 (onset 0.25 off).
    """
    found = stream_figures([FIRST, SECOND], a_recipe(), Placing(0.0, 1.0))
    # P1: 2 right of 3 and 3; P2: 1 of 1 and 1.
    assert found["f1"]["value"] == 0.75
    assert found["precision"] == found["recall"] | {"n_events": 4}
    assert found["recall"]["value"] == 0.75
    low, high = over_participants([2 / 3, 1.0], 4)
    assert (found["f1"]["low"], found["f1"]["high"]) == (round(low, 6), round(high, 6))
    assert (found["f1"]["n_participants"], found["f1"]["n_events"]) == (2, 4)
    assert found["interval_f1"]["value"] == found["onset_f1"]["value"] == 0.25
    assert found["latency_ms"] == {
        "median": 125.0, "p95": 237.5, "n_events": 3,
        "histogram": [
            {"from": -150, "to": -100, "n_events": 1},
            {"from": 100, "to": 150, "n_events": 1},
            {"from": 250, "to": 300, "n_events": 1},
        ],
    }  # fmt: skip
    assert found["after_onset_ms"] == {"median": 875.0, "p95": 1212.5, "n_events": 3}
    assert found["reference_ends"] == {"person": 3, "alignment": 1}
    assert found["rules"] == {
        "collar_s": 0.125, "offset_share": 0.5, "max_latency_s": 0.75, "max_false_per_hour": 0.25,
        "placed_before_s": 0.0, "placed_length_s": 1.0,
    }  # fmt: skip


def test_onsets_alone_may_be_right_where_intervals_are_not() -> None:
    """An event whose stretch begins in time and ends too late is an onset found, no interval."""
    late = heard("P1", [(1.0, 2.0, 0)], [(3.0, 0)], [])
    found = stream_figures([late], a_recipe(), Placing(0.0, 2.0))
    assert (found["onset_f1"]["value"], found["interval_f1"]["value"]) == (1.0, 0.0)


def test_streams_without_gestures_count_for_false_events_only() -> None:
    """What is told in everyday time lowers no precision and has no latency."""
    scared = heard("P3", [], [(7.0, 0)], [], background=True)
    quiet = stream_figures([FIRST, SECOND], a_recipe(), Placing(0.0, 1.0))
    found = stream_figures([FIRST, SECOND, scared], a_recipe(), Placing(0.0, 1.0))
    for key in ("f1", "precision", "recall", "interval_f1", "onset_f1", "latency_ms"):
        assert found[key] == quiet[key]
    assert found["false_events_per_hour"]["counted_on"] == "background"


def test_a_share_rests_on_its_own_events_and_on_a_participant_at_least() -> None:
    """Precision rests on events told, recall on gestures made; without one, each person is one."""
    mute = [heard(name, [(1.0, 2.0, 0)] * 5, [], []) for name in ("P1", "P2", "P2")]
    found = stream_figures(mute, a_recipe(), Placing(0.0, 1.0))
    assert (found["precision"]["n_events"], found["recall"]["n_events"]) == (0, 15)
    assert found["precision"]["high"] == round(wilson(0, 2)[1], 6)
    assert found["recall"]["high"] == round(wilson(0, 15)[1], 6)
    assert found["precision"]["n_participants"] == 2


def test_false_events_are_counted_on_everyday_time_alone() -> None:
    """Two false events in half an hour of everyday time are 4 an hour, of the people in it."""
    everyday = heard("P3", [], [(7.0, 0), (70.0, 1)], [], background=True)
    rate = false_rate([FIRST, SECOND, everyday])
    low, high = garwood(2, 0.5)
    assert rate == {
        "value": 4.0, "low": round(low, 6), "high": round(high, 6),
        "upper_95": round(garwood_upper(2, 0.5), 6), "n_events": 2, "hours": 0.5,
        "n_participants": 1, "counted_on": "background",
    }  # fmt: skip


def test_without_everyday_time_wrong_events_are_the_false_ones() -> None:
    """On recordings of gestures, events less right ones are false; idle recordings count too."""
    rate = false_rate([FIRST, SECOND, heard("P2", [], [(9.0, 0)], [], n_frames=1200)])
    assert (rate["n_events"], rate["n_participants"]) == (2, 2)
    assert rate["hours"] == round(0.5 + 0.5 + 1 / 6, 6)
    assert rate["value"] == round(2 / (7 / 6), 6)
    assert rate["counted_on"] == "recordings of gestures"


def test_hearing_asks_the_margin_and_the_latency_of_the_recipe() -> None:
    """Events are those that reach the margin, right up to 0.75 s after the gesture's end."""
    quiet = heard("P1", [(1.0, 2.0, 0)], [], []).stream
    scores = np.zeros_like(quiet.scores)
    scores[:, 2] = 5
    scores[[5, 20], 0] = 11  # at 2.5 s, and at 10 s
    stream = dataclasses.replace(quiet, scores=scores)
    (one,) = match_streams([stream], a_recipe(), Margins(6.0, (0.0, 0.0)))
    assert one.detected == [Detection(2.5, 0), Detection(10.0, 0)] and one.pairs == [(0, 0)]
    (none,) = match_streams([stream], a_recipe(), Margins(7.0, (0.0, 0.0)))
    assert none.detected == [] and none.pairs == []
    (other,) = match_streams([stream], a_recipe(), Margins(6.0, (1.0, 0.0)))
    assert other.detected == []


def test_each_participants_own_share_makes_the_interval() -> None:
    """Three people who find 1 of 1, 0 of 1 and 2 of 2: their own shares, not the others'."""
    found = stream_figures(
        [
            heard("P1", [(1.0, 2.0, 0)], [(2.0, 0)], [(0, 0)]),
            heard("P2", [(1.0, 2.0, 0)], [], []),
            heard("P3", [(1.0, 2.0, 0), (8.0, 9.0, 0)], [(2.0, 0), (9.0, 0)], [(0, 0), (1, 1)]),
        ],
        a_recipe(), Placing(0.0, 1.0),
    )  # fmt: skip
    low, high = over_participants([1.0, 0.0, 1.0], 4)
    assert (found["recall"]["low"], found["recall"]["high"]) == (round(low, 6), round(high, 6))


def test_times_are_told_to_the_microsecond() -> None:
    """Medians and percentiles are rounded to a thousandth of a millisecond."""
    third = heard("P1", [(0.0, 1 / 3, 0)], [(2 / 3, 0)], [(0, 0)])
    found = stream_figures([third], a_recipe(), Placing(0.0, 1.0))
    assert (found["latency_ms"]["median"], found["latency_ms"]["p95"]) == (333.333, 333.333)
    assert (found["after_onset_ms"]["median"], found["after_onset_ms"]["p95"]) == (666.667, 666.667)
