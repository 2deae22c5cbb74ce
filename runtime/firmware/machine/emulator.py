"""What an emulated core can be asked for, whichever program emulates it.

Two do: `unicorn`, a package that pip brings, for every core that it knows; and QEMU, a program of
the system's, for the cores with Helium, which unicorn does not know. QEMU executes the others too,
so that each can be held against the other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from runtime.firmware.machine.cores import Core

__all__ = ["EXECUTORS", "Emulator", "Fault", "Room", "executor_of"]

EXECUTORS = ("unicorn", "qemu")


class Fault(Exception):  # noqa: N818  # the core's fault, never shown: `Machine` says which call
    """The core stopped before its return: an unknown instruction, or an address without memory."""


@dataclass(frozen=True, slots=True)
class Room:
    """A span of memory that a core can read and write."""

    start: int
    n_bytes: int


class Emulator(Protocol):
    """One core with memory, that runs one function at a time."""

    def write(self, address: int, data: bytes) -> None:
        """Put bytes into memory."""

    def read(self, address: int, n_bytes: int) -> bytes:
        """Return bytes of memory."""

    def set_base(self, address: int) -> None:
        """Put the base of position-independent data into r9, for ``-msingle-pic-base``."""

    def call(self, address: int, arguments: Sequence[int], stack: int, stop: int) -> int:
        """Run a function until it returns to `stop`; returns its first result word.

        Raises
        ------
        Fault
            It does not return.
        """

    def at(self, address: int, call: Callable[[], None]) -> None:
        """Call something each time that the program comes to an address, before it goes on.

        It may read and write memory; what it raises ends the run, and is raised by `call`.
        """

    def blocks(self) -> NDArray[np.int64]:
        """Return what was executed since a call began, or since this was asked in it.

        In order, as ``address << 16 | bytes`` of each block. A block is a straight run of
        instructions, or a single one. Only where counting was asked for when the core was made.
        """


def executor_of(core: Core) -> str:
    """Return which of `EXECUTORS` executes a core, where none is asked for."""
    return "unicorn" if core.unicorn_cpu else "qemu"
