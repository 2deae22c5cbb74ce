"""What one instruction is, and what it costs: disassembled once per block of code."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from runtime.firmware.machine.cores import Core, Timing
from runtime.firmware.measure.helium import Helium, split_helium

__all__ = ["CLASSES", "Block", "Instruction", "decode", "register_count"]

CLASSES = (
    "load", "store", "alu", "multiply", "mac", "branch taken", "branch not taken", "divide",
    "other",
)  # fmt: skip
"""Classes of executed instructions, in the order of reports."""

_BRANCHES_ARM = {"b", "bl", "bx", "blx", "cbz", "cbnz", "tbb", "tbh"}
_CONDITIONS = {
    "eq", "ne", "hs", "cs", "lo", "cc", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le",
}  # fmt: skip
_MULTIPLIES_ARM = {"mul", "muls", "smulbb", "smulbt", "smultb", "smultt", "smulwb", "smulwt",
                   "smmul", "smmulr", "smuad", "smusd", "smuadx", "smusdx"}  # fmt: skip
_LONG_MULTIPLIES_ARM = {"smull", "umull"}
_LONG_MACS_ARM = {"smlal", "umlal", "umaal", "smlald", "smlaldx", "smlsld", "smlalbb", "smlalbt",
                  "smlaltb", "smlaltt"}  # fmt: skip
_WHOLE_ARM = _BRANCHES_ARM | _MULTIPLIES_ARM | _LONG_MULTIPLIES_ARM | _LONG_MACS_ARM | {"mls"}
"""Words whose last two letters are no condition, whatever they spell."""
_BRANCHES_RISCV = {"beq", "bne", "blt", "bge", "bltu", "bgeu", "beqz", "bnez", "blez", "bgez",
                   "bltz", "bgtz", "c.beqz", "c.bnez"}  # fmt: skip
_JUMPS_RISCV = {"j", "jal", "jr", "jalr", "ret", "c.j", "c.jal", "c.jr", "c.jalr"}
_LOADS_RISCV = {"lb", "lbu", "lh", "lhu", "lw", "c.lw", "c.lwsp"}
_STORES_RISCV = {"sb", "sh", "sw", "c.sw", "c.swsp"}
_OTHERS = {"nop", "it", "ite", "itt", "dmb", "dsb", "isb", "ebreak", "ecall", "fence", "udf",
           "bkpt", "c.nop", "unimp", "wfi", "svc"}  # fmt: skip
_V8 = ("cortex-m23", "cortex-m33", "cortex-m55", "cortex-m85")

Cycles = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Instruction:
    """One instruction: its class when executed (a branch: when taken), and cycles either way."""

    address: int
    size: int
    word: str
    operands: str
    kind: str
    cycles: Cycles
    conditional: bool = False
    cycles_not_taken: Cycles = (0, 0, 0)


class _Class(NamedTuple):
    """What an `Instruction` says of its word and operands."""

    kind: str
    cycles: Cycles
    conditional: bool = False
    cycles_not_taken: Cycles = (0, 0, 0)


@dataclass(slots=True)
class Block:
    """A straight run of instructions; only the last can be a branch."""

    address: int
    instructions: list[Instruction] = field(default_factory=list)

    def count(self, *, taken: bool) -> tuple[dict[str, int], Cycles]:
        """Return instructions by class and cycles for one execution."""
        by_class: dict[str, int] = {}
        low = typical = high = 0.0
        for instruction in self.instructions:
            passed = instruction.conditional and not taken
            kind = "branch not taken" if passed else instruction.kind
            cycles = instruction.cycles_not_taken if passed else instruction.cycles
            by_class[kind] = by_class.get(kind, 0) + 1
            low, typical, high = low + cycles[0], typical + cycles[1], high + cycles[2]
        return by_class, (low, typical, high)


def decode(core: Core, address: int, code: bytes) -> list[Instruction]:
    """Disassemble `code` that stands at `address` for `core`."""
    return list(_decode(core, address, code))


def _decode(core: Core, address: int, code: bytes) -> Iterator[Instruction]:
    runs = split_helium(code) if core.helium else [(0, len(code), None)]
    disassembler, classify = _disassembler(core), _riscv if core.riscv else _arm
    for start, end, found in runs:
        if found is not None:
            yield _helium(core.timing, address + start, found)
            continue
        for known in disassembler.disasm(code[start:end], address + start):
            yield classify(core, known)


def _disassembler(core: Core) -> Any:
    """Return capstone, set to a core's instructions."""
    import capstone

    if core.riscv:
        mode = capstone.CS_MODE_RISCV32 | capstone.CS_MODE_RISCVC
        disassembler = capstone.Cs(capstone.CS_ARCH_RISCV, mode)
    else:
        mode = capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS
        if core.name in _V8:
            mode |= capstone.CS_MODE_V8
        disassembler = capstone.Cs(capstone.CS_ARCH_ARM, mode)
    disassembler.skipdata = True  # literals between functions
    return disassembler


def _helium(timing: Timing, address: int, found: Helium) -> Instruction:
    """Price what the disassembler does not know."""
    cycles = timing.vector if found.vector else timing.alu
    if found.conditional:
        ends = found.vector  # the end of a loop, which costs less than a branch
        taken = timing.loop_end if ends else timing.taken
        word, to = "le" if ends else "wls", f"#0x{address + found.jump:x}"
        return Instruction(address, 4, word, to, "branch taken", taken, True, timing.not_taken)
    lowered = f"[sp, #-{found.lowers_sp}]!" if found.lowers_sp else ""
    return Instruction(address, 4, f"vector {found.kind}", lowered, found.kind, cycles)


def _arm(core: Core, found: Any) -> Instruction:
    """Classify one Thumb instruction by its word and operands."""
    word = found.mnemonic.removesuffix(".w").removesuffix(".n")
    whole = word in _WHOLE_ARM or word[-2:] not in _CONDITIONS
    base = word if whole else word[:-2]
    for classify in (_arm_transfer, _arm_branch, _arm_multiply):
        known = classify(core.timing, word, base, found.op_str)
        if known is not None:
            break
    else:
        known = _Class("other" if word in _OTHERS else "alu", core.timing.alu)
    return Instruction(found.address, found.size, word, found.op_str, *known)


def _arm_transfer(timing: Timing, word: str, base: str, text: str) -> _Class | None:
    """Loads and stores, of one register, of two or of a list."""
    n_registers = register_count(text[text.index("{") :]) if "{" in text else 0
    if base in ("pop", "vpop") or base.startswith(("ldm", "vldm")):
        multiple = _plus(timing.load_multiple, n_registers)
        if "pc" in text:
            return _Class("branch taken", _add(multiple, timing.pop_return))
        return _Class("load", multiple)
    if base in ("push", "vpush") or base.startswith(("stm", "vstm")):
        return _Class("store", _plus(timing.store_multiple, n_registers))
    if base.startswith(("ldrd", "strd")):
        return _Class("load" if base[0] == "l" else "store", _plus(timing.load_multiple, 2))
    if base.startswith(("ldr", "vldr")):
        return _Class("load", timing.load)
    if base.startswith(("str", "vstr")):
        return _Class("store", timing.store)
    return None


def _arm_branch(timing: Timing, word: str, base: str, text: str) -> _Class | None:
    """Calls and branches; a return is one of the loads."""
    if word not in _BRANCHES_ARM and base not in _BRANCHES_ARM:
        return None
    if base in ("bl", "blx"):
        return _Class("branch taken", timing.call)
    conditional = base != word or base in ("cbz", "cbnz")
    return _Class("branch taken", timing.taken, conditional, timing.not_taken)


def _arm_multiply(timing: Timing, word: str, base: str, text: str) -> _Class | None:
    """Divisions, multiplications and multiply-accumulates."""
    if base in ("sdiv", "udiv"):
        return _Class("divide", timing.divide)
    if base in _MULTIPLIES_ARM:
        return _Class("multiply", timing.multiply)
    if base in _LONG_MULTIPLIES_ARM:
        return _Class("multiply", timing.multiply_long)
    if base in _LONG_MACS_ARM:
        return _Class("mac", timing.mac_long)
    if base in ("mla", "mls") or base.startswith(("smla", "smls", "smml")):
        return _Class("mac", timing.mac)
    return None


def _riscv(core: Core, found: Any) -> Instruction:
    """Classify one RV32IMC instruction by its word."""
    timing, word = core.timing, found.mnemonic
    place = (found.address, found.size, word, found.op_str)
    if word in _BRANCHES_RISCV:
        return Instruction(*place, "branch taken", timing.taken, True, timing.not_taken)
    if word in _JUMPS_RISCV:
        return Instruction(*place, "branch taken", timing.call)
    if word in _LOADS_RISCV:
        return Instruction(*place, "load", timing.load)
    if word in _STORES_RISCV:
        return Instruction(*place, "store", timing.store)
    if word == "mul":
        return Instruction(*place, "multiply", timing.multiply)
    if word.startswith("mulh"):
        return Instruction(*place, "multiply", timing.multiply_long)
    if word.startswith(("div", "rem")):
        return Instruction(*place, "divide", timing.divide)
    return Instruction(*place, "other" if word in _OTHERS else "alu", timing.alu)


def register_count(text: str) -> int:
    """Return how many words a list of registers such as ``{r4-r7, lr}`` or ``{d8-d9}`` names."""
    total = 0
    for item in text.strip("{}^ ").split(","):
        first, _, last = item.strip().partition("-")
        words = 2 if first.startswith("d") else 1
        total += words * (int(last[1:]) - int(first[1:]) + 1 if last else 1)
    return total


def _plus(cycles: Cycles, n_registers: int) -> Cycles:
    """Add one cycle per register."""
    return (cycles[0] + n_registers, cycles[1] + n_registers, cycles[2] + n_registers)


def _add(a: Cycles, b: Cycles) -> Cycles:
    """Add two triples."""
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])
