"""How long the integer reference takes for one hour of 64 by 64 frame pairs at 60 a second.

Run as a script; prints seconds and the share of each stage. Nothing is asserted.
"""

from __future__ import annotations

import time

import numpy as np

from runtime.fixedpoint import choose_multiplier
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.window import Window

FRAMES_AN_HOUR = 60 * 3600
BLOCK = 1024
BLOCKS = 8


def _layer(rng: np.random.Generator, n_out: int, n_in: int, out_bits: int) -> Dense:
    weights = rng.integers(-127, 128, (n_out, n_in)).astype(np.int8)
    scaling = choose_multiplier(0.003, n_in * 127 * 127) if out_bits == 8 else (1, 0)
    bias = np.zeros(n_out, dtype=np.int32)
    real = weights.astype(float), bias.astype(float)
    return Dense(weights, bias, *scaling, out_bits == 8, out_bits, *real)


def main() -> None:
    """Time blocks of random frames and scale to one hour."""
    rng = np.random.default_rng(1)
    entry = Bins(64, 64, 8, 8)
    stages: list[Stage] = [
        Level(64, 8, 11, 1024, 3, 96),
        Motion(65, 4, 8),
        Window(66, 5, 6, 2, 8),
        _layer(rng, 32, 330, 8),
        _layer(rng, 10, 32, 32),
        Decision((False,) * 9 + (True,), 500, 200, 2, 15),
    ]
    lit, dark = (rng.integers(0, 4096, (BLOCK, 64, 64)).astype(np.uint16) for _ in range(2))
    seconds = dict.fromkeys([entry.kind, *(f"{i} {s.kind}" for i, s in enumerate(stages, 1))], 0.0)
    states = [stage.initial_state() for stage in stages]
    for _ in range(BLOCKS):
        start = time.perf_counter()
        x = entry.run_frames(lit, dark)
        seconds[entry.kind] += time.perf_counter() - start
        for index, stage in enumerate(stages):
            start = time.perf_counter()
            x, states[index] = stage.run(x, states[index])
            seconds[f"{index + 1} {stage.kind}"] += time.perf_counter() - start
    hours = FRAMES_AN_HOUR / (BLOCK * BLOCKS)
    print(f"one hour of 64x64 frame pairs at 60 a second: {sum(seconds.values()) * hours:.1f} s")
    for name, spent in seconds.items():
        print(f"  {name:12} {spent * hours:6.2f} s")


if __name__ == "__main__":
    main()
