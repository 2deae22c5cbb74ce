"""Print what the runtime's kernels cost, beside the figures they are held against.

Run as a script: ``python tests/bench/bench_kernels.py``. It asserts nothing; instruction counts are
exact and the same on every machine, seconds are this machine's.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "runtime"))

from firmware_models import dense, random_frames, save_folder

from runtime.firmware.emit.generate import generate, stage_labels
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import executable_cores
from runtime.firmware.profile import CoreProfile, profile_compiled
from runtime.fixedpoint import choose_multiplier
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.level import Level
from runtime.verification.verify import verify

ALL_CORES = list(executable_cores("zig")[0])
FLOOR_LOADS = 64 * 64 // 2 * 2
"""One 32-bit load per two pixels and exposure."""
LAYER_LIMITS = {
    "cortex-m0plus": 36_000, "cortex-m3": 24_500, "cortex-m4": 10_600, "cortex-m33": 10_600,
    "rv32imc": 31_000,
}  # fmt: skip
GENERAL_LIBRARY = {
    "cortex-m0plus": 55_824, "cortex-m3": 30_674, "cortex-m4": 17_763, "cortex-m33": 17_780,
}  # fmt: skip
"""Executed instructions of an open, hand-optimised int8 kernel library, best build, same layers."""


def binning_model() -> Model:
    """Lit minus dark over 64 by 64 pixels into 8 by 8 bins."""
    rng = np.random.default_rng(0)
    head = dense(rng.integers(-7, 8, (4, 64)).astype(np.int8), 32)
    stages = (Bins(64, 64, 8, 8), head, Decision((False,) * 4, 1, 0, 1, 0))
    return Model("binning", "bench", Sensor("bench", 64, 64), tuple("abcd"), stages)


def layers_model() -> Model:
    """Int8 layers 256 to 32 to 8: 8,448 multiply-accumulates."""
    rng = np.random.default_rng(0)
    worst = 256 * 127 * 127 + 100
    stages = (
        Bins(15, 34, 15, 17),
        Level(255, 8, 10, 256, 3, 0),
        dense(
            rng.integers(-127, 128, (32, 256)).astype(np.int8),
            8, *choose_multiplier(127 / 200_000, worst), bias=100,
        ),
        dense(rng.integers(-127, 128, (8, 32)).astype(np.int8), 32),
        Decision((False,) * 8, 1, 0, 1, 0),
    )  # fmt: skip
    return Model("layers", "bench", Sensor("bench", 15, 34), tuple("abcdefgh"), stages)


def best_profile(model: Model, core: str, stages: tuple[str, ...]) -> tuple[CoreProfile, str]:
    """Return the profile whose named stages execute least, over the compiler's levels."""
    lit, dark = random_frames(model, 6)
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for name, text in generate(model).items():
            (Path(folder) / name).write_text(text)
        for level in ("-O2", "-O3", "-Os"):
            compiled = compile_for(folder, core, optimise=level)
            profile = profile_compiled(compiled, stage_labels(model), lit, dark)
            found.append((sum(profile.by_stage[s] for s in stages), level, profile))
    _, level, profile = min(found, key=lambda item: item[0])
    return profile, level


def main() -> None:
    """Print every figure."""
    print("Lit minus dark, 64x64 into 8x8 bins: instructions per 32-bit load, 1.25 wanted")
    for core in ALL_CORES:
        profile, level = best_profile(binning_model(), core, ("s0 bins",))
        count = profile.by_stage["s0 bins"]
        print(f"  {core:14} {level} {count:7.0f} {count / FLOOR_LOADS:6.3f}")
    print("Int8 layers 256-32-8 with requantisation and decision: executed instructions")
    stages = ("s2 dense", "s3 dense", "s4 decision")
    for core in ALL_CORES:
        profile, level = best_profile(layers_model(), core, stages)
        count = sum(profile.by_stage[s] for s in stages)
        wanted, other = LAYER_LIMITS.get(core), GENERAL_LIBRARY.get(core)
        ratio = f"  {count / other:.2f} of a general library" if other else ""
        limit = f"  wanted at most {wanted}" if wanted else ""
        print(f"  {core:14} {level} {count:7.0f}{limit}{ratio}")
        low, typical, high = profile.cycles_per_frame
        print(f"  {'':14} whole frame {low:.0f} to {high:.0f} cycles, typically {typical:.0f}")
    with tempfile.TemporaryDirectory() as folder:
        save_folder(layers_model(), Path(folder), 1000)
        start = time.perf_counter()
        answer = verify(folder, ALL_CORES, 1000)
        seconds = time.perf_counter() - start
        print(f"Verify {len(ALL_CORES)} cores, 1,000 frames: {seconds:.1f} s, ok {answer.ok}")
    model = layers_model()
    lit, dark = random_frames(model, 6000)
    start = time.perf_counter()
    model.run(lit, dark)
    hour = (time.perf_counter() - start) / 6000 * 60 * 3600
    print(f"Integer reference, one hour at 60 frame pairs a second: {hour:.1f} s (60 wanted)")


if __name__ == "__main__":
    main()
