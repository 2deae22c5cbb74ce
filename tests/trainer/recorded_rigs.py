"""A rig's recordings with their truth, small enough for tests: many stops, and some to judge by."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.device import DeviceSettings, running_device
from capture.lead.record import SessionNotes, record
from capture.store.dataset import Participant
from capture.wire.link import SerialLink
from runtime.firmware.sensor_file import SensorFile
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Sensor

__all__ = ["record_lamps", "record_rig"]

SCRIPT = """name = "rig"
lead_in_s = 0.2
rest_s = [0.1, 0.1]
movement = false
[[cue]]
trial_type = "rig_hold"
repetitions = {stops}
duration_s = 0.2
[[cue]]
trial_type = "rig_none"
repetitions = 2
duration_s = 0.2
"""
SCENE = (
    "clutter = 0\nilluminance_lx = 0.0\nwarming_k = 0.0\nauto_exposure = false\n"
    "electrons = [{low:g}, {high:g}]\nhalf_field_deg = 12.0\ndistances_mm = [60.0, 200.0]\n"
)


def record_rig(
    out: Path, share: float = 1.0, n_stops: int = 90, electrons: tuple[float, float] = (5e5, 1e6)
) -> Path:
    """Write a calibration of one unit and a locked recording of it; return the data set.

    With a share of the usual exposure, of which the lights leave a share of their electrons.
    """
    usual = SENSORS["lensless32pair"]
    sensor = replace(usual, led_current_ma=0.0, exposure_us=usual.exposure_us * share)
    scene = SCENE.format(low=electrons[0] * share, high=electrons[1] * share)
    return _recorded(out, sensor, scene, (SCRIPT.format(stops=n_stops), SCRIPT.format(stops=12)))


def record_lamps(out: Path, scene: str = "", n_stops: int = 90) -> Path:
    """Write the same of lamps that shine in both exposures, in one room that is lit itself.

    Before the locked recording's other stops come those that are not to be measured; `scene` holds
    what is otherwise while it is made.
    """
    faults = SCRIPT.format(stops=12)
    for cue in ("rig_two", "rig_three", "rig_outside", "rig_bright"):
        faults += f'[[cue]]\ntrial_type = "{cue}"\nrepetitions = 4\nduration_s = 0.2\n'
    usual = SCENE.format(low=2e5, high=4e5).replace("illuminance_lx = 0.0", "illuminance_lx = 5.0")
    usual += 'source = "shines"\nroom = 3\nflicker_depth = 0.2\n'
    kept = [line for line in usual.splitlines() if line.split(" = ")[0] not in scene]
    scenes = usual, "\n".join(kept) + "\n" + scene
    return _recorded(out, SENSORS["ambient32pair"], scenes, (SCRIPT.format(stops=n_stops), faults))


def _recorded(
    out: Path, sensor: Sensor, scenes: str | tuple[str, str], scripts: tuple[str, str]
) -> Path:
    """Record a calibration, then what is locked."""
    scenes = (scenes, scenes) if isinstance(scenes, str) else scenes
    file = SensorFile(sensor, 0, DeviceSetting.of(sensor))
    (out / "sensor.toml").write_text(file.to_toml(), "utf-8")
    sides = (("P01", 4, False), ("P02", 5, True))
    for (person, seed, locked), text, scene in zip(sides, scripts, scenes, strict=True):
        script = out / f"rig_{person}.toml"
        script.write_text(text, "utf-8")
        (out / "scene.toml").write_text(scene, "utf-8")
        settings = DeviceSettings(
            script=str(script), sensor=str(out / "sensor.toml"), seed=seed, speed=0.0,
            rig=str(out / "scene.toml"), truth=str(out / "rig.csv"),
        )  # fmt: skip
        with running_device(settings) as url, SerialLink(url) as link:
            notes = SessionNotes(truth=out / "rig.csv")
            who = Participant(person, consent=True, locked=locked)
            record(link, who, load_script(script), seed, out / "set", notes=notes)
    return out / "set"
