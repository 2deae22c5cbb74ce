"""The budget's terms beside what a trace says of them.

A single current shows sums: what is lit includes the sensor's bias, and everything includes what
sleeps. Each term is a phase less what runs below it; terms that run together stay together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.uncertainty import Interval
from runtime.trace.measurement import Measurement
from runtime.trace.predicted import Prediction

__all__ = ["Term", "doubts", "drawn", "held_uw", "terms"]

Floats = NDArray[np.float64]


_FAR_OFF = 3.0
_SLEEPS = 4  # its row below
_STEPS = {2: "compute", 3: "wake"}
"""Rows that hold whole steps of the state machine, which share the term of wake-ups."""


@dataclass(frozen=True, slots=True)
class Term:
    """One row: terms of the budget that a trace shows as one.

    Parameters
    ----------
    name : str
    of : tuple of str
        Terms of the budget that it holds.
    measured_uj : Interval
        Of one frame, the mean as its typical value.
    predicted_uj : float or None
        None without a budget.
    """

    name: str
    of: tuple[str, ...]
    measured_uj: Interval
    predicted_uj: float | None


def drawn(found: Measurement, phase: str, key: str) -> Floats:
    """Return drawn values of a phase, the mean first, (1 + n_draws,)."""
    one = next(f for f in found.phases if f.phase == phase)
    mean = getattr(one, key).mean
    return np.concatenate(([mean], one.draws[key]))


def sleep_uw(found: Measurement) -> Floats:
    """Return the power asleep, the mean first, (1 + n_draws,)."""
    power: Floats = 1e6 * drawn(found, "sleep", "energy_uj") / drawn(found, "sleep", "time_us")
    return power


def held_uw(found: Measurement) -> Floats:
    """Return the power above sleep while the sensor is on and nothing is lit or read.

    The mean first, (1 + n_draws,).
    """
    energy, charge = drawn(found, "sleep", "energy_uj"), drawn(found, "sleep", "charge_nc")
    volts = 1e3 * energy[0] / charge[0] if charge[0] else 0.0
    return np.maximum(0.0, (found.held_ua - drawn(found, "sleep", "current_ua")) * volts)


def terms(found: Measurement, predicted: Prediction | None) -> tuple[Term, ...]:
    """Return every term of a frame, with what the budget says of it where there is one."""
    asleep, held = sleep_uw(found), held_uw(found)
    own = {
        phase: drawn(found, phase, "energy_uj") - asleep * drawn(found, phase, "time_us") / 1e6
        for phase in ("wake", "led", "readout", "compute")
    }
    under_led = held * drawn(found, "led", "time_us") / 1e6
    period_us = 1e6 * found.period_s
    rows = (
        ("LED and its driver", ("LED", "LED driver"), own["led"] - under_led),
        (
            "sensor on, waiting, pixels and their transfer",
            ("sensor bias", "waiting for pixels", "pixel readout", "transfer"),
            own["readout"] + under_led,
        ),
        ("compute, and bringing its clock up", ("compute", "wake-ups"), own["compute"]),
        ("waking from sleep", ("wake-ups",), own["wake"]),
        (
            "sleep, standby and quiescent currents",
            ("sleep and standby", "regulator", "LED driver"),
            asleep * period_us / 1e6,
        ),
    )
    return tuple(
        Term(name, of, _interval(values), _predicted(predicted, i, of))
        for i, (name, of, values) in enumerate(rows)
    )


def doubts(found: Measurement, predicted: Prediction | None) -> tuple[str, ...]:
    """Return what is odd about a trace beside its budget, a sentence each.

    Sleep several times off is more often a zero, a leak or another state than a part.
    """
    if predicted is None:
        return ()
    ratio = float(sleep_uw(found)[0]) / predicted.floor_uw if predicted.floor_uw > 0.0 else 1.0
    if 1.0 / _FAR_OFF < ratio < _FAR_OFF:
        return ()
    return (
        f"sleep takes {ratio:.3g} times what the budget says: look for a wrong zero of the "
        "instrument, a leak, or a state other than the budget's",
    )


def _interval(values: Floats) -> Interval:
    low, high = np.quantile(values[1:], [0.05, 0.95])
    return Interval(float(values[0]), float(low), float(high))


def _predicted(predicted: Prediction | None, row: int, of: tuple[str, ...]) -> float | None:
    if predicted is None:
        return None
    if row == _SLEEPS:
        return predicted.floor_uw * predicted.period_us / 1e6
    phase = _STEPS.get(row)
    if phase is not None:
        return sum(s.energy_uj for s in predicted.steps if s.phase == phase)
    return sum(predicted.terms_uj[term] for term in of)
