"""The README beside the C: how it is called, tested and built."""

from __future__ import annotations

__all__ = ["README"]

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

Rows are accounted for: one missing, twice or out of order, or counts over `PW_MAX_COUNTS` (a
converter's status bits), and `pw_finish` returns `PW_ERROR_ROWS` or `PW_ERROR_COUNTS`, nothing is
decided, and what was remembered stays. `-DPW_TRUST_ROWS` leaves these checks out, which saves two
to four instructions a count. `pw_step` trusts its counts; `-DPW_CHECK_COUNTS` makes it look at
each, at the same cost.

## Watching

While nothing moves, read rows @WATCH_FIRST@ to @WATCH_LAST@ a few times a second in weak light, and
feed them to the stage in `pw_watch.c` (add it to the build; `pw_watch.h` is its interface, the same
as the model's under names of its own). It is what the budget prices as watching.

    static pw_watch_state watch;
    pw_watch_init(&watch);      /* each time before the model sleeps */
    /* then on each frame: the first PW_WATCH_WARM_UP_FRAMES fill it, and wake nobody */
    if (pw_watch_step(&watch, lit, dark) == PW_WATCH_CLASS_MOVING) { /* wake */ }

## Self-test

`selftest.c` makes frames by itself (patterns that were searched for so that the model tells
events and holds one off, then both ends of the range), feeds them whole, row by row and from odd
addresses, and compares a hash of every @ITEM@ and of the state with `pw_vectors.h`. On a board,
call `pw_selftest()`; it returns 0 when all is equal, else 1 and the number of the first frame that
differs. It keeps a whole lit and dark exposure; with `-DPW_SELFTEST_ROWS` two rows. On a desk:

    cc -std=c99 -O2 -DPW_SELFTEST_MAIN pw_model.c selftest.c -o selftest && ./selftest && echo equal

## Make

    CFLAGS += -std=c99 -O2 -mcpu=cortex-m4
    gesture.o: pw_model.c pw_model.h pw_weights.h
    \t$(CC) $(CFLAGS) -c pw_model.c -o gesture.o

## CMake

    add_library(gesture STATIC pw_model.c pw_watch.c)
    target_include_directories(gesture PUBLIC ${CMAKE_CURRENT_SOURCE_DIR})
    set_target_properties(gesture PROPERTIES C_STANDARD 99)

## On which core, by which compiler

One text serves every little-endian core: where a core has packed 16-bit multiply-accumulate
instructions (`__ARM_FEATURE_DSP`), kernels that use them are chosen by the preprocessor, and the
8-bit weights stand in `pw_weights.h` once for each form that a kernel reads. Where it has vectors
of integers (Helium, `__ARM_FEATURE_MVE`: Cortex-M55 and M85, with `-mfloat-abi=hard` or `softfp`),
bins, matrices and windows use them; the start-up must have enabled coprocessors 10 and 11 before,
as CMSIS's does. One form is compiled; results are the same bits. GCC and clang take it at every
level of optimisation, with and without a frame pointer, position-independent or not: assembly saves
the registers that it uses, and leaves r9 alone. `-DPW_PLAIN_C` leaves all assembly out, for the
same bits in more cycles. A compiler may call `memset` or `memcpy`; link the ones that your board
has.
"""
