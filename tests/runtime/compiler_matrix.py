"""Compilers, levels, registers kept and positions, over every core: which builds there are."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from runtime.firmware.machine.compile import CompiledFirmware, compile_for, cores_of
from runtime.firmware.machine.execute import execute
from runtime.fixedpoint import choose_multiplier
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Counts
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.root import Root
from runtime.stages.window import Window
from runtime.verification.verify import compare, reference_records

COMPILERS = ("zig", "arm-none-eabi-gcc", "riscv64-unknown-elf-gcc", "clang")
LEVELS = ("-O0", "-Og", "-O1", "-Os", "-Oz", "-O2", "-O3")
FRAMES = ("-fomit-frame-pointer", "-fno-omit-frame-pointer")
POSITIONS: tuple[tuple[str, ...], ...] = ((), ("-fpic",), ("-fpic", "-msingle-pic-base"))
ALIKE = {"cortex-m0": "cortex-m0plus"}
"""Cores that are compiled for, and executed on another that has all their instructions."""


@dataclass(frozen=True, slots=True)
class Build:
    """One way to compile the firmware."""

    compiler: str
    core: str
    level: str
    frame: str
    position: tuple[str, ...]

    def __str__(self) -> str:
        """Return what a report calls it."""
        return " ".join([self.compiler, self.core, self.level, self.frame, *self.position])

    def compiled(self, folder: Path) -> CompiledFirmware:
        """Compile a firmware folder this way, every warning an error."""
        base = ALIKE.get(self.core, self.core)
        extra = ["-Werror", self.frame, *self.position]
        if base != self.core:
            name = self.core.replace("-", "_") if self.compiler == "zig" else self.core
            extra.append(f"-mcpu={name}")
        return compile_for(
            folder, base, compiler=self.compiler, optimise=self.level, extra=tuple(extra)
        )


def every_build(compilers: tuple[str, ...] = COMPILERS) -> list[Build]:
    """Return all builds that these compilers can make; GCC alone keeps one base for data."""
    found = []
    for compiler in compilers:
        cores = (*cores_of(compiler), *(ALIKE if "riscv" not in compiler else ()))
        for core, level, frame, position in product(cores, LEVELS, FRAMES, POSITIONS):
            single = "-msingle-pic-base" in position
            if single and not compiler.startswith("arm"):
                continue
            if level == "-Oz" and "gcc" in compiler:
                continue  # this GCC is older than that level
            found.append(Build(compiler, core, level, frame, position))
    return found


def few_builds(compiler: str) -> list[Build]:
    """Return a sample of a compiler's builds: cores against levels along diagonals.

    Frame pointers and positions take turns from one of them to the next.
    """
    every = every_build((compiler,))
    cores, levels, positions = (
        list(dict.fromkeys(getattr(build, choice) for build in every))
        for choice in ("core", "level", "position")
    )
    met = [
        (core, level)
        for (i, core), (j, level) in product(enumerate(cores), enumerate(levels))
        if (i + j) % min(3, len(cores)) == 0
    ]
    return [
        Build(compiler, core, level, FRAMES[n % 2], positions[n // 2 % len(positions)])
        for n, (core, level) in enumerate(met)
    ]


def installed(compiler: str) -> bool:
    """Tell whether a compiler is on the path (zig is a package)."""
    return compiler == "zig" or shutil.which(compiler) is not None


def difference(model: Model, folder: Path, build: Build, lit: Counts, dark: Counts) -> str:
    """Return where a build's answers leave the reference, or nothing."""
    return compare(reference_records(model, lit, dark), execute(build.compiled(folder), lit, dark))


def every_kernel_model() -> Model:
    """A small model whose chain meets every kernel with assembly, turns odd and even, rows left.

    Bins of two words; matrices of 8-bit weights on 16-bit inputs (17, three turns) and on 8-bit
    inputs (40, five turns; 24), one of 16-bit weights, and windows whose rings are short.
    """
    rng = np.random.default_rng(11)

    def matrix(n_out: int, n_in: int, bits: int, largest: int, dtype: str = "int8") -> Dense:
        most = 127 if dtype == "int8" else 600
        weights = rng.integers(-most, most + 1, (n_out, n_in)).astype(dtype)
        bias = rng.integers(-900, 900, n_out).astype(np.int32)
        worst = int(np.abs(weights.astype(int)).sum(axis=1).max()) * largest + 900
        typical = 40 * (1 << (bits - 1)) / worst  # so that a few outputs saturate
        scale = (1, 0) if bits == 32 else choose_multiplier(typical, worst)
        real = weights.astype(float), bias.astype(float)
        return Dense(weights, bias, *scale, bits == 8, bits, *real)

    stages = (
        Bins(16, 16, 4, 4),
        Level(16, 16, 16, 1024, 12, 49152),
        Root(17, 16, 5, 10),
        matrix(10, 17, 16, 32767),
        Window(10, 4, 2),
        matrix(40, 40, 8, 32767),
        matrix(24, 40, 8, 127),
        matrix(6, 24, 16, 127, "int16"),
        matrix(5, 6, 32, 32767),
        Decision((False, False, False, False, True), 300, 100, 2, 3),
    )
    return Model("every_kernel", "dynamic", Sensor("test", 16, 16), tuple("abcde"), stages)


def lively_frames(model: Model, n_frames: int) -> tuple[Counts, Counts]:
    """Frames whose light wanders slowly over the pixels, extremes among them."""
    rng = np.random.default_rng(3)
    shape = (n_frames, model.sensor.n_rows, model.sensor.n_cols)
    most = model.sensor.max_counts
    where = np.linspace(0, 3, n_frames)[:, None, None] * np.linspace(0, 4, shape[2])
    lit = np.clip(most * (0.5 + 0.4 * np.sin(where)) + rng.normal(0, 60, shape), 0, most)
    dark = lit * rng.uniform(0.05, 0.4, (n_frames, 1, 1))
    lit[0], dark[0] = most, 0
    lit[1], dark[1] = 0, most
    return lit.astype(np.uint16), dark.astype(np.uint16)
