"""The bytes that a firmware folder takes on a core: flash, state and the deepest stack."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from runtime.firmware.machine.compile import OPTIMISE, compile_for
from runtime.firmware.machine.elf import read_sizes
from runtime.firmware.measure.stack import stack_bound

__all__ = ["Footprint", "measure_footprint"]


@dataclass(frozen=True, slots=True)
class Footprint:
    """Bytes that a model takes on a core."""

    core: str
    compiler: str
    optimise: str
    flash_bytes: int
    ram_bytes: int
    stack_bytes: int


def measure_footprint(folder: Path, core: str, optimise: str = OPTIMISE) -> Footprint:
    """Compile a firmware folder and read the bytes that it takes."""
    compiled = compile_for(folder, core, optimise=optimise)
    sizes = read_sizes(compiled)
    return Footprint(
        core, compiled.compiler, optimise, sizes.flash_bytes, sizes.ram_bytes,
        stack_bound(compiled),
    )  # fmt: skip
