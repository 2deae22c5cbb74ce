"""The C of ambient bins: both exposures added up, each pixel loaded once.

Two neighbouring counts are one 32-bit word; both halves of a row's words add up side by side where
they provably stay within 16 bits each. Odd widths and unaligned rows are added one at a time.
"""

from __future__ import annotations

from runtime.stages.contract.c_text import CStage, Edge, fill
from runtime.stages.kernels.bins import quotient

__all__ = ["ambient_c"]

_ROW = """\
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_STAGE void @P@_row(@Y@ *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if (row >= @ROWS@u) {
        return;
    }
    const uint32_t line = @LINE@;
    const int starts = (row == (line * @HEIGHT@u));
    @Y@ *bin = &y[line * @BINS@u];
@SINGLE@@PACKED@    uint32_t col = 0u;
    for (uint32_t b = 0u; b < @BINS@u; b++) {
        int32_t sum = starts ? -@OFFSET@ : (int32_t)bin[b];
        PW_UNROLL
        for (uint32_t i = 0u; i < @WIDTH@u; i++) {
            sum += (int32_t)lit[col] + (int32_t)dark[col];
            col++;
        }
        bin[b] = (@Y@)sum;
    }
}

PW_STAGE void @P@_frame(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t row = 0u; row < @ROWS@u; row++) {
        @P@_row(y, row, &lit[row * @COLS@u], &dark[row * @COLS@u]);
    }
}
"""

_PACKED = """\
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) { /* both halves side by side */
        const pw_pair *l = (const pw_pair *)(const void *)lit;
        const pw_pair *d = (const pw_pair *)(const void *)dark;
        PW_UNROLL
        for (uint32_t b = 0u; b < @BINS@u; b++) {
            const uint32_t halves = @ADDS@;
            const int32_t both = (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
            bin[b] = (@Y@)((starts ? -@OFFSET@ : (int32_t)bin[b]) + both);
            l = &l[@WORDS@];
            d = &d[@WORDS@];
        }
        return;
    }
#endif
"""

_SINGLE = """\
#if defined(__GNUC__) && !defined(PW_VECTOR) /* which compilers make vectors of */
    if ((((uintptr_t)lit | (uintptr_t)dark | (uintptr_t)bin) & 3u) == 0u) { /* two at a time */
        const pw_pair *l = (const pw_pair *)(const void *)lit;
        const pw_pair *d = (const pw_pair *)(const void *)dark;
        pw_pair *both = (pw_pair *)(void *)bin;
        PW_UNROLL
        for (uint32_t b = 0u; b < @HALF@u; b++) { /* no sum of two counts carries */
            both[b] = l[b] + d[b];
        }
        return;
    }
#endif
"""

_MOST_WORDS = 8


def ambient_c(
    bins: tuple[int, int, int, int], offset: int, prefix: str, x: Edge, y: Edge
) -> CStage:
    """Return the C of ambient bins.

    Parameters
    ----------
    bins : tuple of int
        Rows, columns, bins down, bins across.
    offset : int
        Taken off each bin.
    """
    n_rows, n_cols, down, across = bins
    width = n_cols // across
    words = width // 2
    values: dict[str, object] = {
        "P": prefix, "Y": y.ctype, "ROWS": n_rows, "COLS": n_cols, "HEIGHT": n_rows // down,
        "BINS": across, "WIDTH": width, "OFFSET": offset, "WORDS": words,
        "ADDS": " + ".join(f"l[{i}] + d[{i}]" for i in range(words)), "PACKED": "", "SINGLE": "",
        "HALF": n_cols // 2, "LINE": quotient("row", n_rows // down),
    }  # fmt: skip
    fits = 2 * words * x.hi <= 0xFFFF and 1 <= words <= _MOST_WORDS
    if width % 2 == 0 and n_cols % 2 == 0 and fits:
        values["PACKED"] = _PACKED
    if (n_rows, n_cols, offset, y.ctype, n_cols % 2) == (down, across, 0, "int16_t", 0):
        values["SINGLE"] = _SINGLE  # one pixel a bin
    return CStage(tables="", state=(), init="", functions=fill(_ROW, **values))
