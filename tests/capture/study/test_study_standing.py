"""How a study stands: done, doubtful, missing, next, and the time left."""

from __future__ import annotations

import dataclasses
import datetime
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from starlette.requests import Request
from study_people import planned, record_step, write_study

from capture.cues.labels import read_events, write_events
from capture.store.dataset import Participant, add_participant, find_sessions
from capture.store.session import events_path
from capture.store.writer import hold_for_writing
from capture.study.addresses import StudyAddresses
from capture.study.command import study
from capture.study.drawing import draw_locked
from capture.study.plan import StudyFile, open_study
from capture.study.planned import Call, asked_for, planned_recording
from capture.study.provenance import Origin, provenance_path
from capture.study.seen import Lookout, session_name
from capture.study.standing import DONE, DOUBTFUL, MISSING, RUNNING, Standing, standing
from capture.study.time_left import length_s
from capture.truth.truth import doubts_of_files, label_faults
from runtime.errors import FormatError, UsageError
from trainer.cli import palmwatt


@pytest.fixture
def begun(tmp_path: Path) -> tuple[Path, StudyFile]:
    """Give a study of six people whose locked set is drawn."""
    root = tmp_path / "set"
    write_study(root, 6, 1)
    draw_locked(root, datetime.date(2026, 11, 3))
    return root, open_study(root)


def now_at(root: Path, **options: bool) -> Standing:
    return standing(open_study(root), Lookout(**options).look(root), root)


def counts(now: Standing) -> tuple[int, int, int]:
    return now.count(DONE), now.count(DOUBTFUL), now.count(MISSING)


def test_a_study_stands_where_its_recordings_are(begun: tuple[Path, StudyFile]) -> None:
    """What was recorded as planned is done; the next is the first that is missing, by station."""
    root, file = begun
    assert counts(now_at(root)) == (0, 0, 18)
    steps = planned(file)
    for step in (steps[0], steps[3], steps[4]):
        record_step(root, file, step)
    now = now_at(root)
    assert counts(now) == (3, 0, 15)
    assert [station.next for station in now.stations] == [steps[1], steps[5]]
    assert [station.n_left for station in now.stations] == [8, 7]
    assert now.unplanned == now.cautions == ()


def test_who_has_begun_goes_on_first(begun: tuple[Path, StudyFile]) -> None:
    """Somebody whose sessions are done in part comes before who stands earlier in the list."""
    root, file = begun
    later = [step for step in planned(file) if step.person == "P05"]
    record_step(root, file, later[0])
    assert now_at(root).next_step("a") == later[1]
    assert now_at(root).next_step("b").person == "P02"


def test_next_may_be_of_one_person_or_script(begun: tuple[Path, StudyFile]) -> None:
    """A person comes when they come; asked for by name, they get their own next session."""
    root, file = begun
    steps = [step for step in planned(file) if step.person == "P04"]
    now = now_at(root)
    assert now.next_step("a", "P04") == steps[0]
    assert now.next_step(None, "P04", "brief_two").task == "brief_two"
    for step in steps:
        record_step(root, file, step)
    with pytest.raises(UsageError, match="sessions left to record is 0"):
        now_at(root).next_step("b", "P04")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("c", None, None), "station is 'c', expected a, b"),
        (("a", "P99", None), "participant is 'P99'"),
        (("a", None, "swim"), "script is 'swim'"),
        ((None, None, None), "station is not given"),
    ],
)
def test_next_is_asked_of_what_the_plan_knows(
    begun: tuple[Path, StudyFile], asked: tuple[str | None, ...], said: str
) -> None:
    """A station, person or script that the plan does not know is a wrong call."""
    with pytest.raises(UsageError, match=said):
        now_at(begun[0]).next_step(*asked)


def test_nothing_is_recorded_before_the_draw(tmp_path: Path) -> None:
    """Until the locked set is drawn, nobody is next."""
    root = tmp_path / "set"
    write_study(root, 6, 1)
    with pytest.raises(UsageError, match="not drawn"):
        now_at(root).next_step("a")
    assert "not drawn" in now_at(root).cautions[0]


def test_doubts_are_told_and_done_again_on_demand(begun: tuple[Path, StudyFile]) -> None:
    """A session with another sensor or lost labels is doubtful until it was done again."""
    root, file = begun
    steps = planned(file)
    record_step(root, file, steps[0], unit="unit-b")
    path = record_step(root, file, steps[1])
    events = read_events(events_path(path))
    write_events(events_path(path), events[:1])
    events_path(record_step(root, file, steps[2])).unlink()
    now = now_at(root)
    assert counts(now) == (0, 3, 15)
    told = [doubt for held in now.held for doubt in held.doubts]
    assert any("recorded with unit-b, planned with unit-a" in doubt for doubt in told)
    assert any("1 of 2 cues were given" in doubt for doubt in told)
    (missing,) = {"push", "swipe_left"} - {events[0].trial_type}
    assert any(f"no good take of {missing}" in doubt for doubt in told)
    assert any("its labels are missing" in doubt for doubt in told)
    assert now.next_step("a").person == "P03"
    again = now.next_step("a", "P01")
    assert again == steps[0]
    record_step(root, file, again, station="a2", unit="unit-a")
    assert counts(now_at(root)) == (1, 2, 15)


def test_the_page_tells_what_was_done_again(begun: tuple[Path, StudyFile]) -> None:
    """A doubtful session that was done again is replaced, and the page lists every session."""
    root, file = begun
    step = planned(file)[0]
    record_step(root, file, step, unit="unit-b")
    record_step(root, file, step, repetition=4)
    record_step(root, file, step, person="Q1")
    rows = json.loads(bytes(StudyAddresses(root).study(Request({"type": "http"})).body))["rows"]
    there = sorted((row["participant"], row["state"]) for row in rows if row["session"])
    assert there == [("P01", "done"), ("P01", "replaced"), ("Q1", "not planned")]
    assert len(rows) == 18 + 2


def test_another_station_is_a_caution(begun: tuple[Path, StudyFile]) -> None:
    """Somebody who comes to the other station is done there, and the lost balance is told."""
    root, file = begun
    step = planned(file)[0]
    record_step(root, file, step, station="b", unit="unit-b")
    now = now_at(root)
    assert now.count(DONE) == 1
    assert "recorded at station b, planned at a" in now.cautions[0]
    wanted = planned_recording(root, Origin(station="b"), "P01")
    assert (wanted.unit, wanted.origin.station) == ("unit-b", "b")


def test_another_script_under_the_name_is_doubtful(begun: tuple[Path, StudyFile]) -> None:
    """A script that was changed between two recordings is noticed."""
    root, file = begun
    record_step(root, file, planned(file)[0])
    for name in ("brief_one", "brief_two"):
        text = (root / f"{name}.toml").read_text()
        (root / f"{name}.toml").write_text(text.replace("0.4", "0.5"))
    now = now_at(root)
    assert now.count(DOUBTFUL) == 1
    assert "is not the study's" in now.held[0].doubts[0]


def test_missing_consent_is_doubtful(begun: tuple[Path, StudyFile]) -> None:
    """A recording of somebody whose consent is not noted is doubtful."""
    root, file = begun
    step = planned(file)[0]
    record_step(root, file, step)
    add_participant(root, Participant(step.person, locked=step.person in file.study.locked))
    assert "no consent" in now_at(root).held[0].doubts[0]


def test_what_no_step_asks_for_is_listed(begun: tuple[Path, StudyFile]) -> None:
    """Sessions of others, with other seeds or damaged beyond reading are told apart."""
    root, file = begun
    step = planned(file)[0]
    record_step(root, file, step, seed=99)
    record_step(root, file, step, person="Q1")
    record_step(root, file, step, person="P02", station="z").write_bytes(b"no recording")
    now = now_at(root)
    assert counts(now)[0] == 0
    assert len(now.unplanned) == 3
    assert any("planned with seed 99" in line for line in now.unplanned)
    assert any("Q1 is not among" in line for line in now.unplanned)
    assert any("expected an MCAP file" in line for line in now.unplanned)


def test_a_session_that_is_being_recorded_is_neither(begun: tuple[Path, StudyFile]) -> None:
    """While a recorder writes it, a session is running, and is not offered again."""
    root, file = begun
    steps = planned(file)
    path = record_step(root, file, steps[0])
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with path.open("r+b") as held:
        hold_for_writing(held.fileno(), path)
        now = now_at(root)
    assert now.count(RUNNING) == 1
    assert now.held[0].state == RUNNING
    assert now.stations[0].next == steps[1]


def test_locked_people_are_locked_in_the_table(begun: tuple[Path, StudyFile]) -> None:
    """Where the table of participants is at odds with the draw, that is a caution."""
    root, file = begun
    (locked,) = file.study.locked
    step = next(step for step in planned(file) if step.person == locked)
    record_step(root, file, step)
    assert now_at(root).cautions == ()
    add_participant(root, Participant(locked, consent=True))
    assert f"{locked} is drawn to be locked, and not locked" in now_at(root).cautions[0]


def test_a_recording_before_the_draw_is_told(begun: tuple[Path, StudyFile]) -> None:
    """A session that says a date before the draw's is a caution."""
    root, file = begun
    record_step(root, file, planned(file)[0], minute=-60 * 24 * 3)
    assert "before the locked set was drawn" in now_at(root).cautions[0]


def test_nothing_is_expected_of_who_withdrew(begun: tuple[Path, StudyFile]) -> None:
    """Somebody withdrawn is not next, nothing of theirs is missing, and what there is stays."""
    root, file = begun
    record_step(root, file, planned(file)[0])
    text = (root / "study.toml").read_text()
    (root / "study.toml").write_text(text.replace("seed =", 'withdrawn = ["P01"]\nseed ='))
    now = now_at(root)
    assert counts(now) == (1, 0, 15)
    assert now.stations[0].next is not None
    assert now.stations[0].next.person == "P03"
    with pytest.raises(UsageError, match="not withdrawn"):
        now.next_step(None, "P01")
    assert open_study(root).sha256 == file.sha256


def test_time_left_is_the_busiest_stations(begun: tuple[Path, StudyFile]) -> None:
    """Scripts and changeovers of what is missing add up at each station; the longest counts."""
    root, file = begun
    now = now_at(root)
    length = length_s(file.scripts[0])
    assert length == pytest.approx(0.1 + 0.4 + 0.1 + 0.4 + 0.1)
    assert not now.changeover_measured
    assert now.left_s == pytest.approx(9 * (length + 120.0))


def test_the_changeover_is_measured_from_the_recordings(begun: tuple[Path, StudyFile]) -> None:
    """Six recordings of a station, three minutes apart and one behind a night, give 3 minutes."""
    root, file = begun
    mine = [step for step in planned(file) if step.station == "a"]
    for number, step in enumerate(mine[:7]):
        record_step(root, file, step, minute=3 * number + (600 if number == 6 else 0))
    now = now_at(root)
    assert now.changeover_measured
    assert now.changeover_s == pytest.approx(180.0 - length_s(file.scripts[0]))


def test_a_call_takes_what_the_plan_says(begun: tuple[Path, StudyFile]) -> None:
    """Person, script, seed, locked and the consent form's version come from the plan."""
    root, file = begun
    step = planned(file)[3]
    wanted = planned_recording(root, Origin(station="b", operator="K1"))
    assert (wanted.participant, wanted.script.name, wanted.seed) == (
        step.person, step.task, step.seed,
    )  # fmt: skip
    assert wanted.locked == (step.person in file.study.locked)
    assert (wanted.origin.consent_form, wanted.origin.study_sha256) == ("2.1", file.sha256)
    wanted.check_unit("unit-b")
    with pytest.raises(UsageError, match="the sensor is unit-a, expected unit-b"):
        wanted.check_unit("unit-a")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (Call(Path("set"), seed=3), "--seed is given beside --study"),
        (Call(Path("set"), out=Path("x")), "--out is given beside --study"),
        (Call(participant="P01", script="dynamic"), "--out is missing"),
        (Call(script="dynamic", out=Path("x")), "--participant is missing"),
    ],
)
def test_a_call_says_what_is_to_be_recorded_once(call: Call, said: str) -> None:
    """Without a plan all is named; beside one, nothing that it says."""
    with pytest.raises(UsageError, match=said):
        asked_for(call, Origin())


def test_a_look_is_kept_until_something_changes(begun: tuple[Path, StudyFile]) -> None:
    """Looking again reads only what changed, and sees what did."""
    root, file = begun
    path = record_step(root, file, planned(file)[0])
    lookout = Lookout()
    first = lookout.look(root)
    assert lookout.look(root)[0] is first[0]
    write_events(events_path(path), read_events(events_path(path))[:1])
    assert lookout.look(root)[0].n_good == 1
    provenance_path(path).write_text("{")
    assert "readouts.json" in lookout.look(root)[0].faults[0]


def test_readouts_may_be_looked_at_too(begun: tuple[Path, StudyFile]) -> None:
    """With --readouts a session that is not fit for training is doubtful."""
    root, file = begun
    path = record_step(root, file, planned(file)[0])
    events = read_events(events_path(path))
    assert now_at(root, readouts=True).count(DONE) == 1
    write_events(
        events_path(path),
        [dataclasses.replace(event, status="rejected", reason="x") for event in events],
    )
    doubts = now_at(root, readouts=True).held[0].doubts
    assert any("it has no good take" in doubt for doubt in doubts)


def test_labels_that_nothing_answers_are_doubtful(begun: tuple[Path, StudyFile]) -> None:
    """With --readouts, a session of noise is doubtful however good its takes are said to be."""
    root, file = begun
    for step in planned(file)[:2]:
        record_step(root, file, step)
    assert json.loads(CliRunner().invoke(study, [str(root), "--json"]).output)["n_done"] == 2
    told = json.loads(CliRunner().invoke(study, [str(root), "--readouts", "--json"]).output)
    assert (told["n_done"], told["n_doubtful"]) == (0, 2)
    truth = doubts_of_files([info.path for info in find_sessions(root)], np.random.default_rng(0))
    for info, step in zip(find_sessions(root), told["steps"], strict=False):
        (fault,) = label_faults(info.path.name, 2, truth)
        assert step["doubts"] == [f"{session_name(info)}: {fault}"]


def test_the_command_says_it_in_words_and_as_json(begun: tuple[Path, StudyFile]) -> None:
    """`palmwatt study` prints the whole, the stations and each person; --json has every step."""
    root, file = begun
    record_step(root, file, planned(file)[0])
    told = CliRunner().invoke(study, [str(root)]).output
    assert told.startswith(
        "Sixty people: 1 of 18 sessions done, 0 doubtful, 0 being recorded, 17 missing"
    )
    assert "station b (unit-b): next P02 with " in told
    assert "P01 at a" in told
    figures = json.loads(CliRunner().invoke(study, [str(root), "--json"]).output)
    assert (figures["n_done"], figures["n_missing"], len(figures["steps"])) == (1, 17, 18)
    (info,) = find_sessions(root)
    assert figures["steps"][0]["sessions"] == [session_name(info)]


def test_the_command_draws_the_locked_set(tmp_path: Path) -> None:
    """`palmwatt study DIR --draw` writes the draw and names whom it drew."""
    root = tmp_path / "set"
    write_study(root, 20, 3)
    told = json.loads(CliRunner().invoke(study, [str(root), "--draw", "--json"]).output)
    assert len(told["locked"]) == 3
    assert open_study(root).study.locked == set(told["locked"])
    with pytest.raises(UsageError, match="drawn on"):
        CliRunner().invoke(study, [str(root), "--draw"], catch_exceptions=False)
    (root / "study.toml").write_text("seed = 5")
    with pytest.raises(FormatError, match="key is missing"):
        CliRunner().invoke(study, [str(root)], catch_exceptions=False)


def test_who_is_forgotten_is_asked_for_no_more(begun: tuple[Path, StudyFile]) -> None:
    """A plan counts who was forgotten as withdrawn, and stays the plan that it was."""
    root, file = begun
    record_step(root, file, planned(file)[0])
    asked = CliRunner().invoke(palmwatt, ["forget", "P01", str(root)])
    assert asked.exit_code == 0, asked.output
    assert not list(root.glob("sub-P01"))
    found = open_study(root)
    assert (found.study.withdrawn, found.sha256) == (("P01",), file.sha256)
    now = standing(found, Lookout().look(root), root)
    assert now.next_step("a").person != "P01"
    with pytest.raises(UsageError, match="participant is 'P01', expected somebody of the study"):
        now.next_step(None, "P01")
    assert "P01 at a, withdrawn" in CliRunner().invoke(study, [str(root)]).output


def test_a_station_with_doubtful_sessions_alone_says_how_to_do_them_again(
    begun: tuple[Path, StudyFile],
) -> None:
    """Where nothing is missing and something doubtful, the command names whom to ask for again."""
    root, file = begun
    steps = planned(file)
    for step in steps:
        record_step(root, file, step, **({"unit": "another"} if step is steps[0] else {}))
    told = CliRunner().invoke(study, [str(root)]).output
    first = steps[0]
    words = f"but what is doubtful, with --participant: {first.person} {first.task}\n"
    assert f"station {first.station} ({first.unit}): nothing left to record {words}" in told
    assert told.count("nothing left to record\n") == 1
