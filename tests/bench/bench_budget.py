"""Times of a budget's draws and of the whole command, beside what they should stay under."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from runtime.budget.inputs.library import KINDS, load_parts
from runtime.budget.inputs.uncertainty import draw
from runtime.budget.inputs.values import Input, setting
from runtime.budget.price.power import average_power

N_DRAWS = 100_000
LIMIT_S = 1.0
COMMAND_LIMIT_S = 10.0


def library_inputs() -> dict[str, Input]:
    """Return the default parts' inputs, and settings of a 32 by 32 sensor."""
    library, found = load_parts(), dict[str, Input]()
    for kind in ("mcu", "led", "driver", "regulator", "readout", "host", "usage"):
        found |= library.get(KINDS[kind], library.names(kind)[0]).inputs(kind)
    for group in ("sensor_link", "host_link"):
        found |= library.get(KINDS["link"], library.names("link")[0]).inputs(group)
    for name, value in {
        "sensor.exposure": 200.0, "sensor.bits": 12.0, "active.rate": 30.0, "watching.rate": 5.0,
        "active.led_current": 100.0, "watching.led_current": 20.0, "active.pixels": 1024.0,
        "watching.pixels": 256.0, "active.cycles": 20_000.0, "watching.cycles": 2_000.0,
        "active.flash_bytes": 12_000.0, "watching.flash_bytes": 2_400.0,
        "active.interrupts": 1.0, "watching.interrupts": 1.0,
    }.items():  # fmt: skip
        found[name] = setting(name, "1", value, "chosen for the measurement")
    return found


if __name__ == "__main__":
    inputs = library_inputs()
    start = time.perf_counter()
    sum(average_power(draw(inputs, N_DRAWS, np.random.default_rng(1))).values())
    took = time.perf_counter() - start
    print(f"{N_DRAWS:,} draws: {took:.3f} s, {took / LIMIT_S:.2f} of the limit of {LIMIT_S:g} s")
    with tempfile.TemporaryDirectory(prefix="pw-bench-") as scratch:
        model = Path(scratch) / "dynamic"
        shutil.copytree(Path(__file__).parents[2] / "models" / "dynamic", model)
        (model / "profile.json").unlink(missing_ok=True)
        command = [
            sys.executable,
            "-c",
            "from trainer.cli import main; main()",
            "budget",
            str(model),
        ]
        for state in ("six cores profiled", "profiles kept"):
            start = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            took = time.perf_counter() - start
            print(
                f"palmwatt budget, {state}: {took:.1f} s, "
                f"{took / COMMAND_LIMIT_S:.2f} of the limit of {COMMAND_LIMIT_S:g} s"
            )
