"""The events table, takes refined from readout energy, and agreement of two labellers."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from capture.cues.labels import GOOD, REJECTED, Event, kappa, read_events, refine, write_events
from runtime.errors import Error, FormatError

EVENTS = (
    Event(1.0, 1.5, "swipe_left", 0, cue_onset_s=1.0, cue_duration_s=1.5),
    Event(2.9, 0.4, "push", 2, REJECTED, "hand out of sight", labeller="L2", edited="2026-01-02"),
)


def test_labels_are_read_back(tmp_path: Path) -> None:
    """A written events table gives back the same events in order of onset."""
    path = tmp_path / "x_events.tsv"
    write_events(path, reversed(EVENTS))
    assert read_events(path) == EVENTS


def test_the_events_table_follows_bids(tmp_path: Path) -> None:
    """The table is what BIDS 1.10 asks of events files ("Modality agnostic files: Task events").

    Tab-separated, onset and duration in seconds as the first two columns, n/a for a value that is
    not known, and a JSON sidecar with a Description for each further column.
    """
    path = tmp_path / "x_events.tsv"
    write_events(path, EVENTS)
    lines = path.read_text().splitlines()
    header = lines[0].split("\t")
    assert header[:3] == ["onset", "duration", "trial_type"]
    assert lines[2].split("\t")[header.index("cue_onset")] == "n/a"
    sidecar = json.loads((tmp_path / "x_events.json").read_text())
    assert set(sidecar) == set(header)
    assert all(column["Description"] for column in sidecar.values())
    assert sidecar["onset"]["Units"] == "s"


def test_further_columns_are_kept(tmp_path: Path) -> None:
    """Columns that somebody added come back behind the known ones, and are no label's business."""
    path = tmp_path / "x_events.tsv"
    path.write_text("onset\tnote\tduration\ttrial_type\n2\tn/a\t1\tpush\n0\ttwice\t1\tpush\n")
    events = read_events(path)
    assert [event.further for event in events] == [(("note", None),), (("note", "twice"),)]
    write_events(path, (*events, Event(5.0, 1.0, "push")))
    lines = [line.split("\t") for line in path.read_text().splitlines()]
    assert [line[-1] for line in lines] == ["note", "twice", "n/a", "n/a"]
    assert read_events(path)[1].further == (("note", None),)
    named = dataclasses.replace(events[0], further=(('a "note"', "x"),))
    with pytest.raises(FormatError, match="without tab, quote"):
        write_events(path, [named])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the first line is empty, expected the names of the columns"),
        ("duration\ttrial_type\n", "row 1: number of columns named onset is 0"),
        ("onset\tonset\tduration\ttrial_type\n", "row 1: number of columns named onset is 2"),
        ("onset  duration  trial_type\n", "Separate the columns by tabs"),
        ("onset\tduration\ttrial_type\n\n\n1,5\t2\tpush\n", "row 4: onset is '1,5'"),
        ("onset\tduration\ttrial_type\r\n1\t2\tpush\r\n1\t\tpush\r\n", "row 3: duration is ''"),
        ("onset\tduration\ttrial_type\n1\t2\n", "row 2: number of values is 2, expected 3"),
        ("onset\tduration\ttrial_type\n1\t2\tpush\nx\t1\tpush\n", "row 3: onset is 'x'"),
        ("onset\tduration\ttrial_type\n-1\t2\tpush\n", "row 2: onset"),
        ("onset\tduration\ttrial_type\nn/a\t2\tpush\n", "row 2: onset is n/a"),
        ("onset\tduration\ttrial_type\nnan\t2\tpush\n", "row 2: onset"),
        ("onset\tduration\ttrial_type\n1\t2\tPush it\n", "row 2: trial_type"),
        ("onset\tduration\ttrial_type\tstatus\n1\t2\tpush\tfine\n", "row 2: status"),
    ],
)
def test_a_wrong_label_is_named_with_its_row(tmp_path: Path, text: str, words: str) -> None:
    """What is wrong in an events table is said with file, row and column."""
    path = tmp_path / "x_events.tsv"
    path.write_text(text)
    with pytest.raises(FormatError) as error:
        read_events(path)
    assert words in str(error.value)
    assert "x_events.tsv" in str(error.value)


@given(st.binary(max_size=200))
def test_any_bytes_as_labels_end_in_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes
) -> None:
    """Bytes of any origin in an events table raise nothing outside the tree of errors."""
    path = tmp_path_factory.mktemp("fuzz") / "x_events.tsv"
    path.write_bytes(b"onset\tduration\ttrial_type\n" + noise)
    try:
        read_events(path)
    except Error as error:
        assert "\n" not in str(error)


def test_a_label_that_would_break_the_table_is_refused(tmp_path: Path) -> None:
    """A tab in a text never reaches the table, and a failed write leaves the old table."""
    path = tmp_path / "x_events.tsv"
    write_events(path, EVENTS)
    before = path.read_bytes()
    with pytest.raises(FormatError, match="reason"):
        Event(0.0, 1.0, "push", reason="a\tb")
    with pytest.raises(FormatError, match="trial_type"):
        write_events(path, [Event(0.0, 1.0, "push\tx")])
    assert path.read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 2


def energy_with(movements: list[tuple[int, int]], n_frames: int = 300) -> np.ndarray:
    rng = np.random.default_rng(5)
    energy = rng.normal(100.0, 4.0, n_frames)
    for first, last in movements:
        energy[first : last + 1] += 3000.0 * np.hanning(last - first + 3)[1:-1]
    return energy


def test_a_take_is_moved_to_its_movement() -> None:
    """Onset and end come within a frame pair or two of a movement known by construction."""
    time_s = np.arange(300) / 30.0
    events = [Event(1.0, 1.5, "push"), Event(5.0, 1.5, "pull"), Event(8.0, 1.0, "idle")]
    refined = refine(events, energy_with([(42, 57), (165, 180), (250, 260)]), time_s)
    for event, (first, last) in zip(refined, [(42, 57), (165, 180)], strict=False):
        assert abs(event.onset_s - first / 30) <= 3 / 30
        assert abs(event.end_s - last / 30) <= 3 / 30
        assert event.labeller == "energy"
    assert refined[2] == events[2]


def test_a_take_without_movement_keeps_its_cue() -> None:
    """A cue that nobody followed, a rejected take and an empty recording stay as cued."""
    time_s = np.arange(300) / 30.0
    still = [Event(1.0, 1.5, "push"), Event(3.0, 1.0, "push", status=REJECTED)]
    assert refine(still, energy_with([(95, 110)]), time_s) == tuple(still)
    assert refine(still, np.zeros(0), np.zeros(0)) == tuple(still)
    assert refine(still, np.full(300, 7.0), time_s) == tuple(still)


LABELS = st.sampled_from(["push", "pull", "idle"])


@given(st.lists(st.tuples(LABELS, LABELS), min_size=1, max_size=40))
def test_agreement_is_cohen_s_kappa(pairs: list[tuple[str, str]]) -> None:
    """Agreement equals scikit-learn's cohen_kappa_score wherever that is defined."""
    first, second = [a for a, _ in pairs], [b for _, b in pairs]
    if len(set(first) | set(second)) == 1:
        assert kappa(first, second) == 1.0
    else:
        assert kappa(first, second) == pytest.approx(cohen_kappa_score(first, second))


def test_agreement_needs_the_same_takes() -> None:
    """Two lists of different length have no agreement."""
    with pytest.raises(FormatError, match="number of labels"):
        kappa(["push"], [])


def test_good_is_the_default() -> None:
    """A label counts unless somebody rejects it."""
    assert Event(0.0, 1.0, "push").status == GOOD


def test_a_table_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    """Labels that the disk refuses end in one clear error that names the file."""
    with pytest.raises(Error, match="not writable"):
        write_events(tmp_path / "none" / "x_events.tsv", EVENTS)
