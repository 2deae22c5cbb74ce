"""The C of binning: lit minus dark, summed over bins, each pixel loaded once.

Two neighbouring counts are one 32-bit word. Added as they stand, both halves add up side by side
until a half could overflow; how many rows that takes follows from the bit depth, and is settled
here. Variants of one stage, all the same bits:

- vectors: eight columns at a time, see `runtime.stages.kernels.bins_vector`;
- packed, portable: one load and one addition per word;
- packed, Thumb: load-multiple, one addition per word;
- packed, Thumb with the DSP extension: load-multiple for up to eight words, and UMAAL, which adds
  two words to a third in one instruction (``1 * word + word + sum``);
- packed, of a row that is fed singly;
- one pixel a bin: two differences at a time, both halves of a word;
- plain, one count at a time: for exposures that do not start on a word, odd widths, and 16-bit
  counts.
"""

from __future__ import annotations

from dataclasses import dataclass

from runtime.stages.contract.c_text import CStage, Edge, fill
from runtime.stages.kernels.bins_vector import bins_vector

__all__ = ["BinGrid", "bins_c", "quotient"]


@dataclass(frozen=True, slots=True)
class BinGrid:
    """Where bins lie in an exposure: `bin_rows` by `bin_cols` of them, in pixels.

    Rows from `first_row` up to, not including, `last_row`; columns from `first_col`, of `n_cols`.
    """

    first_row: int
    last_row: int
    first_col: int
    n_cols: int
    bin_height: int
    bin_width: int
    bin_rows: int
    bin_cols: int


_ROW = """\
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_STAGE void @P@_row(@Y@ *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if (@OUTSIDE@) {
        return;
    }
    const uint32_t line = @LINE@;
    const int starts = (@FROM_FIRST@ == (line * @HEIGHT@u));
    @Y@ *bin = &y[line * @BINS@u];
@PACKED_ROW@    uint32_t col = @FIRST_COL@u;
    for (uint32_t b = 0u; b < @BINS@u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        PW_UNROLL
        for (uint32_t i = 0u; i < @WIDTH@u; i++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
            col++;
        }
        bin[b] = (@Y@)sum;
    }
}
"""

_PACKED_ROW = """\
#if defined(__GNUC__) && !defined(PW_OFFSET_WEIGHTS) /* short of registers it would be slower */
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) { /* both halves side by side */
        const pw_pair *l = (const pw_pair *)(const void *)&lit[@FIRST_COL@u];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[@FIRST_COL@u];
        PW_UNROLL
        for (uint32_t b = 0u; b < @BINS@u; b++) {
            int32_t sum = starts ? 0 : (int32_t)bin[b];
            uint32_t halves = 0x80008000u; /* so that neither borrows from the other */
@ROW_ADDS@            sum += (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
            bin[b] = (@Y@)(sum - 65536);
            l = &l[@WORDS@];
            d = &d[@WORDS@];
        }
        return;
    }
#endif
"""

_SINGLE_ROW = """\
#if defined(__GNUC__) && !defined(PW_VECTOR) /* which compilers make vectors of */
    if ((((uintptr_t)lit | (uintptr_t)dark | (uintptr_t)bin) & 3u) == 0u) { /* two at a time */
        const pw_pair *l = (const pw_pair *)(const void *)&lit[@FIRST_COL@u];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[@FIRST_COL@u];
        pw_pair *both = (pw_pair *)(void *)bin;
        for (uint32_t b = 0u; b < @HALF@u; b += @AT_ONCE@u) { /* no half borrows from the other */
@DIFFERENCES@        }
        return;
    }
#endif
"""

_DIFFERENCE = """\
            both[b + @I@u] = ((l[b + @I@u] | 0x80008000u) - d[b + @I@u]) ^ 0x80008000u;
"""

_PLAIN_FRAME = """\
PW_STAGE void @P@_frame(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t row = @FIRST_ROW@u; row < @LAST_ROW@u; row++) {
        @P@_row(y, row, &lit[row * @N_COLS@u], &dark[row * @N_COLS@u]);
    }
}
"""

_PACKED = """\
#if defined(__GNUC__)
#if defined(PW_THUMB)
/* The sums of @GROUP@ over @DSP_ROWS@ rows, low and high halves side by side: at most
 * @DSP_WORDS@ words of counts up to @MAX@, which fit 16 bits. It saves what it uses, so that a
 * compiler has no register to find. */
static inline void @P@_add(const pw_pair *words, uint32_t *sums)
{
    register const pw_pair *at __asm__("r0") = words;
    register uint32_t sum __asm__("r1");
@SECOND_DECLARED@#if defined(PW_DUAL_MAC)
    __asm__ volatile(
@ASM@        : "+r"(at), "=r"(sum)@SECOND_OPERAND@
        :
        : "r3", "r4", "r5", "r8", "r12", "lr", "cc", "memory");
#else
@JUMP_DECLARED@    __asm__ volatile(
        ".syntax unified\\n\\t"
        "push {r4, r5, r6, r7}\\n\\t"
@THUMB_ASM@        "pop {r4, r5, r6, r7}"
        : "+r"(at), "=r"(sum)@SECOND_OPERAND@
        : "r"(jump)
        : "r12", "lr", "cc", "memory");
#endif
    sums[0] = sum;
@SECOND_STORED@}

static inline void @P@_line(@Y@ *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < @BINS@u; b += @STEP@u) {
        int32_t sum[@STEP@] = {0};
        for (uint32_t part = 0u; part < @DSP_PARTS@u; part++) {
            uint32_t l[@STEP@];
            uint32_t d[@STEP@];
            @P@_add(&lit[part * @DSP_JUMP@u], l);
            @P@_add(&dark[part * @DSP_JUMP@u], d);
@FOLDS@        }
@STORES@        lit = &lit[@STEP_WORDS@];
        dark = &dark[@STEP_WORDS@];
    }
}
#else
/* One line of bins. Both halves of `halves` add up side by side; they start from 2^15, so that
 * neither borrows from the other, and @ROWS@ rows of counts up to @MAX@ keep them in 16 bits. */
static inline void @P@_line(@Y@ *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < @BINS@u; b++) {
        int32_t sum = -@BIAS@;
        const pw_pair *l = lit;
        const pw_pair *d = dark;
        for (uint32_t row = 0u; row < @HEIGHT@u; row += @ROWS@u) {
            uint32_t halves = 0x80008000u;
            PW_UNROLL
            for (uint32_t i = 0u; i < @ROWS@u; i++) {
@ADDS@                l = &l[@STRIDE@];
                d = &d[@STRIDE@];
                __asm__ volatile("" : "+r"(halves) : : "memory"); /* no load before its turn */
            }
            sum += (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
        }
        y[b] = (@Y@)sum;
        lit = &lit[@WORDS@];
        dark = &dark[@WORDS@];
    }
}
#endif
#endif

PW_STAGE void @P@_frame(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_pair *l = (const pw_pair *)(const void *)&lit[@START@];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[@START@];
        for (uint32_t line = 0u; line < @LINES@u; line++) {
            @P@_line(&y[line * @BINS@u], &l[line * @LINE_WORDS@u], &d[line * @LINE_WORDS@u]);
        }
        return;
    }
#endif
    for (uint32_t row = @FIRST_ROW@u; row < @LAST_ROW@u; row++) {
        @P@_row(y, row, &lit[row * @N_COLS@u], &dark[row * @N_COLS@u]);
    }
}
"""

_FOLD = """\
            sum[@I@] += (int32_t)(l[@I@] & 0xFFFFu) + (int32_t)(l[@I@] >> 16);
            sum[@I@] -= (int32_t)(d[@I@] & 0xFFFFu) + (int32_t)(d[@I@] >> 16);
"""
_NEXT = '    register uint32_t next __asm__("r2");\n'
_JUMP = '    register uint32_t jump __asm__("r3") = @JUMP@u;\n'

_REGISTERS = ("r3", "r4", "r5", "r6", "r7", "r8", "r10", "lr")
"""Rising; r9 is left alone: some systems keep an address in it that interrupts rely on."""

_KEPT = ("r6", "r7", "r10")
"""Of those, the ones that a compiler may keep for itself: the assembly saves them."""

_LOW = ("r4", "r5", "r6", "r7")
"""Registers that every Thumb instruction reaches, and that the assembly saves."""


def bins_c(grid: BinGrid, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of binning: each pixel read once, rows outside the region never."""
    first = grid.first_row
    values: dict[str, object] = {
        "P": prefix, "Y": y.ctype, "FIRST_ROW": first, "LAST_ROW": grid.last_row,
        "FIRST_COL": grid.first_col, "HEIGHT": grid.bin_height, "WIDTH": grid.bin_width,
        "BINS": grid.bin_cols, "LINES": grid.bin_rows, "N_COLS": grid.n_cols, "MAX": x.hi,
        "FROM_FIRST": f"(row - {first}u)" if first else "row",
        "OUTSIDE": f"(row < {first}u) || (row >= {grid.last_row}u)" if first
        else f"row >= {grid.last_row}u",
    }  # fmt: skip
    values["LINE"] = quotient(str(values["FROM_FIRST"]), grid.bin_height)
    words, odd = grid.bin_width // 2, grid.bin_width | grid.first_col | grid.n_cols
    if odd % 2 or words * x.hi > 0x7FFF or words > len(_REGISTERS):
        frame = fill(_PLAIN_FRAME, **values)
        half = grid.bin_cols // 2
        at_once = _divisor(half, 8) if half else 1
        single = grid.bin_height == grid.bin_width == 1 and y.ctype == "int16_t"
        alone = single and (grid.bin_cols | grid.first_col | grid.n_cols) % 2 == 0
        values |= {"PACKED_ROW": _SINGLE_ROW if alone and x.hi <= 0x7FFF else ""}
        values |= {"HALF": half, "AT_ONCE": at_once}
        values["DIFFERENCES"] = "".join(fill(_DIFFERENCE, I=i) for i in range(at_once))
    else:
        frame = fill(_PACKED, **(values | _packing(grid, x.hi, words)))
        adds = "".join(f"            halves += l[{i}] - d[{i}];\n" for i in range(words))
        values |= {"PACKED_ROW": _PACKED_ROW, "ROW_ADDS": adds, "WORDS": words}
    rows = _divisor(grid.bin_height, 0x7FFF // x.hi)
    vector = bins_vector(values, rows if x.hi <= 0x7FFF else 0)
    if vector:
        frame = f"#if defined(PW_VECTOR)\n{vector}#else\n{frame}#endif\n"
    return CStage(tables="", state=(), init="", functions=f"{fill(_ROW, **values)}\n{frame}")


def quotient(row: str, height: int) -> str:
    """Return C for a row's line of bins, without a call where a core cannot divide.

    ``row * ceil(2^16 / height) >> 16`` is exact for rows below 256: the reciprocal is too large by
    less than height / 2^16 of a line.
    """
    if height & (height - 1) == 0:
        return f"{row} / {height}u"
    return f"({row} * {-(-0x10000 // height)}u) >> 16"


def _packing(grid: BinGrid, most: int, words: int) -> dict[str, object]:
    """Return how many rows may be added before a half is full, and the DSP kernel's text."""
    rows = _divisor(grid.bin_height, 0x7FFF // (most * words))
    dsp_rows = _divisor(grid.bin_height, 0xFFFF // (most * words))
    two = grid.bin_cols % 2 == 0 and 2 * words <= len(_REGISTERS)
    n_bins = 2 if two else 1
    stride, line = grid.n_cols // 2, grid.n_cols // 2 * grid.bin_height
    free = [name for name in _REGISTERS if name not in _KEPT]
    taken = {*free, *_KEPT[: max(0, n_bins * words - len(free))]}
    used = tuple(name for name in _REGISTERS if name in taken)[: n_bins * words]
    deep = 16 * " "
    return {
        "WORDS": words, "STRIDE": stride, "LINE_WORDS": line, "ROWS": rows,
        "BIAS": 0x10000 * (grid.bin_height // rows),
        "START": grid.first_row * grid.n_cols + grid.first_col,
        "DSP_ROWS": dsp_rows, "DSP_WORDS": dsp_rows * words, "DSP_JUMP": dsp_rows * stride,
        "DSP_PARTS": grid.bin_height // dsp_rows, "STEP": n_bins, "STEP_WORDS": n_bins * words,
        "GROUP": "two bins" if two else "one bin",
        "FOLDS": "".join(_FOLD.replace("@I@", str(i)) for i in range(n_bins)),
        "STORES": "".join(f"        y[b + {i}u] = (@Y@)sum[{i}];\n" for i in range(n_bins)),
        "ADDS": "".join(f"{deep}halves += l[{i}] - d[{i}];\n" for i in range(words)),
        "ASM": _umaal_rows(used, words, dsp_rows, 2 * grid.n_cols, two=two),
        "THUMB_ASM": _thumb_rows(words, dsp_rows, n_bins),
        "JUMP_DECLARED": fill(_JUMP, JUMP=2 * grid.n_cols - 4 * n_bins * words),
        "SECOND_DECLARED": _NEXT if two else "",
        "SECOND_OPERAND": ', "=r"(next)' if two else "",
        "SECOND_STORED": "    sums[1] = next;\n" if two else "",
    }  # fmt: skip


def _divisor(n: int, most: int) -> int:
    """Return the largest divisor of `n` that is at most `most`, and 1 at least."""
    return max(d for d in range(1, n + 1) if n % d == 0 and (d <= most or d == 1))


def _umaal_rows(used: tuple[str, ...], words: int, rows: int, n_bytes: int, *, two: bool) -> str:
    """Return the instructions that add `rows` rows: r0 at, r1 sum, r2 next, r12 one.

    UMAAL is a product added to two words: with a factor of 1, three words in one instruction.
    """
    saved = [name for name in used if name in _KEPT]
    several = f"ldmia r0, {{{', '.join(used)}}}"
    load = several if len(used) > 1 else f"ldr {used[0]}, [r0]"  # one register is no multiple
    lines: list[str] = []
    for row in range(rows):
        lines += [f"add r0, r0, #{n_bytes}", load] if row else [load]
        for index in range(2 if two else 1):
            own = used[index * words : (index + 1) * words]
            lines += _sum_of(f"r{index + 1}", own, begins=row == 0)
    if any(line.startswith("umaal") for line in lines):
        lines.insert(0, "mov r12, #1")
    if saved:
        lines = [f"push {{{', '.join(saved)}}}", *lines, f"pop {{{', '.join(saved)}}}"]
    return _assembly(lines)


def _sum_of(total: str, words: tuple[str, ...], *, begins: bool) -> list[str]:
    """Return the instructions that add words to a total, or that begin it with them."""
    lines, left = [], list(words)
    if begins:
        first, *left = left
        lines = [f"add {total}, {first}, {left.pop(0)}" if left else f"mov {total}, {first}"]
    while len(left) > 1:
        lines.append(f"umaal {total}, {left.pop(0)}, r12, {left.pop(0)}")
    return lines + [f"add {total}, {total}, {word}" for word in left]


def _thumb_rows(words: int, rows: int, n_bins: int) -> str:
    """Return the same without UMAAL, four words at a time: r0 at, r1 sum, r2 next, r3 jump."""
    lines: list[str] = []
    for row in range(rows):
        lines += ["adds r0, r0, r3"] if row else []
        for total in ("r1", "r2")[:n_bins]:
            for first in range(0, words, len(_LOW)):
                used = list(_LOW[: min(len(_LOW), words - first)])
                lines.append(f"ldmia r0!, {{{', '.join(used)}}}")
                if row == 0 and first == 0:
                    own, begun = used.pop(0), used.pop(0) if used else ""
                    lines.append(
                        f"adds {total}, {own}, {begun}" if begun else f"movs {total}, {own}"
                    )
                lines += [f"adds {total}, {total}, {name}" for name in used]
    return _assembly(lines)


def _assembly(lines: list[str]) -> str:
    """Return the lines of a piece of assembly, as C strings."""
    return "".join(f'        "{line}\\n\\t"\n' for line in lines)
