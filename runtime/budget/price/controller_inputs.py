"""The inputs that a choice of operating states gives: every row's values, each drawn once.

Where two names stand for one value of one row, as the current of a state that computes in both the
watching and the active state, the second is drawn with the first.
"""

from __future__ import annotations

from dataclasses import replace

from runtime.budget.inputs.controllers import Mcu
from runtime.budget.inputs.library import Link
from runtime.budget.inputs.part_values import Value
from runtime.budget.inputs.values import Input, setting
from runtime.budget.price.operating_states import Leg, OperatingStates

__all__ = ["controller_inputs"]


class _Rows:
    """Inputs collected from rows; a value met again is drawn with its first name."""

    def __init__(self, mcu: Mcu) -> None:
        self.inputs: dict[str, Input] = {}
        self._mcu = mcu
        self._first: dict[int, str] = {}

    def put(self, name: str, state: str, value: Value | None, neutral: tuple[str, float]) -> None:
        """Add a value of a state's row; where it tells none, `neutral`, unit and number."""
        if value is None:
            self.inputs[name] = setting(name, *neutral, f"{state}: none in its row")
            return
        one = value.as_input(name)
        first = self._first.setdefault(id(value), name)
        alike = "" if first == name else first
        self.inputs[name] = replace(one, drawn_with=alike)

    def row(self, name: str, state: str, key: str, neutral: tuple[str, float] = ("1", 1.0)) -> None:
        """Add one value of a state's row by its key."""
        self.put(name, state, getattr(self._mcu.state[state], key), neutral)

    def leg(self, way: str, change: str, leg: Leg) -> None:
        """Add the times of a way from one state to another, and the current meanwhile."""
        none = ("us", 0.0)
        self.put(f"{way}_time", leg.through, leg.wake_up_time, none)
        self.row(f"{way}_current", leg.through, "current")
        self.put(change, leg.through, leg.clock_change_time, none)


def controller_inputs(mcu: Mcu, states: OperatingStates, link: Link) -> dict[str, Input]:
    """Return the inputs of a controller in its four states, by name.

    Groups ``active`` and ``watching`` hold the state that computes and the way to it, group ``mcu``
    all else; ``sensor_link.bit_rate`` is there where the waiting state slows the link down.
    """
    rows = _Rows(mcu)
    sleeping, waiting = states.sleeping, states.waiting
    rows.row("mcu.supply", sleeping, "supply")
    rows.row("mcu.sleep_current", sleeping, "current")
    rows.row("mcu.sleep_growth", sleeping, "growth")
    rows.row("mcu.wait_current", waiting, "current")
    rows.row("mcu.wait_growth", waiting, "growth")
    rows.leg("mcu.start", "mcu.start_change_time", states.start)
    computing = (
        ("active", states.computing, states.compute),
        ("watching", states.watching, states.watch),
    )
    for group, state, leg in computing:
        for name, key in (("clock", "clock"), ("run_current", "current"), ("derating", "derating")):
            rows.row(f"{group}.{name}", state, key)
        rows.row(f"{group}.flash_wait", state, "flash_wait")
        rows.leg(f"{group}.wake_up", f"{group}.clock_change_time", leg)
    found = rows.inputs
    slowed = _slowed(mcu, waiting, link)
    return found if slowed is None else found | {slowed.name: slowed}


def _slowed(mcu: Mcu, waiting: str, link: Link) -> Input | None:
    """Return the rate of a link that the waiting state slows down; None where it does not."""
    most = mcu.state[waiting].link_rate
    if most is None or link.bit_rate.typical <= most.typical * link.wires:
        return None
    one = most.as_input("sensor_link.bit_rate")
    low, typical, high = (link.wires * x for x in (one.low, one.typical, one.high))
    source = f"{one.source}; {link.title}, slowed down to what state {waiting} allows"
    return replace(one, low=low, typical=typical, high=high, source=source)
