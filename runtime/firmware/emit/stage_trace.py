"""C that runs a model's stages one by one and keeps what each gave.

It includes the folder's own ``pw_model.c``, so that a fault in a stage shows in that stage's
outputs, on the frame on which it first changes one; what the stages are and where they put their
outputs it knows from the model, not from the folder.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from runtime.firmware.emit.generate import stage_places
from runtime.model import Model
from runtime.stages.contract.c_text import fill

__all__ = ["StageTrace", "stage_trace"]

_TEXT = """\
#include "pw_model.c"

#if defined(__x86_64__) || defined(__aarch64__)
#define VISIBLE __attribute__((visibility("default")))
#else
#define VISIBLE
#endif

static pw_state traced;

static uint8_t *keep(uint8_t *out, const void *from, uint32_t n_bytes)
{
    const uint8_t *byte = (const uint8_t *)from;
    while (n_bytes-- != 0u) {
        *out++ = *byte++;
    }
    return out;
}

static uint8_t *after_entry(pw_state *s, uint8_t *out)
{
    out = keep(out, @ENTRY_PLACE@, @ENTRY_BYTES@u);
@STAGES@    return out;
}

VISIBLE void trace_step(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);
VISIBLE void trace_rows(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);

VISIBLE void trace_step(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    pw_state *s = &traced;
    pw_init(s);
    for (; n != 0u; n--) {
        s0_frame(@ENTRY_PLACE@, lit, dark);
        out = after_entry(s, out);
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}

VISIBLE void trace_rows(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    pw_state *s = &traced;
    pw_init(s);
    for (; n != 0u; n--) {
        for (uint32_t row = 0u; row < PW_N_ROWS; row++) {
            pw_feed_row(s, row, &lit[row * PW_N_COLS], &dark[row * PW_N_COLS]);
        }
        out = after_entry(s, out);
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}
"""


@dataclass(frozen=True, slots=True)
class StageTrace:
    """The text, and what one frame of its output holds.

    Attributes
    ----------
    text : str
        C to compile around ``pw_model.c``; its functions are ``trace_step`` and ``trace_rows``.
    stages : tuple of str
        Names of the stages, such as ``s3 dense``.
    frame : numpy.dtype
        One frame of its output: a field for each stage, in order.
    """

    text: str
    stages: tuple[str, ...]
    frame: np.dtype[np.void]


def stage_trace(model: Model) -> StageTrace:
    """Return the C that traces a model's stages, and the form of what it gives."""
    places = stage_places(model)
    calls = ""
    for before, after in pairwise(places):
        state = "s, " if after.has_state else ""
        calls += f"    {after.label}_run({state}{before.place}, {after.place});\n"
        calls += f"    out = keep(out, {after.place}, {after.n_bytes}u);\n"
    first = places[0]
    text = fill(_TEXT, ENTRY_PLACE=first.place, ENTRY_BYTES=first.n_bytes, STAGES=calls)
    names = tuple(f"{p.label} {p.kind}" for p in places)
    fields = [
        (name, f"<i{p.item_bytes}", (p.length,)) for name, p in zip(names, places, strict=True)
    ]
    return StageTrace(text, names, np.dtype(fields))
