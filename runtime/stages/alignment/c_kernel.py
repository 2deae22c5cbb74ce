"""Four dot products of one readout, row by row; 8-bit filters on 16 or 32-bit values.

Three forms, the same bits: Helium takes eight pixels of a filter at once; the DSP extension
unpacks four bytes of a filter with two instructions and multiplies them with two more; everything
else multiplies one by one.
"""

from __future__ import annotations

from runtime.stages.contract.c_text import fill

__all__ = ["four_c"]

_TYPE = """\
/* What the kernel works on; assembly knows the places by their offsets, 0 to 36 in steps of 4. */
typedef struct {
    const void *x;
    const int8_t *filters[4];
    int32_t *sums;
    uint32_t n_rows;
    uint32_t row_bytes; /* of x */
    uint32_t x_skip; /* bytes from the end of a row to the next */
    uint32_t f_skip;
} pw_four;
"""

_HEAD = """\
@ASSEMBLY@/* Dot products of x with four filters, n_rows rows of n_cols, a row every x_stride and
 * f_stride. Proved within 32 bits when the tables were made. */
PW_STAGE void @NAME@(const @X@ *x, const int8_t *const *filters, uint32_t n_rows, uint32_t n_cols,
    uint32_t x_stride, uint32_t f_stride, int32_t *sums)
{
    const int8_t *f0 = filters[0];
    const int8_t *f1 = filters[1];
    const int8_t *f2 = filters[2];
    const int8_t *f3 = filters[3];
@FAST@    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    for (uint32_t row = 0u; row < n_rows; row++) {
        uint32_t i = 0u;
@VECTOR@        for (; i < n_cols; i++) {
            const int32_t value = x[i];
            a0 += value * f0[i];
            a1 += value * f1[i];
            a2 += value * f2[i];
            a3 += value * f3[i];
        }
        x = &x[x_stride];
        f0 = &f0[f_stride];
        f1 = &f1[f_stride];
        f2 = &f2[f_stride];
        f3 = &f3[f_stride];
    }
    sums[0] = a0;
    sums[1] = a1;
    sums[2] = a2;
    sums[3] = a3;
}
"""

_VECTOR = """\
#if defined(PW_VECTOR)
        for (; (i + 8u) <= n_cols; i += 8u) {
            const int16x8_t v = vldrhq_s16(&x[i]);
            a0 = vmladavaq_s16(a0, v, vldrbq_s16(&f0[i]));
            a1 = vmladavaq_s16(a1, v, vldrbq_s16(&f1[i]));
            a2 = vmladavaq_s16(a2, v, vldrbq_s16(&f2[i]));
            a3 = vmladavaq_s16(a3, v, vldrbq_s16(&f3[i]));
        }
#endif
"""

_FAST = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
    if ((n_cols & 3u) == 0u) {
        pw_four at = {x, {f0, f1, f2, f3}, sums, n_rows, 2u * n_cols,
            2u * (x_stride - n_cols), f_stride - n_cols};
        if (n_rows == 1u) {
            at.x_skip = 0u;
            at.f_skip = 0u;
        }
        pw_four_rows(&at);
        return;
    }
#endif
"""

_ASSEMBLY = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
/* Four values a turn: SXTB16 takes bytes 0 and 2 of a filter's word out, rotated by 8 bytes 1
 * and 3, and SMLAD multiplies them with values 0 and 2, 1 and 3. */
#define PW_FOUR_FILTER(f, a) \\
    "ldr r10, [" f "], #4\\n\\t" \\
    "sxtb16 lr, r10\\n\\t" \\
    "smlad " a ", lr, r12, " a "\\n\\t" \\
    "sxtb16 r10, r10, ror #8\\n\\t" \\
    "smlad " a ", r10, r11, " a "\\n\\t"
PW_STAGE void pw_four_rows(pw_four *four)
{
    register pw_four *at __asm__("r0") = four;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\\n\\t"
        "ldr r12, [r0, #24]\\n\\t"
        "sub sp, sp, #8\\n\\t" /* the end of the row, rows left */
        "str r12, [sp, #4]\\n\\t"
        "mov r5, #0\\n\\t"
        "mov r6, #0\\n\\t"
        "mov r7, #0\\n\\t"
        "mov r8, #0\\n\\t"
        "ldmia r0, {r0, r1, r2, r3, r4}\\n\\t"
        "1: ldr r12, [sp, #8]\\n\\t"
        "ldr r12, [r12, #28]\\n\\t"
        "add r12, r12, r0\\n\\t"
        "str r12, [sp]\\n\\t"
        "2: ldr r10, [r0], #4\\n\\t"
        "ldr r11, [r0], #4\\n\\t"
        "pkhbt r12, r10, r11, lsl #16\\n\\t"
        "pkhtb r11, r11, r10, asr #16\\n\\t"
        PW_FOUR_FILTER("r1", "r5") PW_FOUR_FILTER("r2", "r6")
        PW_FOUR_FILTER("r3", "r7") PW_FOUR_FILTER("r4", "r8")
        "ldr r10, [sp]\\n\\t"
        "cmp r0, r10\\n\\t"
        "bne 2b\\n\\t"
        "ldr r12, [sp, #8]\\n\\t"
        "ldr r10, [r12, #32]\\n\\t"
        "add r0, r0, r10\\n\\t"
        "ldr r10, [r12, #36]\\n\\t"
        "add r1, r1, r10\\n\\t"
        "add r2, r2, r10\\n\\t"
        "add r3, r3, r10\\n\\t"
        "add r4, r4, r10\\n\\t"
        "ldr r10, [sp, #4]\\n\\t"
        "subs r10, r10, #1\\n\\t"
        "str r10, [sp, #4]\\n\\t"
        "bne 1b\\n\\t"
        "ldr r12, [r12, #20]\\n\\t"
        "stmia r12, {r5, r6, r7, r8}\\n\\t"
        "add sp, sp, #8\\n\\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#endif
"""

SUMS = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
/* Two values more into a sum and a sum of squares; returns where the next ones are. */
PW_LOCAL const int16_t *pw_two_more(const int16_t *from, int32_t *sum, int32_t *squares)
{
    uint32_t two;
    int32_t s = *sum;
    int32_t q = *squares;
    __asm__("ldr %0, [%1], #4\\n\\t"
        "smlad %2, %0, %4, %2\\n\\t"
        "smlad %3, %0, %0, %3"
        : "=&r"(two), "+r"(from), "+r"(s), "+r"(q)
        : "r"(0x00010001u)
        : "memory");
    *sum = s;
    *squares = q;
    return from;
}
#endif
"""


def four_c(name: str, ctype: str) -> tuple[str, ...]:
    """Return the texts of the kernel for values of a type, to be written once each."""
    if ctype != "int16_t":
        return (fill(_HEAD, NAME=name, X=ctype, FAST="", VECTOR="", ASSEMBLY=""),)
    text = fill(_HEAD, NAME=name, X=ctype, FAST=_FAST, VECTOR=_VECTOR, ASSEMBLY=_TYPE + _ASSEMBLY)
    return SUMS, text
