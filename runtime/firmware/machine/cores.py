"""The cores that firmware is compiled for: compiler target, emulated core, published timing.

A timing answers one question, how many cycles one executed instruction takes, as three numbers
(low, typical, high) with zero wait states. Where the maker publishes a table, its bounds are the
low and high values. Where the maker publishes none (dual-issue and cached cores), the assumption
is stated in `Core.timing_source` and the bounds are wide.

Sources, read in the makers' public manuals unless marked:

- Cortex-M0+: ARM DDI 0484C, Cortex-M0+ Technical Reference Manual, table 3.1.
- Cortex-M3: ARM DDI 0337I, Cortex-M3 Technical Reference Manual, table 3.1 and section 3.3.
- Cortex-M4: Texas Instruments SWCU192, CC13x2 and CC26x2 reference manual, table 3-25 (2021), which
  reprints table 3.1 of ARM DDI 0439, Cortex-M4 Technical Reference Manual.
- Cortex-M55: scheduling model cortex_m55r1.py of the SLOTHY optimiser, Arm Limited 2022, which
  calls itself approximate and no official guide; read in 2026.
- Cortex-M85: scheduling model ARMScheduleM85.td of LLVM, read in 2026.
- Ibex (RV32IMC): Ibex reference guide, Pipeline Details, table of stall cycles; single-cycle
  multiplier without branch-target adder or write-back stage.
"""

from __future__ import annotations

from dataclasses import dataclass

from runtime.errors import UsageError

__all__ = ["CORES", "Core", "Timing", "find_core"]

Cycles = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Timing:
    """Cycles of each class of instruction as (low, typical, high).

    ``load`` and ``store`` are a single transfer; ``*_multiple`` is a fixed part, to which one
    cycle per register is added. ``taken`` is a whole taken branch, ``call`` and ``pop_return``
    likewise. ``multiply_long`` is a 32 by 32 to 64 bit product, ``mac_long`` one that accumulates.
    """

    alu: Cycles = (1, 1, 1)
    load: Cycles = (2, 2, 2)
    load_multiple: Cycles = (1, 1, 1)
    store: Cycles = (2, 2, 2)
    store_multiple: Cycles = (1, 1, 1)
    multiply: Cycles = (1, 1, 1)
    multiply_long: Cycles = (1, 1, 1)
    mac: Cycles = (1, 1, 1)
    mac_long: Cycles = (1, 1, 1)
    divide: Cycles = (2, 7, 12)
    taken: Cycles = (2, 3, 4)
    not_taken: Cycles = (1, 1, 1)
    call: Cycles = (2, 3, 4)
    pop_return: Cycles = (2, 3, 4)
    """On top of the load-multiple's own cycles when the program counter is popped: the refill."""
    vector: Cycles = (1, 1, 1)
    """One instruction of Helium, of whatever kind."""
    loop_end: Cycles = (1, 1, 1)
    """The end of a low-overhead loop, when it goes round again."""


@dataclass(frozen=True, slots=True)
class Core:
    """One core: names for the compilers and the emulator, and its timing.

    ``dsp`` says that the core has packed 16-bit multiply-accumulate instructions, ``helium`` that
    it has vectors. ``unicorn_cpu`` is empty where unicorn does not know the core; where it is
    another core's name, that one has all instructions of this one, to which the compiler keeps.
    ``clang`` is false where a system's clang may be too old for the core.
    """

    name: str
    target: str
    cpu: str
    gcc_flags: tuple[str, ...]
    unicorn_cpu: str
    timing: Timing
    timing_source: str
    dsp: bool = False
    helium: bool = False
    clang: bool = True

    @property
    def riscv(self) -> bool:
        """Whether the core is RISC-V; otherwise it is an ARM core in Thumb state."""
        return self.target.startswith("riscv")


_M0PLUS = Timing(
    multiply=(1, 1, 32), taken=(2, 2, 2), call=(2, 3, 3), pop_return=(2, 2, 2), divide=(0, 0, 0)
)
_M3 = Timing(
    load=(1, 2, 2),
    store=(1, 1, 2),
    multiply_long=(3, 4, 5),
    mac=(2, 2, 2),
    mac_long=(4, 5, 7),
    pop_return=(1, 2, 3),
)
_M4 = Timing(load=(1, 2, 2), store=(1, 1, 2), pop_return=(1, 2, 3))
_M33 = Timing(
    alu=(0.5, 0.9, 1),
    load=(1, 1.5, 2),
    store=(1, 1, 2),
    taken=(1, 2.5, 4),
    call=(2, 3, 4),
    pop_return=(1, 2, 3),
    mac_long=(1, 1, 2),
    multiply_long=(1, 1, 2),
)
_M7 = Timing(
    alu=(0.5, 0.65, 1),
    load=(0.5, 0.8, 2),
    load_multiple=(0, 0, 1),
    store=(0.5, 0.8, 2),
    store_multiple=(0, 0, 1),
    multiply=(0.5, 1, 1),
    multiply_long=(1, 1, 2),
    mac=(1, 1, 1),
    mac_long=(1, 1, 2),
    taken=(0.5, 1.5, 8),
    not_taken=(0.5, 1, 8),
    call=(1, 2, 8),
    pop_return=(1, 2, 8),
)
_IBEX = Timing(
    load=(2, 2, 3),
    store=(2, 2, 3),
    multiply_long=(2, 2, 2),
    divide=(37, 37, 37),
    taken=(3, 3, 4),
    call=(2, 2, 3),
    pop_return=(0, 0, 0),
)

_M23 = Timing(
    multiply=(1, 1, 32), taken=(2, 2, 3), call=(2, 3, 4), pop_return=(2, 2, 3), divide=(17, 17, 34)
)
_M55 = Timing(
    alu=(0.5, 0.9, 1),
    load=(1, 1.5, 2),
    store=(1, 1, 2),
    mac_long=(1, 1, 2),
    multiply_long=(1, 1, 2),
    taken=(1, 2.5, 4),
    call=(2, 3, 4),
    pop_return=(1, 2, 3),
    vector=(1, 1.5, 3),
    loop_end=(0, 0.5, 4),
)
_M85 = Timing(
    alu=(0.5, 0.65, 1),
    load=(0.5, 0.8, 2),
    load_multiple=(0, 0, 1),
    store=(0.5, 0.8, 2),
    store_multiple=(0, 0, 1),
    multiply=(0.5, 1, 1),
    multiply_long=(1, 1, 2),
    mac=(0.5, 1, 2),
    mac_long=(1, 1, 2),
    taken=(0.5, 1.5, 8),
    not_taken=(0.5, 1, 8),
    call=(1, 2, 8),
    pop_return=(1, 2, 8),
    vector=(1, 1.5, 3),
    loop_end=(0, 0.5, 8),
)
_RV32E = Timing(
    load=(1, 2, 3),
    store=(1, 2, 3),
    multiply=(1, 1, 33),
    multiply_long=(1, 2, 34),
    divide=(17, 37, 37),
    taken=(2, 3, 4),
    call=(2, 2, 4),
    pop_return=(0, 0, 0),
)

_THUMB = "thumb-freestanding-eabi"
_HELIUM_GCC = ("-mcpu=cortex-m55", "-mthumb", "-mfloat-abi=hard")
"""Without that ABI, GCC and clang take the core's vectors away; nothing here has floats."""

CORES: tuple[Core, ...] = (
    Core(
        "cortex-m0plus", _THUMB, "cortex_m0plus", ("-mcpu=cortex-m0plus", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M0", _M0PLUS,
        "ARM DDI 0484C table 3.1, zero wait states, multiplier of 1 cycle (high: of 32 cycles)",
    ),
    Core(
        "cortex-m3", _THUMB, "cortex_m3", ("-mcpu=cortex-m3", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M3", _M3,
        "ARM DDI 0337I table 3.1, zero wait states; refill 1 to 3 cycles, loads pipelined or not",
    ),
    Core(
        "cortex-m4", _THUMB, "cortex_m4", ("-mcpu=cortex-m4", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M4", _M4,
        "Texas Instruments SWCU192 table 3-25 (2021), after ARM DDI 0439 table 3.1; zero wait "
        "states, refill 1 to 3 cycles",
        dsp=True,
    ),
    Core(
        "cortex-m7", _THUMB, "cortex_m7", ("-mcpu=cortex-m7", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M7", _M7,
        "assumed: the maker publishes no table; two instructions a cycle at best, one at worst, "
        "tightly coupled memory, mispredicted branch 8 cycles",
        dsp=True,
    ),
    Core(
        "cortex-m33", _THUMB, "cortex_m33+dsp", ("-mcpu=cortex-m33+nofp", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M33", _M33,
        "assumed: the maker publishes no table; Cortex-M4 timing as the upper bound, some pairs "
        "of 16-bit instructions in one cycle as the lower",
        dsp=True,
    ),
    Core(
        "rv32imc", "riscv32-freestanding-none", "generic_rv32+m+c",
        ("-march=rv32imc", "-mabi=ilp32", "-ffreestanding"),
        "UC_CPU_RISCV32_ANY", _IBEX,
        "Ibex reference guide, Pipeline Details, stall cycles: single-cycle multiplier, no "
        "branch-target adder, no write-back stage",
    ),
    Core(
        "cortex-m23", _THUMB, "cortex_m23", ("-mcpu=cortex-m23", "-mthumb"),
        "UC_CPU_ARM_CORTEX_M33", _M23,
        "assumed: Cortex-M0+ timing (ARM DDI 0484C table 3.1) for its successor of two stages; "
        "multiplier of 1 or 32, divider of 17 or 34 cycles (Microchip, SAM L10 data sheet, section "
        "11.1.1, read in 2026)",
    ),
    Core(
        "cortex-m55", "thumb-freestanding-eabihf", "cortex_m55+mve", _HELIUM_GCC, "", _M55,
        "assumed: the maker publishes no table; Cortex-M33's bounds for scalar instructions; a "
        "vector keeps its unit for 2 cycles, of which a neighbour in another unit hides 1; a sum "
        "of products comes after 3 (SLOTHY, cortex_m55r1.py, Arm Limited 2022: approximate)",
        dsp=True, helium=True,
    ),
    Core(
        "cortex-m85", "thumb-freestanding-eabihf", "cortex_m85+mve", _HELIUM_GCC, "", _M85,
        "assumed: the maker publishes no table; Cortex-M7's bounds for scalar instructions, two at "
        "a time, a mispredicted branch 7 cycles (LLVM, ARMScheduleM85.td, read in 2026), here 8; "
        "vectors as on Cortex-M55",
        dsp=True, helium=True,
    ),
    Core(
        "rv32emc", "riscv32-freestanding-none", "generic_rv32-i+e+m+c",
        ("-march=rv32emc", "-mabi=ilp32e", "-ffreestanding"),
        "UC_CPU_RISCV32_ANY", _RV32E,
        "assumed: Ibex reference guide, Pipeline Details, as the typical case (it can be built as "
        "RV32E); low: no stall of a load, high: a multiplier of one bit a cycle",
        clang=False,
    ),
)  # fmt: skip
"""All cores, in the order in which reports show them."""


def find_core(name: str) -> Core:
    """Return the core called `name`.

    Raises
    ------
    UsageError
        There is no such core; the message lists those there are.
    """
    for core in CORES:
        if core.name == name:
            return core
    raise UsageError("core", "name", name, ", ".join(core.name for core in CORES))
