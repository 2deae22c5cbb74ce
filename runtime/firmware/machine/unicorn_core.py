"""A core in unicorn, an emulator that is a Python package."""

from __future__ import annotations

import ctypes
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.firmware.machine.cores import Core
from runtime.firmware.machine.emulator import Fault, Room

__all__ = ["UnicornCore"]


class UnicornCore:
    """One core in unicorn; `uc` is unicorn's own object, for hooks."""

    def __init__(self, core: Core, rooms: Sequence[Room], *, counting: bool) -> None:
        unicorn: Any = import_module("unicorn")  # its own annotations are partial
        self._error: type[Exception] = unicorn.UcError
        self._thumb = 0 if core.riscv else 1
        if core.riscv:
            self.uc: Any = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            consts, prefix = unicorn.riscv_const, "UC_RISCV_REG_"
            names: tuple[str, ...] = ("A0", "A1", "A2", "A3", "SP", "RA", "S1")
        else:
            mode = unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS
            self.uc = unicorn.Uc(unicorn.UC_ARCH_ARM, mode)
            consts, prefix = unicorn.arm_const, "UC_ARM_REG_"
            names = ("R0", "R1", "R2", "R3", "SP", "LR", "R9")
        *self._arguments, self._stack, self._link, self._base = (
            getattr(consts, prefix + name) for name in names
        )
        self.uc.ctl_set_cpu_model(getattr(consts, core.unicorn_cpu))
        for room in rooms:
            self.uc.mem_map(room.start, room.n_bytes)
        self._code_hook: int = unicorn.UC_HOOK_CODE
        self._failed: BaseException | None = None
        self._visited: list[int] = []
        if counting:
            self._note_blocks(unicorn.UC_HOOK_BLOCK)

    def _note_blocks(self, kind: int) -> None:
        """Note every block that is entered.

        Given to the library itself: the package's own hooks go through two more functions for each
        block, which takes longer than to execute it. What is called here raises nothing: ctypes
        would print and forget it. An interrupt, which may come in its midst, is kept by `call`.
        """
        note = self._visited.append

        def entered(_engine: int, address: int, size: int, _data: int) -> None:
            note(address << 16 | size)

        binding: Any = import_module("unicorn.unicorn_py3.unicorn")
        self._entered = binding.HOOK_CODE_CFUNC(entered)  # kept as long as the core calls it
        handle, everywhere = ctypes.c_size_t(), (1, 0)
        status = binding.uclib.uc_hook_add(
            self.uc._uch, ctypes.byref(handle), kind,
            ctypes.cast(self._entered, ctypes.c_void_p), None, *map(ctypes.c_uint64, everywhere),
        )  # fmt: skip
        if status:
            raise self._error(status)

    def write(self, address: int, data: bytes) -> None:
        """Put bytes into memory."""
        self.uc.mem_write(address, data)

    def read(self, address: int, n_bytes: int) -> bytes:
        """Return bytes of memory."""
        return bytes(self.uc.mem_read(address, n_bytes))

    def set_base(self, address: int) -> None:
        """Put the base of position-independent data into r9."""
        self.uc.reg_write(self._base, address)

    def call(self, address: int, arguments: Sequence[int], stack: int, stop: int) -> int:
        """Run a function until it returns to `stop`; returns its first result word."""
        self._visited.clear()
        for register, value in zip(self._arguments, arguments, strict=False):
            self.uc.reg_write(register, value)
        self.uc.reg_write(self._stack, stack)
        self.uc.reg_write(self._link, stop | self._thumb)
        try:
            with self._interrupts_kept():
                self.uc.emu_start(address | self._thumb, stop)
        except self._error as error:
            if self._failed is None:
                raise Fault(str(error)) from error
        if self._failed is not None:
            failed, self._failed = self._failed, None
            raise failed
        return int(self.uc.reg_read(self._arguments[0])) & 0xFFFF_FFFF

    @contextmanager
    def _interrupts_kept(self) -> Iterator[None]:
        """Let an interrupt stop the core, and be raised behind it: in a hook it would be lost.

        Where it raises nothing, as the program wishes, or in another thread, it is left as it is.
        """
        usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
        if not usual or threading.current_thread() is not threading.main_thread():
            yield
            return

        def came(_number: int, _frame: object) -> None:
            self._failed = KeyboardInterrupt()
            self.uc.emu_stop()

        signal.signal(signal.SIGINT, came)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, signal.default_int_handler)

    def at(self, address: int, call: Callable[[], None]) -> None:
        """Call something each time that the program comes to an address."""

        def came(*_: object) -> None:
            try:
                call()
            except Exception as fault:  # it would be lost in the emulator
                self._failed = fault
                self.uc.emu_stop()

        self.uc.hook_add(self._code_hook, came, begin=address, end=address)

    def blocks(self) -> NDArray[np.int64]:
        """Return the blocks that were entered."""
        found = np.array(self._visited, dtype=np.int64)
        self._visited.clear()
        return found
