"""Four dot products of one readout, row by row; 8-bit filters on 8, 16 or 32-bit values."""

from __future__ import annotations

__all__ = ["FOUR"]

FOUR = """\
/* Dot products of x with four filters, n_rows rows of n_cols, a row every x_stride and f_stride.
 * Proved within 32 bits when the tables were made. */
PW_STAGE void @NAME@(const @X@ *x, const int8_t *const *filters, uint32_t n_rows, uint32_t n_cols,
    uint32_t x_stride, uint32_t f_stride, int32_t *sums)
{
    const int8_t *f0 = filters[0];
    const int8_t *f1 = filters[1];
    const int8_t *f2 = filters[2];
    const int8_t *f3 = filters[3];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    for (uint32_t row = 0u; row < n_rows; row++) {
        for (uint32_t i = 0u; i < n_cols; i++) {
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
