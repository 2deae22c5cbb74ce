"""What a model costs on a core: executed instructions, cycles, flash, RAM, stack."""

from __future__ import annotations

import dataclasses
import math
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.firmware.emit.generate import generate, stage_labels
from runtime.firmware.machine.compile import OPTIMISE, CompiledFirmware, compile_for
from runtime.firmware.machine.cores import find_core
from runtime.firmware.machine.elf import read_sizes
from runtime.firmware.measure.instructions import CLASSES
from runtime.firmware.measure.stack import stack_bound
from runtime.firmware.measure.trace import trace_frames

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["CoreProfile", "profile", "profile_compiled"]


@dataclass(frozen=True, slots=True)
class CoreProfile:
    """What one frame costs on one core, measured by executing it.

    Attributes
    ----------
    core, compiler, timing_source : str
    n_frames : int
        Frames that were executed and counted.
    instructions_per_frame : float
        Mean over those frames; `worst_frame_instructions` is the largest.
    by_class, by_stage, by_function : dict of str to float
        Mean instructions per frame; what a stage calls counts for the stage, what none calls is
        ``between stages``.
    cycles_per_frame : tuple of float
        Low, typical and high by the core's timing.
    code_bytes, const_bytes, ram_bytes : int
        From the ELF file: instructions, constant tables, state.
    stack_bytes : int
        Proved bound; `stack_seen_bytes` is the deepest that was written.
    by_symbol : dict of str to int
        Bytes of each function and table.
    """

    core: str
    compiler: str
    n_frames: int
    instructions_per_frame: float
    worst_frame_instructions: int
    by_class: dict[str, float]
    by_stage: dict[str, float]
    by_function: dict[str, float]
    cycles_per_frame: tuple[float, float, float]
    code_bytes: int
    const_bytes: int
    ram_bytes: int
    stack_bytes: int
    stack_seen_bytes: int
    by_symbol: dict[str, int]
    timing_source: str

    def to_json(self) -> dict[str, Any]:
        """Return the fields as JSON values, in order."""
        return dataclasses.asdict(self) | {"cycles_per_frame": list(self.cycles_per_frame)}

    @classmethod
    def from_json(cls, data: object, where: str = "profile") -> CoreProfile:
        """Build a profile from untrusted JSON, in the order of one that was just counted.

        Raises
        ------
        FormatError
            A field is missing, unknown or of the wrong type.
        """
        names = [f.name for f in dataclasses.fields(cls)]
        if not isinstance(data, Mapping) or set(data) != set(names):
            raise FormatError(where, "profile", "with other fields", ", ".join(names))
        fields = dict(data)
        for field in dataclasses.fields(cls):
            wanted = str(field.type).split("[")[0]
            kinds: dict[str, Any] = {
                "str": str, "int": int, "float": (int, float), "dict": dict, "tuple": list,
            }  # fmt: skip
            if not isinstance(fields[field.name], kinds[wanted]):
                got = type(fields[field.name]).__name__
                raise FormatError(where, field.name, got, wanted)
            if wanted != "str":
                _refuse_no_numbers(where, field.name, fields[field.name])
        cycles = fields["cycles_per_frame"]
        if len(cycles) != 3:
            raise FormatError(where, "cycles_per_frame", cycles, "three numbers")
        # A file's keys are sorted by letter: pages would hang on whether a profile was kept.
        fields["by_stage"] = dict(sorted(fields["by_stage"].items(), key=_place_of_stage))
        fields["by_class"] = dict(sorted(fields["by_class"].items(), key=_place_of_class))
        return cls(**fields | {"cycles_per_frame": tuple(cycles)})


def _refuse_no_numbers(where: str, name: str, value: Any) -> None:
    """Refuse a field of a file in which anything is no number, or is not finite."""
    if isinstance(value, dict):
        value = list(value.values())
    for each in value if isinstance(value, list) else [value]:
        # A whole number of any length is finite, but no float can hold each.
        if not isinstance(each, (int, float)) or not abs(each) <= sys.float_info.max:
            raise FormatError(where, name, f"{each!s:.40}", "finite numbers")


def _place_of_stage(item: tuple[str, float]) -> tuple[float, str]:
    """Return where a stage comes, by the number in its label; what has none is last."""
    number = item[0].partition(" ")[0].removeprefix("s")
    return (int(number) if number.isdecimal() else math.inf, item[0])


def _place_of_class(item: tuple[str, float]) -> int:
    return CLASSES.index(item[0]) if item[0] in CLASSES else len(CLASSES)


def profile(
    model: Model,
    core: str,
    lit: NDArray[np.uint16],
    dark: NDArray[np.uint16],
    *,
    compiler: str = "zig",
    optimise: str = OPTIMISE,
    sources: Mapping[str, str] | None = None,
) -> CoreProfile:
    """Compile a model's firmware, execute the frames on an emulated core, and count.

    Parameters
    ----------
    model : Model
    core : str
        One of `cores.CORES`.
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Typical frames; about 60 are enough for a mean.
    compiler, optimise : str
        As for `compile_for`.
    sources : mapping of str to str, optional
        The C by name of file; what the model gives when absent.

    Raises
    ------
    FormatError, ToolError, UsageError
        As `compile_for` and `trace_frames` raise them.
    """
    with tempfile.TemporaryDirectory(prefix="pw-profile-") as folder:
        for name, text in (generate(model) if sources is None else sources).items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        compiled = compile_for(folder, core, compiler=compiler, optimise=optimise)
    return profile_compiled(compiled, stage_labels(model), lit, dark)


def profile_compiled(
    compiled: CompiledFirmware,
    stages: Mapping[str, str],
    lit: NDArray[np.uint16],
    dark: NDArray[np.uint16],
) -> CoreProfile:
    """Profile firmware that is already compiled; `stages` names stages by their C prefix."""
    costs, sizes = trace_frames(compiled, lit, dark), read_sizes(compiled)
    n = costs.n_frames
    by_stage = dict.fromkeys(dict.fromkeys(stages.values()), 0.0) | {"between stages": 0.0}
    for prefix, count in costs.by_prefix.items():
        by_stage[stages.get(prefix, "between stages")] += count / n
    low, typical, high = costs.cycles
    return CoreProfile(
        core=compiled.core,
        compiler=compiled.compiler,
        n_frames=n,
        instructions_per_frame=float(costs.instructions.mean()),
        worst_frame_instructions=int(costs.instructions.max()),
        by_class={name: count / n for name, count in costs.by_class.items()},
        by_stage=by_stage,
        by_function={name: c / n for name, c in sorted(costs.by_function.items())},
        cycles_per_frame=(low / n, typical / n, high / n),
        code_bytes=sizes.code_bytes,
        const_bytes=sizes.const_bytes,
        ram_bytes=sizes.ram_bytes,
        stack_bytes=stack_bound(compiled),
        stack_seen_bytes=costs.stack_bytes,
        by_symbol=sizes.by_symbol,
        timing_source=find_core(compiled.core).timing_source,
    )
