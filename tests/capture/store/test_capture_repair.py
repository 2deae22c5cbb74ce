"""A damaged session, repaired: what is whole stays, what is lost is marked, nothing goes away."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from mcap.opcode import Opcode

from capture.cli import repair as repair_command
from capture.cues.labels import GOOD, REJECTED, Event, read_events, write_events
from capture.cues.script import load_script
from capture.frames import FramePair
from capture.store.damaged.lost_takes import Losses, left_of
from capture.store.repair import repair
from capture.store.session import events_path, read_session
from capture.store.validate import validate
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor

NAME = "sub-P01_ses-01_task-dynamic_readouts.mcap"
PERIOD_US = 33_000
SIDE = 16


def header() -> SessionHeader:
    description = Description(Sensor("lensless", SIDE, SIDE), "unit-1", "1.0")
    return SessionHeader("P01", "01", description, load_script("dynamic"), 7)


def pair(sequence: int) -> FramePair:
    rng = np.random.default_rng(sequence)
    lit, dark = rng.integers(0, 4096, (2, SIDE, SIDE), np.uint16)
    time_us = 5_000 + PERIOD_US * sequence
    return FramePair(sequence, time_us, lit, dark, time_us + 300)


def write(path: Path, n_pairs: int) -> Path:
    path.parent.mkdir(exist_ok=True)
    with SessionWriter(path, header()) as writer:
        for sequence in range(n_pairs):
            one = pair(sequence)
            writer.add(one, sequence, one.time_us)
    return path


def chunks(content: bytes) -> list[tuple[int, int]]:
    """Start and end of each chunk record, by the container's own structure (MCAP, "Records")."""
    found, at = [], 8
    while content[at] != Opcode.DATA_END:
        length = int.from_bytes(content[at + 1 : at + 9], "little")
        if content[at] == Opcode.CHUNK:
            found.append((at, at + 9 + length))
        at += 9 + length
    return found


def kept(path: Path) -> list[int]:
    """Compare every stored readout with the one that was written; return their sequences."""
    sequences = []
    for block in read_session(path, with_labels=False).blocks(50):
        for got in block:
            wanted = pair(got.sequence)
            assert got.time_us == wanted.time_us
            assert np.array_equal(got.lit, wanted.lit)
            assert np.array_equal(got.dark, wanted.dark)
            sequences.append(got.sequence)
    return sequences


def takes(n: int) -> tuple[Event, ...]:
    return tuple(
        Event(i * 1.0, 0.5, "push", i, cue_onset_s=i * 1.0, cue_duration_s=0.6) for i in range(n)
    )


def test_zeros_in_the_middle_cost_one_chunk(tmp_path: Path) -> None:
    """64 zero bytes cost the readouts of the chunk they hit; reading offers the repair before."""
    path = write(tmp_path / NAME, 300)
    write_events(events_path(path), takes(10))
    content = bytearray(path.read_bytes())
    all_chunks = chunks(content)
    start, end = all_chunks[len(all_chunks) // 2]
    content[(start + end) // 2 : (start + end) // 2 + 64] = bytes(64)
    path.write_bytes(content)
    with pytest.raises(FormatError, match="what is whole with: palmwatt repair"):
        kept(path)
    done = repair(path)
    assert done is not None
    assert (done.n_chunks, done.n_stretches) == (len(all_chunks) - 1, 1)
    sequences = kept(path)
    assert len(sequences) == done.n_pairs == 300 - done.n_lost
    (jump,) = np.flatnonzero(np.diff(sequences) > 1)
    (noted,) = read_session(path).journal("/gaps")
    assert noted["damaged_after_sequence"] == sequences[jump]
    assert noted["damaged_until_sequence"] == sequences[jump + 1]
    assert done.original is not None
    assert done.original.read_bytes() == content
    lost_s = (sequences[jump] * 0.033, sequences[jump + 1] * 0.033)
    for event in read_events(events_path(path)):
        touched = event.onset_s < lost_s[1] and event.end_s > lost_s[0]
        assert event.status == (REJECTED if touched else GOOD)
    assert repair(path) is None


@pytest.mark.parametrize(("behind", "n"), [(24, 14), (10, 699)])
def test_a_chunk_whose_lengths_are_wiped_is_damage(tmp_path: Path, behind: int, n: int) -> None:
    """Zeros over sizes and check sum leave a chunk that seems empty and sound; it is neither."""
    path = write(tmp_path / NAME, 160)
    content = bytearray(path.read_bytes())
    start, _ = chunks(content)[0]
    at = start + 9 + behind  # behind kind and length: two times, sizes, check sum, readouts
    content[at : at + n] = bytes(n)
    path.write_bytes(content)
    with pytest.raises(FormatError, match="length of a chunk"):
        kept(path)
    done = repair(path)
    assert done is not None
    assert done.n_stretches == 1
    assert len(kept(path)) == done.n_pairs


@given(data=st.data())
def test_every_chunk_that_is_not_hit_is_kept(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever bytes are overwritten behind the header, all other chunks' readouts come back."""
    path = write(tmp_path_factory.mktemp("repair") / NAME, 160)
    content = bytearray(path.read_bytes())
    whole = chunks(content)
    size = data.draw(st.integers(1, 3000))
    # Behind the records that say what the file is: without them nothing can be read.
    at = data.draw(st.integers(whole[0][0], len(content) - size))
    filling = data.draw(st.sampled_from([b"\x00", b"\xff", b"\x06"]))
    content[at : at + size] = filling * size
    path.write_bytes(content)
    hit = [start < at + size and end > at for start, end in whole]
    expected = set(range(160)) if not any(hit) else set()
    for index, struck in enumerate(hit):
        expected |= set() if struck else set(_pairs_in(whole, index))
    repair(path)
    assert set(kept(path)) >= expected


_PAIRS: list[list[int]] = []


def _pairs_in(whole: list[tuple[int, int]], index: int) -> list[int]:
    """Return which frame pairs a chunk holds: a sound file of the same content tells."""
    if not _PAIRS:
        import tempfile

        with tempfile.TemporaryDirectory() as folder:
            path = write(Path(folder) / NAME, 160)
            before: set[int] = set()
            content = path.read_bytes()
            for start, _ in chunks(content)[1:]:
                cut = path.with_name(f"cut-{start}.mcap")
                cut.write_bytes(content[:start])
                inside = set(kept(cut))
                _PAIRS.append(sorted(inside - before))
                before = inside
            _PAIRS.append(sorted(set(range(160)) - before))
    assert len(whole) == len(_PAIRS)
    return _PAIRS[index]


def test_a_lost_beginning_moves_the_labels(tmp_path: Path) -> None:
    """Labels count from the first frame pair that is left; rows before it go, and stay beside."""
    path = write(tmp_path / NAME, 300)
    labels = events_path(path)
    write_events(labels, takes(9))
    content = bytearray(path.read_bytes())
    start, _ = chunks(content)[0]
    content[start + 40 : start + 104] = bytes(64)
    path.write_bytes(content)
    done = repair(path)
    assert done is not None
    first = kept(path)[0]
    assert 0 < first == done.n_lost
    before, after = takes(9), read_events(labels)
    shift_s = first * PERIOD_US / 1e6
    left = [event for event in before if event.onset_s >= shift_s]
    assert done.n_cut == len(before) - len(left) > 0
    assert [e.repetition for e in after] == [e.repetition for e in left]
    for old, new in zip(left, after, strict=True):
        assert new.onset_s == pytest.approx(old.onset_s - shift_s, abs=1e-5)
    assert len(read_events(labels.with_name(labels.name + ".damaged"))) == 9


def test_left_labels_by_hand() -> None:
    """A take before the first frame pair or behind the last goes, one in a loss is rejected."""
    losses = Losses(((4.2, 5.1),), 2.0, 8.2)
    left = left_of(takes(10), losses)
    assert [(e.repetition, e.onset_s, e.status) for e in left] == [
        (2, 0.0, GOOD), (3, 1.0, GOOD), (4, 2.0, REJECTED), (5, 3.0, REJECTED), (6, 4.0, GOOD),
        (7, 5.0, GOOD),
    ]  # fmt: skip
    assert left[2].reason == "the recording is damaged here"


def test_a_sound_session_is_left_alone(tmp_path: Path) -> None:
    """Nothing to repair is no error, and changes nothing."""
    path = write(tmp_path / NAME, 40)
    before = path.read_bytes()
    result = CliRunner().invoke(repair_command, [str(path)])
    assert result.exit_code == 0
    assert result.output == f"{path}: not damaged, left as it is\n"
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [NAME]


def test_the_command_says_what_it_did(tmp_path: Path) -> None:
    """What was kept and lost is told as JSON; a second damage never takes the first original."""
    path = write(tmp_path / NAME, 200)
    write_events(events_path(path), takes(6))
    content = bytearray(path.read_bytes())
    start, end = chunks(content)[1]
    content[start + 60 : start + 70] = bytes(10)
    path.write_bytes(content)
    result = CliRunner().invoke(repair_command, [str(path), "--json"])
    told = json.loads(result.output)
    assert (told["damaged"], told["n_stretches"], told["n_bytes"]) == (True, 1, end - start)
    assert told["original"] == f"{path}.damaged"
    path.write_bytes(content)
    with pytest.raises(UsageError, match="earlier damage"):
        repair(path)
    assert path.read_bytes() == content
    assert not list(tmp_path.glob(".*"))


def test_a_damaged_header_is_one_line(tmp_path: Path) -> None:
    """Without its header nothing says what the readouts are."""
    path = write(tmp_path / NAME, 40)
    content = bytearray(path.read_bytes())
    at = content.index(b"participant")
    content[at : at + 64] = bytes(64)
    path.write_bytes(content)
    with pytest.raises(FormatError, match="header"):
        repair(path)
    assert path.read_bytes() == content


def test_the_original_is_no_stray_session(tmp_path: Path) -> None:
    """A data set with a repaired session and its original beside it is as valid as before."""
    assert not any(".damaged" in str(v) for v in validate(_a_set(tmp_path / "set")))


def _a_set(root: Path) -> Path:
    from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path

    prepare_dataset(root)
    add_participant(root, Participant("P01", consent=True))
    path = session_path(root, "P01", "01", "dynamic")
    path.parent.mkdir(parents=True)
    write(path, 100)
    write_events(events_path(path), takes(2))
    content = bytearray(path.read_bytes())
    start, _ = chunks(content)[1]
    content[start + 60 : start + 70] = bytes(10)
    path.write_bytes(content)
    assert repair(path) is not None
    return root
