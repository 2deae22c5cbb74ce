"""The inner loops of `kernels.dense` that a compiler does not find: four rows in one turn.

Each kernel is one piece of assembly that is given one address in one register, and saves what it
uses: a compiler has nothing to allocate, so that the text compiles at every level of optimisation,
whichever registers the compiler keeps for a frame, for position-independent data, or for itself.
r9 is never touched, as some systems keep an address in it that interrupts rely on.
"""

from __future__ import annotations

__all__ = ["ROWS_TYPE", "dual_rows", "offset_rows"]

ROWS_TYPE = """\
/* What a kernel of rows works on. Assembly knows the places by their offsets:
 * 0, 4, 8, 12, 16, 20 and 24 where addresses have 32 bits. */
typedef struct {
    const void *weights; /* in the order of the kernel, which moves it on */
    const int32_t *bias; /* one a row; 0 where the words of weights hold them */
    int32_t *sums; /* room for whole blocks of four */
    int32_t n_rows;
    const void *x; /* inputs, on a word boundary */
    uint32_t n_turns; /* of the loop over inputs */
    int32_t offset; /* taken off every sum where weights have 128 added */
} pw_rows;

/* Rows of one call. Many make the call cheap; few leave their sums within a compiler's reach. */
#if defined(PW_DUAL_MAC) || defined(PW_OFFSET_WEIGHTS)
#define PW_GROUP 32
#else
#define PW_GROUP 8
#endif
#define PW_AT_MOST_A_GROUP(n) (((n) < PW_GROUP) ? (n) : PW_GROUP)

/* Between inputs, where registers are few: nothing of the next one is loaded before its turn. */
#if defined(__GNUC__) && defined(__riscv_32e)
#define PW_IN_TURN __asm__ volatile("" : : : "memory");
#else
#define PW_IN_TURN
#endif
"""

_DUAL_8_NOTE = """\
/* Four rows a block, eight inputs a turn. A half-word of weights is h = 256 * odd + even; with
 * p = x_odd and q = 256 * x_even - x_odd, h * p + even * q is 256 times two products. SMLAD does
 * that for two half-words at once, and SXTB16 takes the even weights out. */
#define PW_ROW_8(a, w) \\
    "smlad " a ", " w ", r2, " a "\\n\\t" \\
    "sxtb16 " w ", " w "\\n\\t" \\
    "smlad " a ", " w ", r3, " a "\\n\\t"
#define PW_FOUR_8 \\
    "ldr r2, [r0], #4\\n\\t" \\
    "and r3, lr, r2, lsl #8\\n\\t" \\
    "sxtb16 r2, r2, ror #8\\n\\t" \\
    "ssub16 r3, r3, r2\\n\\t" \\
    "ldmia r1!, {r4, r5, r6, r7}\\n\\t" \\
    PW_ROW_8("r8", "r4") PW_ROW_8("r10", "r5") PW_ROW_8("r11", "r6") PW_ROW_8("r12", "r7")
"""

_DUAL_16_NOTE = """\
/* Four rows a block, eight inputs a turn. A word holds four weights of a row as bytes 0, 2, 1, 3,
 * so that SXTB16 gives the weights of inputs 0 and 1, rotated by 8 those of inputs 2 and 3. */
#define PW_ROW_16(a, w) \\
    "sxtb16 lr, " w "\\n\\t" \\
    "smlad " a ", lr, r2, " a "\\n\\t" \\
    "sxtb16 " w ", " w ", ror #8\\n\\t" \\
    "smlad " a ", " w ", r3, " a "\\n\\t"
#define PW_FOUR_16 \\
    "ldrd r2, r3, [r0], #8\\n\\t" \\
    "ldmia r1!, {r4, r5, r6, r7}\\n\\t" \\
    PW_ROW_16("r8", "r4") PW_ROW_16("r10", "r5") PW_ROW_16("r11", "r6") PW_ROW_16("r12", "r7")
"""

_DUAL = """\
PW_STAGE void @KERNEL@(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\\n\\t"
        "ldr r1, [r0]\\n\\t"
        "ldrd r2, r3, [r0, #8]\\n\\t"
        "ldrd r4, r5, [r0, #16]\\n\\t"
        "add r6, r4, r5, lsl #@TURN_SHIFT@\\n\\t"
        "push {r2, r3, r4, r5, r6}\\n\\t" /* sums, rows, inputs, turns, where inputs end */
@BEFORE@        "1: ldrd r0, r3, [sp, #8]\\n\\t"
        "ldmia r1!, {r8, r10, r11, r12}\\n\\t"
        "lsrs r3, r3, #1\\n\\t" /* two turns at a time; an odd number starts in the middle */
        "bcs 3f\\n\\t"
        "2:\\n\\t" PW_FOUR_@BITS@ PW_FOUR_@BITS@
        "3:\\n\\t" PW_FOUR_@BITS@ PW_FOUR_@BITS@
        "ldr r2, [sp, #16]\\n\\t"
        "cmp r0, r2\\n\\t"
        "bne 2b\\n\\t"
@AFTER@        "ldrd r3, r4, [sp]\\n\\t"
        "stmia r3!, {r8, r10, r11, r12}\\n\\t"
        "subs r4, r4, #4\\n\\t"
        "strd r3, r4, [sp]\\n\\t"
        "bgt 1b\\n\\t"
        "add sp, sp, #20\\n\\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\\n\\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
"""

_OFFSET = """\
/* Four rows a block, four inputs a turn, a word of weights an input: bytes with 128 added, because
 * this core loads unsigned bytes with an offset, signed ones without. */
#define PW_INPUT_@BITS@(place, w0, w1, w2, w3) \\
    "@LOAD@ r2, [r0, " place "]\\n\\t" \\
    "ldrb r3, [r1, #" w0 "]\\n\\tmuls r3, r2, r3\\n\\tadd r8, r3\\n\\t" \\
    "ldrb r3, [r1, #" w1 "]\\n\\tmuls r3, r2, r3\\n\\tadd r10, r3\\n\\t" \\
    "ldrb r3, [r1, #" w2 "]\\n\\tmuls r3, r2, r3\\n\\tadds r6, r3\\n\\t" \\
    "ldrb r3, [r1, #" w3 "]\\n\\tmuls r3, r2, r3\\n\\tadds r7, r3\\n\\t"
PW_STAGE void @KERNEL@(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        ".syntax unified\\n\\t"
        "push {r4, r5, r6, r7}\\n\\t"
        "mov r4, r8\\n\\t"
        "mov r5, r10\\n\\t"
        "push {r0, r4, r5}\\n\\t"
        "mov r12, r0\\n\\t"
        "ldr r1, [r0]\\n\\t"
        "ldr r2, [r0, #16]\\n\\t"
        "ldr r3, [r0, #20]\\n\\t"
        "lsls r3, r3, #@TURN_SHIFT@\\n\\t"
        "adds r2, r2, r3\\n\\t"
        "mov lr, r2\\n\\t" /* where the inputs end */
        "1: mov r2, r12\\n\\t"
        "ldmia r1!, {r4, r5, r6, r7}\\n\\t"
        "ldr r0, [r2, #24]\\n\\t"
        "subs r4, r4, r0\\n\\t"
        "subs r5, r5, r0\\n\\t"
        "subs r6, r6, r0\\n\\t"
        "subs r7, r7, r0\\n\\t"
        "mov r8, r4\\n\\t"
        "mov r10, r5\\n\\t"
        "movs r4, #0\\n\\t"
        "movs r5, #@X_BYTES@\\n\\t"
        "ldr r0, [r2, #16]\\n\\t"
        "ldr r3, [r2, #20]\\n\\t"
        "lsrs r3, r3, #1\\n\\t" /* two turns at a time; an odd number starts in the middle */
        "bcc 2f\\n\\t"
        "subs r1, #16\\n\\t"
        "b 3f\\n\\t"
        "2:\\n\\t"
        PW_INPUT_@BITS@("r4", "0", "1", "2", "3")
        PW_INPUT_@BITS@("r5", "4", "5", "6", "7")
        "adds r0, #@TWO_BYTES@\\n\\t"
        PW_INPUT_@BITS@("r4", "8", "9", "10", "11")
        PW_INPUT_@BITS@("r5", "12", "13", "14", "15")
        "adds r0, #@TWO_BYTES@\\n\\t"
        "3:\\n\\t"
        PW_INPUT_@BITS@("r4", "16", "17", "18", "19")
        PW_INPUT_@BITS@("r5", "20", "21", "22", "23")
        "adds r0, #@TWO_BYTES@\\n\\t"
        PW_INPUT_@BITS@("r4", "24", "25", "26", "27")
        PW_INPUT_@BITS@("r5", "28", "29", "30", "31")
        "adds r0, #@TWO_BYTES@\\n\\t"
        "adds r1, #32\\n\\t"
        "cmp r0, lr\\n\\t"
        "bne 2b\\n\\t"
        "mov r2, r12\\n\\t"
        "ldr r3, [r2, #8]\\n\\t"
        "mov r4, r8\\n\\t"
        "mov r5, r10\\n\\t"
        "stmia r3!, {r4, r5, r6, r7}\\n\\t"
        "str r3, [r2, #8]\\n\\t"
        "ldr r3, [r2, #12]\\n\\t"
        "subs r3, #4\\n\\t"
        "str r3, [r2, #12]\\n\\t"
        "ble 4f\\n\\t"
        "b 1b\\n\\t"
        "4: str r1, [r2]\\n\\t"
        "pop {r0, r4, r5}\\n\\t"
        "mov r8, r4\\n\\t"
        "mov r10, r5\\n\\t"
        "pop {r4, r5, r6, r7}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
"""


def dual_rows(*, short: bool) -> str:
    """Return the kernel for the DSP extension, for inputs of 8 (`short`) or 16 bits."""
    mask = '        "mov lr, #0xFF00FF00\\n\\t"\n'
    back = "".join(f'        "asr {a}, {a}, #8\\n\\t"\n' for a in ("r8", "r10", "r11", "r12"))
    marks = {
        "BITS": "8" if short else "16", "TURN_SHIFT": "3" if short else "4",
        "BEFORE": mask if short else "", "AFTER": back if short else "",
    }  # fmt: skip
    return (_DUAL_8_NOTE if short else _DUAL_16_NOTE) + _marked(_DUAL, marks)


def offset_rows(*, short: bool) -> str:
    """Return the kernel for unsigned weights, for inputs of 8 (`short`) or 16 bits."""
    n_bytes = 1 if short else 2
    return _marked(
        _OFFSET,
        {
            "BITS": str(8 * n_bytes), "LOAD": "ldrsb" if short else "ldrsh",
            "TURN_SHIFT": str(1 + n_bytes), "X_BYTES": str(n_bytes), "TWO_BYTES": str(2 * n_bytes),
        },
    )  # fmt: skip


def _marked(text: str, marks: dict[str, str]) -> str:
    """Put these marks in; that of the kernel's name stays."""
    for name, value in marks.items():
        text = text.replace(f"@{name}@", value)
    return text
