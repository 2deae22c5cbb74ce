"""What an instruction of Armv8.1-M is that the disassembler does not know: vectors and loops.

Only its class is needed, and where it lowers the stack pointer. Encodings are those of the Armv8-M
Architecture Reference Manual (ARM DDI 0553, from memory); the tests hold them to an assembler.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

__all__ = ["Helium", "helium_class", "split_helium"]


class Helium(NamedTuple):
    """One instruction: its class as reports name it, and what else its price and frame ask.

    ``vector`` tells whether it works on vectors, ``conditional`` whether it is a branch that may
    not be taken, and ``jump`` how far from it; ``lowers_sp`` by how many bytes it moves the stack
    pointer down.
    """

    kind: str
    vector: bool = True
    conditional: bool = False
    jump: int = 0
    lowers_sp: int = 0


def split_helium(code: bytes) -> Iterator[tuple[int, int, Helium | None]]:
    """Yield runs of Thumb code as (start, end, what), in bytes; None is for the disassembler."""
    at = begun = 0
    while at + 2 <= len(code):
        first = int.from_bytes(code[at : at + 2], "little")
        wide = first >> 11 >= 0x1D and at + 4 <= len(code)
        second = int.from_bytes(code[at + 2 : at + 4], "little") if wide else 0
        found = helium_class(first, second) if wide else None
        if found is not None:
            if begun < at:
                yield begun, at, None
            yield at, at + 4, found
            begun = at + 4
        at += 4 if wide else 2
    if begun < len(code):
        yield begun, len(code), None


def helium_class(first: int, second: int) -> Helium | None:
    """Return what a 32-bit instruction is, by its halves; None where it is an older one."""
    if first & 0xF800 == 0xF000:
        return _loop(first, second)
    if first & 0xFFF0 == 0xEA50 and (second & 0x8000 or second & 0xD == 0xD):
        return Helium("alu", vector=False)  # conditional selects, and shifts of 64 bits
    if first == 0xE89F:
        return Helium("alu", vector=False)  # CLRM
    if first & 0xEC00 != 0xEC00:
        return None
    if first & 0x0300 == 0x0300:
        return Helium("multiply" if _multiplies(second) else "alu")
    ours = second & 0x0E00 == 0x0E00
    if not first & 0x0200:
        return _transfer(first, second) if ours else None
    if ours:
        return Helium(_arithmetic(first, second))
    lanes = second & 0x0E10 == 0x0A10  # between a lane or a predicate and a register
    return Helium("alu") if lanes else None


def _loop(first: int, second: int) -> Helium | None:
    """The start or the end of a low-overhead loop; the rest of this space are branches."""
    if second & 0xD001 != 0xC001:
        return None
    if second & 0x2000:
        return Helium("alu", vector=False)  # DLS, DLSTP, LCTP, VCTP
    far = (second >> 1 & 0x3FF) << 2 | (second >> 11 & 1) << 1
    if first & 0xF != 0xF:
        return Helium("branch taken", vector=False, conditional=True, jump=4 + far)  # WLS, WLSTP
    return Helium("branch taken", conditional=True, jump=4 - far)  # LE, LETP


def _multiplies(second: int) -> bool:
    """Tell VMUL, VQDMULH and VQRDMULH from other arithmetic of two vectors."""
    return second & 0x0F10 == 0x0910 or second & 0x0F10 == 0x0B00


def _transfer(first: int, second: int) -> Helium:
    """Loads and stores of vectors; and moves of two registers to or from two lanes."""
    if first & 0xFFA0 == 0xEC00:
        return Helium("alu")
    kind = "load" if first & 0x10 else "store"
    to_sp = first & 0xFF == 0x2D  # base register sp, downwards, written back
    return Helium(kind, lowers_sp=(second & 0x7F) << (second >> 7 & 3) if to_sp else 0)


def _arithmetic(first: int, second: int) -> str:
    """Return the class of what has the coprocessors' own space."""
    wide = bool(second & 0x0100)
    if first & 0x80:
        sums = second & 0xD0 == 0 and first >> 4 & 7 != 6
        absolute = wide and second & 1  # VABAV
        plain = wide and first & 1  # VADDV
        return "mac" if sums and not absolute and not plain else "alu"
    if wide or not first & 1 or first & 0x30 == 0x30:
        return "alu"
    if second & 0x60 == 0x40:
        return "mac"  # VMLA, VMLAS: by a register
    reverses = first & 0x1000 and second & 0x1060 == 0x1060  # VBRSR
    return "alu" if reverses else "multiply"
