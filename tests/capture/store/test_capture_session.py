"""Sessions on disk: read back, finished after a kill, and never trusted."""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import resource
import signal
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mcap.opcode import Opcode
from mcap.reader import make_reader
from mcap.writer import Writer
from mcap_ros2.decoder import DecoderFactory

from capture.cues.labels import Event, write_events
from capture.cues.script import load_script
from capture.frames import FramePair
from capture.store.session import events_path, read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description, Status
from runtime.errors import Error, FormatError, UsageError
from runtime.sensor import Sensor

NAME = "sub-P01_ses-01_task-dynamic_readouts.mcap"


def header(n_rows: int = 3, n_cols: int = 3) -> SessionHeader:
    description = Description(Sensor("lensless", n_rows, n_cols), "unit-1", "1.0", first_row=2)
    return SessionHeader("P01", "01", description, load_script("dynamic"), 7)


def pair(sequence: int, n_rows: int = 3, n_cols: int = 3) -> FramePair:
    rng = np.random.default_rng(sequence)
    lit, dark = rng.integers(0, 4096, (2, n_rows, n_cols), np.uint16)
    return FramePair(sequence, 33_000 * sequence, lit, dark, 33_000 * sequence + 300)


def write(path: Path, n_pairs: int, side: int = 3) -> Path:
    with SessionWriter(path, header(side, side)) as writer:
        for sequence in range(n_pairs):
            writer.add(pair(sequence, side, side), sequence, 33_000 * sequence)
            if sequence % 10 == 9:
                writer.add_json("/events", event_entry(sequence // 10))
        writer.add_status(Status(5, 24.0, 3300, 1))
    return path


def event_entry(index: int) -> dict[str, object]:
    return {
        "index": index,
        "onset": 0.1 * index,
        "duration": 0.1,
        "trial_type": "push",
        "repetition": index,
        "status": "good",
        "reason": None,
    }


def check(path: Path, side: int = 3) -> int:
    """Compare every stored readout with the one that was written; return how many there are."""
    n_pairs = 0
    for block in read_session(path).blocks(50):
        for got in block:
            wanted = pair(got.sequence, side, side)
            assert (got.time_us, got.dark_time_us) == (wanted.time_us, wanted.dark_time_us)
            assert np.array_equal(got.lit, wanted.lit)
            assert np.array_equal(got.dark, wanted.dark)
            n_pairs += 1
    return n_pairs


@pytest.mark.parametrize("side", [1, 2, 3, 8])
def test_a_session_is_read_back(tmp_path: Path, side: int) -> None:
    """A session gives back its header, readouts, the times of both exposures, and messages."""
    path = write(tmp_path / NAME, 100, side)
    session = read_session(path)
    assert session.header == header(side, side)
    assert check(path, side) == 100
    assert len(session.frames()) == 100
    assert [entry["index"] for entry in session.journal("/events")] == list(range(10))
    assert next(session.journal("/status"))["overruns"] == 1


def test_a_dark_time_that_no_clock_reaches_is_refused(tmp_path: Path) -> None:
    """A dark exposure's time of more than 63 bits is an error with the file's name."""
    path = tmp_path / NAME
    with SessionWriter(path, header()) as writer:
        writer.add(dataclasses.replace(pair(0), dark_time_us=2**63), 0, 0)
    with pytest.raises(FormatError, match="dark_time_us"):
        read_session(path).frames()


def test_a_noted_distance_is_read_back(tmp_path: Path) -> None:
    """A distance is in the file where somebody noted one, and nowhere else; nonsense is refused."""
    assert "distance_mm" not in header().to_metadata()
    assert read_session(write(tmp_path / NAME, 1)).distance_mm is None
    noted = dataclasses.replace(header(), distance_mm=80.5)
    path = tmp_path / "noted.mcap"
    SessionWriter(path, noted).close()
    assert read_session(path).header == noted
    for distance_mm in (9.9, 1000.1, float("nan")):
        with pytest.raises(UsageError, match="distance_mm"):
            dataclasses.replace(header(), distance_mm=distance_mm)


@pytest.mark.parametrize("side", [2, 3])
def test_the_container_s_own_reader_decodes_the_readouts(tmp_path: Path, side: int) -> None:
    """An independent reader decodes every readout by the schema in the file alone."""
    path = write(tmp_path / NAME, 30, side)
    n_pairs = 0
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True, decoder_factories=[DecoderFactory()])
        decoded = reader.iter_decoded_messages(topics=["/frame_pairs"])
        for sequence, (_, _, message, frame) in enumerate(decoded):
            wanted = pair(sequence, side, side)
            assert message.log_time == 1000 * wanted.time_us
            assert (frame.sequence, frame.time_us) == (sequence, wanted.time_us)
            assert (frame.dark_time_us, frame.first_row) == (wanted.dark_time_us, 2)
            assert (frame.n_rows, frame.n_cols, frame.run) == (side, side, 0)
            assert list(frame.lit) == wanted.lit.ravel().tolist()
            assert list(frame.dark) == wanted.dark.ravel().tolist()
            n_pairs += 1
    assert n_pairs == 30


def test_a_cut_file_is_finished_on_opening(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A file cut anywhere behind its header opens, keeps whole chunks, and says it was repaired."""
    whole = write(tmp_path / NAME, 300, 32).read_bytes()
    path = tmp_path / "cut" / NAME
    path.parent.mkdir()
    kept = []
    for size in range(len(whole) - 1, 4000, -len(whole) // 23):
        path.write_bytes(whole[:size])
        events_path(path).unlink(missing_ok=True)
        caplog.clear()
        kept.append(check(path, 32))
        assert "repaired" in caplog.text
        assert events_path(path).exists()
        caplog.clear()
        assert check(path, 32) == kept[-1]
        assert "repaired" not in caplog.text
    assert kept[0] == 300
    assert kept == sorted(kept, reverse=True)
    assert len(set(kept)) > 5
    assert [p.name for p in path.parent.iterdir() if p.name.startswith(".")] == []


def test_takes_of_a_killed_recorder_are_found_in_the_readouts(tmp_path: Path) -> None:
    """An unfinished session's takes are moved from their cues to the movement, as at its end."""
    path = tmp_path / NAME
    still, moved = pair(0, 4, 4), pair(1, 4, 4)
    with SessionWriter(path, header(4, 4)) as writer:
        for n in range(200):
            shown = moved if 60 <= n < 80 and n % 2 else still
            frame = FramePair(n, 33_000 * n, shown.lit, shown.dark)
            writer.add(frame, n, frame.time_us)
        writer.add_json("/events", event_entry(0) | {"onset": 1.5, "duration": 2.0})
    path.write_bytes(path.read_bytes()[:-8])
    (event,) = read_session(path).events
    assert event.labeller == "energy"
    assert event.onset_s == pytest.approx(60 * 0.033, abs=0.04)
    assert event.end_s == pytest.approx(80 * 0.033, abs=0.04)


def record_until_killed(path: Path, told: Path) -> None:
    with SessionWriter(path, header(16, 16)) as writer, told.open("ab", buffering=0) as log:
        for sequence in range(100_000):
            writer.add(pair(sequence, 16, 16), sequence, 33_000 * sequence)
            log.write(f"{sequence} {time.monotonic()}\n".encode())
            time.sleep(0.001)


@pytest.mark.parametrize("delay_s", [0.05, 0.4, 0.9, 1.3])
def test_a_killed_recorder_loses_less_than_a_second(tmp_path: Path, delay_s: float) -> None:
    """After kill -9 every readout that was one second old is in the file, which opens."""
    path, told = tmp_path / NAME, tmp_path / "told"
    context = multiprocessing.get_context("spawn")
    process = context.Process(target=record_until_killed, args=(path, told))
    process.start()
    while not told.exists() or not told.stat().st_size:
        time.sleep(0.01)
    time.sleep(delay_s)
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    killed = time.monotonic()
    lines = told.read_text().split("\n")[:-1]
    old = [line for line in lines if float(line.split()[1]) < killed - 1.0]
    assert check(path, 16) >= len(old)


def test_a_session_being_recorded_is_left_alone(tmp_path: Path) -> None:
    """A session that another program is still writing is not repaired under its hands."""
    path = tmp_path / NAME
    with SessionWriter(path, header()) as writer:
        writer.add(pair(0), 0, 0)
        writer.flush()
        with pytest.raises(UsageError, match="being recorded"):
            read_session(path)
    assert check(path) == 1


def test_a_session_is_never_overwritten(tmp_path: Path) -> None:
    """Writing where a session is already is refused."""
    path = write(tmp_path / NAME, 3)
    with pytest.raises(UsageError, match="there already"):
        SessionWriter(path, header())
    assert check(path) == 3


def test_readouts_of_another_shape_are_refused(tmp_path: Path) -> None:
    """A frame pair that the header does not announce is not written."""
    with (
        SessionWriter(tmp_path / NAME, header()) as writer,
        pytest.raises(FormatError, match="shape"),
    ):
        writer.add(pair(0, 4, 4), 0, 0)


def test_labels_are_read_from_the_table_beside(tmp_path: Path) -> None:
    """Labels come from the events table; writing them leaves the readouts' bytes as they are."""
    path = write(tmp_path / NAME, 30)
    before = path.read_bytes()
    events = (Event(0.1, 0.3, "push"), Event(0.5, 0.2, "pull", status="rejected", reason="late"))
    assert read_session(path).events == ()
    write_events(events_path(path), events)
    assert read_session(path).events == events
    assert path.read_bytes() == before


def test_a_flipped_bit_is_noticed(tmp_path: Path) -> None:
    """A flipped bit never gives a wrong readout: reading ends in a clear error or is unharmed."""
    whole = write(tmp_path / NAME, 60).read_bytes()
    path = tmp_path / "flipped" / NAME
    path.parent.mkdir()
    rng = np.random.default_rng(1)
    n_noticed = 0
    for place in rng.integers(0, 8 * len(whole), 300):
        flipped = bytearray(whole)
        flipped[place // 8] ^= 1 << place % 8
        path.write_bytes(flipped)
        try:
            check(path)
        except Error as error:
            assert "\n" not in str(error)
            n_noticed += 1
    assert n_noticed > 100


@given(st.data())
def test_any_bytes_in_a_session_end_in_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Bytes of any origin in a session's file raise nothing outside the tree of errors."""
    folder = tmp_path_factory.mktemp("fuzz")
    content = bytearray(write(folder / NAME, 20).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(content) - 1))
        noise = data.draw(st.binary(max_size=30))
        content[start : start + data.draw(st.integers(0, 30))] = noise
    path = folder / "noise.mcap"
    path.write_bytes(content)
    try:
        check(path)
    except Error as error:
        assert "\n" not in str(error)


def test_a_chunk_that_would_swell_is_refused(tmp_path: Path) -> None:
    """A small chunk that unpacks to a huge one is refused before memory is taken for it."""
    path = tmp_path / "bomb.mcap"
    with path.open("wb") as file:
        writer = Writer(file, chunk_size=2**30)
        writer.start()
        writer.add_metadata("session", header().to_metadata())
        channel = writer.register_channel("/frame_pairs", "cdr", 0)
        writer.add_message(channel, 0, bytes(100 * 2**20), 0)
        writer.finish()
    assert path.stat().st_size < 2**20
    with pytest.raises(FormatError, match="size of a chunk"):
        read_session(path).frames()


def test_a_foreign_file_is_one_clear_line(tmp_path: Path) -> None:
    """A file that is missing, empty, text or another log of the container is refused by name."""
    foreign = tmp_path / "foreign.mcap"
    with foreign.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.finish()
    text = tmp_path / "text.mcap"
    text.write_text("onset\tduration\n")
    empty = tmp_path / "empty.mcap"
    empty.touch()
    for path, words in [
        (foreign, "the header is missing"),
        (text, "expected an MCAP file"),
        (empty, "is empty"),
        (tmp_path / "none.mcap", "No such file"),
        (tmp_path, "Is a directory"),
    ]:
        with pytest.raises(Error, match=words):
            read_session(path)


def test_pseudonyms_are_letters_and_digits() -> None:
    """A pseudonym or session number that could leave its folder is refused."""
    for name in ("../P01", "", "P 1", "P" * 33, "Zoë"):
        with pytest.raises(UsageError, match="letters and digits"):
            dataclasses.replace(header(), participant=name)


def record_until_full(path: Path, told: Path) -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
    writer = SessionWriter(path, header(16, 16))
    sequence = 0
    try:
        while True:
            writer.add(pair(sequence, 16, 16), sequence, 33_000 * sequence)
            sequence += 1
            if sequence % 50 == 0:
                writer.flush()
    except Error as error:
        writer.abandon()
        told.write_text(f"{sequence} {error}")


def test_a_full_disk_is_one_clear_line_and_loses_nothing_before(tmp_path: Path) -> None:
    """A disk that fills ends the recording with one clear error; what was flushed opens."""
    path, told = tmp_path / NAME, tmp_path / "told"
    context = multiprocessing.get_context("spawn")
    process = context.Process(target=record_until_full, args=(path, told))
    process.start()
    process.join()
    n_given, message = told.read_text().split(" ", 1)
    assert "make room on the disk" in message.lower()
    assert "\n" not in message
    assert int(n_given) - 100 <= check(path, 16) <= int(n_given) + 1


def test_the_original_of_a_damaged_unfinished_session_is_kept(tmp_path: Path) -> None:
    """Finishing a file that is only cut leaves one file; one damaged before its end, the original.

    The magic number of a Zstandard frame (RFC 8878, section 3.1.1) tells where a chunk begins.
    """
    whole = write(tmp_path / NAME, 60).read_bytes()
    cut = whole[: len(whole) * 2 // 3]
    path = tmp_path / "cut" / NAME
    path.parent.mkdir()
    path.write_bytes(cut)
    kept = check(path)
    assert 0 < kept < 60
    assert not list(path.parent.glob("*.damaged"))

    damaged = bytearray(cut)
    damaged[damaged.index(b"\x28\xb5\x2f\xfd", len(cut) // 3) + 30] ^= 1
    path = tmp_path / "damaged" / NAME
    path.parent.mkdir()
    path.write_bytes(damaged)
    assert 0 < check(path) < kept
    (original,) = path.parent.glob("*.damaged")
    assert original.read_bytes() == damaged


def test_a_cut_index_is_no_damage(tmp_path: Path) -> None:
    """A file cut behind its last readout is finished without its original kept beside it."""
    path = write(tmp_path / NAME, 60)
    end = path.read_bytes().rindex(bytes([Opcode.DATA_END, 4]) + bytes(7))
    path.write_bytes(path.read_bytes()[: end + 40])
    assert check(path) == 60
    assert not list(path.parent.glob("*.damaged"))


def test_a_false_end_is_noticed(tmp_path: Path) -> None:
    """A chunk whose kind is damaged into that of the end does not pass for the end."""
    content = bytearray(write(tmp_path / NAME, 400).read_bytes())
    at = 8  # behind the magic; each record is its kind, its length and its content
    while content[at] != Opcode.CHUNK or at < len(content) // 3:
        at += 9 + int.from_bytes(content[at + 1 : at + 9], "little")
    content[at] = Opcode.DATA_END
    (tmp_path / NAME).write_bytes(content)
    with pytest.raises(FormatError, match="closing record"):
        check(tmp_path / NAME)
