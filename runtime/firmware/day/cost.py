"""What the device program executes on a frame of either kind, on an emulated core.

Everything counts but the board: rows fed and accounted for, stages, the state machine, and what its
interrupts do. Entering and leaving an interrupt is the core's own work, which no instruction shows;
its cycles are added.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, ToolError
from runtime.firmware.day.run import Board
from runtime.firmware.day.script import BoardTimes, DayScript, Kind
from runtime.firmware.emit.device.asleep_text import ASLEEP
from runtime.firmware.emit.device.program_text import DEVICE_C
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.machine.cores import Core
from runtime.firmware.measure.instructions import Block, decode
from runtime.firmware.measure.trace import with_branches
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import RECENT
from runtime.stages.contract.stage import Counts

__all__ = ["DeviceCost", "FrameCost", "device_cost", "interrupt_cycles"]

_BOARD = re.compile(r"harness|pw_board_")
_INTERRUPTS = ("pw_device_sensor_ready", "pw_device_exposed", "pw_device_rows_read")
_OWN = frozenset(
    re.findall(r"^(?:static )?(?:int|void) (\w+)\(", ASLEEP["EXPOSING"] + DEVICE_C, re.MULTILINE)
)
"""Functions of ``pw_device.c``; a compiler may add a suffix to the name of one that it splits."""
_REST_FRAMES, _MOVING_FRAMES = 30, 20
"""Watching frames before anything moves, the first of which warm up, and while something does."""


@dataclass(frozen=True, slots=True)
class FrameCost:
    """Mean over frames of one kind.

    Attributes
    ----------
    n_frames : int
    instructions : float
        Executed on a frame, from its beginning to the next one's.
    own_instructions : float
        Of them, the device program's own, without stages and rows.
    interrupts : float
        Interrupts that the program took.
    cycles : tuple of float
        Low, typical and high, with those of entering and leaving interrupts.
    """

    n_frames: int
    instructions: float
    own_instructions: float
    interrupts: float
    cycles: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class DeviceCost:
    """What the device program costs on one core.

    Attributes
    ----------
    core, compiler : str
    watching, active : FrameCost
    own_bytes : int
        Flash of the device program alone, without watching stage and model.
    ram_bytes : int
        Everything that it remembers: both states, both buffers, its own.
    stack_bytes : int
        Deepest stack that was written, interrupts included.
    """

    core: str
    compiler: str
    watching: FrameCost
    active: FrameCost
    own_bytes: int
    ram_bytes: int
    stack_bytes: int

    def to_json(self) -> dict[str, Any]:
        """Return the fields as JSON values."""
        found = dataclasses.asdict(self)
        for kind in ("watching", "active"):
            found[kind]["cycles"] = list(found[kind]["cycles"])
        return found

    @classmethod
    def from_json(cls, data: object, where: str = "profile") -> DeviceCost:
        """Build a cost from untrusted JSON; raises FormatError where it is none."""
        try:
            fields = dict(data)  # type: ignore[call-overload]  # else refused below
            for kind in ("watching", "active"):
                one = dict(fields[kind])
                low, typical, high = (_finite(x) for x in one.pop("cycles"))
                counted = {str(k): _finite(x) for k, x in one.items()}
                n_frames = int(counted.pop("n_frames"))
                fields[kind] = FrameCost(n_frames=n_frames, cycles=(low, typical, high), **counted)
            for name in ("own_bytes", "ram_bytes", "stack_bytes"):
                fields[name] = int(fields[name])
            return cls(**fields)
        except (TypeError, ValueError, KeyError, OverflowError) as error:
            raise FormatError(where, "device cost", f"not whole ({error})") from None


def _finite(value: Any) -> float:
    """Return a number of a file; ValueError where a sum would never end in one."""
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{number} among its numbers")
    return number


def interrupt_cycles(core: Core) -> tuple[float, float, float]:
    """Return cycles of entering and leaving an interrupt: low, typical, high.

    Notes
    -----
    Cortex-M stacks eight registers by itself: 12 cycles to enter on M3, M4, M7 and M33, 15 on M0+
    (Technical Reference Manuals, exception handling, 2009 to 2020, from memory), 10 to 13 to leave;
    high has waits for flash. M0 and M23 are taken as M0+, M55 and M85 as the larger ones (assumed).
    On RISC-V the program saves the registers that a call may change: 16
    stores and 16 loads, and as much again for what a controller's own handler does (assumed).
    """
    if core.riscv:
        return (20.0, 50.0, 120.0)
    small = core.name in ("cortex-m0", "cortex-m0plus", "cortex-m23")
    return (26.0, 28.0, 45.0) if small else (22.0, 24.0, 40.0)


def device_cost(
    compiled: CompiledFirmware,
    lit: Counts,
    dark: Counts,
    setting: DeviceSetting,
    *,
    always_on: bool = False,
) -> DeviceCost:
    """Execute the device program on frames of either kind, and count.

    Parameters
    ----------
    compiled : CompiledFirmware
        As `runtime.firmware.day.run.compile_device` gives it.
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Frames for the model, typical ones. The watching stage is shown dark rows at rest, then
        dark and bright ones in turn, which wake the model.
    setting : DeviceSetting
        What the program is set to: it is run for as long as it takes to give it all frames.
    always_on : bool
        Of a program that never watches, whose watching frames cost nothing.

    Raises
    ------
    FormatError, ToolError
        The frames do not fit the model's sensor, or the program faulted or did not wake.
    """
    script = _script(lit, dark, setting)
    if always_on:
        script = replace(script, seconds=(len(lit) + 2) / setting.frame_rate_hz)
    board = Board(compiled, script, BoardTimes(), counting=True)
    frames = _Frames(board, len(lit))
    board.machine.paint_stack()
    board.run()
    frames.close()
    nothing = FrameCost(0, 0.0, 0.0, 0.0, (0.0, 0.0, 0.0))
    watching = nothing if always_on else frames.mean("watching")
    image = board.machine.image
    return DeviceCost(
        core=compiled.core,
        compiler=compiled.compiler,
        watching=watching,
        active=frames.mean("active"),
        own_bytes=sum(s.size for s in image.symbols if _is_own(s.name)),
        ram_bytes=image.symbol("harness_device").size,
        stack_bytes=board.machine.stack_used(),
    )


def _is_own(name: str) -> bool:
    """Tell whether a function is the device program's own."""
    return name.partition(".")[0] in _OWN


def _script(lit: Counts, dark: Counts, setting: DeviceSetting) -> DayScript:
    """Return rest, then movement until the model has seen every frame once.

    What comes stays bright for as many frames as the watching stage looks at: where a sensor has
    one column of bins, light that goes again at once is taken for noise.
    """
    flat = (np.zeros_like(lit[0]), np.zeros_like(dark[0]))
    bright = (np.full_like(lit[0], 255), flat[1])
    seen = {"active": 0, "watching": 0}

    def readout(_t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        turn = seen[kind]
        seen[kind] += 1
        if kind == "active":
            return lit[turn % len(lit)], dark[turn % len(lit)]
        moving = turn - _REST_FRAMES
        return bright if 0 <= moving < RECENT or (moving > 0 and turn % 2) else flat

    moving_s = max(
        _MOVING_FRAMES / setting.watching_rate_hz, (len(lit) + 2) / setting.frame_rate_hz
    )
    seconds = (_REST_FRAMES + RECENT) / setting.watching_rate_hz + moving_s
    return DayScript(seconds, (), (), readout)


class _Frames:
    """Blocks that the program executes, counted by the kind of the frame."""

    def __init__(self, board: Board, n_active: int) -> None:
        self._most: dict[str, float] = {"watching": np.inf, "active": n_active}
        self._board, self._machine = board, board.machine
        functions = [s for s in self._machine.image.symbols if s.is_function]
        self._names = [s.name for s in functions]
        self._starts = np.array([s.address for s in functions])
        self._kind: Kind | None = None
        self._n: Counter[str] = Counter()
        self._blocks: dict[str, Counter[int]] = {"watching": Counter(), "active": Counter()}

        board.before_scene = self._next

    def _next(self) -> None:
        """Begin another frame; the one before it is whole."""
        self.close()
        self._kind = self._board.kind()

    def close(self) -> None:
        """Count what was executed since the frame began; before the first one is the start."""
        packed = self._machine.blocks()
        if self._kind is not None and len(packed) and self._n[self._kind] < self._most[self._kind]:
            keys, counts = np.unique(with_branches(packed), return_counts=True)
            self._n[self._kind] += 1
            self._blocks[self._kind].update(dict(zip(keys.tolist(), counts.tolist(), strict=True)))

    def mean(self, kind: Kind) -> FrameCost:
        """Return the mean cost of the frames of a kind."""
        n = self._n[kind]
        if n == 0:
            raise ToolError("device program", f"{kind} frames", "none", "some: it did not wake")
        core = self._machine.core
        total = own = interrupts = 0
        cycles: NDArray[np.float64] = np.zeros(3)
        for key, times in self._blocks[kind].items():
            address, size, taken = key >> 17, key >> 1 & 0xFFFF, bool(key & 1)
            place = int(np.searchsorted(self._starts, address, side="right")) - 1
            name = self._names[place]
            if _BOARD.match(name):
                continue
            code = self._machine.read(address, size)
            block = Block(address, decode(core, address, code))
            executed = len(block.instructions) * times
            total += executed
            own += executed if _is_own(name) else 0
            interrupts += times if name in _INTERRUPTS and address == self._starts[place] else 0
            cycles += np.array(block.count(taken=taken)[1]) * times
        cycles += interrupts * np.array(interrupt_cycles(core))
        low, typical, high = (cycles / n).tolist()
        return FrameCost(n, total / n, own / n, interrupts / n, (low, typical, high))
