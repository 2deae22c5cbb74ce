"""Events of streams: detected by the decision's rule, matched like sed_eval, within limits."""

from __future__ import annotations

import dataclasses
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from runtime.stages.closing.decision import NO_EVENT, Decision
from trainer.corpus.recordings import Recording
from trainer.judge.evaluate import Conditions
from trainer.judge.event_figures import Placing, learn_placing, match_streams, stream_figures
from trainer.judge.events import (
    Detection,
    Margins,
    Ranked,
    Reference,
    Stream,
    decision_for,
    decision_frames,
    detected_events,
    rank_gestures,
)
from trainer.judge.intervals import over_participants
from trainer.judge.margins import N_MARGINS, choose_margins, margin_grid, trade_off
from trainer.judge.matching import EventCounts, EventSpan, f_measure, match_intervals, match_moments
from trainer.recipe import Recipe, parse_recipe

# References and detected events: onset, offset in seconds, label. An invented example; the F1
# beside each collar was worked out with sed_eval 0.2.1.
REFERENCES = [(1.0, 1.5, "left"), (3.0, 3.6, "right"), (5.0, 5.2, "tap"), (8.0, 8.5, "left")]
DETECTED = [
    (1.1, 1.55, "left"), (3.05, 3.6, "left"), (5.3, 5.5, "tap"), (8.05, 8.9, "left"),
    (12.0, 12.2, "tap"),
]  # fmt: skip
LABELS = ["left", "right", "tap"]
EXPECTED = [(0.2, 0.2, 0.2222), (0.2, None, 0.4444), (0.35, None, 0.6667)]

RATE_HZ = 30.0


def intervals(rows: list[tuple[float, float, str]]) -> list[EventSpan]:
    return [EventSpan(onset, offset, LABELS.index(label)) for onset, offset, label in rows]


def sed_eval_f1(
    references: list[EventSpan],
    detected: list[EventSpan],
    collar_s: float,
    offset_share: float | None,
) -> float:
    """Return what the reference library gives, with its optimal matching."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own imports warn; nothing of ours
        from sed_eval.sound_event import EventBasedMetrics

        metrics = EventBasedMetrics(
            [str(label) for label in range(3)],
            evaluate_offset=offset_share is not None,
            t_collar=collar_s,
            percentage_of_length=offset_share or 0.0,
            empty_system_output_handling="zero_score",
        )
        rows = [
            [
                {"event_onset": a, "event_offset": b, "event_label": str(label)}
                for a, b, label in side
            ]
            for side in (references, detected)
        ]
        metrics.evaluate(*rows)
        return float(np.nan_to_num(metrics.overall_f_measure()["f_measure"]))


@pytest.mark.parametrize(("collar_s", "offset_share", "expected"), EXPECTED)
def test_interval_scoring_is_that_of_sed_eval(
    collar_s: float, offset_share: float | None, expected: float
) -> None:
    """Event F1 with collars is that of sed_eval (Mesaros et al., Applied Sciences 6(6), 2016)."""
    references, detected = intervals(REFERENCES), intervals(DETECTED)
    right = match_intervals(detected, references, collar_s=collar_s, offset_share=offset_share)
    ours = f_measure(EventCounts(right, len(detected), len(references)))
    assert ours == pytest.approx(expected, abs=5e-5)
    assert ours == pytest.approx(
        sed_eval_f1(references, detected, collar_s, offset_share), abs=1e-12
    )


@pytest.mark.parametrize("seed", range(6))
def test_crowded_intervals_are_matched_like_sed_eval(seed: int) -> None:
    """Where several intervals fit several, the largest matching is found, as sed_eval finds it."""
    rng = np.random.default_rng(seed)

    def some(n: int) -> list[EventSpan]:
        onset, length = rng.uniform(0, 6, n), rng.uniform(0.1, 1.0, n)
        rows = zip(onset, onset + length, rng.integers(0, 3, n), strict=True)
        return [EventSpan(float(a), float(b), int(c)) for a, b, c in rows]

    references, detected = some(25), some(30)
    for offset_share in (0.2, None):
        right = match_intervals(detected, references, collar_s=0.25, offset_share=offset_share)
        ours = f_measure(EventCounts(right, len(detected), len(references)))
        assert ours == pytest.approx(
            sed_eval_f1(references, detected, 0.25, offset_share), abs=1e-12
        )


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    threshold=st.integers(0, 60),
    release=st.integers(0, 60),
    persist=st.integers(1, 4),
    hold_off=st.integers(0, 9),
)
def test_events_are_those_of_the_decision_stage(
    seed: int, threshold: int, release: int, persist: int, hold_off: int
) -> None:
    """Whatever the scores, the events detected in a recording are those of the stage."""
    rng = np.random.default_rng(seed)
    # Scores that stay alike for a few frames, with ties, so that every branch is walked.
    scores = np.repeat(rng.integers(-40, 41, (60, 4)), rng.integers(1, 6, 60), axis=0)
    scores = (scores + rng.integers(-3, 4, scores.shape)).astype(np.int32)
    decision = Decision(
        (False, False, True, False), threshold, min(release, threshold), persist, hold_off,
        tuple(rng.integers(0, 30, 4).tolist()),
    )  # fmt: skip
    outputs = decision.run(scores, decision.initial_state())[0][:, 0]
    frames, labels = decision_frames(rank_gestures(scores, decision.other), decision)
    np.testing.assert_array_equal(frames, np.flatnonzero(outputs != NO_EVENT))
    np.testing.assert_array_equal(labels, outputs[frames])
    real = decision_frames(rank_gestures(scores.astype(np.float64), decision.other), decision)
    np.testing.assert_array_equal(frames, real[0])


def test_a_moment_is_right_from_onset_until_shortly_after_the_end() -> None:
    """One event is right per gesture, of its class and in time; a second one is not."""
    references = [
        Reference(1.0, 1.5, 0, True),
        Reference(1.6, 2.0, 0, True),
        Reference(4.0, 4.4, 1, True),
    ]
    detected = [
        Detection(0.9, 0),
        Detection(1.5, 0),
        Detection(1.9, 0),
        Detection(2.4, 0),
        Detection(4.2, 0),
        Detection(4.9, 1),
    ]
    assert match_moments(detected, references, 0.5) == [(1, 0), (2, 1), (5, 2)]
    assert match_moments(detected, references, 0.4) == [(1, 0), (2, 1)]
    assert match_moments([], references, 0.5) == match_moments(detected, [], 0.5) == []


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_matching_of_moments_has_more_pairs(seed: int) -> None:
    """Taking the gesture that ends first is as good as the largest bipartite matching."""
    rng = np.random.default_rng(seed)
    onset = np.sort(rng.uniform(0, 8, 12))
    references = [
        Reference(float(a), float(a + rng.uniform(0.2, 2.0)), int(rng.integers(2)), False)
        for a in onset
    ]
    detected = [Detection(float(t), int(rng.integers(2))) for t in np.sort(rng.uniform(0, 10, 14))]
    largest = 0
    for label in (0, 1):
        ours = [e for e in detected if e.label == label]
        theirs = [m for m in references if m.label == label]
        if ours and theirs:
            fits = np.array(
                [[m.onset_s <= e.detected_s <= m.offset_s + 0.5 for e in ours] for m in theirs]
            )
            largest += int(fits[linear_sum_assignment(~fits)].sum())
    assert len(match_moments(detected, references, 0.5)) == largest


def a_recipe(limit: float = 0.5, background: bool = True) -> Recipe:
    everyday = 'background = ["everyday_*"]\n' if background else ""
    return parse_recipe(
        everyday + 'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = ["idle"]\n'
        "[features]\nbins = [2, 2]\n"
        f"[decision]\nhold_frames = 2\nhold_off_frames = 10\nmax_false_per_hour = {limit}\n",
        "two",
    )


def recording(participant: str, unit: str = "unit-a") -> Recording:
    return Recording(Path(f"{participant}.mcap"), participant, unit, "emulated test", False, "")


def a_stream(
    participant: str, bumps: list[tuple[float, int, int]], length_s: float, background: bool
) -> Stream:
    """Return a stream with bumps (moment, class, height) of 0.2 s over a quiet class other."""
    n_frames = round(length_s * RATE_HZ)
    scores: NDArray[np.int32] = np.zeros((n_frames, 3), dtype=np.int32)
    scores[:, 2] = 10
    references = []
    for moment, label, height in bumps:
        first = round(moment * RATE_HZ)
        scores[first : first + 6, label] = 10 + height
        if not background:
            references.append(Reference(moment - 0.4, moment, label, True))
    frames = np.array([round(r.offset_s * RATE_HZ) for r in references], dtype=np.int64)
    labels = np.array([r.label for r in references], dtype=np.int64)
    time_s = np.arange(n_frames) / RATE_HZ
    return Stream(
        recording(participant), time_s, scores, 0.5, frames - 12, frames, labels, tuple(references),
        Conditions(*np.zeros((3, len(frames)))), background, frames,
    )  # fmt: skip


def same(margin: float) -> Margins:
    """Return one margin for both gestures."""
    return Margins(margin, (0.0, 0.0))


def some_streams() -> list[Stream]:
    """Two people with ten gestures each, one of them weak; an hour of background, two scares."""
    gestures = [(5.0 * k, k % 2, 100) for k in range(1, 10)] + [(50.0, 0, 20)]
    return [
        a_stream("P1", gestures, 60, background=False),
        a_stream("P2", gestures, 60, background=False),
        a_stream("P1", [(600.0, 0, 30), (1800.0, 1, 60)], 3600, background=True),
    ]


def test_figures_of_streams_by_hand() -> None:
    """F1, false events per hour and latency of a stream whose events can be counted by hand."""
    recipe = a_recipe()
    matched = match_streams(some_streams(), recipe, same(5.0))
    figures = stream_figures(matched, recipe, learn_placing(matched))
    assert figures["f1"]["value"] == figures["recall"]["value"] == 1.0
    assert (figures["f1"]["n_participants"], figures["f1"]["n_events"]) == (2, 20)
    rate = figures["false_events_per_hour"]
    assert (rate["n_events"], rate["counted_on"]) == (2, "background")
    assert rate["hours"] == pytest.approx(1.0, abs=1e-6)
    # Two events in an hour: Garwood's interval and the one-sided bound from chi-squared tables,
    # chi2(.025; 4)/2, chi2(.975; 6)/2, chi2(.95; 6)/2 (from memory: .4844/2, 14.449/2, 12.592/2).
    assert (rate["low"], rate["high"]) == pytest.approx((0.2422, 7.2247), abs=1e-4)
    assert rate["upper_95"] == pytest.approx(6.2958, abs=1e-4)
    # hold_frames = 2: detected on the second frame, 1/30 s after the gesture's end.
    assert figures["latency_ms"]["median"] == pytest.approx(1000 / 30, abs=1e-3)
    assert figures["latency_ms"]["p95"] == pytest.approx(1000 / 30, abs=1e-3)
    assert figures["latency_ms"]["histogram"] == [{"from": 0, "to": 50, "n_events": 20}]
    assert figures["interval_f1"]["value"] == figures["onset_f1"]["value"] == 1.0
    assert figures["reference_ends"] == {"person": 20, "alignment": 0}


def test_a_gap_in_a_recording_is_no_time_watched() -> None:
    """Frames that were lost for half an hour do not lower the false events per hour."""
    whole = a_stream("P1", [], 600.0, background=True)
    times = whole.time_s + np.where(np.arange(len(whole.time_s)) > 9000, 1800.0, 0.0)
    assert dataclasses.replace(whole, time_s=times).hours == pytest.approx(1 / 6, abs=1e-6)
    assert dataclasses.replace(whole, time_s=times[:1]).hours == 0.0


def test_precision_rests_on_what_was_told() -> None:
    """The interval of a precision is as wide as the detected events are few, not the gestures."""
    recipe = a_recipe()
    gestures = [(5.0 * k, 0, 100 if k < 4 else 1) for k in range(1, 11)]
    streams = [a_stream(name, gestures, 60, background=False) for name in ("P1", "P2")]
    figures = stream_figures(match_streams(streams, recipe, same(25.0)), recipe, Placing(0.0, 0.4))
    assert (figures["precision"]["n_events"], figures["recall"]["n_events"]) == (6, 20)
    for name, each, n in (("precision", 1.0, 6), ("recall", 0.3, 20)):
        low, _ = over_participants([each, each], n)
        assert figures[name]["low"] == pytest.approx(low, abs=1e-6)


def test_a_wrong_class_costs_precision_and_recall() -> None:
    """An event of another class is no hit: it is detected in vain and its gesture is missed."""
    stream = a_stream("P1", [(5.0, 0, 100), (10.0, 1, 100)], 30, background=False)
    wrong = tuple(r._replace(label=1) for r in stream.references)
    other = Stream(
        stream.recording, stream.time_s, stream.scores, 0.5,
        stream.take_starts, stream.take_frames, np.array([1, 1]), wrong, stream.conditions, False,
        stream.take_ends,
    )  # fmt: skip
    matched = match_streams([other], a_recipe(background=False), same(1.0))
    figures = stream_figures(matched, a_recipe(background=False), Placing(0.0, 0.4))
    assert figures["precision"]["value"] == figures["recall"]["value"] == 0.5
    rate = figures["false_events_per_hour"]
    assert (rate["n_events"], rate["counted_on"]) == (1, "recordings of gestures")


def test_a_stream_without_events_scores_nothing() -> None:
    """At a margin that nothing reaches, F1 is 0 and there is no latency, without a fault."""
    recipe = a_recipe()
    matched = match_streams(some_streams(), recipe, same(1e6))
    figures = stream_figures(matched, recipe, Placing(0.0, 0.4))
    assert figures["f1"]["value"] == figures["precision"]["value"] == 0.0
    assert figures["latency_ms"] == {"median": None, "p95": None, "n_events": 0, "histogram": []}
    assert figures["false_events_per_hour"]["value"] == 0.0


def test_the_trade_off_is_what_each_margin_gives() -> None:
    """Every point of the curve is what the figures give at that margin, and false events fall."""
    recipe, streams = a_recipe(), some_streams()
    grid = margin_grid(streams, recipe)
    rows = trade_off(streams, recipe, grid)
    assert len(rows) == N_MARGINS
    assert rows[0]["margin"] == 0.0 and rows[-1]["margin"] == 50.0
    false = [row["false_per_hour"] for row in rows]
    assert false == sorted(false, reverse=True) and false[0] == 2.0 and false[-1] == 0.0
    for margins, row in list(zip(grid, rows, strict=True))[::13]:
        figures = stream_figures(match_streams(streams, recipe, margins), recipe, Placing(0, 0.4))
        assert row["f1"] == figures["f1"]["value"]
        assert row["false_per_hour"] == figures["false_events_per_hour"]["value"]


@pytest.mark.parametrize(
    ("limit", "left", "right", "f1"),
    [
        # Of each person, five gestures to the left: margins 10 and four times 50; a scare at 15.
        # Five gestures to the right: margin 50; a scare at 30.
        (2.0, (0.0, 10.0), (30.0, 50.0), 1.0),
        (1.0, (0.0, 10.0), (30.0, 50.0), 1.0),
        (0.0, (15.0, 50.0), (30.0, 50.0), 2 * 18 / (18 + 20)),
    ],
)
def test_each_gesture_has_the_margin_that_finds_most_within_the_limit(
    limit: float, left: tuple[float, float], right: tuple[float, float], f1: float
) -> None:
    """Weak gestures are lost only where false events of their own kind leave no other way."""
    recipe, streams = a_recipe(limit), some_streams()
    common, more = choose_margins(streams, recipe)
    for extra, (least, most) in zip(more, (left, right), strict=True):
        assert least < common + extra <= most
    found = stream_figures(
        match_streams(streams, recipe, Margins(common, more)), recipe, Placing(0, 0.4)
    )
    assert found["false_events_per_hour"]["value"] <= limit
    assert found["f1"]["value"] == pytest.approx(f1, abs=1e-6)


def test_an_out_of_reach_limit_does_not_make_the_model_mute() -> None:
    """Where no margin that tells anything is within the limit, the best F1 of all is taken."""
    streams = some_streams()
    streams[2] = a_stream("P1", [(60.0 * k, 0, 100) for k in range(1, 50)], 3600, background=True)
    recipe = a_recipe(0.5)
    chosen = choose_margins(streams, recipe)
    rows = trade_off(streams, recipe, [*margin_grid(streams, recipe), chosen])
    assert rows[-1]["false_per_hour"] > 0.5
    assert rows[-1]["f1"] == max(row["f1"] for row in rows) == 1.0


def test_scores_are_ranked_once_for_a_choice(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many steps a choice has, each recording's scores are looked through once."""
    seen: list[int] = []

    def counted(scores: NDArray[np.int32], other: tuple[bool, ...]) -> Ranked:
        seen.append(len(scores))
        return rank_gestures(scores, other)

    for module in ("trainer.judge.margins", "trainer.judge.events"):
        monkeypatch.setattr(f"{module}.rank_gestures", counted)
    streams = some_streams()
    choose_margins(streams, a_recipe())
    assert seen == [len(stream.scores) for stream in streams]


def test_without_background_the_margin_keeps_the_recall() -> None:
    """Without everyday time, the recipe's share of right answers pass the margin."""
    recipe = a_recipe(background=False)
    streams = some_streams()[:2]
    margin, more = choose_margins(streams, recipe)
    assert more == (0.0, 0.0)
    # 20 right answers, of which two have a margin of 20 steps of 0.5 and the others of 100.
    assert margin == pytest.approx(np.quantile([10.0] * 2 + [50.0] * 18, 0.02))


def test_a_margin_becomes_steps_in_one_way() -> None:
    """Margins are rounded down to steps, and released at half of the common one."""
    decision = decision_for(a_recipe(), Margins(5.3, (0.0, 1.8)), 0.5)
    assert decision.required.tolist() == [10, 13, 10]
    assert (decision.threshold, decision.hysteresis, decision.persist) == (10, 5, 2)
    assert decision.other == (False, False, True)
    assert [e.label for e in detected_events(some_streams()[2], decision)] == [0, 1]
