"""The C of a source's columns: nine patterns of n bins weighted into one, and its derivatives.

Two forms, the same bits: with the DSP extension, and bins in fours, two bins are weighted at once;
everything else takes them one by one. Twin: `runtime.stages.pair.levels.Bins.columns`.
"""

from __future__ import annotations

__all__ = ["columns_c"]

_MOST_BINS = 1020
"""Whose columns are within reach of a store's offset."""

_PLAIN = """\
/* The pattern of n bins at a place, and its derivatives along x and y, one behind the other. */
PW_STAGE void @P@_columns(const int8_t *f, uint32_t n, int32_t drop, const int32_t *place,
    int16_t *out)
{
    int32_t w[2][3];
    int32_t v[2][3];
    for (uint32_t axis = 0u; axis < 2u; axis++) {
        const int32_t d = pw_asr32(place[axis], 3);
        @O@_weights(place[axis], w[axis]);
        v[axis][0] = d - 1024;
        v[axis][1] = -2 * d;
        v[axis][2] = d + 1024;
    }
    const int32_t half = (int32_t)((1UL << drop) >> 1);
    const uint32_t row = n * (@N_X@u + 2u);
@FAST@    for (uint32_t i = 0u; i < n; i++) {
        int32_t t = half;
        int32_t x = half;
        int32_t y = half;
        PW_UNROLL
        for (uint32_t k = 0u; k < 3u; k++) {
            const int8_t *g = &f[k * row];
            const int32_t g0 = g[0];
            const int32_t g1 = g[n];
            const int32_t g2 = g[2u * n];
            const int32_t own = (w[0][0] * g0) + (w[0][1] * g1) + (w[0][2] * g2);
            t += w[1][k] * own;
            x += w[1][k] * ((v[0][0] * g0) + (v[0][1] * g1) + (v[0][2] * g2));
            y += v[1][k] * own;
        }
        out[i] = (int16_t)pw_asr32(t, drop);
        out[n + i] = (int16_t)pw_asr32(x, drop);
        out[(2u * n) + i] = (int16_t)pw_asr32(y, drop);
        f = &f[1];
    }
}
"""

_FAST = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
    if (n == @N_FINE@u) {
        @P@_weighing at;
        at.out = out;
        at.end = &f[n];
        at.row = row;
        at.back[0] = 2u * row;
        at.back[1] = (2u * row) - 4u;
        at.x[0] = @P@_halves(v[0][0], v[0][1]);
        at.x[1] = @P@_halves(w[0][2], v[0][2]);
        at.x[2] = @P@_halves(w[0][0], w[0][1]);
        at.x[3] = at.x[1];
        for (uint32_t k = 0u; k < 3u; k++) {
            at.y[2u * k] = w[1][k];
            at.y[(2u * k) + 1u] = v[1][k];
            at.half[2u * k] = half;
            at.half[(2u * k) + 1u] = half;
        }
        at.f = f;
        @P@_weigh(&at);
        return;
    }
#endif
"""

_ASSEMBLY = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
/* What the kernel works on; assembly knows the places by their offsets, 0 to 84 in steps of 4. */
typedef struct {
    int16_t *out;
    const int8_t *end;
    uint32_t row; /* bytes from a row of patterns to the next */
    uint32_t back[2];
    uint32_t x[4]; /* weights along x in halves, of patterns 0 and 1, and of 2 */
    int32_t y[6]; /* weights along y, each with that of the derivative */
    int32_t half[6];
    const int8_t *f;
} @P@_weighing;

PW_LOCAL uint32_t @P@_halves(int32_t low, int32_t high)
{
    return ((uint32_t)low & 0xFFFFu) | ((uint32_t)high << 16);
}

/* Three patterns of a row: SXTB16 takes bins 0 and 2 of a word out, rotated by 8 bits 1 and 3;
 * patterns 0 and 1 are packed side by side, and weighted for the derivative along x (r7, r12), then
 * for the pattern itself (r11, r8). r1 to r6 are both bins of the pattern, along x, along y. The
 * assembler repeats rows: no compiler of C99 need take a text of all of them. */
#define @MACRO@_ROW(turn) \\
    "ldr r7, [r0]\\n\\t" \\
    "ldr r8, [r0, #@N_FINE@]\\n\\t" \\
    "ldr r10, [r0, #@N_TWICE@]\\n\\t" \\
    "sxtb16 r7, r7" turn "\\n\\t" \\
    "sxtb16 r8, r8" turn "\\n\\t" \\
    "sxtb16 r10, r10" turn "\\n\\t" \\
    "pkhbt r11, r7, r8, lsl #16\\n\\t" \\
    "pkhtb r8, r8, r7, asr #16\\n\\t" \\
    "ldrd r12, lr, [sp, #20]\\n\\t" \\
    "smuad r7, r11, r12\\n\\t" \\
    "smuad r12, r8, r12\\n\\t" \\
    "smlabt r7, r10, lr, r7\\n\\t" \\
    "smlatt r12, r10, lr, r12\\n\\t" \\
    "ldr lr, [sp, #\\\\w]\\n\\t" \\
    "mla r3, r7, lr, r3\\n\\t" \\
    "mla r4, r12, lr, r4\\n\\t" \\
    "ldrd r7, r12, [sp, #28]\\n\\t" \\
    "smuad r11, r11, r7\\n\\t" \\
    "smuad r8, r8, r7\\n\\t" \\
    "smlabb r11, r10, r12, r11\\n\\t" \\
    "smlatb r8, r10, r12, r8\\n\\t" \\
    "mla r1, r11, lr, r1\\n\\t" \\
    "mla r2, r8, lr, r2\\n\\t" \\
    "ldr lr, [sp, #\\\\w + 4]\\n\\t" \\
    "mla r5, r11, lr, r5\\n\\t" \\
    "mla r6, r8, lr, r6\\n\\t"
#define @MACRO@_NEXT "ldr r7, [sp, #8]\\n\\t" "add r0, r0, r7\\n\\t"
#define @MACRO@_BINS(turn, back) \\
    "add r7, sp, #60\\n\\t" \\
    "ldmia r7, {r1, r2, r3, r4, r5, r6}\\n\\t" \\
    ".irp w, 36, 44, 52\\n\\t" \\
    @MACRO@_ROW(turn) \\
    ".if \\\\w < 52\\n\\t" \\
    @MACRO@_NEXT \\
    ".endif\\n\\t" \\
    ".endr\\n\\t" \\
    "ldr r8, [sp, #" back "]\\n\\t" \\
    "ldr r7, [sp]\\n\\t" \\
    "sub r0, r0, r8\\n\\t" \\
    "asr r1, r1, #@DROP_FINE@\\n\\t" \\
    "asr r2, r2, #@DROP_FINE@\\n\\t" \\
    "asr r3, r3, #@DROP_FINE@\\n\\t" \\
    "asr r4, r4, #@DROP_FINE@\\n\\t" \\
    "asr r5, r5, #@DROP_FINE@\\n\\t" \\
    "asr r6, r6, #@DROP_FINE@\\n\\t"
PW_STAGE void @P@_weigh(@P@_weighing *weighing)
{
    register @P@_weighing *at __asm__("r0") = weighing;
    __asm__ volatile(
        "push {r4, r5, r6, r7, r8, r10, r11, lr}\\n\\t"
        "sub sp, sp, #88\\n\\t"
        "mov r12, sp\\n\\t"
        "ldmia r0!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "stmia r12!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "ldmia r0!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "stmia r12!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "ldmia r0!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "stmia r12!, {r1, r2, r3, r4, r5, r6, r7}\\n\\t"
        "ldr r0, [r0]\\n\\t"
        "1: "
        @MACRO@_BINS("", "12")
        "strh r1, [r7]\\n\\t"
        "strh r2, [r7, #4]\\n\\t"
        "strh r3, [r7, #@N_TWICE@]\\n\\t"
        "strh r4, [r7, #@N_TWICE@ + 4]\\n\\t"
        "strh r5, [r7, #@N_FOUR@]\\n\\t"
        "strh r6, [r7, #@N_FOUR@ + 4]\\n\\t"
        @MACRO@_BINS(", ror #8", "16")
        "strh r2, [r7, #6]\\n\\t"
        "strh r3, [r7, #@N_TWICE@ + 2]\\n\\t"
        "strh r4, [r7, #@N_TWICE@ + 6]\\n\\t"
        "strh r5, [r7, #@N_FOUR@ + 2]\\n\\t"
        "strh r6, [r7, #@N_FOUR@ + 6]\\n\\t"
        "strh r1, [r7, #2]\\n\\t"
        "add r7, r7, #8\\n\\t"
        "ldr r8, [sp, #4]\\n\\t"
        "str r7, [sp]\\n\\t"
        "cmp r0, r8\\n\\t"
        "bne 1b\\n\\t"
        "add sp, sp, #88\\n\\t"
        "pop {r4, r5, r6, r7, r8, r10, r11, lr}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#endif

"""


def columns_c(prefix: str, n_fine: int) -> str:
    """Return the C of columns; other marks than those of the form are left as they are.

    Parameters
    ----------
    prefix : str
        Of the stage's functions.
    n_fine : int
        Bins of the rounds that are made most.
    """
    fast = n_fine % 4 == 0 and n_fine <= _MOST_BINS
    plain = _PLAIN.replace("@FAST@", _FAST if fast else "")
    assembly = _ASSEMBLY.replace("@MACRO@", f"{prefix.upper()}_WEIGH") if fast else ""
    text = assembly + plain
    return text.replace("@N_TWICE@", str(2 * n_fine)).replace("@N_FOUR@", str(4 * n_fine))
