"""From a model folder to its budget: inputs gathered, power computed, verdict given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from runtime.budget.advice import what_would_halve
from runtime.budget.cautions import cautions
from runtime.budget.gate import held
from runtime.budget.gather import Choice
from runtime.budget.inputs.library import (
    Driver,
    Host,
    Led,
    Mcu,
    Usage,
    load_parts,
)
from runtime.budget.inputs.uncertainty import (
    draw,
    interval_of,
    sensitivity,
    typical_values,
)
from runtime.budget.judgement import judge_host
from runtime.budget.opened import open_model
from runtime.budget.price.led_rating import led_ratings
from runtime.budget.price.light import DISTANCES_MM, screen
from runtime.budget.price.power import (
    PARTS,
    STATES,
    active_seconds,
    average_power,
    dark_electrons,
    frame_energy,
    latency_ms,
    led_load,
)
from runtime.budget.result import Budget
from runtime.budget.verdict.limits import Limits
from runtime.budget.verdict.margin import Margin
from runtime.firmware.machine.execute import executable_cores
from runtime.model import model_hash

__all__ = ["Budget", "Computation", "budget"]


_DARK_W_SR = 1e-12
"""Of a sensor without an LED: its margins stay numbers."""


def _in_state(v: Any, state: str) -> Any:
    """Power in uW as if the state lasted all day: what a bench meter shows meanwhile."""
    all_day = dict(v)
    all_day["usage.on_time"] = 24.0
    if state == "active":
        all_day.update({"usage.hand_present": 1440.0})
    else:
        all_day.update({"usage.hand_present": 0.0, "usage.visits": 0.0, "usage.false_wakes": 0.0})
    return sum(average_power(all_day).values())


@dataclass(frozen=True, slots=True)
class Computation:
    """How a budget is worked out.

    Parameters
    ----------
    n_draws, seed : int
        Monte Carlo draws and seed.
    eye_distances_mm : tuple of float
        Distances from the LED at which light is screened, > 0.
    margin : Margin or None
        How much of the battery does not matter; None for the default.
    scenario : str
        Its name, where one is worked out besides the model's own; else empty.
    keep_profiles : bool
        Whether what is newly executed is kept in the model's folder.
    """

    n_draws: int = 100_000
    seed: int = 1
    eye_distances_mm: tuple[float, ...] = DISTANCES_MM
    margin: Margin | None = None
    scenario: str = ""
    keep_profiles: bool = True


def budget(
    model_dir: Path | str,
    *,
    choice: Choice | None = None,
    parts: Path | None = None,
    limits: Limits | None = None,
    cores: Sequence[str] | None = None,
    compiler: str = "zig",
    computation: Computation | None = None,
) -> Budget:
    """Price a model folder.

    Parameters
    ----------
    model_dir : Path
        Holds the model, ``test_frames.npz`` and, if trained here, ``evaluation.json``.
    choice : Choice, optional
        Names of parts; the defaults otherwise.
    parts : Path, optional
        A user's own parts file, laid over the library.
    limits : Limits, optional
        What to hold the result against.
    cores : sequence of str, optional
        Cores to profile, by default all that the compiler has and that can be executed here; the
        chosen controller's is added.
    compiler : str
        As for `runtime.firmware.machine.compile.compile_for`.
    computation : Computation, optional
        Draws of the Monte Carlo intervals, and where an eye may be.

    Returns
    -------
    Budget

    Raises
    ------
    Error
        A file is faulty or a part is unknown.
    """
    folder, choice, limits = Path(model_dir), choice or Choice(), limits or Limits()
    computation = computation or Computation()
    n_draws = computation.n_draws
    library = load_parts(parts)
    mcu, driver = library.get(Mcu, choice.mcu), library.get(Driver, choice.driver)
    library.get(Host, choice.host)
    opened = open_model(folder, library.get(Usage, choice.usage))
    model, evaluation = opened.model, opened.evaluation
    every = executable_cores(compiler)[0] if cores is None else tuple(cores)
    wanted = tuple(dict.fromkeys((*every, mcu.core)))
    profiles = opened.profiles(wanted, mcu.core, compiler, computation.keep_profiles)
    gathered = opened.gathered(library, choice, profiles)
    inputs, titles = gathered.inputs, gathered.titles

    rng = np.random.default_rng(computation.seed)
    typical, draws = typical_values(inputs), draw(inputs, n_draws, rng)
    power, power_draws = average_power(typical), average_power(draws)
    average = interval_of(sum(power.values()), sum(power_draws.values()))
    latency = interval_of(latency_ms(typical), latency_ms(draws))
    led, led_draws = led_load(typical), led_load(draws)
    # The strict case: the stronger state's current, at the active state's rate.
    strongest = max(typical["active.led_current"], typical["watching.led_current"])
    led_share = strongest / typical["led.rated_current"]
    intensity = inputs["led.radiant_intensity"].high * led_share / 1e3
    ratings = led_ratings(library.get(Led, choice.led), typical, max(driver.leds, 1))
    core = profiles.active[mcu.core]
    priced = Budget(
        model=model,
        model_hash=model_hash(model),
        choice=choice,
        titles=titles,
        inputs=inputs,
        average_uw=average,
        terms={key: float(value) for key, value in power.items()},
        part_uw={
            p: interval_of(sum(power[p, s] for s in STATES), sum(power_draws[p, s] for s in STATES))
            for p in PARTS
        },
        while_active_uw=interval_of(_in_state(typical, "active"), _in_state(draws, "active")),
        while_watching_uw=interval_of(_in_state(typical, "watching"), _in_state(draws, "watching")),
        frame_uj={
            s: {p: float(e) for p, e in frame_energy(typical, s).items()}
            for s in ("watching", "active")
        },
        active_share=float(active_seconds(typical)) / 86_400.0,
        latency_ms=latency,
        led={key: interval_of(led[key], led_draws[key]) for key in led},
        sensitivity=sensitivity(lambda v: sum(average_power(v).values()), inputs, rng),
        advice=what_would_halve(typical),
        verdict=judge_host(inputs, typical, draws, computation.margin, titles["host"]),
        light=screen(
            inputs["led.wavelength"].typical,
            max(intensity, _DARK_W_SR),
            inputs["led.source_width"].low,
            typical["sensor.exposure"] + typical["driver.settle_time"],
            typical["active.rate"],
            computation.eye_distances_mm,
        ),
        profiles=profiles,
        evaluation=evaluation,
        checks=(),
        cautions=cautions(model.sensor, inputs, (mcu, driver), core, profiles.firmware, ratings),
        led_ratings=ratings,
        dark_electrons=interval_of(dark_electrons(typical), dark_electrons(draws)),
        operating_states=gathered.states.to_json(mcu, gathered.n_choices),
        n_draws=n_draws,
        seed=computation.seed,
        scenario=computation.scenario,
    )
    return replace(priced, checks=held(limits, priced))
