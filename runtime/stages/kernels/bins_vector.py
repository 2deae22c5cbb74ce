"""The C of binning on cores with Helium: eight columns at a time, summed down before across.

Differences of lit and dark add up in lanes of 16 bits for as many rows as fit them; what the lanes
hold is then summed across: all eight where a bin is as wide, in pairs where it is narrower.
"""

from __future__ import annotations

from runtime.stages.contract.c_text import fill

__all__ = ["bins_vector"]

_LANES = 8

_COLUMNS = """\
/* Lit minus dark of eight columns, over @PART@ rows: counts up to @MAX@ keep them in 16 bits. */
static inline int16x8_t @P@_down(const uint16_t *lit, const uint16_t *dark)
{
    uint16x8_t sum = vsubq_u16(vldrhq_u16(lit), vldrhq_u16(dark));
@DOWN@    return vreinterpretq_s16_u16(sum);
}

"""
_ROW_DOWN = """\
    lit = &lit[@N_COLS@];
    dark = &dark[@N_COLS@];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
"""

_WIDE = """\
static inline void @P@_across(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t b = 0u; b < @BINS@u; b++) {
        int32_t sum = 0;
        for (uint32_t part = 0u; part < @PARTS@u; part++) {
            const uint32_t at = (b * @WIDTH@u) + (part * @PART_COUNTS@u);
            for (uint32_t i = 0u; i < @WIDTH@u; i += 8u) {
                sum = vaddvaq_s16(sum, @P@_down(&lit[at + i], &dark[at + i]));
            }
        }
        y[b] = (@Y@)sum;
    }
}

"""

_NARROW = """\
static inline void @P@_across(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t b = 0u; b < @BINS@u; b += @GROUP@u) {
        int32x4_t sum = vdupq_n_s32(0); /* of neighbouring columns */
        for (uint32_t part = 0u; part < @PARTS@u; part++) {
            const uint32_t at = (b * @WIDTH@u) + (part * @PART_COUNTS@u);
            const int16x8_t down = @P@_down(&lit[at], &dark[at]);
            sum = vaddq_s32(sum, vaddq_s32(vmovlbq_s16(down), vmovltq_s16(down)));
        }
@BINS_OF_PAIRS@    }
}

"""

_FRAME = """\
PW_STAGE void @P@_frame(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    lit = &lit[@START@];
    dark = &dark[@START@];
    for (uint32_t line = 0u; line < @LINES@u; line++) {
        @P@_across(&y[line * @BINS@u], lit, dark);
        lit = &lit[@LINE_COUNTS@];
        dark = &dark[@LINE_COUNTS@];
    }
}
"""

_PAIRS = """\
        y[b] = (@Y@)(vgetq_lane_s32(sum, 0) + vgetq_lane_s32(sum, 1));
        y[b + 1u] = (@Y@)(vgetq_lane_s32(sum, 2) + vgetq_lane_s32(sum, 3));
"""
_STORES = {"int8_t": "vstrbq", "int16_t": "vstrhq", "int32_t": "vstrwq"}


def bins_vector(values: dict[str, object], part: int) -> str:
    """Return the text for ``PW_VECTOR``, or nothing where bins have no width for it.

    Parameters
    ----------
    values : dict
        What the marks stand for: those of `runtime.stages.kernels.bins`.
    part : int
        Rows whose differences a lane of 16 bits holds; 0 when not even one fits.
    """
    width, bins = int(str(values["WIDTH"])), int(str(values["BINS"]))
    narrow = width in (2, 4) and width * bins % _LANES == 0
    if part == 0 or not (narrow or width % _LANES == 0):
        return ""
    height, n_cols = int(str(values["HEIGHT"])), int(str(values["N_COLS"]))
    stored = f"        {_STORES[str(values['Y'])]}_s32(&y[b], sum);\n"
    return fill(
        _COLUMNS + (_NARROW if narrow else _WIDE) + _FRAME,
        **values,
        PART=part,
        PARTS=height // part,
        PART_COUNTS=part * n_cols,
        GROUP=_LANES // width if narrow else 1,
        DOWN=_ROW_DOWN * (part - 1),
        BINS_OF_PAIRS=stored if width == 2 else _PAIRS,
        START=int(str(values["FIRST_ROW"])) * n_cols + int(str(values["FIRST_COL"])),
        LINE_COUNTS=height * n_cols,
    )
