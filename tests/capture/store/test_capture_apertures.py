"""Recordings of a sensor with several apertures, and recordings with names from before them."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from capture.cues.script import load_script
from capture.frames import FramePair
from capture.measure.quality import session_quality
from capture.store.session import read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from capture.wording import inspection_lines
from runtime.sensor import Aperture, Sensor

APERTURES = Aperture(-0.93, 0.0, 0, 4, 0, 3), Aperture(0.93, 0.0, 0, 4, 3, 3)


def record(path: Path, sensor: Sensor) -> Path:
    header = SessionHeader(
        "P01", "01", Description(sensor, "unit-1", "1.0"), load_script("dynamic"), 7
    )
    counts = np.full((4, 6), 100, np.uint16)
    with SessionWriter(path, header) as writer:
        for i in range(5):
            writer.add(FramePair(i, 33_333 * i, counts, counts), i, 33_333 * i)
    return path


@pytest.mark.parametrize("apertures", [(), APERTURES])
def test_a_recording_says_where_its_apertures_are(
    tmp_path: Path, apertures: tuple[Aperture, ...]
) -> None:
    """Apertures come back with the header, and inspect says them where there are several."""
    sensor = Sensor("pair", 4, 6, apertures=apertures)
    session = read_session(record(tmp_path / "a.mcap", sensor), with_labels=False)
    assert session.sensor == sensor
    quality = session_quality(session)
    json.dumps(quality.to_json())
    lines = "\n".join(inspection_lines([], [(tmp_path, quality, [])]))
    told = (
        "2 apertures, baseline 1.86 mm: (-0.93, 0) mm on rows 0 to 3, columns 0 to 2; "
        "(0.93, 0) mm on rows 0 to 3, columns 3 to 5"
    )
    assert (told in lines) == bool(apertures)
    assert ("aperture" in lines) == bool(apertures)


def test_a_recording_with_the_old_name_of_the_leds_place_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was recorded with `baseline_mm` for LED to optic opens with that as `led_offset_mm`."""
    sensor = Sensor("old", 4, 6, led_offset_mm=1.86)
    old = {("baseline_mm" if k == "led_offset_mm" else k): v for k, v in sensor.to_json().items()}
    with monkeypatch.context() as patched:
        patched.setattr(Sensor, "to_json", lambda _: old)
        path = record(tmp_path / "a.mcap", sensor)
    assert read_session(path, with_labels=False).sensor == dataclasses.replace(sensor)
