"""The copy that a validator of BIDS accepts, and what is in it."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import booth_session
import pytest
from booth_session import make_session
from click.testing import CliRunner
from study_people import planned, record_step, write_study

from capture.booth.labelling import Edit, apply_edit, open_table
from capture.gather.bids import BIDS_VERSION, export
from capture.gather.bids_texts import bids_tasks
from capture.gather.command import export as export_command
from capture.store.dataset import Participant, add_participant, find_sessions, open_dataset
from capture.store.session import events_path, read_session
from capture.study.drawing import draw_locked
from capture.study.plan import open_study
from runtime.errors import UsageError

# BIDS specification 1.10.0, "Filesystem structure" and "Behavioral experiments (with no neural
# recordings)": sub-<label>/ses-<label>/beh/sub-<label>_ses-<label>_task-<label>_events.tsv; labels
# are letters and digits ("Entities").
EVENTS = re.compile(
    r"sub-([A-Za-z0-9]+)/ses-([A-Za-z0-9]+)/beh/sub-\1_ses-\2_task-[A-Za-z0-9]+_events\.(tsv|json)"
)
ROOT = {
    "README", "dataset_description.json", "participants.tsv", "participants.json",
}  # fmt: skip


@pytest.fixture
def studied(tmp_path: Path) -> Path:
    """Give a data set with everything in it: study, stations, edits, a blind review, old names."""
    root = tmp_path / "set"
    write_study(root, 4, 1)
    draw_locked(root, datetime.date(2026, 11, 3))
    file = open_study(root)
    for minute, step in enumerate(planned(file)):
        record_step(root, file, step, minute)
    make_session(root, "P01")
    info = next(info for info in find_sessions(root) if info.task == "short")
    for blind, labeller in ((True, "L2"), (False, "L1")):
        revision = open_table(info, labeller, blind).revision
        edit = {"labeller": labeller, "blind": blind, "revision": revision, "act": "change"}
        edit |= {"row": 0, "trial_type": "push"}
        apply_edit(info, Edit.model_validate(edit), ("push",), 10.0, "2026-11-04T09:30:00+00:00")
    revision = open_table(info, "L1", False).revision
    edit = {"labeller": "L1", "blind": False, "revision": revision, "act": "add"}  # it has no cue
    edit |= {"onset_s": 8.5, "duration_s": 0.5, "trial_type": "push"}
    apply_edit(info, Edit.model_validate(edit), ("push",), 10.0, "2026-11-04T09:31:00+00:00")
    add_participant(root, Participant("P02", True, 180.5, 82.0, "left", 0.4))
    add_participant(root, Participant("P77", consent=True))
    text = events_path(info.path).read_text().split("\n")
    text = [f"{line}\t{'mood' if not n else 'calm'}" for n, line in enumerate(text) if line]
    events_path(info.path).write_text("\n".join(text) + "\n")
    (root / "derivatives" / "palmwatt" / "reduced").mkdir(parents=True)
    (root / "derivatives" / "palmwatt" / "reduced" / "index.json").write_text("{}")
    return root


def validated(out: Path, program: str) -> dict[str, list[dict[str, object]]]:
    done = subprocess.run(
        [program, str(out), "--json"], capture_output=True, text=True, check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )  # fmt: skip
    issues: dict[str, list[dict[str, object]]] = json.loads(done.stdout)["issues"]
    assert (done.returncode == 0) == (not issues["errors"])
    return issues


def test_the_validator_accepts_an_export(
    studied: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """bids-validator 1.15 finds no error, and warns only that sessions differ between people."""
    export(studied, tmp_path / "out")
    issues = validated(tmp_path / "out", need_tool("bids-validator"))
    assert [issue["key"] for issue in issues["errors"]] == []
    assert {str(issue["key"]) for issue in issues["warnings"]} <= {"MISSING_SESSION"}


def test_the_validator_would_refuse_what_is_wrong(
    studied: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """The validator does look: a task with an underscore and a bare recording are errors."""
    out = tmp_path / "out"
    export(studied, out)
    path = next(out.glob("sub-P01/ses-*/beh/*_task-short_events.tsv"))
    path.rename(path.with_name(path.name.replace("short", "not_short")))
    path.with_name("readouts.mcap").write_bytes(b"x")
    issues = validated(out, need_tool("bids-validator"))
    assert "NOT_INCLUDED" in {issue["key"] for issue in issues["errors"]}


def test_names_are_as_the_specification_has_them(studied: Path, tmp_path: Path) -> None:
    """Below the people lie events tables of letters and digits only, with their descriptions."""
    out = tmp_path / "out"
    done = export(studied, out)
    assert (done.n_sessions, done.n_people) == (13, 4)
    assert done.tasks == {"brief_one": "briefOne", "brief_two": "briefTwo", "short": "short"}
    names = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    front = {name for name in names if not name.startswith("sourcedata/")}
    events = {name for name in front if name.endswith(("_events.tsv", "_events.json"))}
    assert len(events) == 26
    assert all(EVENTS.fullmatch(name) for name in events)
    times = {f"sub-P0{n}/sub-P0{n}_sessions.tsv" for n in range(1, 5)}
    assert front == ROOT | events | times
    description = json.loads((out / "dataset_description.json").read_text())
    assert description["Authors"] == ["The collectors", "The others"]
    assert (description["BIDSVersion"], description["DatasetType"]) == (BIDS_VERSION, "raw")


def test_every_column_is_described(studied: Path, tmp_path: Path) -> None:
    """Each column of each table has a description, those that somebody added too."""
    out = tmp_path / "out"
    export(studied, out)
    for table in [out / "participants.tsv", *out.glob("sub-*/ses-*/beh/*_events.tsv")]:
        columns = table.read_text().split("\n")[0].split("\t")
        described = json.loads(table.with_suffix(".json").read_text())
        assert set(columns) == set(described), table
        assert all(described[column]["Description"] for column in columns)
    path = next(out.glob("sub-P01/ses-*/beh/*_task-short_events.json"))
    described = json.loads(path.read_text())
    assert "mood" in described
    assert described["trial_type"]["Levels"]["swipe_left"] == "swipe left"
    assert described["onset"]["Units"] == "s"


def test_only_people_with_recordings_stand_in_front(studied: Path, tmp_path: Path) -> None:
    """BIDS wants people and folders to agree: who gave nothing is in the source data only."""
    out = tmp_path / "out"
    export(studied, out)
    rows = (out / "participants.tsv").read_text().split("\n")
    assert [row.split("\t")[0] for row in rows[1:-1]] == [
        "sub-P01",
        "sub-P02",
        "sub-P03",
        "sub-P04",
    ]
    assert len(open_dataset(out / "sourcedata").participants) == 5


def test_when_it_was_is_told(studied: Path, tmp_path: Path) -> None:
    """Each person's sessions stand with the time at which they began, n/a where nobody noted it."""
    out = tmp_path / "out"
    export(studied, out)
    table = (out / "sub-P01" / "sub-P01_sessions.tsv").read_text().split("\n")
    assert table[0] == "session_id\tacq_time"
    assert "ses-01\tn/a" in table
    assert "ses-01a\t2026-11-04T08:00:00Z" in table


def test_source_data_is_the_data_set_as_it_was(studied: Path, tmp_path: Path) -> None:
    """Below sourcedata lies every file but what training made, byte for byte, and it opens."""
    out = tmp_path / "out"
    before = {
        path.relative_to(studied).as_posix(): hashlib.sha256(path.read_bytes()).digest()
        for path in studied.rglob("*") if path.is_file() and "derivatives" not in path.parts
    }  # fmt: skip
    export(studied, out)
    source = out / "sourcedata"
    after = {
        path.relative_to(source).as_posix(): hashlib.sha256(path.read_bytes()).digest()
        for path in source.rglob("*") if path.is_file()
    }  # fmt: skip
    assert after == before
    assert len(find_sessions(source)) == 13
    assert read_session(find_sessions(source)[0].path).events


def test_tasks_keep_their_differences() -> None:
    """Two tasks that differ by an underscore or capitals only stay two."""
    named = bids_tasks(["a_b", "ab", "aB", "a__b", "finger_count", "x_"])
    assert len({name.lower() for name in named.values()}) == 6
    assert named["finger_count"] == "fingerCount"
    assert all(name.isalnum() for name in named.values())


def test_nothing_is_exported_without_consent(studied: Path, tmp_path: Path) -> None:
    """Recordings of somebody who did not agree are not given away."""
    add_participant(studied, Participant("P03"))
    with pytest.raises(UsageError, match="consent"):
        export(studied, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("place", ["set/out", "set"])
def test_an_export_lies_outside(studied: Path, tmp_path: Path, place: str) -> None:
    """A copy inside what it copies is refused."""
    with pytest.raises(UsageError, match="outside the data set"):
        export(studied, tmp_path / place)


def test_an_empty_data_set_is_told(tmp_path: Path) -> None:
    """Where nothing was recorded there is nothing to export."""
    booth_session.prepare_dataset(tmp_path / "set")
    (tmp_path / "set" / "participants.tsv").write_text("participant_id\tconsent\n")
    with pytest.raises(UsageError, match="number of sessions is 0"):
        export(tmp_path / "set", tmp_path / "out")


def test_the_command_names_authors(tmp_path: Path) -> None:
    """--author names who is to be named; without anybody that is a caution."""
    root = tmp_path / "set"
    make_session(root)
    told = CliRunner().invoke(export_command, [str(root), "--out", str(tmp_path / "one")]).output
    assert "no author is named" in told
    options = ["--out", str(tmp_path / "two"), "--author", "A", "--author", "B", "--json"]
    told = CliRunner().invoke(export_command, [str(root), *options]).output
    assert json.loads(told)["authors"] == ["A", "B"]
    description = json.loads((tmp_path / "two" / "dataset_description.json").read_text())
    assert description["Authors"] == ["A", "B"]
