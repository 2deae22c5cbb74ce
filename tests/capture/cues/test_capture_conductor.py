"""The cues of a session on the sensor's clock: pauses, redone takes, lost connections."""

from __future__ import annotations

import dataclasses

from capture.cues.conductor import Conductor
from capture.cues.labels import GOOD, REJECTED
from capture.cues.script import Cue


def cue_list() -> list[Cue]:
    return [Cue(1_000_000 * (2 * i + 1), 1_000_000, "push", i) for i in range(3)]


def test_the_cues_follow_the_clock() -> None:
    """Rest, cue and end follow the schedule when nobody intervenes."""
    conductor = Conductor(cue_list(), tail_us=500_000)
    assert conductor.advance(0).phase == "rest"
    assert conductor.advance(1_500_000).phase == "cue"
    assert conductor.advance(1_500_000).remaining_s == 0.5
    assert conductor.advance(6_200_000).phase == "rest"
    assert conductor.advance(6_500_000).phase == "done"
    assert [(e.onset_s, e.duration_s, e.status) for e in conductor.ended] == [
        (1.0, 1.0, GOOD),
        (3.0, 1.0, GOOD),
        (5.0, 1.0, GOOD),
    ]


def test_a_pause_moves_the_rest_along() -> None:
    """A cue that a pause cuts is rejected and given again; later cues keep their distances."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=1_000_000)
    conductor.pause(3_400_000)
    assert conductor.advance(9_000_000).phase == "paused"
    conductor.resume(10_000_000)
    conductor.advance(20_000_000)
    assert [(e.onset_s, e.status, e.reason) for e in conductor.ended] == [
        (1.0, GOOD, ""),
        (3.0, REJECTED, "paused"),
        (11.0, GOOD, ""),
        (13.0, GOOD, ""),
    ]


def test_a_take_is_redone() -> None:
    """Redo during a rest rejects the take before it and gives its cue again."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=500_000)
    conductor.redo(0)  # nothing to give again yet
    conductor.redo(2_200_000)
    conductor.advance(9_000_000)
    assert [(e.onset_s, e.repetition, e.status) for e in conductor.ended] == [
        (1.0, 0, REJECTED),
        (2.7, 0, GOOD),
        (4.7, 1, GOOD),
        (6.7, 2, GOOD),
    ]
    assert conductor.ended[0].reason == "redone"


def test_a_lost_connection_costs_the_cue_it_touches() -> None:
    """A stretch without readouts rejects the cue it cuts and gives it again."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=500_000)
    conductor.interrupt(3_500_000, 8_000_000)
    conductor.advance(12_000_000)
    assert [(e.onset_s, e.status) for e in conductor.ended] == [
        (1.0, GOOD),
        (3.0, REJECTED),
        (8.5, GOOD),
        (10.5, GOOD),
    ]
    assert dataclasses.replace(conductor.ended[1], reason="") != conductor.ended[1]
