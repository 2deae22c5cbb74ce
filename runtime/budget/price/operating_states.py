"""Which operating states of a controller a budget takes: those that exist together.

A frame goes through four of them. The controller sleeps; it waits while the sensor is lit and its
pixels come in; it computes, on few pixels while watching and on all of them while active; and it
sleeps again. Not every mix of rows of a data sheet is one state of a device:

- all hold at one supply voltage;
- the waiting state runs DMA and the link, at least at the link's rate on each wire;
- sleeping and waiting state keep the RAM that the program needs, and the waiting state has room for
  the pixels that come in;
- the sleeping state wakes to the waiting state, by itself or through a state that runs the core;
- the waiting state wakes to the states that compute, or to one that changes its clock to theirs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

from runtime.budget.inputs.controllers import Mcu
from runtime.budget.inputs.library import Link
from runtime.budget.inputs.part_values import Value
from runtime.errors import UsageError

__all__ = ["NO_MEMORY", "ROLES", "Leg", "Memory", "OperatingStates", "states_together"]

ROLES = ("sleeping", "waiting", "watching", "computing")
_NEEDS = {
    "sleeping": (),
    "waiting": ("dma", "link"),
    "watching": ("core",),
    "computing": ("core",),
}
_WAYS = (("sleeping", "waiting"), ("waiting", "watching"), ("waiting", "computing"))


@dataclass(frozen=True, slots=True)
class Leg:
    """A way from one state to another: woken to a state, and from there to another clock.

    `through` is the state that draws the current meanwhile; each time is None where there is
    nothing to wait for.
    """

    through: str
    wake_up_time: Value | None = None
    clock_change_time: Value | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """Bytes that must be kept while the core does not run, and that the link writes meanwhile."""

    kept: int = 0
    written: int = 0


NO_MEMORY = Memory()
"""Nothing to keep and nothing to take in: any state does."""


@dataclass(frozen=True, slots=True)
class OperatingStates:
    """The names of four states that exist together, and the ways between them.

    Parameters
    ----------
    sleeping, waiting, watching, computing : str
        Names of the controller's states.
    start : Leg
        From sleeping to waiting.
    watch, compute : Leg
        From waiting to the states that compute, on few pixels and on all.
    """

    sleeping: str
    waiting: str
    watching: str
    computing: str
    start: Leg
    watch: Leg
    compute: Leg

    def names(self) -> dict[str, str]:
        """Return the state of each role."""
        return {role: getattr(self, role) for role in ROLES}

    def to_json(self, mcu: Mcu, n_choices: int) -> dict[str, Any]:
        """Return the row of each role as plain JSON values, and of how many choices it is one."""
        found: dict[str, Any] = {"choices_that_exist_together": n_choices}
        for role, name in self.names().items():
            state = mcu.state[name]
            values = {
                "supply_v": state.supply,
                "clock_mhz": state.clock,
                "current_ua": state.current,
                "link_mbit_s": state.link_rate,
            }
            inputs = {key: x.as_input(key) for key, x in values.items() if x is not None}
            found[role] = {
                "state": name,
                "title": state.title,
                "runs": list(state.runs),
                **{key: None if x is None else x.typical for key, x in values.items()},
                "kinds": {key: x.kind for key, x in inputs.items()},
                "sources": {key: x.source for key, x in inputs.items()},
            }
        return found


def states_together(
    mcu: Mcu, link: Link, memory: Memory = NO_MEMORY
) -> tuple[OperatingStates, ...]:
    """Return every choice of states that exist together, in the order of the parts file.

    Parameters
    ----------
    mcu : Mcu
        The controller; states that it names for a role are kept to.
    link : Link
        The link that the pixels come in by.
    memory : Memory
        What the states have to keep and to take in.

    Raises
    ------
    UsageError
        There is none; the message tells the rule that the nearest choice breaks.
    """
    found: list[OperatingStates] = []
    nearest: tuple[int, UsageError] | None = None
    for names in _choices(mcu):
        kept, broken = _judge(mcu, (link, memory), names)
        if isinstance(broken, OperatingStates):
            found.append(broken)
        elif nearest is None or kept > nearest[0]:
            nearest = kept, broken
    if not found and nearest is not None:
        raise nearest[1]
    return tuple(found)


def _choices(mcu: Mcu) -> Iterator[dict[str, str]]:
    """Yield every choice of one state a role that runs what the role needs, or is asked for."""
    offered = {}
    for role in ROLES:
        asked = getattr(mcu, role)
        able = [n for n, s in mcu.state.items() if set(_NEEDS[role]) <= set(s.runs)]
        if role == "sleeping":
            able = [n for n in able if "core" not in mcu.state[n].runs] or able
        if not asked and not able:
            raise _fault(mcu, f"a state that runs {' and '.join(_NEEDS[role])}", "missing", "one")
        offered[role] = [asked] if asked else able
    for names in product(*offered.values()):
        yield dict(zip(ROLES, names, strict=True))


def _judge(
    mcu: Mcu, needs: tuple[Link, Memory], names: dict[str, str]
) -> tuple[int, OperatingStates | UsageError]:
    """Return how many rules a choice keeps, and it with its ways, or the first rule it breaks."""
    link, memory = needs
    rules: tuple[Callable[[], UsageError | None], ...] = (
        lambda: _runs(mcu, names),
        lambda: _at_one_supply(mcu, names),
        lambda: _as_asked(mcu, names),
        lambda: _link_allowed(mcu, link, names),
        lambda: _memory_fits(mcu, memory, names),
    )
    for kept, rule in enumerate(rules):
        broken = rule()
        if broken is not None:
            return kept, broken
    legs: list[Leg] = []
    for start, end in _WAYS:
        leg = _leg(mcu, names[start], names[end])
        if leg is None:
            woken = ", ".join(mcu.state[names[start]].wakes) or "none"
            what = f"the way from {start} {names[start]} to {end} {names[end]}"
            expected = f"one that {names[start]} wakes to ({woken}), or a clock change from there"
            return len(rules) + len(legs), _fault(mcu, what, "missing", expected)
        legs.append(leg)
    sleeping, waiting, watching, computing = (names[role] for role in ROLES)
    states = OperatingStates(sleeping, waiting, watching, computing, *legs)
    return len(rules) + len(legs), states


def _fault(mcu: Mcu, what: str, got: object, expected: object) -> UsageError:
    where = f"parts library, operating states of {mcu.title}"
    return UsageError(where, what, got, expected, "choose states that exist together")


def _runs(mcu: Mcu, names: dict[str, str]) -> UsageError | None:
    for role, needs in _NEEDS.items():
        runs = mcu.state[names[role]].runs
        if not set(needs) <= set(runs):
            got = f"{names[role]}, which runs {' and '.join(runs) or 'nothing'}"
            return _fault(mcu, f"{role} state", got, f"one that runs {' and '.join(needs)}")
    return None


def _at_one_supply(mcu: Mcu, names: dict[str, str]) -> UsageError | None:
    volts = {role: mcu.state[name].supply.typical for role, name in names.items()}
    if mcu.supply is not None:
        volts = {"supply as set": mcu.supply.typical} | volts
    (first, least), *others = volts.items()
    for role, volt in others:
        if not math.isclose(volt, least, rel_tol=1e-9):
            got = f"{names[role]} at {volt:g} V"
            return _fault(mcu, f"{role} state", got, f"one at {least:g} V as {first}")
    return None


def _as_asked(mcu: Mcu, names: dict[str, str]) -> UsageError | None:
    clock = mcu.state[names["computing"]].clock
    if mcu.clock is None or clock is None:
        return None
    if math.isclose(clock.typical, mcu.clock.typical, rel_tol=1e-9):
        return None
    rows = {s.clock.typical for s in mcu.state.values() if s.clock is not None}
    known = ", ".join(f"{row:g}" for row in sorted(rows))
    return _fault(
        mcu, "clock", f"{mcu.clock.typical:g} MHz", f"that of a row ({known}), or a row of its own"
    )


def _link_allowed(mcu: Mcu, link: Link, names: dict[str, str]) -> UsageError | None:
    most = mcu.state[names["waiting"]].link_rate
    wire = link.bit_rate.typical / link.wires
    if most is None or link.slower or wire <= most.typical * (1.0 + 1e-9):
        return None
    got = f"{names['waiting']}, with at most {most.typical:g} Mbit/s a wire"
    return _fault(mcu, "waiting state", got, f"one with the link's {wire:g} Mbit/s")


def _memory_fits(mcu: Mcu, memory: Memory, names: dict[str, str]) -> UsageError | None:
    held = (
        ("sleeping", "kept_kb", "keeps", memory.kept),
        ("waiting", "kept_kb", "keeps", memory.kept),
        ("waiting", "buffer_kb", "takes in", memory.written),
    )
    for role, key, does, wanted in held:
        kb = getattr(mcu.state[names[role]], key)
        if kb is not None and 1024 * kb < wanted:
            got = f"{names[role]}, which {does} {kb} KB"
            return _fault(mcu, f"{role} state", got, f"one that {does} {wanted:,} bytes")
    return None


def _leg(mcu: Mcu, start: str, end: str) -> Leg | None:
    """Return the way between two states, None where there is none; of several, the shortest."""
    state = mcu.state[start]
    if start == end:
        return Leg(end)
    if "core" in state.runs:
        return next((Leg(start, None, change) for change in _changes(mcu, start, end)), None)
    if end in state.wakes:
        return Leg(end, state.wakes[end])
    legs = [
        Leg(through, woken, change)
        for through, woken in state.wakes.items()
        if "core" in mcu.state[through].runs
        for change in _changes(mcu, through, end)
    ]
    return min(legs, key=_typical_us, default=None)


def _changes(mcu: Mcu, running: str, end: str) -> Iterator[Value | None]:
    """Yield what a running core waits for on its way to another state, None for nothing.

    It is there, or may enter it, or changes its clock once and then is there or may enter it.
    """
    if running == end or _enters(mcu, running, end):
        yield None
    for other, change in mcu.state[running].wakes.items():
        if other == end or _enters(mcu, other, end):
            yield change


def _enters(mcu: Mcu, running: str, end: str) -> bool:
    """Whether a running core may enter a state at once: one that stops, or keeps its clock."""
    state, target = mcu.state[running], mcu.state[end]
    if "core" not in state.runs or "core" in target.runs or state.clock is None:
        return False
    return target.clock is None or target.clock.typical == state.clock.typical


def _typical_us(leg: Leg) -> float:
    return sum(x.typical for x in (leg.wake_up_time, leg.clock_change_time) if x is not None)
