"""Bringing readouts in: each fault of a source is one line, and leaves nothing."""

from __future__ import annotations

import io
import sys
import tempfile
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from bring_files import (
    N_FRAMES,
    SENSOR_TEXT,
    as_csv,
    as_npz,
    event_rows,
    readouts,
    sources,
    tables,
    write_rows,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.bring.bring import bring
from capture.bring.readouts import read_frames
from capture.frames import FrameBlock
from runtime.errors import Error, FormatError, UsageError
from runtime.sensor import Sensor

WRONG: list[tuple[str, Callable[[Path], object], str]] = [
    ("counts above the range", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), 1024), dark=np.zeros((N_FRAMES, 4, 6), int)),
     "frame pair 0: counts at row 0, column 0 is 1024, expected a whole number from 0 to 1023"),
    ("a fraction", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), 0.5), dark=np.zeros((N_FRAMES, 4, 6))),
     "is 0.5, expected a whole number"),
    ("no number", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), np.nan), dark=np.zeros((N_FRAMES, 4, 6))),
     "is nan"),
    ("another shape", lambda f: np.savez(
        f / "a.npz", lit=np.ones((N_FRAMES, 6, 4), int), dark=np.ones((N_FRAMES, 6, 4), int)),
     "shape of an array is \\(300, 6, 4\\)"),
    ("fewer dark exposures", lambda f: np.savez(
        f / "a.npz", lit=np.ones((N_FRAMES, 4, 6), int), dark=np.ones((9, 4, 6), int)),
     "number of dark exposures is 9, expected 300"),
    ("one array only", lambda f: np.savez(f / "a.npz", lit=np.ones((N_FRAMES, 4, 6), int)),
     "array dark is missing"),
    ("an object array", lambda f: np.savez(
        f / "a.npz", lit=np.array([{}]), dark=np.array([{}])), "objects of Python"),
    ("objects that are numbers", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit.astype(object), dark=readouts().dark),
     "array lit: dtype is damaged or objects of Python, expected whole numbers"),
    ("one array given as both", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().lit),
     "lit and dark exposure are the same is 100%"),
    ("a pseudonym twice but for its case", lambda f: (f / "people.csv").write_text(
        "participant_id,consent\nP01,yes\np01,yes\n"),
     "row 3: participant_id is p01, expected once in the table, whatever its case"),
    ("a pseudonym of 10,000 letters", lambda f: (f / "people.csv").write_text(
        "participant_id,consent\n" + "P" * 10_000 + ",yes\n"), "row 2: pseudonym is 'P{40}', "),
    ("a session with a path", lambda f: write_rows(
        f / "recordings.csv", [{"file": "a.npz", "participant": "P01", "session": "../01"}]),
     "recordings.csv row 2: session is '../01', expected 1 to 32 letters and digits"),
    *((f"a file that is {what}", lambda f, name=name: [write_rows(
        f / table, [{"file": name, "participant": "P01", "onset": 1, "duration": 1,
                     "trial_type": "push"}]) for table in ("recordings.csv", "events.csv")],
       f"recordings.csv row [23]: file is {words}, expected a file, and no folder or device")
      for what, name, words in (("a folder", ".", "'.'"), ("a device", "/dev/zero", "'/dev/zero'"),
                                ("of 10,000 letters", "a" * 10_000, "'a{40}'"),
                                ("of two lines", "a\nb.npz", "'a.{1,3}nb.npz'"))),
    ("a unit of two lines", lambda f: write_rows(
        f / "recordings.csv", [{"file": "a.npz", "participant": "P01", "unit": "a\nb"}]),
     "recordings.csv row 3: unit is 'a.{1,3}nb', expected printable"),
    ("lit and dark swapped", lambda f: np.savez(
        f / "a.npz", lit=readouts().dark, dark=readouts().lit), "seem to be swapped"),
    ("times that stand still", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.zeros(N_FRAMES, int)), "frame pair 1: time_us is 0, expected rising"),
    ("times of another rate", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.arange(N_FRAMES) * 30_000), "frame rate by its times is 33.33 Hz"),
    ("text", lambda f: (f / "a.npz").write_text("no archive"), "damaged"),
    ("no file", lambda f: (f / "a.npz").unlink(), "unreadable"),
    ("no consent", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P01", "consent": "no"}]), "consent is not given"),
    ("an unknown person", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P02", "consent": "yes"}]), "participant is 'P01'"),
    ("a take after the end", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": 5.9, "duration": 9, "trial_type": "push"}]),
     "end of push is 14.9 s"),
    ("takes over each other", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": t, "duration": 1, "trial_type": "push"} for t in (1, 1.5)]),
     "onset of push is 1.5 s, expected after 2 s"),
    ("takes of another file", lambda f: write_rows(
        f / "events.csv",
        [*event_rows("a.npz"), *event_rows("b.npz")]), "file is 'b.npz'"),
    ("no takes", lambda f: (f / "events.csv").write_text("file,onset,duration,trial_type\n"),
     "number of events is 0"),
    ("a label of two words", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": 1, "duration": 1, "trial_type": "To push"}]), "row 2"),
    ("a session twice", lambda f: write_rows(
        f / "recordings.csv",
        [{"file": n, "participant": "P01", "session": "1"} for n in ("a.npz", "a.npz")]),
     "number of events is 0|a second time"),
    ("an unknown sensor key", lambda f: (f / "sensor.toml").write_text(
        SENSOR_TEXT + "colour = 1\n"), "sensor key is colour"),
    ("frames without --lit-dark", lambda f: np.savez(
        f / "a.npz", frames=np.ones((2 * N_FRAMES, 4, 6), int)),
     r"array lit is missing \(there is frames\), expected lit and dark with --lit-dark two-arrays"),
    ("a dark exposure's time of another frame", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.arange(N_FRAMES) * 20_000, dark_time_us=np.arange(N_FRAMES) * 20_000 + 20_000),
     "frame pair 0: dark_time_us is 20000, expected less than a frame"),
    ("times in milliseconds", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark, time_us=np.arange(N_FRAMES) * 20),
     "a second is 1000000"),
    ("times in nanoseconds", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.arange(N_FRAMES) * 20_000_000), "frame rate by its times is 0.05 Hz"),
    ("a recording twice", lambda f: write_rows(
        f / "recordings.csv", [{"file": "a.npz", "participant": "P01"} for _ in range(2)]),
     r"recordings.csv row 3: file is 'a.npz' a second time"),
    ("a column in capitals", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P01", "consent": "yes", "Locked": "yes"}]),
     "a column's name is 'Locked', expected locked"),
    ("a length in centimetres", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P01", "consent": "yes", "hand_length_cm": "18"}]),
     "'hand_length_cm', expected hand_length_mm"),
    ("columns between semicolons", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P01", "consent": "yes"}], ";"),
     "says 'participant_id;consent'; separate columns by commas"),
    ("a take without length", lambda f: write_rows(
        f / "events.csv", [{"file": "a.npz", "onset": 1, "duration": 0, "trial_type": "push"}]),
     "duration of push at 1 s is 0 s, expected at least a frame"),
    ("a task of two words", lambda f: write_rows(
        f / "recordings.csv", [{"file": "a.npz", "participant": "P01", "task": "My task"}]),
     "recordings.csv row 2: task is 'My task', expected up to 40 small letters"),
    ("a distance in metres", lambda f: write_rows(
        f / "recordings.csv", [{"file": "a.npz", "participant": "P01", "distance_mm": 0.1}]),
     "recordings.csv row 2: distance_mm is 0.1, expected 10 to 1000"),
    ("a table with quotes left open", lambda f: (f / "people.csv").write_text(
        'participant_id,consent\n"P01,yes\n'), "damaged|number of values"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "spoil", "words"), WRONG, ids=[w[0] for w in WRONG])
def test_what_is_wrong_is_one_line_and_nothing_is_written(
    what: str, spoil: Callable[[Path], object], words: str, tmp_path: Path
) -> None:
    """Each fault of a source is refused with file, value and expectation, and leaves nothing."""
    as_npz(tmp_path, readouts())
    tables(tmp_path, "a.npz")
    spoil(tmp_path)
    with pytest.raises(Error, match=words) as caught:
        bring(sources(tmp_path), tmp_path / "set")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "set").exists(), what


TABLES = [
    ("a table without names", [str(17 + 5 * i) for i in range(48)], "first line is numbers"),
    ("pixels backwards", [f"p{i}" for i in range(48)][::-1], "is p47 before p46"),
    ("pixels down the columns", [f"{e}_r{r}c{c}" for e in ("lit", "dark") for c in range(6)
                                 for r in range(4)], "lit_r3c0 before lit_r0c1"),
    ("pixels as they lie", [f"{e}_r{r}c{c}" for e in ("lit", "dark") for r in range(4)
                            for c in range(6)], None),
    ("columns numbered by another program", [str(i) for i in range(48)], None),
    ("names that say nothing", [f"{'ab'[i % 2]}{47 - i}" for i in range(48)], None),
]  # fmt: skip


@pytest.mark.parametrize(("what", "names", "words"), TABLES, ids=[t[0] for t in TABLES])
def test_names_of_pixels_that_say_another_order_are_refused(
    what: str, names: list[str], words: str | None, tmp_path: Path
) -> None:
    """A table of frames whose columns' numbers fall, or that has no names, is not read as if."""
    tables(tmp_path, "a.csv")
    block = readouts()
    values = np.concatenate([a.reshape(N_FRAMES, 24) for a in (block.lit, block.dark)], axis=1)
    np.savetxt(tmp_path / "a.csv", values, "%d", ",", header=",".join(names), comments="")
    if words is None:
        assert len(bring(sources(tmp_path), tmp_path / "set")) == 1, what
        return
    with pytest.raises(Error, match=words):
        bring(sources(tmp_path), tmp_path / "set")


def test_what_is_not_read_and_readouts_that_are_not_raw_are_told(tmp_path: Path) -> None:
    """A further column, and dark exposures below the sensor's black level, are said in a line."""
    block = readouts()
    dark = np.zeros_like(block.dark)
    np.savez(tmp_path / "a.npz", lit=block.lit - block.dark, dark=dark)
    tables(tmp_path, "a.npz", weather="fine")
    told: list[str] = []
    bring(sources(tmp_path), tmp_path / "set", tell=told.append)
    assert any("recordings.csv: not read: weather" in line for line in told)
    assert any("dark exposures are 0.0 counts on average, below" in line for line in told)


def claims_more(path: Path, n_frames: int) -> None:
    """Write an archive whose arrays say that they are longer than they are."""
    header = io.BytesIO()
    said = {"descr": "<u2", "fortran_order": False, "shape": (n_frames, 4, 6)}
    np.lib.format.write_array_header_1_0(header, said)
    with zipfile.ZipFile(path, "w") as archive:
        for name, values in (("lit", readouts().lit), ("dark", readouts().dark)):
            archive.writestr(f"{name}.npy", header.getvalue() + values.tobytes())


def test_an_archive_that_claims_more_than_it_holds_takes_no_memory(tmp_path: Path) -> None:
    """A header of 48 GB over 14 kB is refused before anything is made room for."""
    tables(tmp_path, "a.npz")
    claims_more(tmp_path / "a.npz", 10**9)
    with pytest.raises(FormatError, match="size by its header is 48000000000, expected 14"):
        bring(sources(tmp_path), tmp_path / "out")


@pytest.mark.parametrize("order", ["C", "F"])
def test_an_archive_is_read_a_block_at_a_time(tmp_path: Path, order: Literal["C", "F"]) -> None:
    """Of 40 MB a few are held at a time; arrays that lie column by column are read whole."""
    n_frames, sensor = 100_000, Sensor("wide", 10, 10)
    values = np.arange(n_frames * 100, dtype=np.uint16).reshape(n_frames, 10, 10)
    path = tmp_path / "long.npz"
    np.savez_compressed(path, frames=np.asarray(values, order=order))
    tracemalloc.start()
    blocks = read_frames(path, None, "interleaved", sensor)
    n_read = 0
    for block in blocks:
        rows = slice(2 * n_read, 2 * (n_read + len(block.lit)))
        assert np.array_equal(block.lit, values[rows][0::2])
        assert np.array_equal(block.dark, values[rows][1::2])
        n_read += len(block.lit)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert 2 * n_read == n_frames
    assert peak < 2e6 or order == "F"


@pytest.mark.parametrize("form", [as_npz, as_csv])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(data=st.data())
def test_no_damage_of_a_file_escapes_as_another_error(
    form: Callable[[Path, FrameBlock], tuple[str, str, dict[str, object]]],
    tmp_path: Path,
    data: st.DataObject,
) -> None:
    """A file of frames cut or flipped anywhere is brought in or refused in one line."""
    name, order, _ = form(tmp_path, readouts())
    tables(tmp_path, name)
    content = bytearray((tmp_path / name).read_bytes())
    at = data.draw(st.integers(0, len(content) - 1) | st.integers(0, min(400, len(content) - 1)))
    if data.draw(st.booleans()):
        del content[at:]
    else:
        content[at] ^= data.draw(st.integers(1, 255))
    (tmp_path / name).write_bytes(content)
    out = Path(tempfile.mkdtemp(dir=tmp_path)) / "set"
    try:
        bring(sources(tmp_path, order), out)
    except Error as error:
        assert "\n" not in str(error)
        assert not out.exists()


def test_parquet_without_pyarrow_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where pyarrow is missing, a Parquet table says what to install or to do instead."""
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    tables(tmp_path, "a.parquet")
    (tmp_path / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(UsageError, match=r"not possible without pyarrow.*pip install pyarrow"):
        bring(sources(tmp_path, "interleaved"), tmp_path / "set")
