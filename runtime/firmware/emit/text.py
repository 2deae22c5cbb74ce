"""The fixed text of a firmware folder, around what the stages bring."""

from __future__ import annotations

from runtime.firmware.emit.wiping import WIPE_C

__all__ = ["HEADER_H", "HELPERS", "MODEL_C", "STEP_C"]

HEADER_H = """\
/* @NAME@: @TASK@ from a lensless sensor, one frame pair at a time.
 *
 * Input: a lit and a dark exposure of @N_ROWS@ x @N_COLS@ pixels, counts of @BIT_DEPTH@ bits
 * (0 to @MAX_COUNTS@) in uint16_t, row by row, @RATE@ frame pairs a second. Only rows
 * @FIRST_ROW@ to @LAST_ROW@ are read. Exposures that start on a 4-byte boundary are read fastest.
@ABOUT@
@NAMES@@STAGES@
@SIZES@
 * Model @MODEL_ID@.
 *
 * No heap, no floating point, no recursion, no C library. One pw_state per sensor, owned by the
 * caller; functions are reentrant. A right shift of a negative value must be arithmetic, as every
 * common compiler has it; pw_model.c refuses to compile otherwise.
 */
#ifndef PW_MODEL_H
#define PW_MODEL_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define PW_VERSION "0.1.0"
#define PW_MODEL_ID "@MODEL_ID@"
#define PW_N_ROWS @N_ROWS@
#define PW_N_COLS @N_COLS@
#define PW_MAX_COUNTS @MAX_COUNTS@
@CONSTANTS@
/* Instead of @ARTICLE@ @EVENT@: rows of a frame missing, twice or out of order; or counts over the
 * maximum, such as a converter's status bits. The frame is dropped, what was remembered stays. */
#define PW_ERROR_ROWS (-2)
#define PW_ERROR_COUNTS (-3)

/* Everything that the model remembers. The first part lasts from frame to frame. Behind it is room
 * to work in, where outputs that are never alive together share a place: all of it is zero between
 * frames. The last are what the last frame gave, valid until the next. */
typedef struct {
@MEMBERS@@SCRATCH@} pw_state;

/* Every lasting member: X(type, name, length). A board can use it to print or compare the state. */
@MEMBER_LIST@

/* Forget everything: the state before the first frame. */
void pw_init(pw_state *s);

/* Let the next frame stand for all that came before it, as if the scene had been so all along. Call
 * it after pw_init where frames begin with a hand in view: else it would seem to have just come. */
void pw_settle(pw_state *s);

/* Take one frame pair; returns the @EVENT@. Counts are trusted, unless pw_model.c is compiled with
 * PW_CHECK_COUNTS: then any over the maximum gives PW_ERROR_COUNTS. */
int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark);

/* The same without a whole frame in memory: feed each row of both exposures, in rising order from
 * row 0 (rows outside the range read may be left out), then finish; returns the @EVENT@, or one of
 * the errors above. pw_feed_row returns 0, or the first error of the frame so far. Compiled with
 * PW_TRUST_ROWS, neither rows nor counts are checked. */
int32_t pw_feed_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark);
int32_t pw_finish(pw_state *s);

/* Drop the rows that were fed since the last frame ended: none of them is left in memory. pw_finish
 * does so where it returns an error; call it where a frame is given up and not finished. */
void pw_drop(pw_state *s);

/* Zeroes for whole words. No compiler leaves it out, as it may a memset of what is not read again:
 * for exposures of your own that are done with. */
void pw_wipe(void *from, uint32_t n_words);

@DECLARATIONS@

/* Version of the generator, and identity of the model (a hash of everything that decides). */
const char *pw_version(void);
const char *pw_model_id(void);

#ifdef __cplusplus
}
#endif

#endif
"""

MODEL_C = """\
/* @NAME@: @N_STAGES@ stages, see pw_model.h. */
#include "pw_model.h"

/* Words are read as pairs of counts and rows of weights, the first of them in the low bits. */
#if defined(__ARM_BIG_ENDIAN) || defined(__BIG_ENDIAN__) || defined(__ARMEB__) \\
    || (defined(__BYTE_ORDER__) && (__BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__))
#error "pw_model.c wants a little-endian core: nobody has proved it on a big-endian one"
#endif

/* Which form of the weights and of the kernels this core gets. With PW_PLAIN_C defined, all is
 * plain C, the same bits, slower. */
#if defined(__GNUC__) && defined(__thumb__) && !defined(PW_PLAIN_C)
#define PW_THUMB
#if defined(__ARM_FEATURE_MVE)
#define PW_VECTOR
#include <arm_mve.h>
#endif
#if defined(__ARM_FEATURE_DSP) && defined(__thumb2__)
#define PW_DUAL_MAC
#elif !defined(__thumb2__)
#define PW_OFFSET_WEIGHTS
#endif
#endif

#include "pw_weights.h"

/* A stage is never inlined, so that its cost and its stack can be read from the image. */
#if defined(__GNUC__)
#define PW_STAGE static __attribute__((noinline))
#define PW_INLINE static inline __attribute__((always_inline))
#define PW_LOCAL static inline __attribute__((unused)) /* not every core's form uses each */
#else
#define PW_STAGE static
#define PW_INLINE static inline
#define PW_LOCAL static inline
#endif

/* Before a loop over values, whose number is known: clang unrolls it of its own accord at -O2, GCC
 * where it is asked. */
#if defined(__GNUC__) && !defined(__clang__) && !defined(__OPTIMIZE_SIZE__)
#if __GNUC__ >= 8
#define PW_UNROLL _Pragma("GCC unroll 8")
#endif
#endif
#if !defined(PW_UNROLL)
#define PW_UNROLL
#endif

/* C99 leaves the right shift of a negative value to the compiler; this code needs the arithmetic
 * one, and this declaration is an error where a compiler has another. */
typedef char pw_shift_is_arithmetic[((-3) >> 1) == -2 ? 1 : -1];

@HELPERS@
@FUNCTIONS@
@STEP@
void pw_init(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
@INIT@}

void pw_settle(pw_state *s)
{
    s->settling = 1u;
}

const char *pw_version(void)
{
    return PW_VERSION;
}

const char *pw_model_id(void)
{
    return PW_MODEL_ID;
}
"""

STEP_C = (
    WIPE_C
    + """\
static int32_t finish(pw_state *s)
{
@CALLS@    s->settling = 0u;
    pw_drop(s);
    return @OUTPUTS@[0];
}

#if defined(PW_CHECK_COUNTS) || !defined(PW_TRUST_ROWS)
#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_two; /* neighbouring counts as one word */
#endif

/* Whether any count of either exposure is over the maximum, which is all ones. */
static int over(const uint16_t *lit, const uint16_t *dark, uint32_t n)
{
    uint32_t seen = 0u;
    uint32_t i = 0u;
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_two *l = (const pw_two *)lit;
        const pw_two *d = (const pw_two *)dark;
        PW_UNROLL
        for (; (i + 8u) <= n; i += 8u) {
            seen |= l[0] | l[1] | l[2] | l[3] | d[0] | d[1] | d[2] | d[3];
            l = &l[4];
            d = &d[4];
        }
        seen = (seen | (seen >> 16)) & 0xFFFFu;
    }
#endif
    for (; i < n; i++) {
        seen |= (uint32_t)lit[i] | dark[i];
    }
    return seen > PW_MAX_COUNTS;
}
#endif

int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark)
{
#if defined(PW_CHECK_COUNTS)
    if (over(lit, dark, PW_N_ROWS * PW_N_COLS) != 0) {
        return PW_ERROR_COUNTS;
    }
#endif
    @ENTRY@_frame(@Y@, lit, dark);
    return finish(s);
}

#if !defined(PW_TRUST_ROWS)
/* Notes a row of the frame and the frame's first error, which it returns; 0 when there is none. */
static int32_t note_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    int32_t error = 0;
    if (row >= PW_N_ROWS) {
        error = PW_ERROR_ROWS;
    } else if (@WITHIN@) {
        if (row != @NEXT@) {
            error = PW_ERROR_ROWS;
        } else if (over(lit, dark, PW_N_COLS) != 0) {
            error = PW_ERROR_COUNTS;
        } else {
            s->rows_done++;
        }
    } else {
        /* not read */
    }
    if (s->rows_error == 0) {
        s->rows_error = error;
    }
    return s->rows_error;
}
#endif

int32_t pw_feed_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
#if !defined(PW_TRUST_ROWS)
    const int32_t error = note_row(s, row, lit, dark);
    if (error != 0) {
        return error;
    }
#endif
    @ENTRY@_row(@Y@, row, lit, dark);
    return 0;
}

int32_t pw_finish(pw_state *s)
{
#if !defined(PW_TRUST_ROWS)
    int32_t error = s->rows_error;
    if ((error == 0) && (s->rows_done != @N_ROWS_READ@u)) {
        error = PW_ERROR_ROWS;
    }
    if (error != 0) {
        pw_drop(s);
        return error;
    }
#endif
    return finish(s);
}

@ACCESSORS@"""
)

HELPERS = {
    "pw_pair": """\
#if defined(__GNUC__)
/* Neighbouring values as one word; the attribute allows to read arrays this way. */
typedef uint32_t __attribute__((may_alias)) pw_pair;
#endif
""",
    "pw_asr32": """\
/* x / 2^n, rounded down. */
PW_LOCAL int32_t pw_asr32(int32_t x, int32_t n)
{
    return x >> n;
}
""",
    "pw_sat": """\
PW_LOCAL int32_t pw_sat(int32_t x, int32_t low, int32_t high)
{
    return (x < low) ? low : ((x > high) ? high : x);
}
""",
    "pw_requant": """\
/* x * multiplier / 2^shift, rounded to nearest, ties up; 0 < multiplier < 2^15. Below a shift of
 * 17 the product was proved to fit 32 bits at generation; from there on x is split into halves,
 * and the low half's product gives only its carry. */
PW_LOCAL int32_t pw_requant(int32_t x, int32_t multiplier, int32_t shift)
{
    if (shift == 0) {
        return x * multiplier;
    }
    if (shift < 17) {
        return pw_asr32((x * multiplier) + (int32_t)(1UL << (shift - 1)), shift);
    }
    const int32_t high = pw_asr32(x, 16) * multiplier;
    const uint32_t low = ((uint32_t)x & 0xFFFFu) * (uint32_t)multiplier;
    const int32_t half = (int32_t)((1UL << (shift - 16)) >> 1);
    return pw_asr32(high + (int32_t)(low >> 16) + half, shift - 16);
}
""",
    "pw_requant_4": """\
#if defined(PW_VECTOR)
/* The same of four values, from a shift of 17 on. */
PW_LOCAL int32x4_t pw_requant_4(int32x4_t x, int32_t multiplier, int32_t shift)
{
    const int32x4_t high = vmulq_n_s32(vshrq_n_s32(x, 16), multiplier);
    const uint32x4_t below = vandq_u32(vreinterpretq_u32_s32(x), vdupq_n_u32(0xFFFFu));
    const uint32x4_t low = vshrq_n_u32(vmulq_n_u32(below, (uint32_t)multiplier), 16);
    return vrshlq_n_s32(vaddq_s32(high, vreinterpretq_s32_u32(low)), 16 - shift);
}
#endif
""",
}
