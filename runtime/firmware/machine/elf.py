"""Read what a compiler made: sections, symbols, and the bytes a model takes."""

from __future__ import annotations

import io
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from runtime.errors import ToolError
from runtime.firmware.machine.compile import CompiledFirmware

__all__ = ["Image", "read_image", "read_sizes"]


@dataclass(frozen=True, slots=True)
class Symbol:
    """A named function or object: first address (without the Thumb bit) and bytes."""

    name: str
    address: int
    size: int
    is_function: bool


@dataclass(frozen=True, slots=True)
class Image:
    """A linked program: what to load where, and its symbols in order of address.

    `marks` are the addresses at which code (True) or data between code (False) begins, as the ARM
    ELF standard has them; empty where the target has no such marks and no data between code.
    `offset_table` is where position-independent code finds the addresses of its data, if it does.
    """

    segments: tuple[tuple[int, bytes], ...]
    symbols: tuple[Symbol, ...]
    marks: tuple[tuple[int, bool], ...]
    offset_table: int | None = None

    def symbol(self, name: str) -> Symbol:
        """Return the symbol called `name`.

        Raises
        ------
        ToolError
            There is none: the program was linked without it.
        """
        for symbol in self.symbols:
            if symbol.name == name:
                return symbol
        raise ToolError("firmware image", f"symbol {name}", "missing", "present")

    def read(self, symbol: Symbol) -> bytes:
        """Return the bytes that a symbol names in the loaded image."""
        for address, data in self.segments:
            if address <= symbol.address < address + len(data):
                start = symbol.address - address
                return data[start : start + symbol.size]
        raise ToolError("firmware image", f"symbol {symbol.name}", "not loaded", "in a segment")

    def code(self, symbol: Symbol) -> list[tuple[int, bytes]]:
        """Return a function's runs of instructions, without the constants between them."""
        data, end = self.read(symbol), symbol.address + symbol.size
        within = [mark for mark in self.marks if symbol.address < mark[0] < end]
        edges = [(symbol.address, True), *within, (end, False)]
        return [
            (start, data[start - symbol.address : stop - symbol.address])
            for (start, is_code), (stop, _) in pairwise(edges)
            if is_code
        ]


@dataclass(frozen=True, slots=True)
class Sizes:
    """Bytes of a model's own object file, and of its state.

    Attributes
    ----------
    code_bytes, const_bytes : int
        Flash: instructions with their literals, and constant tables.
    ram_bytes : int
        The state struct and any other written variable.
    by_symbol : dict of str to int
        Bytes of each function and object, largest first.
    """

    code_bytes: int
    const_bytes: int
    ram_bytes: int
    by_symbol: dict[str, int]

    @property
    def flash_bytes(self) -> int:
        """Code and constants together."""
        return self.code_bytes + self.const_bytes


def read_image(compiled: CompiledFirmware) -> Image:
    """Return the segments and symbols of a program linked for an emulated core."""
    elf = _open(compiled.image)
    segments = tuple(
        (int(segment["p_paddr"]), segment.data().ljust(int(segment["p_memsz"]), b"\0"))
        for segment in elf.iter_segments()
        if segment["p_type"] == "PT_LOAD" and segment["p_memsz"]
    )
    thumb = elf["e_machine"] == "EM_ARM"
    symbols = sorted(_symbols(elf, thumb=thumb), key=lambda s: s.address)
    marks = _marks(elf) if thumb else ()
    return Image(segments, tuple(symbols), marks, _offset_table(elf))


def read_sizes(compiled: CompiledFirmware) -> Sizes:
    """Return the bytes of the model alone, from its object file before linking."""
    elf = _open(compiled.model_object)
    totals = {"code": 0, "const": 0, "ram": 0}
    for section in elf.iter_sections():
        flags, size = int(section["sh_flags"]), int(section["sh_size"])
        if not flags & 2 or ".exidx" in section.name or ".eh_frame" in section.name:
            continue  # not loaded (SHF_ALLOC), or only for unwinding
        kind = "code" if flags & 4 else "ram" if flags & 1 else "const"
        totals[kind] += size
    state = read_image(compiled).symbol("harness_state").size
    named = sorted(_symbols(elf, thumb=False), key=lambda s: (-s.size, s.name))
    sizes = {symbol.name: symbol.size for symbol in named} | {"pw_state": state}
    return Sizes(totals["code"], totals["const"], totals["ram"] + state, sizes)


def _open(data: bytes) -> Any:
    """Return pyelftools' view of an ELF file."""
    from elftools.common.exceptions import ELFError
    from elftools.elf.elffile import ELFFile

    try:
        return ELFFile(io.BytesIO(data))
    except ELFError as error:
        raise ToolError("firmware image", "the compiler's output", "unreadable", "ELF") from error


def _marks(elf: Any) -> tuple[tuple[int, bool], ...]:
    """Return the mapping symbols: ``$t`` begins Thumb code, ``$d`` data."""
    table = elf.get_section_by_name(".symtab")
    marks = {
        int(entry["st_value"]): entry.name.startswith("$t")
        for entry in (table.iter_symbols() if table is not None else ())
        if entry.name.startswith(("$t", "$d"))
    }
    return tuple(sorted(marks.items()))


def _offset_table(elf: Any) -> int | None:
    """Return the address of the global offset table, where a program has one."""
    table = elf.get_section_by_name(".symtab")
    found = None if table is None else table.get_symbol_by_name("_GLOBAL_OFFSET_TABLE_")
    return int(found[0]["st_value"]) if found else None


def _symbols(elf: Any, *, thumb: bool) -> list[Symbol]:
    """Return functions and objects that have a size."""
    table = elf.get_section_by_name(".symtab")
    if table is None:
        raise ToolError("firmware image", "the symbol table", "missing", "present")
    found = []
    for entry in table.iter_symbols():
        kind = entry["st_info"]["type"]
        if kind in ("STT_FUNC", "STT_OBJECT") and entry["st_size"]:
            address = int(entry["st_value"]) & ~int(thumb and kind == "STT_FUNC")
            found.append(Symbol(entry.name, address, int(entry["st_size"]), kind == "STT_FUNC"))
    return found
