"""Bringing readouts in: each fault of a source is one line, and leaves nothing."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

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
from capture.frames import FrameBlock
from runtime.errors import Error, UsageError

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
        f / "a.npz", lit=np.array([{}]), dark=np.array([{}])), "damaged"),
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
