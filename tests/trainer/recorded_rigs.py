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

__all__ = ["record_rig"]

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


def record_rig(out: Path, share: float = 1.0, n_stops: int = 90) -> Path:
    """Write a calibration of one unit and a locked recording of it; return the data set.

    With a share of the usual exposure, of which the lights leave a share of their electrons.
    """
    scene = SCENE.format(low=5e5 * share, high=1e6 * share)
    (out / "scene.toml").write_text(scene, "utf-8")
    usual = SENSORS["lensless32pair"]
    sensor = replace(usual, led_current_ma=0.0, exposure_us=usual.exposure_us * share)
    file = SensorFile(sensor, 0, DeviceSetting.of(sensor))
    (out / "sensor.toml").write_text(file.to_toml(), "utf-8")
    for person, stops, seed, locked in (("P01", n_stops, 4, False), ("P02", 12, 5, True)):
        script = out / f"rig_{person}.toml"
        script.write_text(SCRIPT.format(stops=stops), "utf-8")
        settings = DeviceSettings(
            script=str(script), sensor=str(out / "sensor.toml"), seed=seed, speed=0.0,
            rig=str(out / "scene.toml"), truth=str(out / "rig.csv"),
        )  # fmt: skip
        with running_device(settings) as url, SerialLink(url) as link:
            notes = SessionNotes(truth=out / "rig.csv")
            who = Participant(person, consent=True, locked=locked)
            record(link, who, load_script(script), seed, out / "set", notes=notes)
    return out / "set"
