"""A whole day of the device program on an emulated core, beside the budget's formula.

Run as a script: ``python tests/bench/bench_device_day.py [--model models/dynamic] [--core NAME]
[--hours 24] [--seed 1]``. Visits, false wakes and faults are drawn: visits on any microsecond, and
lasting from half a second to a minute and a half; the readouts are the model's own test frames
while somebody is there, and the sensor's noise while nobody is.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
import time
from pathlib import Path

import numpy as np

from runtime.budget.price.scripted_day import awake_spans, price_day
from runtime.firmware.day.run import compile_device, run_day
from runtime.firmware.day.script import DayScript, Kind
from runtime.firmware.emit.folder import write_firmware
from runtime.firmware.setting import read_setting
from runtime.model import Model, load_model
from runtime.sample_frames import read_test_frames
from runtime.stages.contract.stage import Counts

VISITS_AN_HOUR = 2.5
FALSE_WAKES_AN_HOUR = 2.0
FAULTS_AN_HOUR = 1.0
BRIGHTER_COUNTS = 200
"""Added in visits to every other watching frame, so that something moves in each."""


def drawn_day(model: Model, frames: tuple[Counts, Counts], hours: float, seed: int) -> DayScript:
    """Return a day whose times are drawn."""
    rng = np.random.default_rng(seed)
    seconds, sensor = 3600.0 * hours, model.sensor
    visits: list[tuple[float, float]] = []
    at = 10.0
    while True:
        at += 5.0 + rng.exponential(3600.0 / VISITS_AN_HOUR)
        end = at + rng.uniform(0.5, 90.0)
        if end > seconds - 10.0:
            break
        visits.append((at, end))
        at = end
    n_false, n_faults = (round(n * hours) for n in (FALSE_WAKES_AN_HOUR, FAULTS_AN_HOUR))
    false_wakes = np.sort(rng.uniform(10.0, seconds - 10.0, n_false))
    kinds = ("twice", "skipped", "counts", "silent", "short")
    faults = np.sort(rng.uniform(10.0, seconds - 10.0, n_faults))
    shape = (64, sensor.n_rows, sensor.n_cols)
    noise = np.hypot(sensor.read_noise_e * sensor.conversion_gain_dn_per_e, 0.3)
    level = sensor.black_level_counts + 20.0
    still = [
        np.clip(rng.normal(level, noise, shape), 0, sensor.max_counts).round().astype(np.uint16)
        for _ in range(2)
    ]
    bright = [
        np.minimum(still[0] + np.uint16(n * BRIGHTER_COUNTS), sensor.max_counts).astype(np.uint16)
        for n in (1, 2)
    ]
    period = 1.0 / read_setting(Path(), sensor).watching_rate_hz
    starts = np.array([start for start, _ in visits])
    lit, dark = frames
    seen = 0

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        nonlocal seen
        if kind == "active":
            seen += 1
            return lit[seen % len(lit)], dark[seen % len(dark)]
        turn = round(t_s / period)
        index = turn % 64
        visit = int(np.searchsorted(starts, t_s, side="right")) - 1
        if visit >= 0 and t_s < visits[visit][1]:
            return bright[turn % 2][index], still[1][index]
        false = int(np.searchsorted(false_wakes, t_s, side="right")) - 1
        if false >= 0 and t_s < false_wakes[false] + period:
            return bright[0][index], still[1][index]
        return still[0][index], still[1][index]

    named = tuple((float(t), kinds[i % len(kinds)]) for i, t in enumerate(faults))
    return DayScript(seconds, tuple(visits), tuple(false_wakes.tolist()), readout, named)


def main() -> None:
    """Run the day, and print both tallies and what lies between them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", type=Path, default=Path("models/dynamic"))
    parser.add_argument("--core", default="cortex-m33")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    model = load_model(asked.model)
    setting = read_setting(asked.model, model.sensor)
    script = drawn_day(model, read_test_frames(asked.model, model, 500), asked.hours, asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        write_firmware(model, Path(folder) / "firmware", setting)
        compiled = compile_device(Path(folder) / "firmware", asked.core)
    began = time.perf_counter()
    run = run_day(compiled, script)
    taken = time.perf_counter() - began
    priced = price_day(script, model, setting)
    print(
        f"{model.name} on {asked.core}: {asked.hours:g} h with {len(script.visits)} visits of "
        f"{script.visited_s:.0f} s and {len(script.false_wakes)} false wakes, "
        f"{len(awake_spans(script, setting))} times awake; {taken:.0f} s to execute"
    )
    for field in dataclasses.fields(run.tally):
        found, wanted = (getattr(tally, field.name) for tally in (run.tally, priced))
        print(f"  {field.name:16} {found:16,.4f} executed {wanted:16,.4f} by the formula "
              f"{found - wanted:+.6f}")  # fmt: skip
    print(
        f"  dropped: {run.dropped_rows} for rows, {run.dropped_counts} for counts, of "
        f"{len(script.faults)} faults; told {run.told} times; fed {run.fed} times"
    )


if __name__ == "__main__":
    main()
