"""The folder of a data set, its people, and the frame and script types it is made of."""

from __future__ import annotations

import itertools
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from capture.cues.script import (
    BUILT_IN,
    DISTRACTORS,
    FINGER_COUNTS,
    GESTURES,
    IDLE,
    load_script,
    parse_script,
    schedule,
)
from capture.frames import FrameBlock, FramePair
from capture.store.dataset import (
    Participant,
    add_participant,
    open_dataset,
    prepare_dataset,
    session_path,
)
from runtime.errors import Error, FormatError, UsageError

PEOPLE = (
    Participant("P01", True, 189.5, 84.0, "left", 0.55),
    Participant("P02", True, locked=True),
    Participant("P03"),
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "set"
    prepare_dataset(folder)
    for participant in reversed(PEOPLE):
        add_participant(folder, participant)
    return folder


def touch_session(root: Path, participant: str, session: str = "01") -> Path:
    path = session_path(root, participant, session, "dynamic")
    path.parent.mkdir(parents=True)
    path.touch()
    return path


def test_people_and_sessions_are_found(root: Path) -> None:
    """Opening a data set gives its people, with consent and lock, and its sessions in order."""
    touch_session(root, "P02")
    touch_session(root, "P01")
    (root / "sub-P01" / "ses-01" / ".sub-P01_ses-01_task-dynamic_readouts.mcap.7.part").touch()
    (root / "sub-P01" / "ses-01" / "sub-P09_ses-01_task-dynamic_readouts.mcap").touch()
    dataset = open_dataset(root)
    assert dataset.participants == PEOPLE
    assert [(s.participant_id, s.session, s.task) for s in dataset.sessions] == [
        ("P01", "01", "dynamic"),
        ("P02", "01", "dynamic"),
    ]
    assert dataset.sessions[0].events_path.name == "sub-P01_ses-01_task-dynamic_events.tsv"
    assert dataset.participant("P02").locked
    with pytest.raises(UsageError, match="'P07'"):
        dataset.participant("P07")


def test_the_folder_follows_bids(root: Path) -> None:
    """The folder has what BIDS 1.10 requires of a data set ("Modality agnostic files").

    dataset_description.json with Name and BIDSVersion; participants.tsv whose first column,
    participant_id, holds sub-<label>; n/a for what is not known.
    """
    description = json.loads((root / "dataset_description.json").read_text())
    assert {"Name", "BIDSVersion"} <= set(description)
    lines = (root / "participants.tsv").read_text().splitlines()
    assert lines[0].split("\t")[0] == "participant_id"
    assert [line.split("\t")[0] for line in lines[1:]] == ["sub-P01", "sub-P02", "sub-P03"]
    assert lines[3].split("\t")[1:4] == ["no", "n/a", "n/a"]


def test_a_participant_is_updated_in_place(root: Path) -> None:
    """Writing a participant again replaces the row."""
    add_participant(root, Participant("P03", True))
    assert open_dataset(root).participant("P03").consent
    assert len(open_dataset(root).participants) == 3


def test_further_columns_stay(root: Path) -> None:
    """A column that somebody added to the table is kept when a row is written anew."""
    table = root / "participants.tsv"
    header, *rows = table.read_text().splitlines()
    noted = [f"{header}\tsite", *(f"{row}\tsite {i}" for i, row in enumerate(rows))]
    table.write_text("\n".join(noted) + "\n")
    add_participant(root, Participant("P03", True))
    add_participant(root, Participant("P04", True))
    sites = [line.split("\t")[-1] for line in table.read_text().splitlines()]
    assert sites == ["site", "site 0", "site 1", "site 2", "n/a"]


def test_recorders_side_by_side_lose_no_row(tmp_path: Path) -> None:
    """Many recorders that begin one data set at once leave every participant in its table."""

    def begin(number: int) -> None:
        prepare_dataset(tmp_path / "set")
        add_participant(tmp_path / "set", Participant(f"P{number:02d}", True))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(begin, range(40)))
    assert len(open_dataset(tmp_path / "set").participants) == 40
    assert not [p for p in (tmp_path / "set").iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize(
    ("file", "text", "words"),
    [
        ("dataset_description.json", "{", "not JSON"),
        ("dataset_description.json", "[]", "list, expected an object"),
        ("dataset_description.json", "{}", "'Name'"),
        ("participants.tsv", "participant_id\nsub-P01\n", "columns named consent is 0"),
        ("participants.tsv", "participant_id\tconsent\nsub-P01\tmaybe\n", "row 2: consent"),
        ("participants.tsv", "participant_id\tconsent\n../x\tyes\n", "row 2: pseudonym"),
        ("participants.tsv", "participant_id\tconsent\nP01\tyes\nP01\tno\n", "rows of sub-P01"),
        (
            "participants.tsv",
            "participant_id\tconsent\thand_length_mm\nP01\tyes\tlong\n",
            "row 2: hand_length_mm",
        ),
        (
            "participants.tsv",
            "participant_id\tconsent\thand_length_mm\nP01\tyes\tinf\n",
            "row 2: hand_length_mm",
        ),
    ],
)
def test_a_wrong_table_is_named_with_its_row(root: Path, file: str, text: str, words: str) -> None:
    """What is wrong in a data set's tables is said with file and row."""
    (root / file).write_text(text)
    with pytest.raises(FormatError, match="set") as error:
        open_dataset(root)
    assert words in str(error.value)


def test_a_session_of_nobody_is_refused(root: Path) -> None:
    """A session whose participant is not in the table, whose consent is unknown, is refused."""
    touch_session(root, "P09")
    with pytest.raises(FormatError, match=r"'P09', expected in participants\.tsv"):
        open_dataset(root)


def test_a_folder_that_is_no_data_set_is_refused(tmp_path: Path) -> None:
    """A folder of other things is neither opened nor written into."""
    (tmp_path / "letter.txt").touch()
    with pytest.raises(UsageError, match="no data set"):
        open_dataset(tmp_path)
    with pytest.raises(UsageError, match="no data set"):
        prepare_dataset(tmp_path)
    with pytest.raises(UsageError, match="the folder"):
        prepare_dataset(tmp_path / "letter.txt")


def block(n: int) -> FrameBlock:
    sequence = np.arange(n, dtype=np.int64)
    counts = np.arange(n * 6, dtype=np.uint16).reshape(n, 2, 3)
    return FrameBlock(sequence, 10 * sequence, counts, counts + 1, 10 * sequence + 4)


def test_a_block_is_its_pairs() -> None:
    """A block gives its frame pairs in order and is put together from them again."""
    whole = block(5)
    again = FrameBlock.stack(list(whole))
    assert np.array_equal(again.dark, whole.dark)
    assert np.array_equal(again.dark_time_us, whole.dark_time_us)
    assert len(whole[1:3]) == 2
    joined = FrameBlock.concatenate([whole[:2], whole[2:]])
    assert np.array_equal(joined.sequence, whole.sequence)
    assert np.array_equal(joined.dark_time_us, whole.dark_time_us)
    assert len(FrameBlock.empty(2, 3)) == 0


def test_frames_of_another_type_are_refused() -> None:
    """Counts that are no uint16, or of unequal shapes, are refused by name."""
    good = np.zeros((2, 3), np.uint16)
    with pytest.raises(FormatError, match="dtype of lit"):
        FramePair(0, 0, good.astype(np.int32), good)  # type: ignore[arg-type]  # the test's point
    with pytest.raises(FormatError, match="shape of dark"):
        FramePair(0, 0, good, good[:1])
    with pytest.raises(FormatError, match="axes of lit"):
        FramePair(0, 0, good[0], good[0])
    with pytest.raises(FormatError, match="shape of sequence"):
        FrameBlock(np.zeros(3, np.int64), np.zeros(1, np.int64), good[None], good[None])
    with pytest.raises(FormatError, match="dtype of sequence"):
        FrameBlock(np.zeros(1), np.zeros(1), good[None], good[None])  # type: ignore[arg-type]  # point
    with pytest.raises(FormatError, match="shape of dark_time_us"):
        FrameBlock(
            np.zeros(1, np.int64), np.zeros(1, np.int64), good[None], good[None], np.arange(2)
        )
    with pytest.raises(FormatError, match="at least 1"):
        FrameBlock.stack([])


def test_a_dark_time_that_nobody_knows_is_zero() -> None:
    """A block without dark times has one a frame pair, all 0, and so have its pairs."""
    known = block(3)
    unknown = FrameBlock(known.sequence, known.time_us, known.lit, known.dark)
    assert unknown.dark_time_us.tolist() == [0, 0, 0]
    assert [pair.dark_time_us for pair in unknown[1:]] == [0, 0]


def test_the_built_in_scripts_ask_for_the_two_tasks() -> None:
    """One script gives all dynamic gestures, idle time and distractors; the other finger counts."""
    dynamic, fingers = load_script("dynamic"), load_script("finger_count")
    assert set(dynamic.trial_types) == {*GESTURES, IDLE, *DISTRACTORS}
    assert fingers.trial_types == FINGER_COUNTS
    assert dynamic.movement
    assert not fingers.movement
    assert dynamic.text("distract_pass") == "reach past the sensor"
    assert dynamic.text("swipe_left") == "swipe left"


@pytest.mark.parametrize("name", BUILT_IN)
def test_a_schedule_follows_from_its_seed(name: str) -> None:
    """The same seed gives the same cues, another seed another order; cues never overlap."""
    script = load_script(name)
    cues = schedule(script, 4)
    assert cues == schedule(script, 4)
    assert [c.trial_type for c in cues] != [c.trial_type for c in schedule(script, 5)]
    assert len(cues) == script.n_cues
    for before, after in itertools.pairwise(cues):
        shortest, longest = script.rest_s
        assert 1e6 * shortest - 1 <= after.onset_us - before.end_us <= 1e6 * longest + 1
    for kind in script.cues:
        of_kind = [c.repetition for c in cues if c.trial_type == kind.trial_type]
        assert of_kind == list(range(kind.repetitions))
    with pytest.raises(UsageError, match="seed"):
        schedule(script, -1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"name = ", "not TOML"),
        (b"\xff", "not UTF-8"),
        (b"a = " + b"[" * 20_000, "not TOML"),
        (b'name = "x"', "line 1: cue: key is missing"),
        (
            b'name = "X y"\n[[cue]]\ntrial_type="a"\nrepetitions=1\nduration_s=1.0',
            "line 1: name is 'X y'",
        ),
        (
            b'name = "x"\n[[cue]]\ntrial_type="a"\nrepetitions=0\nduration_s=1.0',
            "line 4: cue.0.repetitions is 0",
        ),
        (
            b'name = "x"\n[[cue]]\ntrial_type="a"\nrepetitions=1\nduration_s=nan',
            "line 5: cue.0.duration_s is nan",
        ),
        (
            b'name = "x"\nx = 1\n[[cue]]\ntrial_type="a"\nrepetitions=1\nduration_s=1.0',
            "line 2: x: unknown key",
        ),
        (
            b'name = "x"\nrest_s = [2.0, 1.0]\n[[cue]]\ntrial_type="a"\nrepetitions=1\n'
            b"duration_s=1.0",
            "shortest",
        ),
        (b"#" * 70_000, "size"),
    ],
)
def test_a_wrong_script_is_one_clear_line(text: bytes, words: str) -> None:
    """A script with a wrong key is refused by the name of the key."""
    with pytest.raises(FormatError) as error:
        parse_script(text, "my.toml")
    assert words in str(error.value)
    assert str(error.value).startswith("my.toml")
    assert "\n" not in str(error.value)


def test_a_missing_script_is_refused(tmp_path: Path) -> None:
    """A script that is not there is refused, with the names of the built-in ones."""
    with pytest.raises(Error, match="dynamic, finger_count"):
        load_script(tmp_path / "none.toml")


def test_a_script_of_ones_own_is_read(tmp_path: Path) -> None:
    """A script in a file is read, and an order that is not shuffled stays."""
    path = tmp_path / "own.toml"
    path.write_text(
        'name = "own"\nshuffle = false\nrest_s = [1.0, 1.0]\n'
        '[[cue]]\ntrial_type = "push"\nrepetitions = 2\nduration_s = 1.0\n'
        '[[cue]]\ntrial_type = "pull"\nrepetitions = 1\nduration_s = 2.0\n'
    )
    cues = schedule(load_script(path), 9)
    assert [(c.onset_us, c.duration_us, c.trial_type) for c in cues] == [
        (1_000_000, 1_000_000, "push"),
        (3_000_000, 1_000_000, "push"),
        (5_000_000, 2_000_000, "pull"),
    ]


def test_a_row_that_nobody_changes_keeps_its_text(tmp_path: Path) -> None:
    """Numbers written by hand stay as they were written while others join; a new one is written."""
    prepare_dataset(tmp_path)
    table = tmp_path / "participants.tsv"
    by_hand = "participant_id\tconsent\thand_length_mm\nsub-P01\tyes\t190\n"
    table.write_text(by_hand)
    add_participant(tmp_path, Participant("P01", True, 190.0))
    assert table.read_text() == by_hand
    add_participant(tmp_path, Participant("P02", True, 180.0))
    header, first, second = (line.split("\t") for line in table.read_text().splitlines())
    length = header.index("hand_length_mm")
    assert (first[length], second[length]) == ("190", "180.0")
    add_participant(tmp_path, Participant("P01", True, 191.0))
    assert "191.0" in table.read_text()
