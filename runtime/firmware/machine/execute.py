"""Execute compiled firmware: on this machine through ctypes, on a core through an emulator.

`execute` answers what the model computes, fast: many frames per call, no counting. Counting what
was executed is `runtime.firmware.measure.trace`.
"""

from __future__ import annotations

import ctypes
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from runtime.errors import FormatError, ToolError
from runtime.firmware.machine.compile import HOST, CompiledFirmware
from runtime.firmware.machine.cores import Core, find_core
from runtime.firmware.machine.elf import Image, read_image
from runtime.firmware.machine.layout import Layout, Records, parse_layout
from runtime.stages.contract.stage import Counts

__all__ = ["HostLibrary", "Machine", "check_frames", "execute", "run_selftest"]

_FRAMES_PER_CALL = 128
_ENTRY = {False: "harness_run", True: "harness_feed"}
_FLASH, _RAM, _EXPOSURES, _RECORDS = 0x0800_0000, 0x2000_0000, 0x3000_0000, 0x3800_0000
_FLASH_BYTES, _RAM_BYTES, _BLOCK_BYTES = 1 << 20, 1 << 18, 1 << 25
_STOP = _FLASH + _FLASH_BYTES - 16
_STACK_TOP = _RAM + _RAM_BYTES - 64


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
    """One emulated core with a compiled model loaded, ready to call its functions."""

    def __init__(self, compiled: CompiledFirmware) -> None:
        unicorn: Any = import_module("unicorn")  # its own annotations are partial
        self.core: Core = find_core(compiled.core)
        self.image: Image = read_image(compiled)
        self.layout = parse_layout(self.image.read(self.image.symbol("harness_layout")))
        self._error: type[Exception] = unicorn.UcError
        if self.core.riscv:
            self.uc: Any = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            consts, prefix = unicorn.riscv_const, "UC_RISCV_REG_"
            names: tuple[str, ...] = ("A0", "A1", "A2", "A3", "SP", "RA")
        else:
            mode = unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS
            self.uc = unicorn.Uc(unicorn.UC_ARCH_ARM, mode)
            consts, prefix = unicorn.arm_const, "UC_ARM_REG_"
            names = ("R0", "R1", "R2", "R3", "SP", "LR")
        self._registers = [getattr(consts, prefix + name) for name in names]
        self.uc.ctl_set_cpu_model(getattr(consts, self.core.unicorn_cpu))
        for start, size in ((_FLASH, _FLASH_BYTES), (_RAM, _RAM_BYTES)):
            self.uc.mem_map(start, size)
        for start in (_EXPOSURES, _RECORDS):
            self.uc.mem_map(start, _BLOCK_BYTES)
        for address, data in self.image.segments:
            self.uc.mem_write(address, data)
        if self.image.offset_table is not None and not self.core.riscv:  # for -msingle-pic-base
            self.uc.reg_write(consts.UC_ARM_REG_R9, self.image.offset_table)
        self.call("harness_init")

    def call(self, name: str, *arguments: int) -> int:
        """Call a function of the program with up to four words; returns its first result word.

        Raises
        ------
        ToolError
            The core met an instruction it does not have, or an address that holds nothing.
        """
        thumb = 0 if self.core.riscv else 1
        *argument_registers, stack, link = self._registers
        for register, value in zip(argument_registers, arguments, strict=False):
            self.uc.reg_write(register, value)
        self.uc.reg_write(stack, _STACK_TOP)
        self.uc.reg_write(link, _STOP | thumb)
        try:
            self.uc.emu_start(self.image.symbol(name).address | thumb, _STOP)
        except self._error as error:
            raise ToolError(
                f"emulated {self.core.name}", f"end of {name}", f"a fault ({error})", "a return"
            ) from error
        return int(self.uc.reg_read(argument_registers[0])) & 0xFFFF_FFFF

    def write_exposures(self, lit: Counts, dark: Counts) -> tuple[int, int]:
        """Put exposures into memory that the core can read; returns their two addresses."""
        dark_address = _EXPOSURES + _BLOCK_BYTES // 2
        self.uc.mem_write(_EXPOSURES, lit.tobytes())
        self.uc.mem_write(dark_address, dark.tobytes())
        return _EXPOSURES, dark_address

    def run_block(
        self, lit: Counts, dark: Counts, entry: str = "harness_run", n_bytes: int | None = None
    ) -> bytes:
        """Step the model over a block of frames; returns their records, of `n_bytes` each."""
        addresses = self.write_exposures(lit, dark)
        self.call(entry, len(lit), *addresses, _RECORDS)
        size = self.layout.dtype.itemsize if n_bytes is None else n_bytes
        return bytes(self.uc.mem_read(_RECORDS, len(lit) * size))

    def paint_stack(self, n_bytes: int = 16384) -> None:
        """Fill the free stack with a mark, so that `stack_used` can see what was written."""
        self.uc.mem_write(_STACK_TOP - n_bytes, b"\xa5" * n_bytes)

    def stack_used(self, n_bytes: int = 16384) -> int:
        """Return the deepest byte written below the top of the stack since `paint_stack`."""
        painted = bytes(self.uc.mem_read(_STACK_TOP - n_bytes, n_bytes))
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

    def selftest(self) -> int:
        """Return what the folder's own self-test answers."""
        return int(self._library.harness_selftest())


def _text_at(library: ctypes.CDLL, name: str) -> bytes:
    """Return the zero-terminated text that a library's symbol names."""
    return ctypes.string_at(ctypes.addressof(ctypes.c_char.in_dll(library, name)))
