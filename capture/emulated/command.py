"""The command ``palmwatt emulate``."""

from __future__ import annotations

import re
from typing import Any

import click

from runtime.front.finite_number import FiniteNumber

__all__ = ["emulate"]


@click.command(epilog="Example: palmwatt emulate --participant P01 --script dynamic --seed 1")
@click.option("--participant", default="P01", show_default=True, help="Invented person P01 to P99.")
@click.option("--script", default="dynamic", show_default=True, help="Cue script it acts.")
@click.option(
    "--sensor", default="lensless32", show_default=True,
    help="Or lensless64, lensless32pair (two apertures), ambient32, ambient16 or "
    "ambient32pair (no LED), or a sensor.toml.",
)  # fmt: skip
@click.option(
    "--led-current-ma",
    type=FiniteNumber(0.0, 1000.0),
    help="LED current while lit; that of the sensor, 100 mA, by default.",
)
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0, 2**32 - 1))
@click.option(
    "--speed", default=1.0, show_default=True, type=FiniteNumber(0.0, 1e6),
    help="Times real time; 0 is as fast as the host reads. The device's clock stays true.",
)  # fmt: skip
@click.option("--unit", default="unit-a", show_default=True, help="Which physical sensor it plays.")
@click.option(
    "--transport", default="auto", show_default=True, type=click.Choice(["auto", "pty", "socket"]),
    help="A pseudo-terminal, or a loopback socket where the system has none.",
)  # fmt: skip
@click.option(
    "--scene", default="any", show_default=True,
    help="Kind of place, for a script of people in one: stop, corridor, room or lobby.",
)  # fmt: skip
@click.option(
    "--rig", metavar="FILE", type=click.Path(exists=True, dir_okay=False),
    help="For a rig's script: what lights it moves and how the sensor fares (TOML).",
)  # fmt: skip
@click.option(
    "--truth", metavar="TABLE", type=click.Path(dir_okay=False),
    help="For a rig's script: write where its lights will be, for palmwatt record --truth.",
)  # fmt: skip
def emulate(participant: str, **settings: Any) -> None:
    """Start an emulated sensor; print its port, then run until stopped.

    An invented participant in front of it acts the script's cues, in the order that follows from
    the seed. Record with the same script and seed. With a script of people in a place, such as
    occupancy, the participant is the place: it has its own look and its own people. With a script
    of a rig (rig_points, rig_path, rig_faults) it is the rig, which moves lights of known places.
    """
    from capture.emulated.port.device import DeviceSettings, run_device
    from runtime.errors import UsageError

    if not re.fullmatch("P(0[1-9]|[1-9][0-9])", participant):
        raise UsageError("emulated sensor", "participant", repr(participant), "P01 to P99")
    number = int(participant.removeprefix("P"))
    run_device(DeviceSettings(number, **settings))
