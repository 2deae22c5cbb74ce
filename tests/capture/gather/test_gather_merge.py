"""Several data sets made into one: nothing lost, nothing half written, every conflict told."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from study_people import FIRMWARE, planned, record_step, write_study

from capture.emulated.port.device import DeviceSettings, running_device
from capture.gather import merge as merging
from capture.gather.command import merge as merge_command
from capture.gather.merge import merge
from capture.store.dataset import (
    Participant,
    add_participant,
    find_sessions,
    open_dataset,
    read_participants,
)
from capture.store.forget import forget
from capture.store.forgotten import forgotten_in
from capture.store.kind import kind_of
from capture.store.session import events_path, read_session
from capture.store.validate import validate
from capture.store.writer import hold_for_writing
from capture.study.drawing import draw_locked
from capture.study.plan import StudyFile, open_study
from capture.study.seen import Lookout
from capture.study.standing import DONE, DOUBTFUL, MISSING, standing
from runtime.errors import Error, FormatError, UsageError


def hashes(root: Path) -> dict[str, str]:
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file()
    }


def two_stations(folder: Path, n: int = 4) -> tuple[Path, Path, StudyFile]:
    """Write one plan to two laptops; nobody is recorded yet."""
    first, second = folder / "laptop-a", folder / "laptop-b"
    write_study(first, n, 1)
    draw_locked(first, datetime.date(2026, 11, 3))
    shutil.copytree(first, second)
    return first, second, open_study(first)


@pytest.fixture
def recorded(tmp_path: Path) -> tuple[Path, Path]:
    """Give two laptops with two people's first sessions each."""
    first, second, file = two_stations(tmp_path)
    for minute, step in enumerate(planned(file)):
        if step.place == 0:
            record_step(first if step.station == "a" else second, file, step, minute)
    return first, second


def test_two_stations_become_one_data_set(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """All files of both are in the new one, byte for byte, and it is without a fault."""
    before = [hashes(root) for root in recorded]
    done = merge(recorded, tmp_path / "all")
    assert done.conflicts == done.cautions == done.left_out == ()
    assert (done.n_sessions, done.n_people) == (4, 4)
    merged = hashes(tmp_path / "all")
    joined = {"participants.tsv", "dataset_description.json"}
    for old in before:
        assert {name: merged[name] for name in old if name not in joined} == {
            name: value for name, value in old.items() if name not in joined
        }
    assert merged.keys() == before[0].keys() | before[1].keys()
    assert [hashes(root) for root in recorded] == before
    assert len(open_dataset(tmp_path / "all").participants) == 4
    assert validate(tmp_path / "all") == ()
    now = standing(open_study(tmp_path / "all"), Lookout().look(tmp_path / "all"), tmp_path / "all")
    assert (now.count(DONE), now.count(MISSING)) == (4, 8)


def test_a_plain_copy_would_have_lost_one(tmp_path: Path) -> None:
    """Two laptops that gave one name to two recordings are a conflict, and nothing is written."""
    first, second, file = two_stations(tmp_path)
    step = planned(file)[0]
    record_step(first, file, step)
    record_step(second, file, step, seed=7)
    done = merge((first, second), tmp_path / "all")
    (readouts,) = [line for line in done.conflicts if "_readouts.mcap: " in line]
    assert str(first) in readouts
    assert str(second) in readouts
    assert not (tmp_path / "all").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["laptop-a", "laptop-b"]


def test_each_conflict_is_a_line_and_exit_code_1(
    recorded: tuple[Path, Path], tmp_path: Path
) -> None:
    """Readouts, labels, rows, descriptions and plans that disagree are told one a line."""
    first, second = recorded
    shutil.copytree(first / "sub-P01", second / "sub-P01")
    (info,) = [info for info in find_sessions(second) if info.participant_id == "P01"]
    events_path(info.path).write_text("onset\tduration\ttrial_type\n1.0\t0.2\tpush\n")
    add_participant(first, Participant("P02", consent=True, hand_length_mm=180.0))
    add_participant(second, Participant("P02", consent=True, hand_length_mm=182.0, locked=True))
    description = json.loads((second / "dataset_description.json").read_text())
    (second / "dataset_description.json").write_text(json.dumps(description | {"Name": "other"}))
    (second / "study.toml").write_text((second / "study.toml").read_text() + "# later\n")
    (first / "notes").mkdir()
    (first / "notes" / "today").write_text("sunny")
    (second / "notes").write_text("rain")
    ran = CliRunner().invoke(
        merge_command, [str(first), str(second), "--out", str(tmp_path / "all")]
    )
    assert ran.exit_code == 1
    conflicts = [line for line in ran.output.split("\n") if line.startswith("conflict: ")]
    for part in ("_events.tsv: ", "hand_length_mm is 180.0 in ", "locked is ", "Name is ",
                 "study.toml: ", "notes: a file in one set, a folder in another"):  # fmt: skip
        assert sum(part in line for line in conflicts) == 1, part
    assert ran.output.endswith(f"{len(conflicts)} conflicts: nothing was written\n")
    assert not (tmp_path / "all").exists()


def test_tables_are_joined_row_by_row(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """What one table does not know the other fills in, columns of either stay."""
    first, second = recorded
    add_participant(first, Participant("P02", consent=True, hand_length_mm=180.0))
    text = (second / "participants.tsv").read_text().split("\n")
    text = [f"{line}\t{'age' if not n else 30 + n}" for n, line in enumerate(text) if line]
    (second / "participants.tsv").write_text("\n".join(text) + "\n")
    assert merge(recorded, tmp_path / "all").conflicts == ()
    people = read_participants(tmp_path / "all" / "participants.tsv")
    assert [person.participant_id for person in people] == ["P01", "P02", "P03", "P04"]
    assert people[1].hand_length_mm == 180.0
    table = (tmp_path / "all" / "participants.tsv").read_text().split("\n")
    assert table[0].endswith("\tage")
    assert [line.rsplit("\t", 1)[1] for line in table[1:5]] == ["n/a", "31", "n/a", "32"]


def test_one_person_in_both_is_a_caution(tmp_path: Path) -> None:
    """The same pseudonym at two stations may be two people: that is told, and merged."""
    first, second, file = two_stations(tmp_path)
    steps = planned(file)
    record_step(first, file, steps[0])
    record_step(second, file, steps[1], station="b")
    done = merge((first, second), tmp_path / "all")
    assert done.n_sessions == 2
    assert "P01: recorded in more than one" in done.cautions[0]


def test_working_files_stay_behind_and_logs_are_joined(
    recorded: tuple[Path, Path], tmp_path: Path
) -> None:
    """What training can make anew is left out; its log of final tests is joined."""
    for root, entries in zip(recorded, ([{"a": 1}, {"b": 2}], [{"b": 2}, {"c": 3}]), strict=True):
        working = root / "derivatives" / "palmwatt"
        (working / "reduced").mkdir(parents=True)
        (working / "reduced" / "index.json").write_text("{}")
        (working / "test_uses.json").write_text(json.dumps(entries))
        (root / ".participants.tsv.12-34.part").write_text("half")
    done = merge(recorded, tmp_path / "all")
    assert len(done.left_out) == 4
    uses = json.loads((tmp_path / "all/derivatives/palmwatt/test_uses.json").read_text())
    assert uses == [{"a": 1}, {"b": 2}, {"c": 3}]
    assert not list((tmp_path / "all").rglob("index.json"))
    assert not list((tmp_path / "all").rglob("*.part"))


@pytest.mark.parametrize(
    ("names", "out", "said"),
    [
        (("laptop-a",), "all", "number of data sets is 1"),
        (("laptop-a", "laptop-a"), "all", "given twice"),
        (("laptop-a", "laptop-b"), "laptop-a/all", "outside the sources"),
        (("laptop-a", "laptop-b"), "laptop-b", "output folder"),
        (("laptop-a", "nowhere"), "all", "no data set"),
        (("laptop-a", "laptop-a/sub-P01"), "all", "around another"),
    ],
)
def test_a_wrong_call_is_told(
    recorded: tuple[Path, Path], tmp_path: Path, names: tuple[str, ...], out: str, said: str
) -> None:
    """One set, a set twice, a set in another or an output inside one is a wrong call."""
    before = hashes(tmp_path)
    with pytest.raises(UsageError, match=said):
        merge([tmp_path / name for name in names], tmp_path / out)
    assert hashes(tmp_path) == before


def test_what_is_being_recorded_is_not_merged(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """While a recorder writes in one of the sets, there is nothing whole to merge."""
    info = find_sessions(recorded[1])[0]
    with info.path.open("r+b") as held:
        hold_for_writing(held.fileno(), info.path)
        with pytest.raises(UsageError, match="being recorded"):
            merge(recorded, tmp_path / "all")
    assert not (tmp_path / "all").exists()


def test_a_recording_that_was_damaged_on_its_way_is_told(
    recorded: tuple[Path, Path], tmp_path: Path
) -> None:
    """Readouts that no longer match their own check sums are copied as they are, and named."""
    info = find_sessions(recorded[1])[0]
    content = bytearray(info.path.read_bytes())
    content[len(content) // 2] ^= 0x10
    info.path.write_bytes(content)
    done = merge(recorded, tmp_path / "all")
    (caution,) = done.cautions
    assert info.path.name in caution
    assert "palmwatt repair" in caution
    copied = tmp_path / "all" / info.path.relative_to(recorded[1])
    assert copied.read_bytes() == content


def test_links_are_not_followed(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """A link in a data set could lead anywhere: it is refused."""
    (tmp_path / "secret").write_text("of this machine")
    (recorded[0] / "sub-P01" / "more").symlink_to(tmp_path / "secret")
    with pytest.raises(UsageError, match="a link"):
        merge(recorded, tmp_path / "all")


def test_kinds_of_data_are_not_mixed(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """A set of recorded and a set of invented data stay apart, whether they say so or not."""
    file = open_study(recorded[1])
    step = next(step for step in planned(file) if step.station == "b" and step.place == 1)
    record_step(recorded[1], file, step, firmware="real 1")
    (conflict,) = merge(recorded, tmp_path / "all").conflicts
    assert f"{kind_of(FIRMWARE)} in " in conflict
    assert f"{kind_of('real 1')} in " in conflict


def test_a_copy_that_goes_wrong_leaves_nothing(
    recorded: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that changes while it is copied ends the merge, and nothing is left of it."""
    victim = sorted((recorded[1]).rglob("*_events.tsv"))[0]
    copy = merging.copy_checked

    def meddling(source: merging.SetFile, target: Path) -> None:
        if source.path == victim:
            victim.write_text("something else")
        copy(source, target)

    monkeypatch.setattr(merging, "copy_checked", meddling)
    with pytest.raises(Error, match="changed while it was copied"):
        merge(recorded, tmp_path / "all")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["laptop-a", "laptop-b"]


def test_a_merge_that_is_killed_leaves_no_data_set(
    recorded: tuple[Path, Path], tmp_path: Path
) -> None:
    """Killed in the middle, there is nothing under the new name; done again, there is all of it."""
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom capture.gather import merge as m\n"
        "copy = m.copy_checked\n"
        "def slow(source, target):\n    copy(source, target)\n    print(target, flush=True)\n"
        "    time.sleep(0.2)\n"
        "m.copy_checked = slow\nm.merge([Path(a) for a in sys.argv[1:3]], Path(sys.argv[3]))\n"
    )
    out = tmp_path / "all"
    command = [sys.executable, "-c", code, *map(str, recorded), str(out)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for _ in range(5):
        copied = Path(process.stdout.readline().strip())
    process.kill()
    process.wait(10.0)
    process.stdout.close()
    assert copied.exists()
    assert not out.exists()
    assert merge(recorded, out).n_sessions == 4
    assert validate(out) == ()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["all", "laptop-a", "laptop-b"]


def test_a_disk_that_is_too_small_is_told_first(
    recorded: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no room for all of it, nothing is begun."""
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda place: usage._replace(free=10))
    with pytest.raises(UsageError, match="room on the disk"):
        merge(recorded, tmp_path / "all")


def test_a_wrong_table_is_told_by_its_row(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """A table of people that is damaged in one set names itself and its row."""
    table = recorded[1] / "participants.tsv"
    table.write_text(table.read_text().replace("yes", "perhaps", 1))
    with pytest.raises(FormatError, match=r"laptop-b.participants\.tsv row 2"):
        merge(recorded, tmp_path / "all")


def test_a_merged_person_is_forgotten_whole(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """Forgetting somebody in the merged set removes what came from either."""
    merge(recorded, tmp_path / "all")
    forget(tmp_path / "all", "P02")
    assert not [name for name in hashes(tmp_path / "all") if "P02" in name]


def test_an_older_copy_brings_nobody_back(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    """Who was forgotten in one set is left out of all, and told; the merged set knows it too."""
    older = shutil.copytree(recorded[1], tmp_path / "older")
    forget(recorded[1], "P02")
    for sources in (recorded, (older, recorded[1]), (recorded[1], older)):
        out = tmp_path / "-".join(root.name for root in sources)
        done = merge(sources, out)
        assert not done.conflicts
        assert not done.cautions  # sessions that are the same in both say nothing of who it was
        told = [name for name in done.left_out if "P02" in name]
        assert told == ([f"{older}/sub-P02/ (forgotten)"] if older in sources else [])
        assert not [name for name in hashes(out) if "P02" in name]
        assert "P02" not in (out / "participants.tsv").read_text()
        assert forgotten_in(out) == forgotten_in(recorded[1])
    assert [name for name in hashes(older) if "P02" in name]


def killed_recording(root: Path, folder: Path) -> None:
    """Record what the plan asks for next at station b, and kill the recorder in the middle."""
    script = folder / "long.toml"
    settings = DeviceSettings(2, script=str(script), sensor="lensless32", unit="unit-b")
    with running_device(settings) as port:
        command = [
            sys.executable, "-c", "from trainer.cli import main; main()", "record", "--study",
            str(root), "--station", "b", "--consent", "--operator", "K2", "--port", port,
        ]  # fmt: skip
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        deadline = time.monotonic() + 30.0
        while time.monotonic() < deadline:
            files = list(root.rglob("*task-long_readouts.mcap"))
            if files and files[0].stat().st_size > 400_000:
                break
            time.sleep(0.05)
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10.0)


@pytest.mark.slow
def test_sixty_people_at_two_stations_with_one_laptop_killed(tmp_path: Path) -> None:
    """Sixty emulated people, two laptops, one killed while it recorded: all of it is in one set.

    What the killed one had on its disk opens there, doubtful, and is the next to be done again.
    """
    first, second = tmp_path / "laptop-a", tmp_path / "laptop-b"
    write_study(first, 60, 12)
    long = (first / "brief_two.toml").read_text().replace("brief_two", "long")
    (first / "long.toml").write_text(long.replace("repetitions = 1", "repetitions = 40"))
    plan = (first / "study.toml").read_text()
    (first / "study.toml").write_text(plan.replace("brief_two.toml", "long.toml"))
    draw_locked(first, datetime.date(2026, 11, 3))
    shutil.copytree(first, second)
    file = open_study(first)
    steps = [step for step in planned(file) if step.task == "brief_one" and step.repetition == 0]
    for minute, step in enumerate(steps):
        root = first if step.station == "a" else second
        record_step(root, file, step, minute, emulated=True)
    again = [step for step in planned(file) if step.repetition == 1]
    for step in again:
        record_step(first if step.station == "a" else second, file, step, 60)
    killed_recording(second, first)
    before = [hashes(root) for root in (first, second)]
    done = merge((first, second), tmp_path / "all")
    assert done.conflicts == ()
    assert (done.n_sessions, done.n_people) == (121, 60)
    assert "its recorder was killed" in done.cautions[0]
    merged = hashes(tmp_path / "all")
    for old in before:
        for name, value in old.items():
            assert name in ("participants.tsv", "dataset_description.json") or merged[name] == value
    root = tmp_path / "all"
    now = standing(open_study(root), Lookout().look(root), root)
    assert (now.count(DONE), now.count(DOUBTFUL), now.count(MISSING)) == (120, 1, 59)
    (doubtful,) = [held for held in now.held if held.state == DOUBTFUL]
    assert now.next_step("b", doubtful.step.person, "long") == doubtful.step
    (info,) = [info for info in find_sessions(root) if info.task == "long"]
    session = read_session(info.path)
    assert session.finished
    assert sum(len(block) for block in session.blocks()) > 100
    people = read_participants(root / "participants.tsv")
    assert {person.participant_id for person in people if person.locked} == file.study.locked
    assert now.cautions == ()
