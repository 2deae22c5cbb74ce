"""Count what a frame executes on an emulated core: by class, by function, in cycles.

The emulator reports each basic block as it is entered; a block is disassembled once, and a frame
is the sum of its blocks. Nothing is sampled. An instruction whose condition fails (after IT) counts
as executed: it takes its cycle all the same.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ToolError
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.machine.execute import Machine, check_frames
from runtime.firmware.measure.instructions import CLASSES, Block, decode

__all__ = ["trace_frames"]


@dataclass(frozen=True, slots=True)
class FrameCosts:
    """What `pw_step` executed, summed over frames.

    Attributes
    ----------
    n_frames : int
    instructions : int64 (n_frames,)
        Executed instructions of each frame.
    by_class, by_function : dict
        Executed instructions over all frames.
    cycles : tuple of float
        Low, typical and high cycles over all frames.
    stack_bytes : int
        Deepest stack that was written.
    """

    n_frames: int
    instructions: NDArray[np.int64]
    by_class: dict[str, int]
    by_function: dict[str, int]
    cycles: tuple[float, float, float]
    stack_bytes: int


def trace_frames(
    compiled: CompiledFirmware, lit: NDArray[np.uint16], dark: NDArray[np.uint16]
) -> FrameCosts:
    """Execute ``pw_step`` for each frame with every block counted.

    Parameters
    ----------
    compiled : CompiledFirmware
        For an emulated core.
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        At least one frame.

    Raises
    ------
    FormatError
        The frames do not fit the model's sensor.
    ToolError
        The program faulted.
    """
    import unicorn

    machine = Machine(compiled)
    lit, dark = check_frames(machine.layout, lit, dark)
    if len(lit) == 0:
        raise ToolError("trace", "number of frames", 0, "at least 1")
    visited: list[int] = []

    def entered(_uc: object, address: int, size: int, _data: object) -> None:
        visited.append(address << 16 | size)

    machine.uc.hook_add(unicorn.UC_HOOK_BLOCK, entered)
    state = machine.image.symbol("harness_state").address
    machine.paint_stack()
    executed: Counter[int] = Counter()
    per_frame = []
    for one_lit, one_dark in zip(lit, dark, strict=True):
        visited.clear()
        machine.call("pw_step", state, *machine.write_exposures(one_lit, one_dark))
        counts = _count(visited)
        per_frame.append(counts)
        executed.update(counts)
    return _price(machine, executed, per_frame)


def _count(visited: list[int]) -> dict[int, int]:
    """Return how often each block ran, keyed by ``address << 17 | size << 1 | taken``.

    A block's last branch was taken when the next block does not follow it in memory.
    """
    packed = np.array(visited, dtype=np.int64)
    address, size = packed >> 16, packed & 0xFFFF
    taken = np.ones(len(packed), dtype=np.int64)
    taken[:-1] = address[1:] != address[:-1] + size[:-1]
    keys, counts = np.unique(packed << 1 | taken, return_counts=True)
    return dict(zip(keys.tolist(), counts.tolist(), strict=True))


def _price(machine: Machine, executed: Counter[int], per_frame: list[dict[int, int]]) -> FrameCosts:
    """Turn block counts into instructions and cycles."""
    functions = [s for s in machine.image.symbols if s.is_function]
    starts = np.array([s.address for s in functions])
    by_class = dict.fromkeys(CLASSES, 0)
    by_function: Counter[str] = Counter()
    lengths: dict[int, int] = {}
    cycles = np.zeros(3)
    for key, times in executed.items():
        address, size, taken = key >> 17, key >> 1 & 0xFFFF, bool(key & 1)
        code = bytes(machine.uc.mem_read(address, size))
        block = Block(address, decode(machine.core, address, code))
        kinds, price = block.count(taken=taken)
        for kind, n in kinds.items():
            by_class[kind] += n * times
        cycles += np.array(price) * times
        lengths[key] = len(block.instructions)
        name = functions[int(np.searchsorted(starts, address, side="right")) - 1].name
        by_function[name] += lengths[key] * times
    totals = [sum(lengths[key] * times for key, times in counts.items()) for counts in per_frame]
    low, typical, high = cycles.tolist()
    return FrameCosts(
        len(per_frame), np.array(totals, dtype=np.int64), by_class, dict(by_function),
        (low, typical, high), machine.stack_used(),
    )  # fmt: skip
