"""What a budget says of the phases that a trace shows.

The budget's terms are placed on the state machine of a frame: wake, power up the sensor, light and
expose, read out, expose in the dark, read out again, bring the clock up, compute; below all of it
runs what sleeps.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runtime.budget.inputs.values import Input
from runtime.budget.price.operating_states import ROLES
from runtime.budget.price.power import (
    average_power,
    controller_cycles,
    frame_energy,
    frame_time_us,
    pulse_us,
    slept_us,
    started_us,
    woken_us,
)
from runtime.errors import FormatError
from runtime.files import read_limited
from runtime.trace.cutting.phases import Phase

__all__ = ["CLOCK_UP", "Prediction", "Step", "frame_steps", "read_prediction"]

_MAX_BYTES = 16 << 20
CLOCK_UP = "clock up"
"""The step between reading out and computing."""
_RAIL = ("pixel readout", "sensor bias", "compute", "waiting for pixels", "wake-ups", "transfer")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the state machine.

    Parameters
    ----------
    phase : str
        Phase that a trace shows it as.
    name : str
    time_us : float
    energy_uj : float
        From the battery, above what sleeps.
    """

    phase: Phase
    name: str
    time_us: float
    energy_uj: float


@dataclass(frozen=True, slots=True)
class Prediction:
    """A budget's word on one state of the device.

    Parameters
    ----------
    steps : tuple of Step
        In their order in a frame, sleep left out.
    floor_uw : float
        Power from the battery asleep.
    period_us : float
    supply_v : float
        Voltage of the battery.
    terms_uj : dict of str to float
        Energy a frame by term of the budget, from the battery, above what sleeps.
    inputs : dict of str to Input
    state : str
        ``active`` or ``watching``.
    titles, names : dict of str to str
        Titles of the parts, and their names in the parts library, by group.
    operating : dict of str to str
        The controller's state for each role.
    """

    steps: tuple[Step, ...]
    floor_uw: float
    period_us: float
    supply_v: float
    terms_uj: dict[str, float]
    inputs: dict[str, Input]
    state: str
    titles: dict[str, str]
    names: dict[str, str]
    operating: dict[str, str]

    @property
    def values(self) -> dict[str, float]:
        """Every input at its typical value."""
        return {name: x.typical for name, x in self.inputs.items()}

    @property
    def pulse_us(self) -> float:
        """How long the LED is lit in a frame."""
        return sum(s.time_us for s in self.steps if s.phase == "led")

    def time_us(self, phase: Phase) -> float:
        """Return how long a phase lasts in a frame."""
        active = sum(s.time_us for s in self.steps)
        if phase == "sleep":
            return max(0.0, self.period_us - active)
        return sum(s.time_us for s in self.steps if s.phase == phase)

    def energy_uj(self, phase: Phase) -> float:
        """Return energy of a phase in a frame, what sleeps below it included."""
        own = sum(s.energy_uj for s in self.steps if s.phase == phase)
        return own + self.floor_uw * self.time_us(phase) / 1e6


def frame_steps(v: Mapping[str, Any], state: str) -> tuple[Step, ...]:
    """Return the steps of a frame in a state, from a budget's inputs.

    Parameters
    ----------
    v : mapping of str to float
        Inputs by name.
    state : str
        ``watching`` or ``active``.

    Notes
    -----
    What is spent as long as the sensor is powered is shared out by time; pixels and their transfer
    cost while they are read out. Exposures that the controller sleeps through end with its waking.
    """
    energy = frame_energy(v, state)
    rail = {term: energy[term] / v["regulator.efficiency"] for term in _RAIL}
    lit_us = pulse_us(v, state)
    on_us = float(frame_time_us(v, state))
    read_us = (on_us - v["readout.start_up_time"] - 2.0 * lit_us) / 2.0
    supply = v["mcu.supply"] / v["regulator.efficiency"] / 1e6
    start_us = v["mcu.start_time"] + v["mcu.start_change_time"]
    start_uj = start_us * v["mcu.start_current"] * supply
    starts_uj = float(started_us(v, state)) * v["mcu.start_current"] * supply
    exposed_asleep = float(slept_us(v, state)) > 0.0
    woken = (("wake", "wake up", start_us, start_uj),) if exposed_asleep else ()
    up_us = float(woken_us(v, state))
    biased = rail["sensor bias"] / on_us
    held = biased + rail["waiting for pixels"] / (on_us - slept_us(v, state))
    exposed = biased if exposed_asleep else held
    pixels = (rail["pixel readout"] + rail["transfer"]) / 2.0
    compute_us = float(controller_cycles(v, state)) / v[f"{state}.clock"]
    lit = energy["LED"] + energy["LED driver"]
    steps = (
        ("wake", "wake up", start_us, start_uj),
        ("readout", "sensor starts", v["readout.start_up_time"],
             held * v["readout.start_up_time"]),
        ("led", "lit exposure", lit_us, lit + exposed * lit_us), *woken,
        ("readout", "lit readout", read_us, held * read_us + pixels),
        ("readout", "dark exposure", lit_us, exposed * lit_us), *woken,
        ("readout", "dark readout", read_us, held * read_us + pixels),
        ("compute", CLOCK_UP, up_us, rail["wake-ups"] - starts_uj),
        ("compute", "compute", compute_us, rail["compute"]),
    )  # fmt: skip
    return tuple(Step(phase, name, float(us), float(uj)) for phase, name, us, uj in steps)


def sleep_power_uw(v: Mapping[str, Any]) -> float:
    """Return power from the battery asleep: what sleeps on the rail, and quiescent currents."""
    power = average_power(v)
    quiescent = v["regulator.quiescent_current"] * v["host.battery_voltage"]
    return float(
        power["sleep and standby", "always"] / v["regulator.efficiency"]
        + power["LED driver", "always"]
        + quiescent
    )


def predict(
    inputs: Mapping[str, Input],
    state: str,
    titles: Mapping[str, str],
    names: Mapping[str, str],
    operating: Mapping[str, str],
) -> Prediction:
    """Return what a budget's inputs say of a state of the device, at their typical values."""
    v = {name: x.typical for name, x in inputs.items()}
    energy = frame_energy(v, state)
    terms = {
        term: float(uj) / (v["regulator.efficiency"] if term in _RAIL else 1.0)
        for term, uj in energy.items()
    }
    return Prediction(
        frame_steps(v, state), sleep_power_uw(v), 1e6 / v[f"{state}.rate"],
        v["host.battery_voltage"], terms, dict(inputs), state, dict(titles), dict(names),
        dict(operating),
    )  # fmt: skip


def read_prediction(path: Path, state: str) -> Prediction:
    """Read a ``budget.json`` for one state of the device.

    Raises
    ------
    UsageError, FormatError
        It cannot be read, or is no budget with all its inputs.
    """
    text = read_limited(path, _MAX_BYTES)
    try:
        data = json.loads(text)
        inputs = {
            str(name): Input(
                str(name), str(x["unit"]), float(x["low"]), float(x["typical"]), float(x["high"]),
                x["kind"], str(x["source"]),
            )
            for name, x in data["inputs"].items()
        }  # fmt: skip
        operating = {role: _name(data["operating_states"][role]["state"]) for role in ROLES}
        names = {str(group): _name(name) for group, name in data["choice"].items()}
        titles = {str(group): str(title) for group, title in data["parts"].items()}
        return predict(inputs, state, titles, names, operating)
    except FormatError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError, ZeroDivisionError, RecursionError,
            OverflowError) as error:  # fmt: skip
        raise FormatError(
            str(path), "the budget", f"not whole ({type(error).__name__}: {error})",
            "a budget.json of palmwatt budget", "write it again with palmwatt budget MODEL",
        ) from None  # fmt: skip


def _name(given: object) -> str:
    """Return a name that a key of TOML can be; it comes from a file of anybody's."""
    if not isinstance(given, str) or not re.fullmatch(r"[A-Za-z0-9_-]{1,60}", given):
        raise ValueError(f"name {str(given)[:40]!r}")
    return given
