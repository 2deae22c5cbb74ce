"""The test that a board can run by itself, and the README beside it.

The frames come from a small generator of pseudo-random numbers that the C and this file both
hold, so that a vector is its expected numbers alone and the test needs room for two rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import fill, table

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["README", "selftest_c", "selftest_frames", "vectors_h"]

_N_FRAMES = 12
_MULTIPLIER, _INCREMENT, _SEED = 1664525, 1013904223, 1
"""D. Knuth and H. Lewis's linear congruential generator modulo 2**32 (from memory)."""


def selftest_frames(
    n_rows: int, n_cols: int, max_counts: int
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Return the frames that the self-test feeds, both uint16 (12, n_rows, n_cols).

    Frames 0 and 1 modulo 4 hold the two extremes; the others pseudo-random counts, row by row, lit
    before dark.
    """
    n_draws = _N_FRAMES // 2 * n_rows * 2 * n_cols
    draws = np.empty(n_draws, dtype=np.uint64)
    value = _SEED
    for i in range(n_draws):
        value = (value * _MULTIPLIER + _INCREMENT) & 0xFFFF_FFFF
        draws[i] = value >> 16
    counts = (draws & np.uint64(max_counts)).astype(np.uint16)
    rows = counts.reshape(_N_FRAMES // 2, n_rows, 2, n_cols)
    lit = np.zeros((_N_FRAMES, n_rows, n_cols), dtype=np.uint16)
    dark = np.zeros_like(lit)
    lit[0::4], dark[1::4] = max_counts, max_counts
    random = np.arange(_N_FRAMES) % 4 >= 2
    lit[random], dark[random] = rows[:, :, 0], rows[:, :, 1]
    return lit, dark


def vectors_h(model: Model) -> str:
    """Return the header with what the integer reference gives and rests on."""
    sensor = model.sensor
    lit, dark = selftest_frames(sensor.n_rows, sensor.n_cols, sensor.max_counts)
    run = model.run(lit, dark)
    words = model.closing.c_words(model.classes)
    n_evidence, n_outputs = run.evidence.shape[1], run.outputs.shape[1]
    outputs = ""
    if n_outputs > 1:
        comment = f"({_N_FRAMES}, {n_outputs})"
        outputs = "\n" + table("pw_vectors_outputs", run.outputs, "int32_t", comment)
    return (
        "/* What the integer reference gives for the self-test's frames. */\n"
        "#ifndef PW_VECTORS_H\n#define PW_VECTORS_H\n\n#include <stdint.h>\n\n"
        f"#define PW_VECTORS_N_FRAMES {_N_FRAMES}\n\n"
        + table(f"pw_vectors_{words.event}s", run.events, "int32_t", f"({_N_FRAMES},)")
        + "\n"
        + table(
            f"pw_vectors_{words.evidence}",
            run.evidence,
            "int32_t",
            f"({_N_FRAMES}, {n_evidence})",
        )
        + outputs
        + "\n#endif\n"
    )


def selftest_c(model: Model) -> str:
    """Return the self-test, in the words of the model's closing stage."""
    words = model.closing.c_words(model.classes)
    return fill(
        _SELFTEST_C,
        EVENT=words.event,
        ITEM=words.item,
        EVIDENCE=words.evidence,
        N_EVIDENCE=words.evidence.upper(),
        AT="(frame * PW_N_@N_EVIDENCE@)",
        OTHERS=_OTHER_OUTPUTS if model.closing.n_out > 1 else "",
    )


_OTHER_OUTPUTS = """\
        for (uint32_t i = 1u; i < PW_N_OUTPUTS; i++) {
            if (pw_outputs(&state)[i] != pw_vectors_outputs[(frame * PW_N_OUTPUTS) + i]) {
                return (int)frame + 1;
            }
        }
"""

_SELFTEST_C = """\
/* Feeds known frames, row by row, and compares every @EVENT@ and @ITEM@ with the reference.
 * Call pw_selftest() on the board; build with -DPW_SELFTEST_MAIN for a program of its own. */
#include "pw_model.h"
#include "pw_vectors.h"

int pw_selftest(void);

static uint16_t next_counts(uint32_t *random)
{
    *random = (*random * 1664525u) + 1013904223u;
    return (uint16_t)((*random >> 16) & PW_MAX_COUNTS);
}

static void fill_row(uint16_t *row, uint32_t frame, uint32_t extreme, uint32_t *random)
{
    for (uint32_t col = 0u; col < PW_N_COLS; col++) {
        if ((frame % 4u) >= 2u) {
            row[col] = next_counts(random);
        } else {
            row[col] = ((frame % 4u) == extreme) ? PW_MAX_COUNTS : 0u;
        }
    }
}

/* Returns 0 when all is equal, else 1 + the number of the first frame that differs. */
int pw_selftest(void)
{
    static pw_state state;
    static uint16_t lit[PW_N_COLS];
    static uint16_t dark[PW_N_COLS];
    uint32_t random = 1u;

    pw_init(&state);
    for (uint32_t frame = 0u; frame < PW_VECTORS_N_FRAMES; frame++) {
        for (uint32_t row = 0u; row < PW_N_ROWS; row++) {
            fill_row(lit, frame, 0u, &random);
            fill_row(dark, frame, 1u, &random);
            pw_feed_row(&state, row, lit, dark);
        }
        if (pw_finish(&state) != pw_vectors_@EVENT@s[frame]) {
            return (int)frame + 1;
        }
        for (uint32_t i = 0u; i < PW_N_@N_EVIDENCE@; i++) {
            if (pw_@EVIDENCE@(&state)[i] != pw_vectors_@EVIDENCE@[@AT@ + i]) {
                return (int)frame + 1;
            }
        }
@OTHERS@    }
    return 0;
}

#if defined(PW_SELFTEST_MAIN)
int main(void)
{
    return pw_selftest();
}
#endif
"""

README = """\
# Firmware of @NAME@

Model `@MODEL_ID@`.

C99, no heap, no floating point, no C library. Add `pw_model.c` to a build; include `pw_model.h`,
whose comments are the interface.

    static pw_state state;
    pw_init(&state);
    for (;;) {
        /* read a lit and a dark exposure of @N_ROWS@ x @N_COLS@ counts */
@USAGE@
    }

Without memory for whole exposures, feed rows as they are read: `pw_feed_row` for each row, then
`pw_finish`.

## Self-test

`selftest.c` compares every @ITEM@ with `pw_vectors.h`. On a board, call `pw_selftest()`; it
returns 0 when all is equal. On a desk:

    cc -std=c99 -O2 -DPW_SELFTEST_MAIN pw_model.c selftest.c -o selftest && ./selftest && echo equal

## Make

    CFLAGS += -std=c99 -O2 -mcpu=cortex-m4
    gesture.o: pw_model.c pw_model.h pw_weights.h
    \t$(CC) $(CFLAGS) -c pw_model.c -o gesture.o

## CMake

    add_library(gesture STATIC pw_model.c)
    target_include_directories(gesture PUBLIC ${CMAKE_CURRENT_SOURCE_DIR})
    set_target_properties(gesture PROPERTIES C_STANDARD 99)

## On which core, by which compiler

One text serves every little-endian core: where a core has packed 16-bit multiply-accumulate
instructions (`__ARM_FEATURE_DSP`), kernels that use them are chosen by the preprocessor, and the
8-bit weights stand in `pw_weights.h` once for each form that a kernel reads. One form is compiled;
results are the same bits. GCC and clang take it at every level of optimisation, with and without a
frame pointer, position-independent or not: assembly saves the registers that it uses, and leaves r9
alone. `-DPW_PLAIN_C` leaves all assembly out, for the same bits in more cycles. A compiler may
call `memset` or `memcpy`; link the ones that your board has.
"""
