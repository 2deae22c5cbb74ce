"""A stated gain against what a recording shows, and headroom for weaker settings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rerecorded import EMULATED
from test_thin_thinned import SENSOR, flat

from capture.cues.labels import Event
from capture.cues.script import load_script
from capture.frames import FrameBlock
from capture.measure.headroom import (
    Headroom,
    headroom_caution,
    headroom_of,
    refuse_little_headroom,
)
from capture.measure.photon_transfer import measure_level, photon_transfer
from capture.measure.signs import read_signs
from capture.store.writer import SessionHeader, SessionWriter
from capture.thin.own_noise import (
    GAIN_LEEWAY,
    gain_cautions,
    gain_fault,
    own_noise,
    refuse_no_dark,
    refuse_wrong_gains,
)
from capture.wire.codec import Description
from runtime.errors import FormatError, UsageError

WIDE = replace(SENSOR, n_rows=24, n_cols=24, bit_depth=16)


def moving(n_frames: int = 512) -> FrameBlock:
    """A light spot that goes to and fro over the sensor, brighter in some rows than in others."""
    rng = np.random.default_rng(4)
    number = np.arange(n_frames, dtype=np.int64)
    at = 12.0 + 6.0 * np.sin(2 * np.pi * number / 60.0)
    cols = np.exp(-0.5 * ((np.arange(24) - at[:, None]) / 5.0) ** 2)
    light_e = np.linspace(50.0, 900.0, 24)[None, :, None] * cols[:, None, :]

    def read(mean_e: np.ndarray) -> np.ndarray:
        electrons = rng.poisson(mean_e) + WIDE.read_noise_e * rng.standard_normal(mean_e.shape)
        return np.clip(np.rint(2.0 * electrons + 200), 0, 65_535).astype(np.uint16)

    lit, dark = read(light_e + 20.0), read(np.full_like(light_e, 20.0))
    return FrameBlock(number, number * 33_333, lit, dark)


def test_a_recording_shows_its_sensors_gain_while_light_moves() -> None:
    """Gain and read noise of a moving spot of light are the sensor's, to a few per cent."""
    found = own_noise([moving()], WIDE)
    assert found.gain_dn_per_e == pytest.approx(2.0, rel=0.05)
    assert found.dark_noise_dn == pytest.approx(12.0, rel=0.05)
    assert gain_fault(WIDE, found) is None


@pytest.mark.parametrize("factor", [0.5, 1.6])
def test_a_wrong_gain_is_told_with_both_numbers(factor: float) -> None:
    """A sensor that states half the gain, or one and a half times, is one line with both."""
    wrong = replace(WIDE, conversion_gain_dn_per_e=2.0 * factor)
    found = own_noise([moving()], wrong)
    fault = gain_fault(wrong, found)
    assert fault is not None
    assert f"states a gain of {2.0 * factor:g} DN/e" in fault
    assert f"the recording shows {found.gain_dn_per_e:.4g}" in fault
    assert "\n" not in fault


def test_flat_fields_speak_of_the_gain_first() -> None:
    """A photon transfer series that gives another gain than the sensor states is one line."""
    levels = [
        measure_level(flat(WIDE, light_e, 0.0, 24, seed), 200.0)
        for seed, light_e in enumerate((50.0, 200.0, 800.0, 1600.0, 3000.0))
    ]
    result = photon_transfer(levels, np.random.default_rng(0))
    assert gain_fault(WIDE, measured=result) is None
    wrong = replace(WIDE, conversion_gain_dn_per_e=2.0 * (1.0 + 2.0 * GAIN_LEEWAY))
    fault = gain_fault(wrong, measured=result)
    assert fault is not None
    assert "states a gain of 3 DN/e, flat fields show 2" in fault


def test_one_recording_of_each_physical_sensor_is_asked(tmp_path: Path) -> None:
    """A data set whose sensor states another gain than it has is told of, and refused to thin."""
    block, files = moving(), []
    for number, sensor in enumerate((replace(WIDE, conversion_gain_dn_per_e=1.0), WIDE), start=1):
        path = tmp_path / f"sub-P{number:02d}_ses-01_task-dynamic_readouts.mcap"
        described = Description(sensor, "unit-1", "1.0")
        header = SessionHeader(f"P{number:02d}", "01", described, load_script("dynamic"), 1)
        with SessionWriter(path, header) as writer:
            for pair in block:
                writer.add(pair, pair.sequence, pair.time_us)
        files.append(path)
    assert gain_cautions(files[1:]) == []
    refuse_wrong_gains(files[1:])
    told = gain_cautions([files[0], *files])
    assert [one.about for one in told] == ["gain"]
    assert told[0].text.startswith("sub-P01_ses-01_task-dynamic_readouts.mcap: the sensor states")
    with pytest.raises(FormatError, match="states a gain of 1 DN/e, the recording shows"):
        refuse_wrong_gains(files)


def test_recordings_without_dark_exposures_are_refused_by_name(tmp_path: Path) -> None:
    """Dark exposures of nothing are told in one line with the file; real ones pass."""
    block, files = moving()[:8], []
    for number, dark in enumerate((block.dark, np.zeros_like(block.dark)), start=1):
        path = tmp_path / f"sub-P{number:02d}_ses-01_task-dynamic_readouts.mcap"
        described = Description(WIDE, "unit-1", "1.0")
        header = SessionHeader(f"P{number:02d}", "01", described, load_script("dynamic"), 1)
        with SessionWriter(path, header) as writer:
            for pair in replace(block, dark=dark):
                writer.add(pair, pair.sequence, pair.time_us)
        files.append(path)
    refuse_no_dark(files[:1])
    with pytest.raises(FormatError, match=r"P02_ses-01.*: dark exposures is missing") as caught:
        refuse_no_dark(files)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("n_frames, light_e", [(40, 500.0), (256, 0.0)])
def test_where_nothing_can_be_told_of_the_gain_nothing_is(n_frames: int, light_e: float) -> None:
    """A recording too short, or in the dark, does not speak against its sensor."""
    found = own_noise([flat(WIDE, light_e, 0.0, n_frames)], WIDE)
    assert found.gain_dn_per_e is None
    assert gain_fault(WIDE, found) is None


def test_counts_that_never_change_say_nothing() -> None:
    """A stuck sensor has no noise to be held against."""
    number = np.arange(128, dtype=np.int64)
    stuck = np.full((128, 24, 24), 300, np.uint16)
    found = own_noise([FrameBlock(number, number * 33_333, stuck, stuck)], WIDE)
    assert found.gain_dn_per_e is None


def test_takes_with_saturated_frames_are_counted() -> None:
    """Of two takes one has a saturated frame: half are touched, and the share of pixels is told."""
    number = np.arange(60, dtype=np.int64)
    lit = np.full((60, 32, 32), 500, np.uint16)
    lit[10, :2] = EMULATED.saturation_counts
    block = FrameBlock(
        number, np.rint(number * EMULATED.frame_period_us).astype(np.int64), lit, lit
    )
    signs = read_signs([block], EMULATED)
    events = (
        Event(0.0, 0.9, "push"),
        Event(1.0, 0.9, "pull"),
        replace(Event(0.0, 0.9, "push"), status="rejected"),
    )
    found = headroom_of([(signs, events)])
    assert (found.n_takes, found.n_touched) == (2, 1)
    assert found.saturated_fraction == pytest.approx(64 / (60 * 1024))
    with pytest.raises(UsageError, match=r"50\.0% .*expected at most 5\.0%") as caught:
        refuse_little_headroom(found, "recordings")
    assert "\n" not in str(caught.value)
    refuse_little_headroom(found, "recordings", most_touched=0.5)


def test_a_collector_is_told_to_leave_headroom() -> None:
    """Beyond one take in twenty, inspecting says to record with less light; below it, nothing."""
    assert headroom_caution(Headroom(0.0, 100, 5)) is None
    told = headroom_caution(Headroom(0.001, 100, 6))
    assert told is not None
    assert "6% of the takes" in told.text
    assert told.to_json()["value"] == pytest.approx(0.06)
    assert Headroom(0.0, 0, 0).touched_fraction == 0.0
