"""Files of any origin: what reads them ends in a clear error or in what was written."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from capture.cues.script import load_script
from capture.frames import FramePair
from capture.measure.quality import quality_faults, session_quality
from capture.store.dataset import read_description, read_participants
from capture.store.session import Session, read_session
from capture.store.validate import validate
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description, Exposure
from capture.wire.pairing import Pairer
from runtime.errors import Error, FormatError
from runtime.sensor import Sensor

NAME = "sub-P01_ses-01_task-dynamic_readouts.mcap"
SENSOR = Sensor("lensless", 3, 3)
# MCAP specification, section "Chunk": opcode, length, first and last time, size, CRC-32, length of
# the compression's name, the name, length of the data.
CHUNK_HEAD = struct.Struct("<BQQQQII4sQ")
ZSTANDARD = b"\x28\xb5\x2f\xfd"  # magic number, RFC 8878 section 3.1.1


def write(path: Path, times_us: list[int], entry: dict[str, object] | None = None) -> bytes:
    description = Description(SENSOR, "unit-1", "1.0")
    header = SessionHeader("P01", "01", description, load_script("dynamic"), 7)
    counts = np.arange(9, dtype=np.uint16).reshape(3, 3)
    with SessionWriter(path, header) as writer:
        for n, time_us in enumerate(times_us):
            writer.add(FramePair(n, time_us, counts + n, counts), n, time_us)
        writer.add_json("/events", {"index": 0, "onset": 0.1, "duration": 0.1} | (entry or {}))
    return path.read_bytes()


def read_all(path: Path) -> Session:
    session = read_session(path)
    list(session.journal("/events"))
    session_quality(session)
    return session


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return write(tmp_path_factory.mktemp("sound") / NAME, [33_000 * n for n in range(6)])


@given(data=st.data())
def test_any_content_of_a_chunk_ends_in_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, sound: bytes, data: st.DataObject
) -> None:
    """A chunk of any content, with a right checksum, raises nothing outside the tree of errors."""
    first = sound.index(ZSTANDARD)
    inside = bytearray(zstandard.ZstdDecompressor().decompressobj().decompress(sound[first:]))
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(inside) - 1))
        noise = data.draw(st.binary(max_size=12))
        inside[start : start + data.draw(st.integers(0, 12))] = noise
    packed = zstandard.ZstdCompressor().compress(bytes(inside))
    length = CHUNK_HEAD.size - 9 + len(packed)
    crc = zlib.crc32(inside)
    head = CHUNK_HEAD.pack(6, length, 0, 0, len(inside), crc, 4, b"zstd", len(packed))
    path = tmp_path_factory.mktemp("chunk") / NAME
    path.write_bytes(sound[: first - CHUNK_HEAD.size] + head + packed)
    try:
        read_all(path)
    except Error as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize("length", [2**63, 2**64 - 1, 2**31, 10_000])
def test_a_length_beyond_its_record_is_damage(tmp_path: Path, sound: bytes, length: int) -> None:
    """A chunk that claims more data than its record holds is damage, however much it claims."""
    first = sound.index(ZSTANDARD)
    path = tmp_path / NAME
    path.write_bytes(sound[: first - 8] + struct.pack("<Q", length) + sound[first:])
    with pytest.raises(FormatError, match="damaged"):
        read_all(path)


def test_a_clock_that_stands_or_falls_is_told(tmp_path: Path) -> None:
    """A session whose times do not rise is read and judged not fit, with how often it happened."""
    for times_us in ([0, 33_000, 0, 33_000, 0], [0] * 5):
        path = tmp_path / f"{sum(times_us)}.mcap"
        write(path, times_us)
        session = read_all(path)
        quality = session_quality(session)
        falls = int(np.count_nonzero(np.diff(times_us) <= 0))
        assert (quality.n_pairs, quality.n_clock_falls) == (5, falls)
        assert any("clock" in reason for reason in quality_faults(quality, session.sensor))


def test_a_place_that_the_container_cannot_hold_is_refused(tmp_path: Path) -> None:
    """A clock or a sequence beyond the container's fields ends in an error that names it."""
    with pytest.raises(FormatError, match="time of a frame pair"):
        write(tmp_path / NAME, [2**62])
    assert len(read_session(tmp_path / NAME).frames()) == 0


def test_a_journal_of_odd_numbers_is_labelled_as_far_as_it_makes_sense(tmp_path: Path) -> None:
    """An unfinished session whose journal numbers its cues oddly still opens with its labels."""
    whole = write(tmp_path / "whole.mcap", [0, 33_000], {"index": [{}], "trial_type": "push"})
    path = tmp_path / NAME
    path.write_bytes(whole[:-8])
    assert [event.trial_type for event in read_session(path).events] == ["push"]


TABLE = b"participant_id\tconsent\thand_length_mm\tlocked\nsub-P01\tyes\t180.5\tno\n"
DESCRIPTION = b'{"Name": "Readouts", "BIDSVersion": "1.10.0", "DatasetType": "raw"}'


@given(place=st.integers(0, 80), cut=st.integers(0, 20), noise=st.binary(max_size=20))
def test_any_bytes_in_a_table_of_participants_end_in_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, place: int, cut: int, noise: bytes
) -> None:
    """Bytes of any origin in participants.tsv raise nothing outside the tree of errors."""
    path = tmp_path_factory.mktemp("fuzz") / "participants.tsv"
    path.write_bytes(TABLE[:place] + noise + TABLE[place + cut :])
    try:
        read_participants(path)
    except Error as error:
        assert "\n" not in str(error)


@given(place=st.integers(0, 70), cut=st.integers(0, 20), noise=st.binary(max_size=20))
def test_any_bytes_in_a_description_end_in_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, place: int, cut: int, noise: bytes
) -> None:
    """Bytes of any origin in dataset_description.json raise nothing outside the tree of errors."""
    root = tmp_path_factory.mktemp("fuzz")
    content = DESCRIPTION[:place] + noise + DESCRIPTION[place + cut :]
    (root / "dataset_description.json").write_bytes(content)
    for read in (read_description, validate):
        try:
            read(root)
        except Error as error:
            assert "\n" not in str(error)


def test_exposures_that_count_down_are_held_in_bounded_memory() -> None:
    """A sensor whose numbers fall never makes more than a few incomplete pairs wait."""
    pairer = Pairer(Description(SENSOR, "unit-1", "1.0"))
    counts = np.zeros((3, 3), np.uint16)
    for sequence in range(1000, 0, -1):
        pairer.add(Exposure(True, sequence, 0, counts))
        assert len(pairer._waiting) <= pairer.hold + 1
    assert pairer.counts.late == 1000 - pairer.hold - 1
