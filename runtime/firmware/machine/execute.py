"""Execute compiled firmware: on this machine through ctypes, on a core through an emulator.

`execute` answers what the model computes, fast: many frames per call, no counting. Counting what
was executed is `runtime.firmware.measure.trace`.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, ToolError
from runtime.firmware.machine.compile import HOST, CompiledFirmware, cores_of
from runtime.firmware.machine.cores import Core, find_core
from runtime.firmware.machine.elf import Image, read_image
from runtime.firmware.machine.emulator import Emulator, Fault, Room, executor_of
from runtime.firmware.machine.layout import Layout, Records, parse_layout
from runtime.firmware.machine.qemu_core import QemuCore, missing_program
from runtime.firmware.machine.unicorn_core import UnicornCore
from runtime.stages.contract.stage import Counts

__all__ = [
    "HostLibrary",
    "Machine",
    "check_frames",
    "executable_cores",
    "execute",
    "run_selftest",
]

_FRAMES_PER_CALL = 128
_ENTRY = {False: "harness_run", True: "harness_feed"}
_FLASH, _RAM, _EXPOSURES, _RECORDS = 0x0100_0000, 0x2000_0000, 0x6000_0000, 0x6800_0000
_FLASH_BYTES, _RAM_BYTES, _BLOCK_BYTES = 1 << 21, 1 << 18, 1 << 25
_STOP = _FLASH + _FLASH_BYTES - 16
_STACK_TOP = _RAM + _RAM_BYTES - 64
_ROOMS = (
    Room(_FLASH, _FLASH_BYTES), Room(_RAM, _RAM_BYTES),
    Room(_EXPOSURES, _BLOCK_BYTES), Room(_RECORDS, _BLOCK_BYTES),
)  # fmt: skip
"""Where every emulator has memory; QEMU's boards have theirs in fixed places."""
_EMULATORS: dict[str, Callable[..., Emulator]] = {"unicorn": UnicornCore, "qemu": QemuCore}


def execute(
    compiled: CompiledFirmware, lit: Counts, dark: Counts, *, by_rows: bool = False
) -> Records:
    """Run the compiled model over consecutive frames from its initial state.

    Parameters
    ----------
    compiled : CompiledFirmware
    lit, dark : uint16 (n_frames, n_rows, n_cols)
    by_rows : bool
        Whether frames are fed row by row, by ``pw_feed_row`` and ``pw_finish``, instead of whole.

    Returns
    -------
    Records
        Outputs, evidence and the whole state after every frame.

    Raises
    ------
    FormatError
        The frames do not fit the model's sensor.
    ToolError
        The program faulted, or the host cannot load it.
    """
    if compiled.core == HOST:
        return HostLibrary(compiled).run(lit, dark, by_rows=by_rows)
    return _on_core(compiled, lit, dark, _ENTRY[by_rows])


def executable_cores(compiler: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the cores that a compiler has and this machine can execute, and a line for each other.

    The packages that pip brings execute most; a core that wants another program is left out where
    that is not on the path.
    """
    found, left_out = [], []
    for name in cores_of(compiler):
        missing = missing_program(find_core(name))
        if missing:
            left_out.append(f"{name} was not executed: {missing} is not on the path.")
        else:
            found.append(name)
    return tuple(found), tuple(left_out)


def run_selftest(compiled: CompiledFirmware) -> int:
    """Return what the folder's own self-test answers, compiled in with ``-DHARNESS_SELFTEST``.

    0 when all is equal; raises ToolError where the program faults.
    """
    if compiled.core == HOST:
        return HostLibrary(compiled).selftest()
    answer = Machine(compiled).call("harness_selftest")
    return answer - (1 << 32) if answer >> 31 else answer


def check_frames(layout: Layout, lit: Counts, dark: Counts) -> tuple[Counts, Counts]:
    """Return both exposures as C-ordered uint16, refused unless they fit the model's sensor."""
    expected = (len(lit), layout.n_rows, layout.n_cols)
    for name, frames in (("lit", lit), ("dark", dark)):
        if frames.shape != expected or frames.dtype != np.uint16:
            got = f"{frames.dtype} {frames.shape}"
            raise FormatError("frames", f"array of {name} exposures", got, f"uint16 {expected}")
    return np.ascontiguousarray(lit, dtype="<u2"), np.ascontiguousarray(dark, dtype="<u2")


class Machine:
    """One emulated core with a compiled model loaded, ready to call its functions.

    Parameters
    ----------
    compiled : CompiledFirmware
        For an emulated core.
    executor : str, optional
        One of `emulator.EXECUTORS`; by default unicorn, and QEMU for what unicorn has not.
    counting : bool
        Whether `blocks` is wanted.

    Attributes
    ----------
    uc
        unicorn's own object, for hooks; None where QEMU executes.

    Raises
    ------
    ToolError
        The emulator is missing, or the image does not describe a model.
    """

    def __init__(
        self, compiled: CompiledFirmware, *, executor: str | None = None, counting: bool = False
    ) -> None:
        self.core: Core = find_core(compiled.core)
        self.image: Image = read_image(compiled)
        self.layout = parse_layout(self.image.read(self.image.symbol("harness_layout")))
        opened = _EMULATORS[executor or executor_of(self.core)]
        self._emulator: Emulator = opened(self.core, _ROOMS, counting=counting)
        self.uc: Any = getattr(self._emulator, "uc", None)
        for address, data in self.image.segments:
            self._emulator.write(address, data)
        if self.image.offset_table is not None and not self.core.riscv:  # for -msingle-pic-base
            self._emulator.set_base(self.image.offset_table)
        self.call("harness_init")

    def call(self, name: str, *arguments: int) -> int:
        """Call a function of the program with up to four words; returns its first result word.

        Raises
        ------
        ToolError
            The core met an instruction it does not have, or an address that holds nothing.
        """
        try:
            return self._emulator.call(
                self.image.symbol(name).address, arguments, _STACK_TOP, _STOP
            )
        except Fault as fault:
            raise ToolError(
                f"emulated {self.core.name}", f"end of {name}", f"a fault ({fault})", "a return"
            ) from fault

    def at(self, name: str, call: Callable[[], None]) -> None:
        """Call something each time that the program enters one of its functions."""
        self._emulator.at(self.image.symbol(name).address, call)

    def blocks(self) -> NDArray[np.int64]:
        """Return what was executed since the call began, or since this was asked in it.

        As ``address << 16 | bytes`` of each block.
        """
        return self._emulator.blocks()

    def write(self, address: int, data: bytes) -> None:
        """Put bytes into the core's memory."""
        self._emulator.write(address, data)

    def read(self, address: int, n_bytes: int) -> bytes:
        """Return bytes of the core's memory."""
        return self._emulator.read(address, n_bytes)

    def dump(self) -> bytes:
        """Return all of the RAM, the stack among it: what somebody reads out who has the device."""
        return self.read(_RAM, _RAM_BYTES)

    def write_exposures(self, lit: Counts, dark: Counts) -> tuple[int, int]:
        """Put exposures into memory that the core can read; returns their two addresses."""
        dark_address = _EXPOSURES + _BLOCK_BYTES // 2
        self._emulator.write(_EXPOSURES, lit.tobytes())
        self._emulator.write(dark_address, dark.tobytes())
        return _EXPOSURES, dark_address

    def run_block(
        self, lit: Counts, dark: Counts, entry: str = "harness_run", n_bytes: int | None = None
    ) -> bytes:
        """Step the model over a block of frames; returns their records, of `n_bytes` each."""
        addresses = self.write_exposures(lit, dark)
        self.call(entry, len(lit), *addresses, _RECORDS)
        size = self.layout.dtype.itemsize if n_bytes is None else n_bytes
        return self.read(_RECORDS, len(lit) * size)

    def paint_stack(self, n_bytes: int = 16384) -> None:
        """Fill the free stack with a mark, so that `stack_used` can see what was written."""
        self._emulator.write(_STACK_TOP - n_bytes, b"\xa5" * n_bytes)

    def stack_used(self, n_bytes: int = 16384) -> int:
        """Return the deepest byte written below the top of the stack since `paint_stack`."""
        painted = self.read(_STACK_TOP - n_bytes, n_bytes)
        return len(painted.lstrip(b"\xa5"))


def _on_core(compiled: CompiledFirmware, lit: Counts, dark: Counts, entry: str) -> Records:
    """Run on an emulated core."""
    machine = Machine(compiled)
    lit, dark = check_frames(machine.layout, lit, dark)
    step = min(_FRAMES_PER_CALL, _BLOCK_BYTES // (2 * machine.layout.frame_bytes()))
    blocks = (slice(i, i + step) for i in range(0, len(lit), step))
    return machine.layout.decode(
        b"".join(machine.run_block(lit[b], dark[b], entry) for b in blocks)
    )


class HostLibrary:
    """The host with a compiled model loaded; its state lasts from call to call.

    Parameters
    ----------
    compiled : CompiledFirmware
        Compiled for `HOST`; loaded from a file that is then removed from disk.

    Raises
    ------
    ToolError
        The library cannot be loaded, or does not describe a model.
    """

    def __init__(self, compiled: CompiledFirmware) -> None:
        suffix = ".dll" if sys.platform == "win32" else ".so"
        with tempfile.TemporaryDirectory(prefix="pw-host-", ignore_cleanup_errors=True) as folder:
            path = Path(folder) / f"model{suffix}"
            path.write_bytes(compiled.image)
            try:
                self._library = ctypes.CDLL(str(path))
            except OSError as error:
                raise ToolError(
                    "host library", "the file", f"not loadable ({error})", "a library of this host"
                ) from error
        self.layout: Layout = parse_layout(_text_at(self._library, "harness_layout"))
        self._library.harness_init()

    def run(self, lit: Counts, dark: Counts, *, by_rows: bool = False) -> Records:
        """Step the model over consecutive frames, from the state after the last call.

        Raises
        ------
        FormatError
            The frames do not fit the model's sensor.
        """
        lit, dark = check_frames(self.layout, lit, dark)
        return self.layout.decode(
            self.run_block(lit, dark, _ENTRY[by_rows], self.layout.dtype.itemsize)
        )

    def run_block(self, lit: Counts, dark: Counts, entry: str, n_bytes: int) -> bytes:
        """Call a function of the harness over checked frames; returns records of `n_bytes` each."""
        records = ctypes.create_string_buffer(max(1, len(lit) * n_bytes))
        getattr(self._library, entry)(
            ctypes.c_uint32(len(lit)), ctypes.c_void_p(lit.ctypes.data),
            ctypes.c_void_p(dark.ctypes.data), records,
        )  # fmt: skip
        return records.raw[: len(lit) * n_bytes]

    def command(self, command: int, class_number: int = 0) -> int:
        """Carry out a command of enrolment between two frames; returns its answer."""
        return int(self._library.harness_command(ctypes.c_int32(command), class_number))

    def learned(self, n_bytes: int) -> bytes:
        """Return the bytes that a command of enrolment saved, or loads."""
        return bytes((ctypes.c_uint8 * n_bytes).in_dll(self._library, "harness_learned"))

    def load_learned(self, data: bytes) -> None:
        """Let the model load what its owner taught it; raises ToolError where it refuses that."""
        self.put_learned(data)
        answer = self.command(6, len(data))
        if answer:
            raise ToolError("host library", "answer of pw_enrol_load", answer, "0")

    def put_learned(self, data: bytes) -> None:
        """Put bytes where a command of enrolment loads them from."""
        (ctypes.c_uint8 * len(data)).in_dll(self._library, "harness_learned")[:] = list(data)

    def selftest(self) -> int:
        """Return what the folder's own self-test answers."""
        return int(self._library.harness_selftest())


def _text_at(library: ctypes.CDLL, name: str) -> bytes:
    """Return the zero-terminated text that a library's symbol names."""
    return ctypes.string_at(ctypes.addressof(ctypes.c_char.in_dll(library, name)))
