"""What stands in front of an emulated sensor, and how it is wired; checked before it starts."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from capture.emulated.optic.optics import SENSORS
from capture.emulated.places.world import ANY_SCENE, check_scene
from runtime.errors import UsageError
from runtime.firmware.sensor_file import SensorFile, read_sensor_file
from runtime.firmware.setting import DeviceSetting

__all__ = ["DeviceSettings"]

_UNIT = re.compile(r"[A-Za-z0-9_-]{1,32}")


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """What stands in front of the sensor, and how it is wired.

    Parameters
    ----------
    participant : int
        Number of the invented participant, >= 0.
    script : str
        Built-in script or path of a TOML file; the host must use the same one.
    sensor : str
        Name in ``SENSORS``, or path of a ``sensor.toml`` whose ``name`` is one and whose setting it
        begins with.
    seed : int
        Seed of the schedule and of everything drawn, >= 0.
    speed : float
        Device seconds for each second of the clock; 0 as fast as the host reads.
    unit : str
        Name of the physical sensor: 1 to 32 letters, digits, dashes and underscores.
    transport : str
        ``auto``, ``pty`` or ``socket``.
    port : int
        Number of the socket; 0 for any free one.
    loss, corruption : float
        Share of exposure packets that are lost, or arrive with one wrong byte; 0 to 1.
    led_current_ma : float, optional
        LED current while lit, 0 to 1000 mA; what the LED at hand allows is for its data sheet. That
        of the sensor by default.
    scene : str
        Kind of place, where the script's cues are of people in one: ``any`` or one of ``KINDS``.
    rig : str, optional
        Path of a rig's file (`capture.emulated.points.scene`); for scripts of a rig alone.
    truth : str, optional
        Path to write where a rig's lights will be, before the port is announced.
    """

    participant: int = 1
    script: str = "dynamic"
    sensor: str = "lensless32"
    seed: int = 1
    speed: float = 1.0
    unit: str = "unit-a"
    transport: str = "auto"
    port: int = 0
    loss: float = 0.0
    corruption: float = 0.0
    led_current_ma: float | None = None
    scene: str = ANY_SCENE
    rig: str | None = None
    truth: str | None = None

    def __post_init__(self) -> None:
        where = "emulated sensor"
        check_scene(self.scene)
        self.start  # noqa: B018 - a sensor that cannot be played is told at once
        if not _UNIT.fullmatch(self.unit):
            raise UsageError(
                where, "unit", repr(self.unit), "1 to 32 letters, digits, dashes and underscores"
            )
        for name, low, high in (
            ("participant", 0, 10**6),
            ("seed", 0, 2**32 - 1),
            ("speed", 0.0, 1e6),
            ("port", 0, 65_535),
            ("loss", 0.0, 1.0),
            ("corruption", 0.0, 1.0),
            ("led_current_ma", 0.0, 1000.0),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise UsageError(where, name, value, f"{low:g} to {high:g}")

    @property
    def start(self) -> SensorFile:
        """The setting that it begins with.

        Raises
        ------
        UsageError
            There is no such sensor, or it cannot be set so.
        FormatError
            The file is faulty.
        """
        if self.sensor in SENSORS:
            whole = SENSORS[self.sensor]
            return SensorFile(whole, 0, DeviceSetting.of(whole))
        path, known = Path(self.sensor), ", ".join(SENSORS)
        if not path.is_file():
            raise UsageError("emulated sensor", "sensor", self.sensor, f"one of {known}, or a file")
        found = read_sensor_file(path)
        if found.sensor.name not in SENSORS:
            raise UsageError(str(path), "name", found.sensor.name, f"one of {known}")
        played = SENSORS[found.sensor.name]
        rows = found.first_row + found.sensor.n_rows
        for what, got, expected in (
            ("n_cols", found.sensor.n_cols, played.n_cols),
            ("rows", rows, min(rows, played.n_rows)),
        ):
            if got != expected:
                raise UsageError(str(path), what, got, expected, f"as {played.name} has")
        return found
