"""Controllers: a list of operating states, each one row of a data sheet.

A state says what may run in it, at which supply and clock, what it draws, and which states it wakes
to, in what time::

    [mcu.example.state.stop]
    title = "Stop, timer running"
    runs = []
    supply = { unit = "V", ... }
    current = { unit = "uA", ... }
    [mcu.example.state.stop.wakes]
    run-24 = { unit = "us", ... }

`runtime.budget.price.operating_states` picks the states of a budget.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from runtime.budget.inputs.part_values import (
    Cycles,
    Factor,
    Growth,
    MegabitPerSecond,
    Mhz,
    Microamp,
    Microsecond,
    Part,
    Strict,
    Volt,
)
from runtime.firmware.machine.cores import CORES

__all__ = ["Mcu", "State"]


class State(Strict):
    """One operating state: a row of a data sheet, at one clock and one supply voltage.

    ``runs`` lists what may run: ``core``, ``dma``, ``link``. A state that runs the core has a
    ``clock``, ``flash_wait`` (cycles that the core stands still for each 16 bytes of code and
    constants read from flash) and, where its row holds for a lighter program than real code, a
    ``derating``. One that does not run it may have a ``clock`` too, which then goes on in it. A
    state that runs the link has a ``link_rate``, the most that a wire of it carries.

    ``kept_kb`` is the RAM that keeps its content in the state, and ``buffer_kb`` the RAM that DMA
    writes to in it; where they are not told, all of it.

    ``growth`` is the factor by which ``current`` grows with each 10 K above 25 degrees Celsius.
    ``wakes`` names the states that it wakes to, or that a running core may change its clock to,
    with the time until they run. A running core may enter, at once, any state that does not run it
    and has its clock or none.
    """

    title: str = Field(min_length=1, max_length=160)
    runs: Annotated[tuple[Literal["core", "dma", "link"], ...], Field(strict=False)] = ()
    supply: Volt
    current: Microamp
    clock: Mhz | None = None
    derating: Factor | None = None
    flash_wait: Cycles | None = None
    link_rate: MegabitPerSecond | None = None
    kept_kb: int | None = Field(default=None, ge=0, le=1_000_000)
    buffer_kb: int | None = Field(default=None, ge=0, le=1_000_000)
    growth: Growth | None = None
    wakes: dict[str, Microsecond] = Field(default_factory=dict, max_length=16)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        needs = {"clock": "core", "flash_wait": "core", "link_rate": "link"}
        for key, what in needs.items():
            if what in self.runs and getattr(self, key) is None:
                raise ValueError(f"{key} is missing, expected where {what} runs")
        only = {"flash_wait": "core", "derating": "core", "link_rate": "link"}
        for key, what in only.items():
            if what not in self.runs and getattr(self, key) is not None:
                raise ValueError(f"{key} is given, expected only where {what} runs")
        return self


class Mcu(Part):
    """A microcontroller: its core and memory, and its operating states under ``state``.

    ``clock`` and ``supply``, where given, are what the computing state must have; ``sleeping``,
    ``waiting``, ``watching`` and ``computing`` name the states to use. What is left open is picked:
    of the states that exist together, those that cost least.
    """

    core: str
    flash_kb: int = Field(gt=0, le=1_000_000)
    ram_kb: int = Field(gt=0, le=1_000_000)
    clock: Mhz | None = None
    supply: Volt | None = None
    sleeping: str = ""
    waiting: str = ""
    watching: str = ""
    computing: str = ""
    state: dict[str, State] = Field(min_length=1, max_length=10)

    @field_validator("core")
    @classmethod
    def _known_core(cls, core: str) -> str:
        known = [one.name for one in CORES]
        if core not in known:
            raise ValueError(f"core is {core!r}, expected one of {', '.join(known)}")
        return core

    @model_validator(mode="after")
    def _names_states(self) -> Self:
        known = ", ".join(self.state)
        named = {f"{n}.wakes": list(s.wakes) for n, s in self.state.items()}
        named |= {
            key: [getattr(self, key)] for key in ("sleeping", "waiting", "watching", "computing")
        }
        for key, names in named.items():
            for name in filter(None, names):
                if name not in self.state:
                    raise ValueError(f"{key}: state is {name!r}, expected one of {known}")
        return self
