"""Count what a frame executes on an emulated core: by class, by function, in cycles.

The emulator reports each block (unicorn) or instruction (QEMU) as it is entered; a block is
disassembled once, and a frame is the sum of its blocks. Nothing is sampled. An instruction whose
condition fails (after IT) counts as executed: it takes its cycle all the same.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ToolError
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.machine.execute import Machine, check_frames
from runtime.firmware.measure.instructions import CLASSES, Block, decode

__all__ = ["trace_frames", "with_branches"]

_STAGE = re.compile(r"s\d+_")
_CALLERS = ("pw_step", "pw_feed_row", "pw_finish", "finish")


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
    by_prefix : dict
        The same by the first word of the calling function's name (``s3`` of ``s3_run``): what a
        kernel or a routine executed that several stages share counts for the stage that ran last.
    cycles : tuple of float
        Low, typical and high cycles over all frames.
    stack_bytes : int
        Deepest stack that was written.
    """

    n_frames: int
    instructions: NDArray[np.int64]
    by_class: dict[str, int]
    by_function: dict[str, int]
    by_prefix: dict[str, int]
    cycles: tuple[float, float, float]
    stack_bytes: int


def trace_frames(
    compiled: CompiledFirmware,
    lit: NDArray[np.uint16],
    dark: NDArray[np.uint16],
    executor: str | None = None,
) -> FrameCosts:
    """Execute ``pw_step`` for each frame with every block counted.

    Parameters
    ----------
    compiled : CompiledFirmware
        For an emulated core.
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        At least one frame.
    executor : str, optional
        As for `runtime.firmware.machine.execute.Machine`.

    Raises
    ------
    FormatError
        The frames do not fit the model's sensor.
    ToolError
        The program faulted.
    """
    machine = Machine(compiled, executor=executor, counting=True)
    lit, dark = check_frames(machine.layout, lit, dark)
    if len(lit) == 0:
        raise ToolError("trace", "number of frames", 0, "at least 1")
    state = machine.image.symbol("harness_state").address
    machine.paint_stack()
    functions = _Functions.of(machine)
    frames = []
    for one_lit, one_dark in zip(lit, dark, strict=True):
        machine.call("pw_step", state, *machine.write_exposures(one_lit, one_dark))
        frames.append(_count(machine.blocks(), functions))
    return _price(machine, functions, frames)


@dataclass(frozen=True, slots=True)
class _Functions:
    """The program's functions in order of address, and who answers for what each executes."""

    starts: NDArray[np.int64]
    names: tuple[str, ...]
    shared: NDArray[np.bool_]
    """Whether a function is neither a stage's own nor one that calls stages."""

    @classmethod
    def of(cls, machine: Machine) -> _Functions:
        found = [s for s in machine.image.symbols if s.is_function]
        names = tuple(s.name for s in found)
        own = [name in _CALLERS or _STAGE.match(name) is not None for name in names]
        return cls(np.array([s.address for s in found]), names, ~np.array(own))

    def at(self, address: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the number of the function that holds each address."""
        return np.asarray(np.searchsorted(self.starts, address, side="right") - 1)


def with_branches(packed: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return blocks in order as ``address << 17 | size << 1 | taken``.

    A block's last branch was taken when the next block does not follow it in memory.

    Parameters
    ----------
    packed : int64 (n_blocks,)
        ``address << 16 | size``, as `runtime.firmware.machine.execute.Machine.blocks` gives them.
    """
    address, size = packed >> 16, packed & 0xFFFF
    taken = np.ones(len(packed), dtype=np.int64)
    taken[:-1] = address[1:] != address[:-1] + size[:-1]
    return packed << 1 | taken


def _count(packed: NDArray[np.int64], functions: _Functions) -> dict[tuple[int, int], int]:
    """Return how often each block ran, by its key of `with_branches` and its caller."""
    function = functions.at(packed >> 16)
    order = np.arange(len(packed))
    last_own = np.maximum.accumulate(np.where(functions.shared[function], 0, order))
    # As one number, which has room for both: sorting pairs takes twenty times as long.
    n_functions = len(functions.starts)
    found, counts = np.unique(
        with_branches(packed) * n_functions + function[last_own], return_counts=True
    )
    blocks = (whole.tolist() for whole in np.divmod(found, n_functions))
    return dict(zip(zip(*blocks, strict=True), counts.tolist(), strict=True))


def _price(
    machine: Machine, functions: _Functions, frames: list[dict[tuple[int, int], int]]
) -> FrameCosts:
    """Turn block counts into instructions and cycles."""
    by_class = dict.fromkeys(CLASSES, 0)
    by_function: Counter[str] = Counter()
    by_prefix: Counter[str] = Counter()
    lengths: dict[int, int] = {}
    cycles = np.zeros(3)
    executed: Counter[tuple[int, int]] = Counter()
    for counts in frames:
        executed.update(counts)
    for (key, caller), times in executed.items():
        address, size, taken = key >> 17, key >> 1 & 0xFFFF, bool(key & 1)
        code = machine.read(address, size)
        block = Block(address, decode(machine.core, address, code))
        kinds, price = block.count(taken=taken)
        for kind, n in kinds.items():
            by_class[kind] += n * times
        cycles += np.array(price) * times
        lengths[key] = len(block.instructions)
        by_function[functions.names[int(functions.at(np.array(address)))]] += lengths[key] * times
        by_prefix[functions.names[caller].partition("_")[0]] += lengths[key] * times
    totals = [sum(lengths[key] * n for (key, _), n in counts.items()) for counts in frames]
    low, typical, high = cycles.tolist()
    return FrameCosts(
        len(frames), np.array(totals, dtype=np.int64), by_class, dict(by_function),
        dict(by_prefix), (low, typical, high), machine.stack_used(),
    )  # fmt: skip
