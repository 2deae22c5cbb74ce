"""Labels that are not true, planted into sessions of a spot of light that moves as it is told."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from capture.cli import commands
from capture.cues.labels import Event, write_events
from capture.cues.script import Script, parse_script, schedule
from capture.frames import FramePair
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import Session, events_path, read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.truth.truth import Doubt, doubts, read_recorded
from capture.wire.codec import Description
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 16, 16, frame_rate_hz=30.0)
SCRIPT = parse_script(
    b"""
name = "moves"
lead_in_s = 0.5
rest_s = [0.1, 0.2]
[[cue]]
trial_type = "left"
repetitions = 6
duration_s = 0.8
[[cue]]
trial_type = "right"
repetitions = 6
duration_s = 0.8
[[cue]]
trial_type = "up"
repetitions = 6
duration_s = 0.8
[[cue]]
trial_type = "idle"
repetitions = 6
duration_s = 0.8
""",
    "test",
)
WAYS = {"left": (0, -5), "right": (0, 5), "up": (-5, 0), "idle": (0, 0)}


def spot(row: float, col: float, light: float) -> np.ndarray:
    rows, cols = np.mgrid[0:16, 0:16]
    return light * np.exp(-((rows - row) ** 2 + (cols - col) ** 2) / 12.0)


def record(
    root: Path,
    number: int,
    *,
    done: list[str] | None = None,
    asked_seed: int | None = None,
    script: Script = SCRIPT,
) -> Path:
    """Write a session in which a person does what their seed's order asks, or `done` instead."""
    rng = np.random.default_rng(number)
    cues = schedule(script, number)
    acted = done or [cue.trial_type for cue in cues]
    name = f"P{number:02d}"
    path = session_path(root, name, "01", script.name)
    path.parent.mkdir(parents=True)
    seed = number if asked_seed is None else asked_seed
    header = SessionHeader(name, "01", Description(SENSOR, "unit-1", "bench"), script, seed)
    place, light = rng.uniform(7.0, 9.0, 2), rng.uniform(200.0, 400.0)
    with SessionWriter(path, header) as writer:
        for sequence in range(round(30 * (cues[-1].end_us / 1e6 + 0.5))):
            now_us = round(sequence * SENSOR.frame_period_us)
            at = place + 0.05 * rng.normal(size=2)
            for cue, what in zip(cues, acted, strict=True):
                share = (now_us - cue.onset_us - 200_000) / 400_000
                if 0 <= share <= 1:
                    at = at + np.sin(np.pi * share) * np.array(WAYS[what]) * rng.uniform(0.9, 1.1)
            lit = np.maximum(100 + spot(*at, light) + rng.normal(0, 3, (16, 16)), 0)
            dark = np.maximum(100 + rng.normal(0, 3, (16, 16)), 0)
            pair = FramePair(sequence, now_us, lit.astype(np.uint16), dark.astype(np.uint16))
            writer.add(pair, sequence, now_us)
    labels = [cue.trial_type for cue in schedule(script, seed)]
    write_events(
        events_path(path),
        tuple(
            Event(
                cue.onset_us / 1e6,
                cue.duration_us / 1e6,
                label,
                cue_onset_s=cue.onset_us / 1e6,
                cue_duration_s=cue.duration_us / 1e6,
            )
            for cue, label in zip(cues, labels, strict=True)
        ),
    )
    return path


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> list[Session]:
    """Sessions of five people who did what they were asked."""
    root = tmp_path_factory.mktemp("sound")
    return [read_session(record(root, number)) for number in range(1, 6)]


def judged(sessions: list[Session]) -> list[Doubt]:
    return doubts([read_recorded(each) for each in sessions], np.random.default_rng(0))


def relabelled(session: Session, row: int, **values: object) -> Session:
    events = list(session.events)
    events[row] = dataclasses.replace(events[row], **values)  # type: ignore[arg-type]
    return dataclasses.replace(session, events=tuple(events))


def test_sound_labels_are_left_alone(sound: list[Session]) -> None:
    """Where everybody did what they were asked, nothing is doubted; twice asked, twice the same."""
    assert judged(sound) == []
    assert judged(sound[:1]) == []


def test_a_take_of_another_label_is_found_and_named(sound: list[Session]) -> None:
    """A take that looks like another label's is told first, with the label that it looks like."""
    row = next(i for i, e in enumerate(sound[2].events) if e.trial_type == "up")
    changed = [*sound[:2], relabelled(sound[2], row, trial_type="left"), *sound[3:]]
    (doubt,) = judged(changed)
    assert (doubt.session, doubt.row, doubt.about) == (sound[2].path.name, row, "other label")
    assert "looks more like up than left" in doubt.text


def test_a_label_that_asks_for_nothing_is_told_once(sound: list[Session]) -> None:
    """A label of which a quarter of takes hold no movement is told once, with what to call it."""
    renamed = []
    for session in sound:
        events = (
            dataclasses.replace(e, trial_type="nothing" if e.trial_type == "idle" else e.trial_type)
            for e in session.events
        )
        renamed.append(dataclasses.replace(session, events=tuple(events)))
    n_takes = sum(e.trial_type == "nothing" for each in renamed for e in each.events)
    (doubt,) = [each for each in judged(renamed) if each.about == "nothing moved"]
    assert f"of {n_takes} takes of nothing, this one first: call it idle_nothing" in doubt.text


def test_a_take_in_which_nothing_moved_is_found(sound: list[Session]) -> None:
    """A gesture's label on idle time is doubted for what did not move."""
    row = next(i for i, e in enumerate(sound[1].events) if e.trial_type == "idle")
    changed = [sound[0], relabelled(sound[1], row, trial_type="right"), *sound[2:]]
    (doubt,) = judged(changed)
    assert (doubt.row, doubt.about) in {(row, "nothing moved"), (row, "other label")}


@pytest.mark.parametrize("label", ["idle", "away", "subtle_still"])
def test_cues_that_ask_for_stillness_are_kept_still(sound: list[Session], label: str) -> None:
    """A hand that is away, or held still as asked, is no take in which nothing moved."""
    called = {"idle": label}
    events = tuple(
        dataclasses.replace(e, trial_type=called.get(e.trial_type, e.trial_type))
        for e in sound[0].events
    )
    assert judged([dataclasses.replace(sound[0], events=events)]) == []


def test_a_movement_too_short_for_a_hand_is_found(sound: list[Session]) -> None:
    """A take of 66 ms is doubted, whatever it looks like."""
    row = next(i for i, e in enumerate(sound[0].events) if e.trial_type == "up")
    at_s = sound[0].events[row].onset_s + 0.4
    changed = [relabelled(sound[0], row, onset_s=at_s, duration_s=0.066), *sound[1:]]
    (doubt,) = judged(changed)
    assert (doubt.row, doubt.text) == (row, "it lasts 66 ms, less than a hand needs")


def test_a_session_in_which_nobody_moved_is_not_fit(tmp_path: Path, sound: list[Session]) -> None:
    """A hand that never moved makes no good take, however well lit it is."""
    still = read_session(record(tmp_path, 9, done=["idle"] * 24))
    (doubt,) = judged([*sound, still])
    assert (doubt.session, doubt.row, doubt.about) == (still.path.name, None, "nothing moved")
    (alone,) = judged([still])
    assert alone.about == "nothing moved"


@pytest.mark.parametrize("lag", [1, -1])
def test_a_session_one_cue_out_of_step_is_found(
    tmp_path: Path, sound: list[Session], lag: int
) -> None:
    """Who did each cue one late, or one early, is told so as a whole."""
    asked = [cue.trial_type for cue in schedule(SCRIPT, 8)]
    moved = asked[-lag:] + asked[:-lag]
    late = read_session(record(tmp_path, 8, done=moved))
    (doubt,) = judged([*sound, late])
    assert (doubt.session, doubt.row, doubt.about) == (late.path.name, None, "out of step")
    assert ("behind" if lag > 0 else "ahead") in doubt.text


@pytest.mark.parametrize("with_others", [True, False])
def test_a_wrong_seed_is_found_and_the_right_one_named(
    tmp_path: Path, sound: list[Session], with_others: bool
) -> None:
    """Labels of another seed than the cues' are told, with the seed that fits, even alone."""
    wrong = read_session(record(tmp_path, 12, asked_seed=7))
    (doubt,) = judged([*(sound if with_others else []), wrong])
    assert (doubt.row, doubt.about) == (None, "out of step")
    assert "in the order of seed 12, not of 7" in doubt.text


def test_labels_without_a_pattern_are_told(tmp_path: Path) -> None:
    """Where no order that can be tried fits, it is said that labels and readouts do not agree."""
    rng = np.random.default_rng(4)
    acted = [str(name) for name in rng.permutation([c.trial_type for c in schedule(SCRIPT, 3)])]
    (doubt,) = judged([read_session(record(tmp_path, 3, done=acted))])
    assert (doubt.row, doubt.about) == (None, "no pattern")


def test_inspect_holds_labels_to_be_true_too(tmp_path: Path) -> None:
    """A wrong seed makes a session not fit; doubtful takes are listed with their rows."""
    root = tmp_path / "set"
    prepare_dataset(root)
    for number in range(1, 5):
        add_participant(root, Participant(f"P{number:02d}", consent=True))
        record(root, number, asked_seed=200 if number == 4 else None)
    run = CliRunner()
    inspect = next(command for command in commands if command.name == "inspect")
    result = run.invoke(inspect, [str(root)])
    assert result.exit_code == 1
    assert "not fit: its takes are in the order of seed 4, not of 200" in result.output
    told = json.loads(run.invoke(inspect, [str(root), "--json"]).output)
    assert [doubt["about"] for doubt in told["doubts"]] == ["out of step"]
    assert [each["fit"] for each in told["sessions"]] == [True, True, True, False]
    quick = run.invoke(inspect, [str(root), "--no-labels"])
    assert "seed" not in quick.output
