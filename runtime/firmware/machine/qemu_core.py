"""A core in QEMU, a program of the system's: for what unicorn does not execute, and to check it.

The program is steered over GDB's remote protocol, and stepped by it past a breakpoint alone. To
count, QEMU is told to translate one instruction at a time and to write the address of each that it
executes into a file.
Every Thumb core is executed by the board of the largest one, ``mps3-an547`` with a Cortex-M55: what
is executed is decided by the compiled image, and an M55 has all instructions of the others. Proved
with QEMU 7.2.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import time
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ToolError
from runtime.firmware.machine.cores import Core
from runtime.firmware.machine.emulator import Fault, Room, executor_of
from runtime.firmware.machine.gdb_remote import GdbRemote

__all__ = ["QemuCore", "executed_addresses", "missing_program"]

_ARM = ("qemu-system-arm", "-machine", "mps3-an547")
_RISCV = ("qemu-system-riscv32", "-machine", "none", "-cpu", "rv32", "-m", "2G")
_ALONE = ("-nodefaults", "-display", "none", "-serial", "none", "-monitor", "none")
_START_S, _CALL_S = 20.0, 300.0
_TRAP = "05"
"""The signal by which GDB's protocol says that a breakpoint was met."""
_ENABLE = bytes.fromhex("0160bff36f8f7047")
"""``str r1, [r0]``; ``isb``; ``bx lr``: what a start-up does before it uses Helium's registers."""
_CPACR, _CPACR_VECTORS = 0xE000_ED88, 0x00F0_0000
"""Coprocessor access control: full access to 10 and 11 (Arm v8-M Architecture Reference Manual)."""
_EXECUTED = re.compile(rb"(Trace|Stopped).*?\[(?:[0-9a-f]+/)?([0-9a-f]+)[/\]]")


def missing_program(core: Core) -> str:
    """Return the program that a core is executed by and that is missing here; else nothing."""
    program = _ARM[0] if executor_of(core) == "qemu" else ""
    return program if program and shutil.which(program) is None else ""


class QemuCore:
    """One core in QEMU.

    Parameters
    ----------
    core : Core
    rooms : sequence of Room
        The first holds code, from its start to where calls return to.
    counting : bool
        Whether what is executed can be asked for; about ten times slower.

    Raises
    ------
    ToolError
        QEMU is not on the path, or does not start.
    """

    def __init__(self, core: Core, rooms: Sequence[Room], *, counting: bool) -> None:
        self._core, self._riscv = core, core.riscv
        program, *options = _RISCV if core.riscv else _ARM
        found = shutil.which(program)
        if found is None:
            raise ToolError(
                f"emulated {core.name}", program, "not found", "a program on the path",
                "install QEMU, or leave this core out",
            )  # fmt: skip
        folder = Path(tempfile.mkdtemp(prefix="pw-qemu-"))
        self._log, self._read = (folder / "executed") if counting else None, 0
        command = [found, *options, *_ALONE, "-S", "-gdb", f"unix:{folder}/gdb,server=on,wait=off"]
        if counting:
            code = f"0x{rooms[0].start:x}..0x{rooms[0].start + rooms[0].n_bytes - 1:x}"
            command += [*_one_by_one(found), "-d", "exec,nochain", "-dfilter", code]
            command += ["-D", str(self._log)]
        with (folder / "said").open("wb") as said:
            process = subprocess.Popen(  # noqa: S603 - found by name, no shell
                command, stdin=subprocess.DEVNULL, stdout=said, stderr=said
            )
        held: list[GdbRemote] = []
        self._end = weakref.finalize(self, _end, process, folder, held)
        self._gdb = self._connect(process, folder)
        held.append(self._gdb)
        self._code = rooms[0]
        self._stopped_at = 0
        self._calls: dict[int, Callable[[], None]] = {}
        with self._asked("the core"):
            self._begin(rooms)

    def _begin(self, rooms: Sequence[Room]) -> None:
        """Bring the core to where a start-up leaves it."""
        last = rooms[0].start + rooms[0].n_bytes
        self._gdb.describe()
        if not self._riscv:
            self._gdb.set_register(25, 1 << 24)  # the program status register: Thumb
            stub = last - 64
            self._gdb.write(stub, _ENABLE)
            self.call(stub, (_CPACR, _CPACR_VECTORS), rooms[1].start + 64, last - 16)
        else:
            # A trap goes to address 0; one of an Arm core ends QEMU by itself.
            self._gdb.stop_at(0, 2)

    def _connect(self, process: subprocess.Popen[bytes], folder: Path) -> GdbRemote:
        """Wait until QEMU answers."""
        end = time.monotonic() + _START_S
        while process.poll() is None and time.monotonic() < end:
            try:
                return GdbRemote(folder / "gdb", _CALL_S)
            except OSError:
                time.sleep(0.005)
        said = (folder / "said").read_text(errors="replace").strip().splitlines()
        raise ToolError(
            f"emulated {self._core.name}", "start of QEMU",
            f"'{said[-1] if said else 'nothing'}'", "an answer",
        )  # fmt: skip

    def write(self, address: int, data: bytes) -> None:
        """Put bytes into memory; raises ToolError where QEMU has ended."""
        with self._asked("memory"):
            self._gdb.write(address, data)

    def read(self, address: int, n_bytes: int) -> bytes:
        """Return bytes of memory; raises ToolError where QEMU has ended."""
        with self._asked("memory"):
            return self._gdb.read(address, n_bytes)

    @contextmanager
    def _asked(self, what: str) -> Iterator[None]:
        """Turn what the connection raises into one line."""
        try:
            yield
        except (Fault, OSError) as error:
            raise ToolError(
                f"emulated {self._core.name}", f"{what} in QEMU", f"out of reach ({error})",
                "an answer",
            ) from error  # fmt: skip

    def set_base(self, address: int) -> None:
        """Put the base of position-independent data into r9."""
        with self._asked("a register"):
            self._gdb.set_register(9, address)

    def at(self, address: int, call: Callable[[], None]) -> None:
        """Call something each time that the program comes to an address."""
        with self._asked("a breakpoint"):
            self._gdb.stop_at(address, 2)
        self._calls[address] = call

    def call(self, address: int, arguments: Sequence[int], stack: int, stop: int) -> int:
        """Run a function until it returns to `stop`; returns its first result word."""
        first, at_stack, link, counter = (10, 2, 1, 32) if self._riscv else (0, 13, 14, 15)
        if self._log is not None:
            self._read = self._log.stat().st_size if self._log.exists() else 0
        try:
            if self._stopped_at != stop:
                self._gdb.stop_at(stop, 2)
                self._stopped_at = stop
            for number, value in enumerate(arguments):
                self._gdb.set_register(first + number, value)
            self._gdb.set_register(at_stack, stack)
            self._gdb.set_register(link, stop if self._riscv else stop | 1)
            self._gdb.set_register(counter, address)
            signal, came_to = self._gdb.run(), self._gdb.register(counter)
            while signal == _TRAP and came_to in self._calls:
                self._calls[came_to]()
                self._gdb.step()  # past the breakpoint, which would be met at once again
                signal, came_to = self._gdb.run(), self._gdb.register(counter)
        except OSError as error:
            raise Fault(str(error)) from error
        if signal != _TRAP or came_to != stop:
            raise Fault(f"stopped at 0x{came_to:x}, signal {signal}")
        with self._asked("a register"):
            return self._gdb.register(first)

    def blocks(self) -> NDArray[np.int64]:
        """Return the instructions that were executed, one by one."""
        if self._log is None:
            return np.zeros(0, dtype=np.int64)
        with self._log.open("rb") as file:
            file.seek(self._read)
            log = file.read()
        self._read += len(log)
        addresses = executed_addresses(log)
        if not len(addresses):
            return addresses
        code = self.read(self._code.start, int(addresses.max()) + 2 - self._code.start)
        halves = np.frombuffer(code[: len(code) // 2 * 2], "<u2").astype(np.int64)
        half = halves[(addresses - self._code.start) // 2]
        wide = half & 3 == 3 if self._riscv else half >> 11 >= 0x1D
        return addresses << 16 | np.where(wide, 4, 2)


def executed_addresses(log: bytes) -> NDArray[np.int64]:
    """Return the addresses that were executed; one that QEMU gave up before it began is none."""
    found: list[int] = []
    for word, address in _EXECUTED.findall(log):
        if word == b"Trace":
            found.append(int(address, 16))
        elif found and found[-1] == int(address, 16):
            found.pop()
    return np.array(found, dtype=np.int64)


def _one_by_one(program: str) -> list[str]:
    """Return the option for one instruction a block, which newer versions name otherwise."""
    answer = subprocess.run(  # noqa: S603 - found by name, no shell
        [program, "--version"], capture_output=True, text=True, check=False
    ).stdout
    version = re.search(r"version (\d+)\.(\d+)", answer)
    newer = version is not None and (int(version[1]), int(version[2])) >= (8, 1)
    return ["-accel", "tcg,one-insn-per-tb=on"] if newer else ["-singlestep"]


def _end(process: subprocess.Popen[bytes], folder: Path, held: list[GdbRemote]) -> None:
    """End QEMU, and remove what it wrote."""
    for connection in held:
        connection.close()
    process.kill()
    process.wait()
    shutil.rmtree(folder, ignore_errors=True)
