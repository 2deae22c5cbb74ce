"""Which electronics of the parts library a model would draw least with, at the same light.

LED, sensor readout, link to the host and usage stay as chosen: what is seen, and with it every
accuracy, stays what it is. Controller, LED driver, regulator and the link to the sensor change.
Controllers whose core only QEMU executes are left out, as stepping it takes minutes a model.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from runtime.budget.assemble import Computation
from runtime.budget.cautions import lacking
from runtime.budget.gather import Choice, Gathered
from runtime.budget.inputs.library import Driver, Library, Mcu, Usage, load_parts
from runtime.budget.inputs.uncertainty import Interval, draw, interval_of, typical_values
from runtime.budget.opened import Opened, open_model
from runtime.budget.price.parts_price import PartsPrice
from runtime.budget.price.power import average_power
from runtime.budget.price.profiles import Profiles
from runtime.budget.result import Budget
from runtime.errors import UsageError
from runtime.firmware.machine.cores import find_core
from runtime.firmware.machine.execute import executable_cores

__all__ = ["with_cheapest_parts"]

_QUICK_DRAWS = 2000
"""Enough to tell choices of a controller apart: of a median so near its neighbours that these do
not, either will do."""


def with_cheapest_parts(
    priced: Budget,
    folder: Path,
    parts: Path | None = None,
    compiler: str = "zig",
    computation: Computation | None = None,
    cores: Sequence[str] | None = None,
) -> Budget:
    """Return a budget with the cheapest electronics that each controller can be had with.

    Parameters
    ----------
    priced : Budget
        As :func:`runtime.budget.budget` gave it for the other arguments; its choice holds for all
        that stays.
    folder, parts, compiler, computation
        As there; nothing is kept in the folder.
    cores : sequence of str, optional
        Whose controllers are looked at; those of all cores that unicorn executes by default.

    Returns
    -------
    Budget
        With one row a controller that has flash, RAM and time enough: its choice of the least
        median, by fewer draws where there are many; rows by their medians, the least first.

    Raises
    ------
    Error
        A file is faulty, or the compiler refuses the code.
    """
    computation, library = computation or Computation(), load_parts(parts)
    opened = open_model(folder, library.get(Usage, priced.choice.usage))
    if cores is None:
        cores = [c for c in executable_cores(compiler)[0] if find_core(c).unicorn_cpu]
    profiles = {core: opened.profiles((core,), core, compiler, keep=False) for core in cores}
    lit = any(priced.inputs[f"{s}.led_current"].typical > 0.0 for s in ("watching", "active"))
    drivers = _same_light(library, priced.choice.driver) if lit else (priced.choice.driver,)
    found = []
    for name in library.names("mcu"):
        core = library.get(Mcu, name).core
        if core not in profiles:
            continue
        choices = _choices(library, priced.choice, name, drivers)
        fitting = list(_fitting(opened, library, choices, profiles[core]))
        if fitting:
            quick = replace(computation, n_draws=min(computation.n_draws, _QUICK_DRAWS))
            choice, gathered = min(fitting, key=lambda each: _average(each[1], quick).median)
            average = _average(gathered, computation)
            found.append(PartsPrice.of(choice, gathered.titles, average))
    return replace(priced, cheapest_parts=tuple(sorted(found, key=PartsPrice.rank)))


def _same_light(library: Library, driver: str) -> tuple[str, ...]:
    """Return the drivers of as many LEDs as the chosen one has."""
    leds = library.get(Driver, driver).leds
    return tuple(n for n in library.names("driver") if library.get(Driver, n).leds == leds)


def _choices(
    library: Library, choice: Choice, mcu: str, drivers: Sequence[str]
) -> Iterator[Choice]:
    """Yield every choice of a controller's driver, regulator and link to the sensor."""
    for driver, regulator, link in product(
        drivers, library.names("regulator"), library.names("link")
    ):
        yield replace(choice, mcu=mcu, driver=driver, regulator=regulator, sensor_link=link)


def _fitting(
    opened: Opened, library: Library, choices: Iterator[Choice], profiles: Profiles
) -> Iterator[tuple[Choice, Gathered]]:
    """Yield those that work, with their inputs."""
    for choice in choices:
        try:
            gathered = opened.gathered(library, choice, profiles)
        except UsageError:  # its operating states do not exist together
            continue
        mcu, values = library.get(Mcu, choice.mcu), typical_values(gathered.inputs)
        if not lacking(values, mcu, profiles.active[mcu.core]):
            yield choice, gathered


def _average(gathered: Gathered, computation: Computation) -> Interval:
    """Return the average power with its interval, uW."""
    rng, inputs = np.random.default_rng(computation.seed), gathered.inputs
    typical = average_power(typical_values(inputs))
    draws = average_power(draw(inputs, computation.n_draws, rng))
    return interval_of(sum(typical.values()), sum(draws.values()))
