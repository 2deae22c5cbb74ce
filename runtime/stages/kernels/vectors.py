"""C for cores with Helium (M-profile vectors, ``PW_VECTOR``): eight or four values at a time.

Matrices are one piece of assembly, as the other cores' are: a compiler does not keep four sums in
the even registers that VMLAVA adds to. What goes value by value is written in the intrinsics of
``arm_mve.h``, which every compiler of such a core brings. Both leave the last, partly filled vector
to predicates, so that nothing beyond an array is read. Predicates are counted (VCTP) and never
constants, of which GCC 12 makes others: it takes 0x00FF for all lanes.
"""

from __future__ import annotations

__all__ = ["load_4", "saturated_4", "scaled_4", "store_4", "vector_rows"]

_ROWS = """\
/* Four rows a block, @LANES@ inputs a turn: a vector of inputs, times one of weights for each row,
 * summed into the row's register. A last turn of fewer inputs is predicated by the loop itself. */
PW_STAGE void @KERNEL@(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\\n\\t"
        "ldr r1, [r0]\\n\\t"
        "ldrd r5, r7, [r0, #8]\\n\\t" /* sums, rows */
        "ldrd r11, r12, [r0, #16]\\n\\t" /* inputs, how many */
        "1: ldmia r1!, {r2, r4, r6, r8}\\n\\t"
        "mov r3, r11\\n\\t"
        "dlstp.@BITS@ lr, r12\\n\\t"
        "2: @LOAD_X@ q0, [r3], #16\\n\\t"
@PRODUCTS@        "letp lr, 2b\\n\\t"
        "stmia r5!, {r2, r4, r6, r8}\\n\\t"
        "subs r7, r7, #4\\n\\t"
        "bgt 1b\\n\\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\\n\\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "s0", "s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8",
          "s9", "s10", "s11", "cc", "memory");
}
"""


def vector_rows(x_bits: int, weight_bits: int) -> str:
    """Return the kernel of a matrix, for inputs and weights of 8 or 16 bits."""
    load = "vldrh.u16" if weight_bits == 16 else f"vldrb.s{x_bits}"
    n_bytes = 16 * weight_bits // x_bits
    products = "".join(
        f'        "{load} q{1 + row % 2}, [r1], #{n_bytes}\\n\\t"\n'
        f'        "vmlava.s{x_bits} r{2 * (1 + row)}, q0, q{1 + row % 2}\\n\\t"\n'
        for row in range(4)
    )
    x_load = "vldrb.s8" if x_bits == 8 else "vldrh.u16"
    marks = {
        "LANES": str(128 // x_bits), "BITS": str(x_bits), "LOAD_X": x_load, "PRODUCTS": products,
    }  # fmt: skip
    text = _ROWS
    for name, value in marks.items():
        text = text.replace(f"@{name}@", value)
    return text


_SIZES = {"int8_t": "b", "int16_t": "h", "int32_t": "w"}


def load_4(ctype: str, place: str) -> str:
    """Return C that loads four values as int32x4_t, zeros where the predicate ``left`` is false."""
    return f"vldr{_SIZES[ctype]}q_z_s32({place}, left)"


def store_4(ctype: str, place: str, value: str) -> str:
    """Return C that stores four values of an int32x4_t where the predicate ``left`` holds."""
    return f"vstr{_SIZES[ctype]}q_p_s32({place}, {value}, left);"


def saturated_4(low: int, high: int, indent: str) -> str:
    """Return C that clamps the int32x4_t ``value``."""
    return (
        f"{indent}value = vmaxq_s32(value, vdupq_n_s32({low}));\n"
        f"{indent}value = vminq_s32(value, vdupq_n_s32({high}));\n"
    )


def scaled_4(multiplier: int, shift: int, indent: str, *, split: bool) -> str:
    """Return C that scales ``value``; VRSHR adds its half in more than 32 bits."""
    if split:
        return f"{indent}value = pw_requant_4(value, {multiplier}, {shift});\n"
    text = f"{indent}value = vmulq_n_s32(value, {multiplier});\n"
    return text + (f"{indent}value = vrshrq_n_s32(value, {shift});\n" if shift else "")
