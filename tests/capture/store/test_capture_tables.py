"""A session as a table: the same counts, clocks and labels as its arrays."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.cues.labels import Event
from capture.cues.script import parse_script
from capture.frames import FramePair
from capture.store.session import Session, read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.errors import UsageError
from runtime.sensor import Sensor

SENSOR = Sensor("table", 2, 3)
CLOCKS = ["sequence", "time_us", "dark_time_us", "time_s", "trial_type"]
EVENTS = (
    Event(0.1, 0.15, "push"),
    Event(0.3, 0.1, "pull", status="rejected", reason="looked away"),
    Event(0.5, 0.1, "push", 1),
)


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """Return eight frame pairs at 10 Hz, of which the fifth was lost, with labels."""
    script = parse_script(
        b'name = "s"\n[[cue]]\ntrial_type = "push"\nrepetitions = 1\nduration_s = 0.2\n', "s"
    )
    path = tmp_path / "sub-P01_ses-01_task-s_readouts.mcap"
    rng = np.random.default_rng(4)
    header = SessionHeader("P01", "01", Description(SENSOR, "unit-a", "test"), script, 1)
    with SessionWriter(path, header) as writer:
        for number in (0, 1, 2, 3, 5, 6, 7):
            lit, dark = rng.integers(0, 4096, (2, 2, 3)).astype(np.uint16)
            pair = FramePair(number, 7_000 + 100_000 * number, lit, dark, 7_300 + 100_000 * number)
            writer.add(pair, number, pair.time_us)
    return dataclasses.replace(read_session(path), events=EVENTS)


def columns(table: Any) -> list[str]:
    return list(table.columns)


@pytest.mark.parametrize("name", ["pandas", "polars"])
def test_a_table_holds_what_the_arrays_hold(session: Session, name: str) -> None:
    """One row a frame pair: sequence, clocks, label, and the counts of every pixel by its place."""
    frames, table = session.frames(), getattr(session, f"to_{name}")()
    assert columns(table)[:5] == CLOCKS
    assert columns(table)[5:] == ["r00c00", "r00c01", "r00c02", "r01c00", "r01c01", "r01c02"]
    np.testing.assert_array_equal(table["sequence"], [0, 1, 2, 3, 5, 6, 7])
    np.testing.assert_array_equal(table["time_us"], frames.time_us)
    np.testing.assert_array_equal(table["dark_time_us"], frames.time_us + 300)
    np.testing.assert_allclose(table["time_s"], [0, 0.1, 0.2, 0.3, 0.5, 0.6, 0.7], atol=1e-12)
    difference = frames.lit.astype(np.int64) - frames.dark
    np.testing.assert_array_equal(table["r01c02"], difference[:, 1, 2])
    assert difference.min() < 0
    labels = [None if each != each else each for each in table["trial_type"].to_list()]
    assert labels == [None, "push", "push", None, "push", None, None]


@pytest.mark.parametrize("name", ["pandas", "polars"])
def test_a_table_holds_the_exposure_that_was_asked_for(session: Session, name: str) -> None:
    """Lit and dark counts come as they were recorded, uint16; none leaves the counts out."""
    make = getattr(session, f"to_{name}")
    for readout in ("lit", "dark"):
        column = make(readout)["r00c01"]
        np.testing.assert_array_equal(column, getattr(session.frames(), readout)[:, 0, 1])
        assert np.asarray(column).dtype == np.uint16
    assert columns(make("none")) == CLOCKS
    with pytest.raises(UsageError, match="readout is 'bright', expected one of difference"):
        make("bright")


@pytest.mark.parametrize("name", ["pandas", "polars"])
def test_a_missing_library_of_tables_is_named(
    session: Session, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a library is not installed, the error says which one and how to get it."""
    monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(UsageError, match=f"library {name} is not installed.*pip install {name}"):
        getattr(session, f"to_{name}")()
