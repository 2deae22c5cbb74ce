"""The inner loops of `kernels.dense` that a compiler does not find: four rows in one turn.

Only the loop over inputs is assembly; rows, bias, scaling and what is left over stay in C.
"""

from __future__ import annotations

from runtime.stages.contract.c_text import fill

__all__ = ["dual_block", "offset_block"]

_DUAL_8_NOTE = """A half-word of weights is h = 256 * odd + even; with
 * p = x_odd and q = 256 * x_even - x_odd, h * p + even * q is 256 times two products. SMLAD does
 * that for two half-words at once, and SXTB16 takes the even weights out."""
_DUAL_16_NOTE = """A word holds four weights of a row as bytes 0, 2, 1, 3, so
 * that SXTB16 gives the weights of inputs 0 and 1, rotated by 8 those of inputs 2 and 3."""

_DUAL = """\
/* Four rows, eight inputs a turn. @FORM_NOTE@ */
static inline void @P@_block(const @X@ *x, const uint32_t *w, int32_t *acc)
{
    const pw_pair *at = (const pw_pair *)(const void *)x;
    const pw_pair *const end = &at[@X_WORDS@];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    uint32_t p;
    uint32_t q;
    do {
        __asm__ volatile(
@ASM@            : [at] "+r"(at), [w] "+r"(w), [p] "=&r"(p), [q] "=&r"(q),
              [a0] "+r"(a0), [a1] "+r"(a1), [a2] "+r"(a2), [a3] "+r"(a3)
            : @THIRD@
            : "r3", "r4", "r5", "r6", "memory");
    } while (at != end);
    acc[0] = @DONE@;
    acc[1] = @DONE_B@;
    acc[2] = @DONE_C@;
    acc[3] = @DONE_D@;
}
"""

_OFFSET_BLOCK = """\
/* Four rows of the block at weights with 128 added: unsigned bytes load with an offset. */
static inline void @P@_block(const @X@ *x, const uint8_t *w, int32_t *acc)
{
    const @X@ *const end = &x[@EIGHTS@];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    int32_t t;
    while (x != end) {
        __asm__ volatile(
            ".syntax unified\\n\\t"
@ASM@            : [x] "+l"(x), [w] "+l"(w), [v] "=&l"(v), [t] "=&l"(t),
              [a0] "+h"(a0), [a1] "+h"(a1), [a2] "+h"(a2), [a3] "+h"(a3)
            : [first] "l"(0), [second] "l"(@X_BYTES@)
            : "memory", "cc");
    }
@TAIL@    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
"""

_OFFSET_TAIL = """\
    for (uint32_t i = 0u; i < @LEFT@u; i++) {
        v = (int32_t)x[i];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        w = &w[4];
    }
"""


def dual_block(values: dict[str, object], *, short: bool) -> str:
    """Return the DSP kernel: two turns of four inputs by four rows in one piece of assembly."""
    if short:
        lines = [
            "ldr %[p], [%[at]], #4",
            "and %[q], %[mask], %[p], lsl #8",
            "sxtb16 %[p], %[p], ror #8",
            "ssub16 %[q], %[q], %[p]",
        ]
    else:
        lines = ["ldrd %[p], %[q], [%[at]], #8"]
    lines.append("ldmia %[w]!, {r3, r4, r5, r6}")
    for row, w in enumerate(("r3", "r4", "r5", "r6")):
        a = f"%[a{row}]"
        if short:
            lines += [
                f"smlad {a}, {w}, %[p], {a}",
                f"sxtb16 {w}, {w}",
                f"smlad {a}, {w}, %[q], {a}",
            ]
        else:
            lines += [
                f"sxtb16 %[t], {w}", f"smlad {a}, %[t], %[p], {a}",
                f"sxtb16 {w}, {w}, ror #8", f"smlad {a}, {w}, %[q], {a}",
            ]  # fmt: skip
    quads = int(str(values["QUADS"]))
    results = [f"pw_asr32(a{row}, 8)" if short else f"a{row}" for row in range(4)]
    text = fill(
        _DUAL,
        **values
        | {
            "FORM_NOTE": _DUAL_8_NOTE if short else _DUAL_16_NOTE,
            "X_WORDS": quads if short else 2 * quads,
            "ASM": "".join(f'            "{line}\\n\\t"\n' for line in lines * 2),
            "THIRD": '[mask] "r"(0xFF00FF00u)' if short else "",
            "DONE": results[0], "DONE_B": results[1], "DONE_C": results[2], "DONE_D": results[3],
        },
    )  # fmt: skip
    if not short:
        text = text.replace('[q] "=&r"(q),', '[q] "=&r"(q), [t] "=&r"(t),')
        text = text.replace("    uint32_t q;\n", "    uint32_t q;\n    uint32_t t;\n")
    return text


def offset_block(n_in: int, values: dict[str, object]) -> str:
    """Return the kernel for unsigned weights: eight inputs by four rows in one turn."""
    n_bytes, load = (1, "ldrsb") if values["X"] == "int8_t" else (2, "ldrsh")
    lines = []
    for i in range(8):
        lines.append(f"{load} %[v], [%[x], %[{'second' if i % 2 else 'first'}]]")
        for row in range(4):
            lines += [
                f"ldrb %[t], [%[w], #{4 * i + row}]", "muls %[t], %[v], %[t]",
                f"add %[a{row}], %[t]",
            ]  # fmt: skip
        if i % 2:
            lines.append(f"adds %[x], #{2 * n_bytes}")
    lines.append("adds %[w], #32")
    places = {
        "X_BYTES": n_bytes, "EIGHTS": n_in - n_in % 8, "LEFT": n_in % 8,
        "ASM": "".join(f'            "{line}\\n\\t"\n' for line in lines),
    }  # fmt: skip
    tail = fill(_OFFSET_TAIL, **places) if n_in % 8 else ""
    return fill(_OFFSET_BLOCK, **values | places | {"TAIL": tail})
