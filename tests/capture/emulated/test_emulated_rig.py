"""A rig from its command to a data set: emulated, recorded with its truth, checked, brought in."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import click
import numpy as np
import pytest

from capture.bring.bring import bring
from capture.bring.plan import Sources
from capture.cli import commands
from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.points.scene import PointScene
from capture.emulated.points.session import PointSession
from capture.emulated.port.device import DeviceSettings, running_device
from capture.emulated.session import dark_offset_us
from capture.lead.record import SessionNotes, record
from capture.store.dataset import Participant, open_dataset
from capture.store.session import read_session
from capture.store.source_truth import read_truth, session_truth, truth_path
from capture.store.validate import validate
from capture.wire.link import SerialLink
from runtime.errors import FormatError, UsageError

SCRIPT = """name = "small_rig"
lead_in_s = 0.3
movement = false
[[cue]]
trial_type = "rig_hold"
repetitions = 3
duration_s = 0.4
[[cue]]
trial_type = "rig_two"
repetitions = 2
duration_s = 0.4
"""
SCENE = 'clutter = 2\nilluminance_lx = 5.0\nelectrons = [2e5, 4e5]\nsource = "shines"\n'
PERSON = Participant("P01", consent=True)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a script, a scene, a rig's table and a recording with its truth."""
    folder = tmp_path_factory.mktemp("rig")
    script, scene = folder / "small_rig.toml", folder / "scene.toml"
    script.write_text(SCRIPT, "utf-8")
    scene.write_text(SCENE, "utf-8")
    settings = DeviceSettings(
        script=str(script), sensor="lensless32pair", seed=4, speed=0.0, led_current_ma=0.0,
        rig=str(scene), truth=str(folder / "rig.csv"),
    )  # fmt: skip
    with running_device(settings) as url, SerialLink(url) as link:
        notes = SessionNotes(truth=folder / "rig.csv")
        record(link, PERSON, load_script(script), 4, folder / "set", notes=notes)
    return folder


def _session(folder: Path) -> Path:
    (info,) = open_dataset(folder / "set").sessions
    return info.path


def run(*arguments: str) -> None:
    (command,) = (each for each in commands if each.name == arguments[0])
    command.main(list(arguments[1:]), standalone_mode=False)


def test_a_rig_is_recorded_with_its_apertures_and_its_truth(recorded: Path) -> None:
    """The recording holds what the rig played, its apertures, and where the lights were."""
    session = read_session(_session(recorded))
    played = dataclasses.replace(SENSORS["lensless32pair"], led_current_ma=0.0)
    assert session.sensor == played
    scene = PointScene(
        clutter=2, illuminance_lx=5.0, electrons=(2e5, 4e5), source="shines"
    )  # as the file says
    script = load_script(recorded / "small_rig.toml")
    alone = PointSession(script, 1, 4, played, scene=scene)
    frames = session.frames()
    np.testing.assert_array_equal(frames.lit[:20], alone.next_block().lit[:20])
    truth = session_truth(session.path)
    assert truth is not None
    assert truth.to_csv() == read_truth(recorded / "rig.csv").to_csv()
    middle_us = frames.time_us + dark_offset_us(played)  # of both exposures, in which lights shine
    on = truth.at(middle_us)[:, :, 3] > 0.0
    for event in session.events:
        inside = (frames.time_us >= 1e6 * event.onset_s) & (frames.time_us < 1e6 * event.end_s)
        wanted = 1 if event.trial_type == "rig_hold" else 2
        assert set(on[:, inside].sum(axis=0).tolist()) == {wanted}
    assert validate(recorded / "set") == ()


def test_inspect_says_what_a_rig_needs_to_know(
    recorded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The baseline, how warm the sensor became, and of how many sources the places are known."""
    run("inspect", str(_session(recorded)), "--no-labels")
    told = capsys.readouterr().out
    assert "the LED is off in both" in told and "LED: " not in told
    assert "2 apertures, baseline 1.86 mm: (-0.93, 0) mm on rows 0 to 31" in told
    assert "25.0 to 25.1 degrees Celsius: apertures move apart as it warms" in told
    assert "a truth is beside it: where 2 sources of light were" in told


def test_a_truth_that_does_not_reach_over_the_recording_is_refused(
    recorded: Path, tmp_path: Path
) -> None:
    """One line says so in record, truth, import and inspect; the recording itself is kept."""
    lines = (recorded / "rig.csv").read_text("utf-8").splitlines(keepends=True)
    short = tmp_path / "short.csv"
    short.write_text("".join(lines[: len(lines) // 3]), "utf-8")
    copy = tmp_path / "set"
    shutil.copytree(recorded / "set", copy)
    (info,) = open_dataset(copy).sessions
    with pytest.raises(FormatError, match="the truth's time is 0 to"):
        run("truth", str(info.path), "--table", str(short))
    settings = DeviceSettings(
        script=str(recorded / "small_rig.toml"), sensor="lensless32pair", seed=4, speed=0.0
    )
    with running_device(settings) as url, SerialLink(url) as link:
        script, notes = load_script(recorded / "small_rig.toml"), SessionNotes("02", truth=short)
        with pytest.raises(FormatError, match=r"kept without a truth; .* palmwatt truth"):
            record(link, PERSON, script, 4, copy, notes=notes)
    assert len(open_dataset(copy).sessions) == 2 and validate(copy) == ()
    second = open_dataset(copy).sessions[1].path
    run("truth", str(second), "--table", str(recorded / "rig.csv"))
    assert truth_path(second).exists()
    shutil.copy(short, truth_path(second))
    (violation,) = validate(copy)
    assert "the truth's time is 0 to" in str(violation) and "_truth.csv" in str(violation)


def test_a_recording_is_brought_in_with_its_truth(recorded: Path, tmp_path: Path) -> None:
    """A truth beside a recording, or named in the table, comes along; one too short is refused."""
    people = tmp_path / "people.csv"
    people.write_text("participant_id,consent\nP07,yes\n", "utf-8")
    source = _session(recorded)
    table = tmp_path / "recordings.csv"

    def brought(columns: str, row: str, out: str) -> Path:
        table.write_text(f"file,participant{columns}\n{source},P07{row}\n", "utf-8")
        sources = Sources(table, None, people, kind="invented")
        (done,) = bring(sources, tmp_path / out)
        return done.path

    beside = brought("", "", "one")
    named = brought(",truth_file", f",{recorded / 'rig.csv'}", "two")
    wanted = truth_path(source).read_bytes()
    assert truth_path(beside).read_bytes() == truth_path(named).read_bytes() == wanted
    short = tmp_path / "short.csv"
    short.write_text("time_us,source,x_mm,y_mm,z_mm,brightness\n0,0,0,0,50,1\n", "utf-8")
    with pytest.raises(FormatError, match="the truth's time is 0 to 0 us"):
        brought(",truth_file", f",{short}", "three")
    assert not (tmp_path / "three").exists()


def test_a_rig_and_people_are_not_mixed(tmp_path: Path) -> None:
    """A rig's file or truth with a script of people is refused, before a port is told."""
    (tmp_path / "scene.toml").write_text("clutter = 2\n", "utf-8")
    for more in (("--rig", str(tmp_path / "scene.toml")), ("--truth", str(tmp_path / "t.csv"))):
        with pytest.raises(UsageError, match="cues of a rig"):
            run("emulate", "--script", "dynamic", *more)
    with pytest.raises(click.UsageError):
        run("emulate", "--script", "rig_points", "--rig", str(tmp_path / "nowhere.toml"))
