"""The C of what happens in a cell: a place in it, and what one source there leaves of the bins.

Twins: `runtime.stages.alignment.arithmetic` and `runtime.stages.alignment.binned`.
"""

from __future__ import annotations

__all__ = ["BINNED", "LIGHT", "PLACE", "STEPS"]

PLACE = """\
PW_LOCAL int32_t @P@_bits(uint32_t value)
{
    int32_t n = 0;
    for (int32_t half = 16; half > 0; half >>= 1) {
        if ((value >> half) != 0u) {
            value >>= half;
            n += half;
        }
    }
    return n + (int32_t)value;
}

/* Bits above `room` that the largest of n magnitudes has. */
PW_LOCAL int32_t @P@_surplus(const int32_t *values, uint32_t n, int32_t room)
{
    uint32_t most = 0u;
    for (uint32_t i = 0u; i < n; i++) {
        most |= (uint32_t)((values[i] < 0) ? -values[i] : values[i]);
    }
    const int32_t bits = @P@_bits(most);
    return (bits > room) ? (bits - room) : 0;
}

PW_LOCAL int32_t @P@_cut(int32_t value, int32_t shift)
{
    return pw_asr32(value + (int32_t)((1UL << shift) >> 1), shift);
}

PW_LOCAL int32_t @P@_product(int32_t x, int32_t y)
{
    return pw_asr32((x * y) + 8192, 14);
}

PW_LOCAL int32_t @P@_sum(const int16_t *terms, const int32_t *d)
{
    return (terms[0] * d[0]) + (terms[1] * d[1]) + (terms[2] * d[2]) + (terms[3] * d[3]);
}

/* 2^30 / mantissa of 2^15 to 2^16 - 1: a table, and one of Newton's steps. */
PW_LOCAL int32_t @P@_inverse(int32_t mantissa)
{
    const int32_t first = @P@_reciprocal[(mantissa >> 9) - 64];
    const int32_t off = pw_asr32(1073741824 - (mantissa * first), 15);
    return first + pw_asr32(first * off, 15);
}

/* Monomials of x and y in Q14, up to the third power. */
PW_LOCAL void @P@_cubic(int32_t x, int32_t y, int32_t *m)
{
    m[0] = 16384;
    m[1] = x;
    m[2] = y;
    m[3] = @P@_product(x, x);
    m[4] = @P@_product(x, y);
    m[5] = @P@_product(y, y);
    m[6] = @P@_product(m[3], x);
    m[7] = @P@_product(m[3], y);
    m[8] = @P@_product(m[5], x);
    m[9] = @P@_product(m[5], y);
}

/* The fourth and fifth powers, from those. */
PW_LOCAL void @P@_quintic(int32_t *m)
{
    m[10] = @P@_product(m[3], m[3]);
    m[11] = @P@_product(m[3], m[4]);
    m[12] = @P@_product(m[3], m[5]);
    m[13] = @P@_product(m[4], m[5]);
    m[14] = @P@_product(m[5], m[5]);
    for (uint32_t i = 0u; i < 3u; i++) {
        m[15u + i] = @P@_product(m[6], m[3u + i]);
        m[18u + i] = @P@_product(m[9], m[3u + i]);
    }
}

/* A polynomial of n coefficients, whose magnitudes sum to less than 2^17. */
PW_LOCAL int32_t @P@_value(const int16_t *c, const int32_t *m, uint32_t n)
{
    int32_t value = 8192;
    PW_UNROLL
    for (uint32_t i = 0u; i < n; i++) {
        value += c[i] * m[i];
    }
    return pw_asr32(value, 14);
}

/* A place within a cell from dot products with its corners.
 * at: the place in Q14 of the cell, root energy, its exponent. */
PW_STAGE void @P@_place(int32_t *d, const int16_t *terms, int32_t gain, int with_root, int32_t *at)
{
    int32_t m[21];
    const int32_t shift = @P@_surplus(d, 4u, @D_BITS@);
    for (uint32_t i = 0u; i < 4u; i++) {
        d[i] = @P@_cut(d[i], shift);
    }
    int32_t alpha = @P@_sum(terms, d);
    if (alpha < (1 << @ALPHA_FLOOR@)) {
        alpha = 1 << @ALPHA_FLOOR@;
    }
    const int32_t exponent = @P@_bits((uint32_t)alpha) - 1;
    const int32_t mantissa = alpha >> (exponent - 15);
    const int32_t factor = @P@_inverse(mantissa);
    const int32_t down = exponent + 1 - gain;
    const int32_t x = pw_requant(@P@_sum(&terms[4], d), factor, down);
    const int32_t y = pw_requant(@P@_sum(&terms[8], d), factor, down);
    @P@_cubic(pw_sat(x, -16384, 16384), pw_sat(y, -16384, 16384), m);
    @P@_quintic(m);
    at[0] = pw_sat(@P@_value(&terms[12], m, 21u), -16384, 16384);
    at[1] = pw_sat(@P@_value(&terms[33], m, 21u), -16384, 16384);
    at[2] = 0;
    at[3] = shift;
    if (with_root != 0) {
        @P@_cubic(at[0], at[1], m);
        const int32_t share = pw_sat(@P@_value(&terms[54], m, 10u), 0, 32767);
        const uint32_t root = ((uint32_t)mantissa * (uint32_t)share) >> (@ROOT_SHIFT@ - exponent);
        at[2] = (root < 32767u) ? (int32_t)root : 32767;
    }
}
"""

STEPS = """\
/* A square below 2^30, shifted right by `down` bits, or left up to 2^30. */
PW_LOCAL int32_t @P@_steps(int32_t square, int32_t down)
{
    if (down > 30) {
        return 0;
    }
    if (down >= 0) {
        return @P@_cut(square, down);
    }
    const int32_t up = (down < -30) ? 30 : -down;
    const int32_t most = (1 << 30) >> up;
    return ((square < most) ? square : most) * (int32_t)(1UL << up);
}
"""

BINNED = """\
PW_LOCAL void @P@_weights(int32_t place, int32_t *w)
{
    const int32_t d = pw_asr32(place, 3);
    w[0] = ((1024 - d) * (1024 - d)) >> 12;
    w[2] = ((1024 + d) * (1024 + d)) >> 12;
    w[1] = 2048 - w[0] - w[2];
}

/* A product of 32 and 15 bits, without a multiplication of 64. */
PW_LOCAL uint64_t @P@_wide(uint32_t x, uint32_t y)
{
    return ((uint64_t)((x >> 16) * y) << 16) + ((x & 0xFFFFu) * y);
}

/* cross / square in Q10, good to 6e-5. */
PW_LOCAL uint32_t @P@_quotient(int32_t cross, int32_t square)
{
    if ((cross <= 0) || (square < (1 << @LEAST_SQUARE@))) {
        return 0u;
    }
    const int32_t exponent = @P@_bits((uint32_t)square) - 1;
    const int32_t mantissa = (int32_t)((exponent < 15) ? ((uint32_t)square << (15 - exponent))
                                                       : ((uint32_t)square >> (exponent - 15)));
    const int32_t found = pw_requant(cross, @P@_inverse(mantissa), exponent + 5);
    return (found < 2) ? 0u : (uint32_t)((found < 32767) ? found : 32767);
}

/* Part of a magnitude below 2^31, by a factor in Q10: what it is of is no less. */
PW_LOCAL int32_t @P@_part(int32_t size, uint32_t factor)
{
    const uint64_t part = @P@_wide((uint32_t)size, factor) >> 10;
    return (part < 2147483647u) ? (int32_t)part : 2147483647;
}

/* Energy of a spread of the pattern, its second derivatives: of what is left along them, the
 * pattern's own share taken off both. A narrower pattern has none.
 * sums: pattern squared, bins by the spread, pattern by the spread, the spread squared. */
PW_LOCAL int32_t @P@_spread(const int32_t *sums, uint32_t a)
{
    const int32_t size = (sums[2] < 0) ? -sums[2] : sums[2];
    const int32_t shared = @P@_part(size, a);
    const int32_t along = sums[1] - ((sums[2] < 0) ? -shared : shared);
    const int32_t width = sums[3] - @P@_part(size, @P@_quotient(-sums[2], sums[0]));
    if ((along <= 0) || (width < (sums[3] >> @ALIKE_BITS@))) {
        return 0;
    }
    const int32_t found = @P@_part(along, @P@_quotient(along, width));
    return (found < 1073741823) ? found : 1073741823;
}

/* What is left of the bins' energy above what may be, in all or of a spread: nine patterns, a
 * quadratic B-spline, are weighted into one, which is taken from the bins about their mean. */
PW_STAGE int32_t @P@_left(const int16_t *cut, int32_t sum, int32_t shift, const int8_t *f,
    const int32_t *at, int32_t total)
{
    int32_t wx[3];
    int32_t wy[3];
    int32_t sums[4] = {0, 0, 0, 0};
    @P@_weights(at[0], wx);
    @P@_weights(at[1], wy);
    const int32_t mean = pw_requant(sum, @MEAN_BINS@, @MEAN_BINS_SHIFT@) - 2;
    int32_t own = 0;
    int32_t cross = 0;
    for (uint32_t i = 0u; i < @N_BINS@u; i++) {
        int32_t t = @PATTERN_HALF@;
        int32_t spread = @SPREAD_HALF@;
        PW_UNROLL
        for (uint32_t k = 0u; k < 3u; k++) {
            const int8_t *g = &f[k * @SPLINE_ROW@u];
            const int32_t middle = g[@N_BINS@];
            const int32_t along = (wx[0] * g[0]) + (wx[1] * middle) + (wx[2] * g[2 * @N_BINS@]);
            t += wy[k] * along;
            spread += wy[k] * (g[0] - (2 * middle) + g[2 * @N_BINS@]);
            spread += (k == 1u) ? (-2 * along) : along;
        }
        t = pw_asr32(t, @PATTERN_BITS@);
        spread = pw_asr32(spread, @SPREAD_BITS@);
        const int32_t b = pw_asr32(cut[i] - mean, 2);
        own += b * b;
        cross += b * t;
        sums[0] += t * t;
        sums[1] += b * spread;
        sums[2] += t * spread;
        sums[3] += spread * spread;
        f = &f[1];
    }
    /* 2^20 times what is left: own 2^20 - a (2^11 cross - a square), a sum of squares. */
    const uint32_t a = @P@_quotient(cross, sums[0]);
    uint64_t taken = 0u;
    if (a > 0u) {
        const uint64_t once = ((uint64_t)(uint32_t)cross << 11) - @P@_wide((uint32_t)sums[0], a);
        taken = (@P@_wide((uint32_t)(once >> 16), a) << 16) + (((uint32_t)once & 0xFFFFu) * a);
    }
    const uint64_t whole = (((uint64_t)(uint32_t)own << 20) - taken) >> 20;
    const int32_t down = @BIN_BITS@ - (2 * (shift + 2));
    const int32_t left = @P@_steps((whole < 1073741823u) ? (int32_t)whole : 1073741823, down);
    const int32_t energy = @P@_steps((own < 1073741823) ? own : 1073741823, down);
    int32_t noise = pw_requant((total < 0) ? 0 : total, @BIN_NOISE@, @BIN_NOISE_SHIFT@);
    noise = ((noise < 1073741823) ? noise : 1073741823) + @BIN_FLOOR@;
    const int32_t over = left - noise - pw_requant(energy, @BIN_TOLERANCE@, @TOLERANCE_SHIFT@);
    const int32_t spread = @P@_steps(@P@_spread(sums, a), down) - 1
        - pw_requant(noise, @SPREAD_NOISE@, @SPREAD_NOISE_SHIFT@)
        - pw_requant(energy, @SPREAD_TOLERANCE@, @SPREAD_SHIFT@);
    return (over < spread) ? spread : over;
}

"""

LIGHT = """\
/* How far the root energy is from what belongs to all light, squared, above what may be. */
PW_STAGE int32_t @P@_parted(const int32_t *at, const int16_t *norms, int32_t light)
{
    int32_t wx[3];
    int32_t wy[3];
    int32_t norm = 0;
    @P@_weights(at[0], wx);
    @P@_weights(at[1], wy);
    for (uint32_t k = 0u; k < 3u; k++) {
        const int32_t row = (wx[0] * norms[0]) + (wx[1] * norms[1]) + (wx[2] * norms[2]);
        norm += wy[k] * @P@_cut(row, @WEIGHT_BITS@);
        norms = &norms[@FINE_N_X@ + 2];
    }
    norm = @P@_cut(norm, @WEIGHT_BITS@);
    norm = (norm < 0) ? 0 : norm;
    const int32_t kept = (light < 0) ? 0 : light;
    const int32_t bits = @P@_bits((uint32_t)kept);
    const int32_t cut = (bits > @LIGHT_BITS@) ? (bits - @LIGHT_BITS@) : 0;
    const int32_t belongs = @P@_steps((kept >> cut) * norm, @NORM_DOWN@ - cut);
    int32_t off = @P@_steps(at[2], @LIGHT_DOWN@ - at[3]) - belongs;
    off = ((off < 0) ? -off : off) - pw_requant(belongs, @LIGHT_TOLERANCE@, @TOLERANCE_SHIFT@);
    off = pw_sat(off, 0, (1 << @LIGHT_BITS@) - 1);
    const int32_t noise = pw_requant(kept, @LIGHT_NOISE@, @LIGHT_NOISE_SHIFT@);
    return (off * off) - ((noise < 1073741823) ? noise : 1073741823) - @LIGHT_FLOOR@;
}

"""
