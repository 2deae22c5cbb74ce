"""Figures and verdict of a session, and the commands that show them."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from capture.cli import commands
from capture.cues.labels import Event, write_events
from capture.cues.script import load_script
from capture.emulated.optic.pixels import PixelArray
from capture.frames import FrameBlock, FramePair
from capture.measure.flicker import find_flicker, folded_hz
from capture.measure.quality import measure, quality_faults
from capture.measure.unread import unread_s
from capture.store.dataset import (
    Participant,
    add_participant,
    prepare_dataset,
    session_path,
)
from capture.store.session import events_path
from capture.store.validate import validate
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from capture.wording import inspection_lines
from runtime.errors import Error
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 4, 4, frame_rate_hz=50.0, black_level_counts=60)


def frames(n: int = 200, drop: tuple[int, ...] = (), jitter_us: float = 0.0) -> FrameBlock:
    rng = np.random.default_rng(2)
    sequence = np.array([i for i in range(n) if i not in drop], np.int64)
    time_us = np.rint(20_000 * sequence + rng.normal(0, jitter_us, len(sequence)))
    lit = np.full((len(sequence), 4, 4), 300, np.uint16)
    dark = np.full((len(sequence), 4, 4), 100, np.uint16)
    return FrameBlock(sequence, time_us.astype(np.int64), lit, dark)


def test_figures_are_those_of_the_readouts() -> None:
    """Rate, drops, levels and drift are those that the readouts were made with."""
    block = frames(drop=(50, 51, 120))
    block.lit[-40:] = 260  # lit minus dark falls from 200 to 160
    quality = measure([block[:70], block[70:]], SENSOR)
    assert quality.n_pairs == 197
    assert quality.n_dropped == 3
    assert quality.dropped_fraction == 3 / 200
    assert quality.frame_rate_hz == pytest.approx(50.0)
    assert quality.jitter_us == 0.0
    assert quality.ambient_counts == 40.0
    assert quality.level_drift == pytest.approx(-0.2)
    assert quality.duration_s == pytest.approx(199 / 50)


def test_a_lost_connection_is_no_drop() -> None:
    """Frame pairs that a noted gap took are told as a gap, all others as missing."""
    block = frames(drop=(50, 51, *range(100, 150)))
    noted = measure([block], SENSOR, {99, 7})
    assert (noted.n_dropped, noted.n_gaps) == (2, 1)
    assert noted.gap_s == pytest.approx(51 / 50)
    unknown = measure([block], SENSOR)
    assert (unknown.n_dropped, unknown.n_gaps, unknown.gap_s) == (52, 0, 0.0)


@pytest.mark.parametrize(
    ("n", "drop", "missing_s"),
    [
        (200, (), 0.0),
        (200, (60, 61), 0.0),
        (200, (10, *range(100, 120)), 0.02 + 0.4),
        (150, (), 1.0),
        (1, (), 2.98),
        (0, (), 3.0),
    ],
)
def test_takes_without_readouts_are_told(n: int, drop: tuple[int, ...], missing_s: float) -> None:
    """What good takes lack behind the last frame pair, or in gaps, is a share of their time."""
    takes = [Event(0.0, 1.0, "push"), Event(2.0, 1.0, "push"), Event(3.0, 1.0, "push")]
    block = frames(n, drop) if n else frames(1)[:0]
    block.time_us[:] += 7_000_000  # a device's clock runs before a session does
    quality = measure([block] if n else [], SENSOR, takes=takes)
    assert quality.unread_fraction == pytest.approx(missing_s / 3.0, abs=1e-9)
    assert quality.n_takes == 3
    told = " ".join(quality_faults(quality, SENSOR))
    assert ("of the takes' time has no frame pairs" in told) == (n > 0 and missing_s > 0)


def test_a_script_that_asks_for_frames_seldom_misses_none() -> None:
    """Where numbers follow upon each other nothing is missing, however long it takes."""
    block = frames(100)
    block.time_us[:] *= 3
    takes = [Event(0.0, 2.0, "push"), Event(3.0, 2.9, "push")]
    assert measure([block], SENSOR, takes=takes).unread_fraction == 0.0


def test_without_takes_nothing_of_them_is_missing() -> None:
    """A session without good takes lacks takes, and no readouts of them."""
    assert measure([frames()], SENSOR).unread_fraction == 0.0
    assert measure([], SENSOR).unread_fraction == 0.0
    assert unread_s([], np.zeros(0, np.int64), np.zeros(0, np.int64), 1.0) == (0.0, 0.0)


def test_jitter_is_the_spread_of_the_steps() -> None:
    """Independent timing errors of 100 us show as a jitter of 100 us times the root of two."""
    quality = measure([frames(2000, jitter_us=100.0)], SENSOR)
    assert quality.jitter_us == pytest.approx(100 * np.sqrt(2), rel=0.1)


def test_saturated_pixels_are_counted() -> None:
    """Saturated are lit pixels with a full well or at the end of the ADC, whichever comes first."""
    full_well = round(SENSOR.black_level_counts + 0.25 * 16_000)
    for sensor, level in (
        (SENSOR, full_well),
        (dataclasses.replace(SENSOR, conversion_gain_dn_per_e=0.5), 4095),
    ):
        block = frames(100)
        block.lit[:25, 0, 0], block.lit[25:, 0, 0] = level, level - 1
        quality = measure([block], sensor)
        assert quality.saturated_fraction == 1 / 64
        assert quality.saturated_pairs_fraction == 1 / 4


def test_the_verdict_names_its_reasons() -> None:
    """A session is fit, or not fit for reasons that are each said."""
    good = dataclasses.replace(measure([frames()], SENSOR), n_takes=5)
    assert quality_faults(good, SENSOR) == ()
    bad = dataclasses.replace(
        good, n_takes=0, n_dropped=50, saturated_pairs_fraction=0.5, jitter_us=9000.0
    )
    words = " ".join(quality_faults(bad, SENSOR))
    for word in ("no good take", "missing", "saturated", "varies"):
        assert word in words
    (fault,) = quality_faults(measure([], SENSOR), SENSOR)
    assert fault.startswith("it holds no frame pair: ended before the first came")


def command(name: str, *arguments: str) -> tuple[int, str, Exception | None]:
    (found,) = (c for c in commands if c.name == name)
    result = CliRunner().invoke(found, list(arguments))
    error = result.exception if isinstance(result.exception, Exception) else None
    return result.exit_code, result.output, error


def make_set(root: Path, drop: tuple[int, ...] = ()) -> Path:
    prepare_dataset(root)
    add_participant(root, Participant("P01", True))
    path = session_path(root, "P01", "01", "dynamic")
    path.parent.mkdir(parents=True)
    description = Description(SENSOR, "unit-1", "1.0")
    header = SessionHeader("P01", "01", description, load_script("dynamic"), 1)
    with SessionWriter(path, header) as writer:
        for i, pair in enumerate(frames(drop=drop)):
            assert isinstance(pair, FramePair), i
            writer.add(pair, pair.sequence, pair.time_us)
    write_events(events_path(path), [Event(1.0, 1.0, "push")])
    return path


def test_inspect_says_fit_or_not(tmp_path: Path) -> None:
    """Inspecting a data set or a session prints its figures; exit code 1 if one is not fit."""
    good = make_set(tmp_path / "good")
    code, text, _ = command("inspect", str(tmp_path / "good"))
    assert (code, "fit for training" in text) == (0, True)
    code, text, _ = command("inspect", str(good), "--json")
    (report,) = json.loads(text)["sessions"]
    assert (report["n_pairs"], report["fit"]) == (200, True)
    make_set(tmp_path / "bad", drop=tuple(range(20, 40)))
    code, text, _ = command("inspect", str(tmp_path / "bad"))
    assert code == 1
    assert "not fit: 10.0% of the frame pairs are missing" in text


def test_inspect_refuses_what_is_no_recording(tmp_path: Path) -> None:
    """A missing path, an empty data set and a text file are each refused in one line."""
    prepare_dataset(tmp_path / "empty")
    (tmp_path / "empty" / "participants.tsv").write_text("participant_id\tconsent\n")
    text = tmp_path / "notes.txt"
    text.write_text("hello")
    for path in (tmp_path / "none", tmp_path / "empty", text):
        _, _, error = command("inspect", str(path))
        assert isinstance(error, Error)
        assert "\n" not in str(error)


def test_record_refuses_before_it_writes(tmp_path: Path) -> None:
    """A missing port, an unknown script or a name for a pseudonym is refused, nothing written."""
    out = tmp_path / "set"
    rest = ("--script", "dynamic", "--out", str(out), "--consent")
    for arguments in (
        ("--port", str(tmp_path / "tty"), "--participant", "P01", *rest),
        ("--port", "loop://", "--participant", "Jane Doe", *rest),
        ("--port", "loop://", "--participant", "P01", *rest, "--script", "none.toml"),
    ):
        _, _, error = command("record", *arguments)
        assert isinstance(error, Error), arguments
    assert not out.exists()


@pytest.mark.parametrize("name", ["emulate", "record", "inspect", "forget"])
def test_every_command_shows_an_example(name: str) -> None:
    """The help of each command ends with an example."""
    code, text, _ = command(name, "--help")
    assert code == 0
    assert f"Example: palmwatt {name} " in " ".join(text.split()[-20:])


def test_inspect_lists_every_violation(tmp_path: Path) -> None:
    """Every violation in a data set is listed with its file and row, and nothing sound is."""
    root = tmp_path / "set"
    path = make_set(root)
    assert validate(root) == ()
    with (root / "participants.tsv").open("a") as table:
        table.write("sub-P01\tyes\tn/a\tn/a\tn/a\tn/a\tno\n")
        table.write("sub-P 2\tyes\tn/a\tn/a\tn/a\tn/a\tno\n")
        table.write("sub-P03\tperhaps\tn/a\tn/a\tn/a\tn/a\tno\n")
    events_path(path).write_text(
        "onset\tduration\ttrial_type\n"
        "1.0\t1.0\tpush\n"
        "1.5\t1.0\tpull\n"
        "x\t1.0\tpull\n"
        "3.0\t0.1\tsomersault\n"
        "3.5\t9.0\tpush\n"
        "\n"
        "3.6\t0.1\n"
        "3.7\t0.1\tpush\tpull\n"
    )
    other = session_path(root, "P04", "01", "dynamic")
    other.parent.mkdir(parents=True)
    other.write_bytes(path.read_bytes())
    (other.parent / "notes.mcap").write_bytes(b"x")
    found = {(violation.file.rsplit("/")[-1], violation.row) for violation in validate(root)}
    labels = events_path(path).name
    assert found == {
        ("participants.tsv", 3),
        ("participants.tsv", 4),
        ("participants.tsv", 5),
        (labels, 3),
        (labels, 4),
        (labels, 5),
        (labels, 6),
        (labels, 8),
        (labels, 9),
        (other.name, 0),
        (events_path(other).name, 0),
        ("notes.mcap", 0),
    }
    text = "\n".join(str(violation) for violation in validate(root))
    assert "the file says that it is P01 01 dynamic" in text
    assert "sub-P04 is not in participants.tsv" in text
    code, output, _ = command("inspect", str(root))
    assert (code, output.count("wrong: ")) == (1, len(validate(root)))


def test_a_damaged_session_is_a_violation_among_others(tmp_path: Path) -> None:
    """A session with a flipped byte is listed, and the sound sessions beside it are judged."""
    root = tmp_path / "set"
    path = make_set(root)
    damaged = session_path(root, "P01", "02", "dynamic")
    damaged.parent.mkdir(parents=True)
    content = bytearray(path.read_bytes())
    inside_a_chunk = content.index(b"\x28\xb5\x2f\xfd", len(content) // 2) + 20  # zstd's magic
    content[inside_a_chunk] ^= 0x10
    damaged.write_bytes(content)
    events_path(damaged).write_bytes(events_path(path).read_bytes())
    code, output, _ = command("inspect", str(root))
    assert code == 1
    wrong = [line for line in output.splitlines() if line.startswith("wrong: ")]
    assert len(wrong) == 2  # the flipped byte, and the header that still says session 01
    assert all("ses-02" in line for line in wrong)
    assert "fit for training" in output


def test_a_recording_without_consent_is_a_violation(tmp_path: Path) -> None:
    """Readouts of a participant whose consent was withdrawn are a violation."""
    make_set(tmp_path / "set")
    add_participant(tmp_path / "set", Participant("P01", False))
    (violation,) = validate(tmp_path / "set")
    assert "has not given consent" in str(violation)


def test_a_wrong_row_of_a_participant_is_said_once(tmp_path: Path) -> None:
    """The sessions of a participant whose row is wrong are not said to be nobody's as well."""
    make_set(tmp_path)
    table = tmp_path / "participants.tsv"
    table.write_text(table.read_text().replace("yes", "Yes"))
    (violation,) = validate(tmp_path)
    assert str(violation) == "participants.tsv row 2: consent is 'Yes', expected yes, no or n/a"


def lamp(frequency_hz: float, frame_rate_hz: float, amplitude: float) -> tuple[np.ndarray, ...]:
    """Return dark level and times under a lamp, with a hand that moves and read noise."""
    rng = np.random.default_rng(8)
    time_us = np.rint(np.arange(2400) * 1e6 / frame_rate_hz).astype(np.int64)
    time_s = time_us * 1e-6
    level = 100.0 + rng.normal(0.0, 0.3, time_s.size)
    level += 5.0 * np.sin(2 * np.pi * 0.3 * time_s) + rng.normal(0, 1, 24).repeat(100)
    return level + amplitude * np.sin(2 * np.pi * frequency_hz * time_s + 1.0), time_us


@pytest.mark.parametrize("frame_rate_hz", [27.0, 33.0, 62.0])
@pytest.mark.parametrize("true_hz", [99.95, 100.0, 120.0, 120.04])
def test_mains_flicker_is_told_by_its_frequency(frame_rate_hz: float, true_hz: float) -> None:
    """Flicker of 50 or 60 Hz mains is found, told apart and measured, though it is sampled slowly.

    The mains may be off by a few hundredths of a hertz, as grids are (common practice, no source).
    """
    level, time_us = lamp(true_hz, frame_rate_hz, 2.0)
    found = find_flicker(level, time_us, frame_rate_hz)
    assert found.frequency_hz == round(true_hz, -1)
    assert found.amplitude_counts == pytest.approx(2.0, rel=0.15)
    assert found.hidden_hz == ()


@pytest.mark.parametrize("frame_rate_hz", [27.0, 33.0, 62.0])
def test_no_flicker_is_made_up(frame_rate_hz: float) -> None:
    """Without flicker none is found, whatever hand and noise do."""
    level, time_us = lamp(100.0, frame_rate_hz, 0.0)
    assert find_flicker(level, time_us, frame_rate_hz).frequency_hz is None


def test_a_frame_rate_that_hides_flicker_is_said() -> None:
    """Flicker at a whole multiple of the frame rate looks steady, and that is said."""
    level, time_us = lamp(120.0, 30.0, 2.0)
    found = find_flicker(level, time_us, 30.0)
    assert (found.frequency_hz, found.hidden_hz) == (None, (120.0,))
    assert find_flicker(level[:50], time_us[:50], 30.0).hidden_hz == (100.0, 120.0)
    assert folded_hz(100.0, 30.0) == 10.0


@pytest.mark.parametrize(
    ("rate", "hidden", "said"), [(30.0, (120.0,), "at 36 pairs/s"), (60.5, (), ""), (0.0, (), "")]
)
def test_flicker_that_stands_still_is_told_with_a_rate_that_moves_it(
    rate: float, hidden: tuple[float, ...], said: str
) -> None:
    """What no mean over frames takes out is said, and the nearest frame rate at which one does."""
    quality = dataclasses.replace(
        measure([frames()], SENSOR), frame_rate_hz=rate, flicker_hidden_hz=hidden
    )
    [line] = [
        line for line in inspection_lines([], [(Path("s"), quality, [])]) if "flicker" in line
    ]
    assert said in line and ("stands still" in line) == bool(hidden)
    assert "\n" not in line


def test_inspect_measures_a_flat_field_series(tmp_path: Path) -> None:
    """A data set of flat fields, one level a session, gives gain and noise with intervals."""
    root = tmp_path / "flat"
    prepare_dataset(root)
    add_participant(root, Participant("P00", True))
    sensor = Sensor("flat", 24, 24, conversion_gain_dn_per_e=0.3, read_noise_e=9.0)
    pixels, rng = PixelArray(sensor, "unit-a"), np.random.default_rng(4)
    for number, electrons in enumerate(np.linspace(500, 10_000, 8), start=1):
        path = session_path(root, "P00", f"{number:02d}", "dynamic")
        path.parent.mkdir(parents=True)
        description = Description(sensor, "unit-a", "1.0")
        header = SessionHeader("P00", f"{number:02d}", description, load_script("dynamic"), 1)
        with SessionWriter(path, header) as writer:
            for i in range(20):
                mean = np.float32([electrons * pixels.response, 0 * pixels.response])
                lit, dark = pixels.read(mean, rng).reshape(2, 24, 24)
                writer.add(FramePair(i, i, lit, dark), i, i)
    code, output, error = command(
        "inspect", str(root), "--flat-field", str(tmp_path / "c.svg"), "--json"
    )
    assert (code, error) == (0, None)
    figures = json.loads(output)
    assert figures["conversion_gain_dn_per_e"]["value"] == pytest.approx(0.3, rel=0.02)
    assert figures["read_noise_e"]["value"] == pytest.approx(9.0, rel=0.05)
    code, output, _ = command("inspect", str(root), "--flat-field", str(tmp_path / "c.svg"))
    assert "saturation: this series cannot tell" in output
    assert (tmp_path / "c.svg").exists()
