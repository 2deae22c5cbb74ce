"""The C of one round of a joint fit: columns, their products, and six equations."""

from __future__ import annotations

__all__ = ["DOTS", "FIT", "SOLVE"]

DOTS = """\
/* Where a fit stands: slopes along x and y, amounts and squares of both sources. */
typedef struct {
    int32_t slope[4];
    int32_t amount[2];
    int32_t square[2];
    int32_t energy; /* of the bins */
    int32_t left; /* of what both leave of them */
    int32_t poor;
    int32_t last; /* the longest step of a fit that has come to rest */
} @P@_at;

/* Products of x with four columns, summed. */
PW_STAGE void @P@_dots(const int16_t *x, const int16_t *const *y, uint32_t n, int32_t *sums)
{
@DOTS_PAIRS@    int32_t a[4] = {0, 0, 0, 0};
    for (uint32_t i = 0u; i < n; i++) {
        const int32_t value = x[i];
        PW_UNROLL
        for (uint32_t k = 0u; k < 4u; k++) {
            a[k] += value * y[k][i];
        }
    }
    for (uint32_t k = 0u; k < 4u; k++) {
        sums[k] = a[k];
    }
@DOTS_END@}

/* The place in its cell of slopes; returns the first pattern of the cell. */
PW_LOCAL int32_t @P@_place(const int32_t *slope, int32_t *place)
{
    const int32_t column = @O@_fine_index(slope[0], @LOW_X@, @N_X@);
    const int32_t row = @O@_fine_index(slope[1], @LOW_Y@, @N_Y@);
    const int32_t x = slope[0] - (@LOW_X@ + (column * @STEP@) + @HALF@);
    const int32_t y = slope[1] - (@LOW_Y@ + (row * @STEP@) + @HALF@);
    place[0] = pw_sat(pw_requant(x * 256, @PLACE@, @PLACE_SHIFT@), -@ACCEPTED@, @ACCEPTED@);
    place[1] = pw_sat(pw_requant(y * 256, @PLACE@, @PLACE_SHIFT@), -@ACCEPTED@, @ACCEPTED@);
    return (row * (@N_X@ + 2)) + column;
}
"""

SOLVE = """\
/* What six equations gave: amounts, how far columns and right side were shifted. */
typedef struct {
    int32_t x[6];
    int32_t shift[6];
    int32_t up;
    int32_t taken;
    int32_t known;
} @P@_solution;

PW_LOCAL int32_t @P@_kept(int32_t value)
{
    return pw_sat(value, -@LIMIT@, @LIMIT@);
}

/* Elimination without pivoting: the diagonal is scaled to a quarter to one, Q15. */
PW_STAGE void @P@_solve(int32_t (*m)[6], const int32_t *right, @P@_solution *to)
{
    int32_t first[6];
    int32_t r[6];
    int32_t factor[6];
    int32_t exponent[6];
    int32_t most = 1;
    to->known = 1;
    for (uint32_t i = 0u; i < 6u; i++) {
        const int32_t bits = @O@_bits((m[i][i] < 1) ? 1u : (uint32_t)m[i][i]);
        const int32_t shift = (bits + 1) >> 1;
        if (bits < ((2 * @LEAST_SHIFT@) - 1)) {
            to->known = 0;
        }
        to->shift[i] = (shift < @LEAST_SHIFT@) ? @LEAST_SHIFT@ : shift;
        const int32_t size = ((right[i] < 0) ? -right[i] : right[i]) >> to->shift[i];
        most = (most < size) ? size : most;
    }
    const int32_t up = @RIGHT_BITS@ - @O@_bits((uint32_t)most);
    to->up = (up < @MOST_UP@) ? up : @MOST_UP@;
    for (uint32_t i = 0u; i < 6u; i++) {
        for (uint32_t j = 0u; j < 6u; j++) {
            m[i][j] = @P@_kept(@O@_cut(m[i][j], to->shift[i] + to->shift[j] - @ENTRY_BITS@));
        }
        first[i] = @P@_kept(@O@_cut(right[i], to->shift[i] - to->up));
        r[i] = first[i];
    }
    for (uint32_t k = 0u; k < 6u; k++) {
        if (m[k][k] < @LEAST_PIVOT@) {
            to->known = 0;
            m[k][k] = @LEAST_PIVOT@;
        }
        exponent[k] = @O@_bits((uint32_t)m[k][k]) - 1;
        factor[k] = @O@_inverse(
            (int32_t)((uint32_t)m[k][k] << (@ENTRY_BITS@ - exponent[k])));
        for (uint32_t j = k + 1u; j < 6u; j++) {
            const int32_t share = @P@_kept(
                pw_requant(m[j][k] * @UP@, factor[k], exponent[k] + @SHARE_BITS@));
            for (uint32_t i = k + 1u; i < 6u; i++) {
                m[j][i] = @P@_kept(m[j][i] - @O@_cut(share * m[k][i], @FACTOR_BITS@));
            }
            r[j] = @P@_kept(r[j] - @O@_cut(share * r[k], @FACTOR_BITS@));
        }
    }
    to->taken = 0;
    for (uint32_t left = 6u; left > 0u; left--) {
        const uint32_t k = left - 1u;
        int32_t value = r[k];
        for (uint32_t j = left; j < 6u; j++) {
            value -= @O@_cut(m[k][j] * to->x[j], @ENTRY_BITS@);
        }
        value = @P@_kept(pw_requant(value * @UP@, factor[k], exponent[k] + @UP_BITS@));
        to->x[k] = (to->known != 0) ? value : 0;
        to->taken += to->x[k] * first[k];
    }
    to->taken = (to->taken < 0) ? 0 : to->taken;
}
"""

FIT = """\
/* One source goes on: its amount, and its slopes by their shares over it. Returns 1 where that is
 * poor. */
PW_LOCAL int32_t @P@_move(const @P@_solution *by, uint32_t source, @P@_at *at)
{
    const int32_t *x = &by->x[3u * source];
    const int32_t *shift = &by->shift[3u * source];
    int32_t poor = 0;
    const int32_t drop = by->up + shift[0] - @AMOUNT_BITS@;
    const int32_t more = (drop >= 0) ? @O@_cut(x[0], drop)
                                     : (x[0] * (1 << ((drop < -5) ? 5 : -drop)));
    int32_t amount = at->amount[source] + more;
    if (amount < @LEAST_AMOUNT@) {
        poor = 1;
    }
    amount = pw_sat(amount, @LEAST_AMOUNT@, @MOST_AMOUNT@);
    at->amount[source] = amount;
    const int32_t exponent = @O@_bits((uint32_t)amount) - 1;
    const int32_t factor = @O@_inverse((int32_t)((exponent < 15)
            ? ((uint32_t)amount << (15 - exponent)) : ((uint32_t)amount >> (exponent - 15))));
    for (uint32_t axis = 0u; axis < 2u; axis++) {
        const int32_t down = pw_sat(by->up + shift[1u + axis] + exponent - 3, 17, 46);
        const int32_t step = pw_sat(pw_requant(x[1u + axis] * 256, factor, down), -16384, 16384);
        const int32_t to = at->slope[(2u * source) + axis] + @O@_cut(step * @HALF@, 13);
        const int32_t inside = (axis == 0u) ? pw_sat(to, @LOW_X@, @HIGH_X@)
                                            : pw_sat(to, @LOW_Y@, @HIGH_Y@);
        if ((inside != to) || (step > at->last) || (step < -at->last)) {
            poor = 1;
        }
        at->slope[(2u * source) + axis] = inside;
    }
    return poor;
}

/* A round: both sources' columns, what is left beside them, and a step of Gauss and Newton. */
PW_STAGE void @P@_fit(const int16_t *b, const int8_t *spline, uint32_t n, int32_t drop,
    int32_t limit, int16_t *columns, @P@_at *at)
{
    @P@_solution found;
    int32_t gram[6][6];
    int32_t products[7][7];
    int32_t sums[4];
    int32_t place[2];
    const int16_t *left = b;
    for (uint32_t k = 0u; k < 2u; k++) {
        const int32_t cell = @P@_place(&at->slope[2u * k], place);
        @P@_columns(&spline[(uint32_t)cell * n], n, drop, place, &columns[3u * k * n]);
    }
    if ((at->amount[0] | at->amount[1]) != 0) { /* else it is the bins themselves */
        int16_t *const e = &columns[6u * n];
        for (uint32_t i = 0u; i < n; i++) {
            const int32_t seen
                = (at->amount[0] * columns[i]) + (at->amount[1] * columns[(3u * n) + i]);
            e[i] = (int16_t)pw_sat(b[i] - @O@_cut(seen, @AMOUNT_BITS@), -limit, limit);
        }
        left = e;
    }
    /* All 28 products of seven columns with each other: each with itself and the next three. */
    for (uint32_t i = 0u; i < 7u; i++) {
        const int16_t *with[4];
        for (uint32_t k = 0u; k < 4u; k++) {
            const uint32_t j = ((i + k) < 7u) ? (i + k) : ((i + k) - 7u);
            with[k] = (j < 6u) ? &columns[j * n] : left;
        }
        @P@_dots(with[0], with, n, sums);
        for (uint32_t k = 0u; k < 4u; k++) {
            const uint32_t j = ((i + k) < 7u) ? (i + k) : ((i + k) - 7u);
            products[i][j] = sums[k];
            products[j][i] = sums[k];
        }
    }
    for (uint32_t i = 0u; i < 6u; i++) {
        for (uint32_t j = 0u; j < 6u; j++) {
            gram[i][j] = products[i][j];
        }
    }
    int32_t energy = products[6][6];
    at->square[0] = gram[0][0];
    at->square[1] = gram[3][3];
    @P@_solve(gram, products[6], &found);
    energy -= @O@_steps(found.taken, 2 * found.up);
    at->left = (energy < 0) ? 0 : energy;
    int32_t poor = (found.known != 0) ? 0 : 1;
    poor |= @P@_move(&found, 0u, at);
    poor |= @P@_move(&found, 1u, at);
    at->poor = poor;
}
"""
