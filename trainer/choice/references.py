"""What stands beside the front: other sensors' power, and the floor that nothing goes below."""

from __future__ import annotations

from importlib import resources
from typing import Any

from capture.thin.photon_limit import photon_limit
from runtime.budget import Budget
from runtime.sensor import Sensor
from runtime.tomlfile import parse_toml

__all__ = ["floor_of", "frames_per_second", "holding_up", "other_sensors"]


_LIGHT = ("LED", "LED driver")


def holding_up(budget: Budget) -> list[dict[str, Any]]:
    """Return what a setting's power is drawn for, the largest first; together all of it.

    Each with ``what``, ``uw`` at typical inputs and ``set``: whether a setting of the sensor has a
    say in it, or only other electronics have.
    """
    terms = budget.terms
    asleep = {part: uw for (part, state), uw in terms.items() if state == "always"}
    driver, regulator = asleep.pop("LED driver"), asleep.pop("regulator")
    rows = [
        ("controller and sensor asleep", sum(asleep.values()), False),
        ("the LED driver's quiescent current", driver, False),
        ("the regulator, all day", regulator, False),
    ]
    for state in ("watching", "active"):
        own = {part: uw for (part, of), uw in terms.items() if of == state}
        light = sum(own[part] for part in _LIGHT)
        rows.append((f"light while {state}", light, True))
        rows.append((f"reading and computing while {state}", sum(own.values()) - light, True))
    rows.sort(key=lambda row: -row[1])
    return [{"what": what, "uw": round(float(uw), 6), "set": by} for what, uw, by in rows]


def frames_per_second(budget: Budget) -> float:
    """Return how many frame pairs a device takes on average over the day."""
    inputs, active = budget.inputs, budget.active_share
    on = inputs["usage.on_time"].typical / 24.0
    watching = inputs["watching.rate"].typical * max(0.0, on - active)
    return float(watching + inputs["active.rate"].typical * active)


def other_sensors(budget: Budget) -> list[dict[str, Any]]:
    """Return sensors that are priced only, each with title, power and source.

    Parameters
    ----------
    budget : Budget
        Whose frames a day are taken by sensors that are priced by the frame.
    """
    file = parse_toml(
        (resources.files("trainer.choice") / "references.toml").read_bytes(), "references.toml"
    )
    rate = frames_per_second(budget)
    rows = []
    for name, entry in file.data.items():
        by_frame = entry.get("uj_per_frame")
        low = entry["low_uw"] if by_frame is None else round(by_frame * rate, 6)
        high = entry["high_uw"] if by_frame is None else low
        rows.append({"name": name, "title": entry["title"], "low_uw": low, "high_uw": high,
                     "source": entry["source"], "power_only": True})  # fmt: skip
    return rows


def floor_of(budget: Budget, sensor: Sensor, n_bins: int) -> dict[str, Any]:
    """Return what the device would take with everything but physics and sleep taken away.

    Always-on electronics at typical inputs, and for every frame pair the least LED energy by which
    a hand could be told from none (:mod:`capture.thin.photon_limit`).

    Parameters
    ----------
    budget : Budget
        Of the point that it is held against.
    sensor : Sensor
        Whose read noise each value has.
    n_bins : int
        Values a frame.
    """
    limit = photon_limit(n_bins=n_bins, read_noise_e=sensor.read_noise_e)
    always = sum(value for (_, state), value in budget.terms.items() if state == "always")
    rate = frames_per_second(budget)
    photons = limit.energy_uj * rate
    floor = always + photons
    return {
        "always_on_uw": round(float(always), 6),
        "photon_uw": round(photons, 9),
        "uw": round(float(floor), 6),
        "frames_per_second": round(rate, 6),
        "photon_limit": limit.to_json(),
        "gap_uw": round(float(budget.average_uw.typical - floor), 6),
        "gap_times": round(float(budget.average_uw.typical / floor), 6),
        "formula": "always-on electronics + frame pairs a second x photon limit of one; "
        "gap: the knee at typical inputs over it",
    }
