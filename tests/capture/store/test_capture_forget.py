"""Forgetting a participant: what goes, what stays and is named."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from capture.cli import forget as forget_command
from capture.cues.labels import Event, write_events
from capture.cues.script import load_script
from capture.frames import FramePair
from capture.store.dataset import (
    Participant,
    add_participant,
    open_dataset,
    prepare_dataset,
    session_path,
    write_participants,
)
from capture.store.forget import Forgotten, forget
from capture.store.forgotten import FORGOTTEN, forgotten_in
from capture.store.session import events_path
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 4, 4)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a data set of P01, reviewed by two labellers, and P02."""
    root = tmp_path / "set"
    prepare_dataset(root)
    for name in ("P01", "P02"):
        add_participant(root, Participant(name, True))
        path = session_path(root, name, "01", "dynamic")
        path.parent.mkdir(parents=True)
        description = Description(SENSOR, "unit-1", "1.0")
        counts = np.zeros((4, 4), np.uint16)
        header = SessionHeader(name, "01", description, load_script("dynamic"), 1)
        with SessionWriter(path, header) as writer:
            writer.add(FramePair(0, 0, counts, counts), 0, 0)
        labels = events_path(path)
        write_events(labels, [Event(1.0, 1.0, "push")])
        stem = labels.name.removesuffix("_events.tsv")
        shutil.copy(labels, labels.with_name(f"{stem}_labeller-L2_events.tsv"))
        for log in (f"{stem}_edits.jsonl", f"{stem}_labeller-L2_edits.jsonl"):
            labels.with_name(log).write_text('{"labeller": "L2"}\n')
    return root


def array(number: int) -> str:
    return f"{number:064x}.npy"


def keep_arrays(folder: Path, index: object, numbers: tuple[int, ...]) -> None:
    folder.mkdir(parents=True)
    (folder / "index.json").write_text(json.dumps(index))
    for number in numbers:
        (folder / array(number)).write_bytes(b"x")


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_readouts_labels_and_logs_of_every_labeller_go(root: Path) -> None:
    """Everything in a participant's folder goes, whoever wrote it, and so does the row."""
    done = forget(root, "P01")
    assert done == Forgotten(6, 0, (), (), (), (), ())
    assert [path for path in root.rglob("*") if "P01" in path.name] == []
    assert "P01" not in (root / "participants.tsv").read_text()
    dataset = open_dataset(root)
    assert [person.participant_id for person in dataset.participants] == ["P02"]
    assert len(names_in(root / "sub-P02" / "ses-01")) == 6
    with pytest.raises(UsageError, match="participant is 'P01'"):
        forget(root, "P01")


def test_readouts_without_a_row_go_too(root: Path) -> None:
    """Who was only struck from the table by hand can still be forgotten; a path is no name."""
    write_participants(root, (Participant("P02", True),))
    assert forget(root, "P01").n_files == 6
    assert not (root / "sub-P01").exists()
    with pytest.raises(FormatError, match="pseudonym"):
        forget(root, "P02/ses-01")
    assert len(names_in(root / "sub-P02" / "ses-01")) == 6


def test_a_pseudonym_is_not_given_twice(root: Path) -> None:
    """Who was forgotten is not named, but known again: nobody is recorded under that pseudonym."""
    forget(root, "P01")
    assert "P01" not in (root / FORGOTTEN).read_text()
    with pytest.raises(UsageError, match="participant P01 is forgotten, expected a new pseudonym"):
        add_participant(root, Participant("P01", True))
    add_participant(root, Participant("P03", True))
    for damage in ("", "{}", "[1]", "[" * 100_000):
        (root / FORGOTTEN).write_text(damage)
        with pytest.raises(FormatError, match="list of who was forgotten"):
            forgotten_in(root)


def test_working_files_of_the_participant_go(root: Path) -> None:
    """Arrays of the participant go, with those that are not surely one other participant's."""
    working = root / "derivatives" / "palmwatt"
    index = {
        array(1): {"participant": "P01", "sha256": "a"},
        array(2): {"participant": "P02", "sha256": "b"},
        array(3): {"participant": "several"},
        array(4): {"participant": ["P02"]},
        array(5): "P02",
        "../../participants.npy": {"participant": "P02"},
    }
    keep_arrays(working / "reduced", index, (1, 2, 3, 4, 5, 6))
    done = forget(root, "P01")
    assert done.n_working_files == 5
    assert names_in(working / "reduced") == [array(2), "index.json"]
    assert json.loads((working / "reduced" / "index.json").read_text()) == {
        array(2): {"participant": "P02", "sha256": "b"}
    }


@pytest.mark.parametrize("text", ["", "[]", "{", "\x00", "[" * 100_000, '{"a": '])
def test_an_index_that_says_nothing_keeps_nothing(root: Path, text: str) -> None:
    """Where the index is damaged, all arrays go: they can be made anew."""
    working = root / "derivatives" / "palmwatt"
    keep_arrays(working / "reduced", {}, (1, 2))
    (working / "reduced" / "index.json").write_text(text)
    assert forget(root, "P01").n_working_files == 2
    assert names_in(working / "reduced") == ["index.json"]


def test_a_folder_without_an_index_goes_and_a_link_is_not_followed(
    root: Path, tmp_path: Path
) -> None:
    """Working files that do not say whose they are go; a link never leads out of the data set."""
    working = root / "derivatives" / "palmwatt"
    (working / "jobs").mkdir(parents=True)
    (working / "jobs" / "1.json").write_text("{}")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "mine.npy").write_bytes(b"x")
    (working / "linked").symlink_to(elsewhere)
    assert forget(root, "P01").n_working_files == 1
    assert names_in(working) == ["forgotten.json", "linked"]
    assert names_in(elsewhere) == ["mine.npy"]


def test_models_that_knew_the_participant_are_named(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Models trained or tested on the participant are named, and what they hold; they stay."""
    models = tmp_path / "models"
    for name, people in (
        ("one", '{"participants": {"train": ["P01", "P02"], "test": []}}'),
        ("two", '{"participants": {"train": ["P02"], "test": ["P01"]}}'),
        ("three", "{}"),
        ("four", '{"participants": {"train": ["P02"], "test": []}}'),
    ):
        (models / name).mkdir(parents=True)
        (models / name / "model.json").write_text("{}")
        (models / name / "evaluation.json").write_text(people)
    (models / "two" / "test_frames.npz").write_bytes(b"x")
    log = root / "derivatives" / "palmwatt" / "test_uses.json"
    log.parent.mkdir(parents=True)
    log.write_text('[{"participants": ["P01"]}]')
    words = ["P01", str(root), "--models", str(models)]
    assert forget_command.main(words, standalone_mode=False) is None
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "P01: 6 files and the row in participants.tsv removed",
        f"{models / 'one'} was trained on P01: train it anew",
        f"{models / 'two'} was tested on P01: it may hold readouts of P01 in test_frames.npz, "
        "train it anew",
        f"{models / 'three'} does not say on whom it was trained",
        f"{log} goes on naming P01, without readouts: it counts final tests",
    ]
    assert len(names_in(models)) == 4
    assert forget_command.main(["P02", *words[1:], "--json"], standalone_mode=False) is None
    told = json.loads(capsys.readouterr().out)
    assert [Path(model).name for model in told["trained"]] == ["four", "one", "two"]
    assert (told["n_files"], told["naming"], told["with_readouts"]) == (6, [], [])
