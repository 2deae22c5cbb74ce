"""An emulated sensor for programs: in a process of its own, behind a port, as long as needed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from capture.cues.script import load_script
from capture.emulated.port.device import DeviceSettings, running_device
from runtime.errors import ArgumentError

__all__ = ["emulated_sensor"]


@contextmanager
def emulated_sensor(
    participant: int = 1,
    script: str | Path = "dynamic",
    *,
    seed: int = 1,
    speed: float = 0.0,
    sensor: str = "lensless32",
    unit: str = "unit-a",
    led_current_ma: float | None = None,
) -> Iterator[str]:
    """Run an emulated sensor with an invented participant in front of it; gives its port.

    Readouts and people are invented: see `palmwatt emulate`. The port takes what a sensor's takes,
    so that everything behind it is as with a real one.

    Parameters
    ----------
    participant : int
        Number of the invented participant, 0 to 1000000.
    script : str or path
        Built-in cue script, or path of a TOML file; record with the same.
    seed : int
        Of the order of the cues and of everything drawn; record with the same.
    speed : float
        Times real time; 0 is as fast as the host reads. The device's clock stays true.
    sensor : str
        ``lensless32``, ``lensless64``, or ``ambient32`` and ``ambient16``, which have no LED.
    unit : str
        Name of the physical sensor it plays.
    led_current_ma : float
        LED current while lit, 0 to 1000 mA; that of the sensor by default.

    Yields
    ------
    str
        URL of the port, for :func:`capture.record` and all else that takes one.

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong.
    FormatError
        There is no such script, or it is faulty.
    PortError
        The process ended before it had a port.
    """
    if not isinstance(script, str | Path):
        raise ArgumentError("emulated sensor", "script", type(script).__name__, "a name or path")
    for name, value in (("participant", participant), ("seed", seed)):
        if isinstance(value, bool) or not isinstance(value, int):
            raise ArgumentError("emulated sensor", name, repr(value), "a whole number")
    for name, number in (("speed", speed), ("led_current_ma", led_current_ma)):
        if number is None and name == "led_current_ma":
            continue
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise ArgumentError("emulated sensor", name, repr(number), "a number")
    load_script(script)  # told here, not by the process
    settings = DeviceSettings(
        participant, str(script), sensor, seed, speed, unit, led_current_ma=led_current_ma
    )
    with running_device(settings) as url:
        yield url
