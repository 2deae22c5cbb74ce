"""Prints what a byte on the wire costs a sensor's core: executed instructions of the C sender.

python tests/bench/bench_sender.py

An exposure of 32 x 32 pixels, evenly drawn, is encoded in place, by each core, compiler and kind of
CRC. Compilers that are missing are left out, and named.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "capture" / "wire"))

from sender_on_a_core import encode_on_core

COMPILERS = {
    "cortex-m0plus": ("zig", "arm-none-eabi-gcc"),
    "cortex-m4": ("zig", "arm-none-eabi-gcc"),
    "rv32imc": ("zig", "riscv64-unknown-elf-gcc"),
}
BITS = (8, 10, 12, 14, 16)


def main() -> None:
    """Print a table: one line a core, compiler and CRC; one column a number of bits."""
    print(f"{'instructions a byte at':52}" + "".join(f"{bits:5} bits" for bits in BITS))
    for core, compilers in COMPILERS.items():
        for compiler in compilers:
            if compiler != "zig" and shutil.which(compiler) is None:
                print(f"{core}, {compiler}: not on the path")
                continue
            for name, options in (("1 KiB", ()), ("64 bytes", ("-DPW_CRC_SMALL",))):
                line = f"{core}, {compiler}, table of {name}"
                print(f"{line:52}" + "".join(_a_byte(b, core, compiler, options) for b in BITS))


def _a_byte(bits: int, core: str, compiler: str, options: tuple[str, ...]) -> str:
    counts = np.random.default_rng(bits).integers(0, 1 << bits, (32, 32), np.uint16)
    packet, n_executed = encode_on_core(counts, bits, core, compiler, *options)
    return f"{n_executed / len(packet):10.2f}"


if __name__ == "__main__":
    main()
