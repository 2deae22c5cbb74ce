"""The C sender on an emulated core: what it sends, and how many instructions that takes."""

from __future__ import annotations

import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

import capture
from capture.frames import Counts
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import Machine

__all__ = ["encode_on_core"]

_SENDER = Path(capture.__file__).parent / "sender"
_MODEL = Path(__file__).parents[2] / "vectors" / "firmware_small"  # any model: a harness to load by
# What a board's C library declares, and the one function that the harness does not bring.
_STRING = """
#include <stddef.h>
void *memset(void *to, int byte, size_t n);
void *memcpy(void *restrict to, const void *restrict from, size_t n);
size_t strlen(const char *text);
"""
_AROUND = """
#include "pw_model.c"
#include "pw_send.c"
size_t strlen(const char *text) { size_t n = 0; while (text[n]) n++; return n; }
static pw_port port;
void open_port(void);
void open_port(void) { pw_port_init(&port); }
uint32_t encode_in_place(uint32_t shape, uint32_t bits, uint16_t *memory, uint32_t counts_at);
uint32_t encode_in_place(uint32_t shape, uint32_t bits, uint16_t *memory, uint32_t counts_at)
{
    const uint8_t *bytes;
    pw_exposure exposure = {1, (uint8_t)bits, 0, 0, 0, 77, 123456789};
    exposure.n_rows = (uint16_t)(shape >> 16);
    exposure.n_cols = (uint16_t)(shape & 0xFFFFu);
    pw_send_exposure(&port, &exposure, memory + counts_at, (uint8_t *)memory);
    return (uint32_t)pw_pending(&port, &bytes);
}
"""


def encode_on_core(
    counts: Counts, bits: int, core: str, compiler: str = "zig", *options: str
) -> tuple[bytes, int]:
    """Return the packet of an exposure encoded in place, and the instructions that it took.

    The packet is of sequence 77 at 123,456,789 us. `options` are further compiler arguments.
    """
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "string.h").write_text(_STRING)
        machine = Machine(
            compile_for(
                _MODEL,
                core,
                compiler=compiler,
                extra=(f"-I{folder}", f"-I{_SENDER}", "-fno-builtin", *options),
                around=_AROUND,
            )
        )
    machine.call("open_port")
    n_executed = 0

    def count(uc: Any, address: int, size: int, data: Any) -> None:
        nonlocal n_executed
        n_executed += 1

    unicorn: Any = import_module("unicorn")
    machine.uc.hook_add(unicorn.UC_HOOK_CODE, count)
    counts_at = 13 + counts.size // 254  # PW_COUNTS_AT
    memory = np.full(counts_at + counts.size + 3, 0xA5A5, np.uint16)  # PW_EXPOSURE_WORDS
    memory[counts_at : counts_at + counts.size] = counts.ravel()
    at, _ = machine.write_exposures(np.append(memory, np.full(8, 0x5A5A, np.uint16)), memory)
    shape = counts.shape[0] << 16 | counts.shape[1]
    n_bytes = machine.call("encode_in_place", shape, bits, at, counts_at)
    behind = bytes(machine.uc.mem_read(at + memory.nbytes, 16))
    assert behind == b"\x5a" * 16, "written behind the exposure's memory"
    return bytes(machine.uc.mem_read(at, n_bytes)), n_executed
