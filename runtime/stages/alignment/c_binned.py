"""The C of what one source leaves of the bins; see `runtime.stages.alignment.binned`."""

from __future__ import annotations

__all__ = ["BINNED", "STEPS"]

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

/* What is left of the bins' energy above what may be: nine patterns, a quadratic B-spline, are
 * weighted into one, which is taken from the bins about their mean. */
PW_STAGE int32_t @P@_left(const int16_t *cut, int32_t sum, int32_t shift, const int8_t *f,
    const int32_t *at, int32_t total)
{
    int32_t wx[3];
    int32_t wy[3];
    int32_t w[9];
    @P@_weights(at[0], wx);
    @P@_weights(at[1], wy);
    for (uint32_t i = 0u; i < 9u; i++) {
        w[i] = @P@_cut(wy[i / 3u] * wx[i % 3u], 11);
    }
    const int32_t mean = pw_requant(sum, @MEAN_BINS@, @MEAN_BINS_SHIFT@) - 2;
    int32_t own = 0;
    int32_t cross = 0;
    int32_t square = 0;
    for (uint32_t i = 0u; i < @N_BINS@u; i++) {
        const int8_t *g = &f[@SPLINE_ROW@u];
        const int8_t *h = &g[@SPLINE_ROW@u];
        int32_t t = (w[0] * f[0]) + (w[1] * f[@N_BINS@]) + (w[2] * f[2 * @N_BINS@]) + 64;
        t += (w[3] * g[0]) + (w[4] * g[@N_BINS@]) + (w[5] * g[2 * @N_BINS@]);
        t += (w[6] * h[0]) + (w[7] * h[@N_BINS@]) + (w[8] * h[2 * @N_BINS@]);
        t = pw_asr32(t, 7);
        const int32_t b = pw_asr32(cut[i] - mean, 2);
        own += b * b;
        cross += b * t;
        square += t * t;
        f = &f[1];
    }
    /* 2^20 times what is left: own 2^20 - a (2^11 cross - a square), a sum of squares. */
    const uint32_t a = @P@_quotient(cross, square);
    uint64_t taken = 0u;
    if (a > 0u) {
        const uint64_t once = ((uint64_t)(uint32_t)cross << 11) - @P@_wide((uint32_t)square, a);
        taken = (@P@_wide((uint32_t)(once >> 16), a) << 16) + (((uint32_t)once & 0xFFFFu) * a);
    }
    const uint64_t whole = (((uint64_t)(uint32_t)own << 20) - taken) >> 20;
    const int32_t down = @BIN_BITS@ - (2 * (shift + 2));
    const int32_t left = @P@_steps((whole < 1073741823u) ? (int32_t)whole : 1073741823, down);
    const int32_t energy = @P@_steps((own < 1073741823) ? own : 1073741823, down);
    int32_t noise = pw_requant((total < 0) ? 0 : total, @BIN_NOISE@, @BIN_NOISE_SHIFT@);
    noise = (noise < 1073741823) ? noise : 1073741823;
    return left - noise - pw_requant(energy, @BIN_TOLERANCE@, @TOLERANCE_SHIFT@) - @BIN_FLOOR@;
}

"""
