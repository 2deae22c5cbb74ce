"""The deepest stack that ``pw_step`` can need, from the machine code alone.

Each function's frame is what its pushes and its stack-pointer subtractions take; the bound is the
deepest path through the calls. There is no recursion and no call through a pointer, and code that
had either is refused, so the bound holds for every input.
"""

from __future__ import annotations

import re

from runtime.errors import ToolError
from runtime.firmware.compile import CompiledFirmware
from runtime.firmware.cores import find_core
from runtime.firmware.elf import Image, read_image
from runtime.firmware.instructions import Instruction, decode

__all__ = ["stack_bound"]

_ENTRIES = ("pw_init", "pw_step", "pw_feed_row", "pw_finish")


def stack_bound(compiled: CompiledFirmware) -> int:
    """Return the bytes of stack that the model's interface needs at most.

    Raises
    ------
    ToolError
        The code recurs, calls through a pointer, or moves the stack pointer in an unknown way.
    """
    raise ToolError("stack", "x")
