"""The deepest stack that a model's functions can need, from the machine code alone.

Each function's frame is what its pushes and its stack-pointer subtractions take; the bound is the
deepest path through the calls. There is no recursion and no call through a pointer, and code that
had either is refused, so the bound holds for every input.
"""

from __future__ import annotations

import re
from itertools import pairwise

from runtime.errors import ToolError
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.machine.cores import find_core
from runtime.firmware.machine.elf import read_image
from runtime.firmware.measure.instructions import Instruction, decode, register_count

__all__ = ["stack_bound", "taken_from_stack"]

_LINKING = {"bl", "blx", "jal", "jalr", "c.jal", "c.jalr"}
_LEAVING_SP = ("cmp", "st", "ldm", "c.sw", "sw")
"""Words that read the stack pointer as their first operand, and leave it."""
_ENTRIES = ("pw_init", "pw_step", "pw_feed_row", "pw_finish")
_OF_OWNERS = ("pw_forget", "pw_enrol_")
"""What only a model has that learns its owner: whoever calls it has a stack to hold it, too."""


def stack_bound(compiled: CompiledFirmware) -> int:
    """Return the bytes of stack that the model's interface needs at most.

    Raises
    ------
    ToolError
        The code recurs, calls through a pointer, or moves the stack pointer in an unknown way.
    """
    image = read_image(compiled)
    core = find_core(compiled.core)
    functions = {}
    for symbol in image.symbols:
        if symbol.is_function and not symbol.name.startswith("harness"):
            instructions = [
                instruction
                for address, code in image.code(symbol)
                for instruction in decode(core, address, code)
            ]
            own = _frame_and_calls(symbol.name, instructions, riscv=core.riscv)
            functions[symbol.address] = (symbol.name, *own)
    entries = [image.symbol(name).address for name in _ENTRIES]
    entries += [at for at, (name, _, _) in functions.items() if name.startswith(_OF_OWNERS)]
    return max(_deepest(address, functions, ()) for address in entries)


def _deepest(
    address: int, functions: dict[int, tuple[str, int, set[int]]], path: tuple[int, ...]
) -> int:
    """Return a function's frame plus that of its deepest callee."""
    if address in path:
        raise ToolError("stack bound", functions[address][0], "recursive", "without recursion")
    if address not in functions:
        raise ToolError("stack bound", f"call to 0x{address:x}", "outside the program", "inside")
    _, frame, calls = functions[address]
    return frame + max((_deepest(to, functions, (*path, address)) for to in calls), default=0)


def _frame_and_calls(
    name: str, instructions: list[Instruction], *, riscv: bool
) -> tuple[int, set[int]]:
    """Return the bytes that a function takes, and the functions that it enters.

    A jump beyond the function's own code is a call; within it, a linking branch is a far jump
    (Thumb has no other), except to the function's own start.
    """
    first, last = instructions[0].address, instructions[-1].address
    frame, calls = 0, set()
    for before, instruction in pairwise([instructions[0], *instructions]):
        frame += taken_from_stack(name, instruction)
        if instruction.kind == "branch taken" and not _returns(instruction):
            to = _target(name, before, instruction, riscv=riscv)
            again = to == first and instruction.word in _LINKING
            if again or not first <= to <= last:
                calls.add(to)
    return frame, calls


def _returns(instruction: Instruction) -> bool:
    """Tell whether an instruction goes back to the caller."""
    word, text = instruction.word, instruction.operands
    if word.startswith(("pop", "ldm")) or word == "ret":
        return True
    if word.startswith("bx"):
        return text == "lr"
    # Of RISC-V x5 is a link register as well, by which a compiler calls what it outlined.
    return word in ("jr", "c.jr") and text in ("ra", "t0")


def _target(name: str, before: Instruction, instruction: Instruction, *, riscv: bool) -> int:
    """Return where a branch goes; on RISC-V the disassembler gives the distance."""
    text = instruction.operands
    far = re.match(r"(\w+), (0x[0-9a-f]+|\d+)$", before.operands)
    if before.word == "auipc" and far is not None:  # a far call: upper part, then the rest
        near = re.search(rf"{far[1]}, (-?0x[0-9a-f]+|-?\d+)$|^(-?0x[0-9a-f]+|-?\d+)\(", text)
        rest = int(near[1] or near[2], 0) if near is not None else 0
        return before.address + (int(far[2], 0) << 12) + rest & 0xFFFF_FFFF
    number = re.search(r"(?:^|[ #,])(-?0x[0-9a-f]+|-?\d+)$", text)
    if number is None:
        raise ToolError("stack bound", f"target of a jump in {name}", text, "an address")
    return int(number[1], 0) + (instruction.address if riscv else 0)


def taken_from_stack(name: str, instruction: Instruction) -> int:
    """Return the bytes by which an instruction lowers the stack pointer; 0 when it raises it."""
    word, text = instruction.word, instruction.operands
    if word.startswith(("push", "vpush")) or (word.startswith("stmdb") and text.startswith("sp!")):
        return 4 * register_count(text[text.index("{") :])
    pushed = re.search(r"\[sp, #-(0x[0-9a-f]+|\d+)\]!$", text)
    if pushed is not None and word.startswith(("str", "vstr", "vector store")):
        return int(pushed[1], 0)
    if not text.startswith("sp,") or word.startswith(_LEAVING_SP):
        return 0
    amount = re.search(r"#?(-?0x[0-9a-f]+|-?\d+)$", text)
    if amount is None:
        raise ToolError(
            "stack bound", f"move of the stack pointer in {name}", f"{word} {text}", "a number"
        )
    value = int(amount[1], 0)
    return max(0, value if word.startswith("sub") else -value)
