/* range: 4 stages, see pw_model.h. */
#include "pw_model.h"

/* Words are read as pairs of counts and rows of weights, the first of them in the low bits. */
#if defined(__ARM_BIG_ENDIAN) || defined(__BIG_ENDIAN__) || defined(__ARMEB__) \
    || (defined(__BYTE_ORDER__) && (__BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__))
#error "pw_model.c wants a little-endian core: nobody has proved it on a big-endian one"
#endif

/* Which form of the weights and of the kernels this core gets. With PW_PLAIN_C defined, all is
 * plain C, the same bits, slower. */
#if defined(__GNUC__) && defined(__thumb__) && !defined(PW_PLAIN_C)
#define PW_THUMB
#if defined(__ARM_FEATURE_MVE)
#define PW_VECTOR
#include <arm_mve.h>
#endif
#if defined(__ARM_FEATURE_DSP) && defined(__thumb2__)
#define PW_DUAL_MAC
#elif !defined(__thumb2__)
#define PW_OFFSET_WEIGHTS
#endif
#endif

#include "pw_weights.h"

/* A stage is never inlined, so that its cost and its stack can be read from the image. */
#if defined(__GNUC__)
#define PW_STAGE static __attribute__((noinline))
#define PW_INLINE static inline __attribute__((always_inline))
#define PW_LOCAL static inline __attribute__((unused)) /* not every core's form uses each */
#else
#define PW_STAGE static
#define PW_INLINE static inline
#define PW_LOCAL static inline
#endif

/* Before a loop over values, whose number is known: clang unrolls it of its own accord at -O2, GCC
 * where it is asked. */
#if defined(__GNUC__) && !defined(__clang__) && !defined(__OPTIMIZE_SIZE__)
#if __GNUC__ >= 8
#define PW_UNROLL _Pragma("GCC unroll 8")
#endif
#endif
#if !defined(PW_UNROLL)
#define PW_UNROLL
#endif

/* C99 leaves the right shift of a negative value to the compiler; this code needs the arithmetic
 * one, and this declaration is an error where a compiler has another. */
typedef char pw_shift_is_arithmetic[((-3) >> 1) == -2 ? 1 : -1];

#if defined(__GNUC__)
/* Neighbouring values as one word; the attribute allows to read arrays this way. */
typedef uint32_t __attribute__((may_alias)) pw_pair;
#endif

/* x / 2^n, rounded down. */
PW_LOCAL int32_t pw_asr32(int32_t x, int32_t n)
{
    return x >> n;
}

PW_LOCAL int32_t pw_sat(int32_t x, int32_t low, int32_t high)
{
    return (x < low) ? low : ((x > high) ? high : x);
}

/* x * multiplier / 2^shift, rounded to nearest, ties up; 0 < multiplier < 2^15. Below a shift of
 * 17 the product was proved to fit 32 bits at generation; from there on x is split into halves,
 * and the low half's product gives only its carry. */
PW_LOCAL int32_t pw_requant(int32_t x, int32_t multiplier, int32_t shift)
{
    if (shift == 0) {
        return x * multiplier;
    }
    if (shift < 17) {
        return pw_asr32((x * multiplier) + (int32_t)(1UL << (shift - 1)), shift);
    }
    const int32_t high = pw_asr32(x, 16) * multiplier;
    const uint32_t low = ((uint32_t)x & 0xFFFFu) * (uint32_t)multiplier;
    const int32_t half = (int32_t)((1UL << (shift - 16)) >> 1);
    return pw_asr32(high + (int32_t)(low >> 16) + half, shift - 16);
}

#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
/* Two values more into a sum and a sum of squares; returns where the next ones are. */
PW_LOCAL const int16_t *pw_two_more(const int16_t *from, int32_t *sum, int32_t *squares)
{
    uint32_t two;
    int32_t s = *sum;
    int32_t q = *squares;
    __asm__("ldr %0, [%1], #4\n\t"
        "smlad %2, %0, %4, %2\n\t"
        "smlad %3, %0, %0, %3"
        : "=&r"(two), "+r"(from), "+r"(s), "+r"(q)
        : "r"(0x00010001u)
        : "memory");
    *sum = s;
    *squares = q;
    return from;
}
#endif

/* What the kernel works on; assembly knows the places by their offsets, 0 to 36 in steps of 4. */
typedef struct {
    const void *x;
    const int8_t *filters[4];
    int32_t *sums;
    uint32_t n_rows;
    uint32_t row_bytes; /* of x */
    uint32_t x_skip; /* bytes from the end of a row to the next */
    uint32_t f_skip;
} pw_four;
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
/* Four values a turn: SXTB16 takes bytes 0 and 2 of a filter's word out, rotated by 8 bytes 1
 * and 3, and SMLAD multiplies them with values 0 and 2, 1 and 3. */
#define PW_FOUR_FILTER(f, a) \
    "ldr r10, [" f "], #4\n\t" \
    "sxtb16 lr, r10\n\t" \
    "smlad " a ", lr, r12, " a "\n\t" \
    "sxtb16 r10, r10, ror #8\n\t" \
    "smlad " a ", r10, r11, " a "\n\t"
PW_STAGE void pw_four_rows(pw_four *four)
{
    register pw_four *at __asm__("r0") = four;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "ldr r12, [r0, #24]\n\t"
        "sub sp, sp, #8\n\t" /* the end of the row, rows left */
        "str r12, [sp, #4]\n\t"
        "mov r5, #0\n\t"
        "mov r6, #0\n\t"
        "mov r7, #0\n\t"
        "mov r8, #0\n\t"
        "ldmia r0, {r0, r1, r2, r3, r4}\n\t"
        "1: ldr r12, [sp, #8]\n\t"
        "ldr r12, [r12, #28]\n\t"
        "add r12, r12, r0\n\t"
        "str r12, [sp]\n\t"
        "2: ldr r10, [r0], #4\n\t"
        "ldr r11, [r0], #4\n\t"
        "pkhbt r12, r10, r11, lsl #16\n\t"
        "pkhtb r11, r11, r10, asr #16\n\t"
        PW_FOUR_FILTER("r1", "r5") PW_FOUR_FILTER("r2", "r6")
        PW_FOUR_FILTER("r3", "r7") PW_FOUR_FILTER("r4", "r8")
        "ldr r10, [sp]\n\t"
        "cmp r0, r10\n\t"
        "bne 2b\n\t"
        "ldr r12, [sp, #8]\n\t"
        "ldr r10, [r12, #32]\n\t"
        "add r0, r0, r10\n\t"
        "ldr r10, [r12, #36]\n\t"
        "add r1, r1, r10\n\t"
        "add r2, r2, r10\n\t"
        "add r3, r3, r10\n\t"
        "add r4, r4, r10\n\t"
        "ldr r10, [sp, #4]\n\t"
        "subs r10, r10, #1\n\t"
        "str r10, [sp, #4]\n\t"
        "bne 1b\n\t"
        "ldr r12, [r12, #20]\n\t"
        "stmia r12, {r5, r6, r7, r8}\n\t"
        "add sp, sp, #8\n\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#endif
/* Dot products of x with four filters, n_rows rows of n_cols, a row every x_stride and
 * f_stride. Proved within 32 bits when the tables were made. */
PW_STAGE void pw_four_16(const int16_t *x, const int8_t *const *filters, uint32_t n_rows, uint32_t n_cols,
    uint32_t x_stride, uint32_t f_stride, int32_t *sums)
{
    const int8_t *f0 = filters[0];
    const int8_t *f1 = filters[1];
    const int8_t *f2 = filters[2];
    const int8_t *f3 = filters[3];
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
    if ((n_cols & 3u) == 0u) {
        pw_four at = {x, {f0, f1, f2, f3}, sums, n_rows, 2u * n_cols,
            2u * (x_stride - n_cols), f_stride - n_cols};
        if (n_rows == 1u) {
            at.x_skip = 0u;
            at.f_skip = 0u;
        }
        pw_four_rows(&at);
        return;
    }
#endif
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    for (uint32_t row = 0u; row < n_rows; row++) {
        uint32_t i = 0u;
#if defined(PW_VECTOR)
        for (; (i + 8u) <= n_cols; i += 8u) {
            const int16x8_t v = vldrhq_s16(&x[i]);
            a0 = vmladavaq_s16(a0, v, vldrbq_s16(&f0[i]));
            a1 = vmladavaq_s16(a1, v, vldrbq_s16(&f1[i]));
            a2 = vmladavaq_s16(a2, v, vldrbq_s16(&f2[i]));
            a3 = vmladavaq_s16(a3, v, vldrbq_s16(&f3[i]));
        }
#endif
        for (; i < n_cols; i++) {
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

/* Stage s0: bins. */
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_STAGE void s0_row(int16_t *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if (row >= 32u) {
        return;
    }
    const uint32_t line = row / 1u;
    const int starts = (row == (line * 1u));
    int16_t *bin = &y[line * 64u];
#if defined(__GNUC__) && !defined(PW_VECTOR) /* which compilers make vectors of */
    if ((((uintptr_t)lit | (uintptr_t)dark | (uintptr_t)bin) & 3u) == 0u) { /* two at a time */
        const pw_pair *l = (const pw_pair *)(const void *)&lit[0u];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[0u];
        pw_pair *both = (pw_pair *)(void *)bin;
        for (uint32_t b = 0u; b < 32u; b += 8u) { /* no half borrows from the other */
            both[b + 0u] = ((l[b + 0u] | 0x80008000u) - d[b + 0u]) ^ 0x80008000u;
            both[b + 1u] = ((l[b + 1u] | 0x80008000u) - d[b + 1u]) ^ 0x80008000u;
            both[b + 2u] = ((l[b + 2u] | 0x80008000u) - d[b + 2u]) ^ 0x80008000u;
            both[b + 3u] = ((l[b + 3u] | 0x80008000u) - d[b + 3u]) ^ 0x80008000u;
            both[b + 4u] = ((l[b + 4u] | 0x80008000u) - d[b + 4u]) ^ 0x80008000u;
            both[b + 5u] = ((l[b + 5u] | 0x80008000u) - d[b + 5u]) ^ 0x80008000u;
            both[b + 6u] = ((l[b + 6u] | 0x80008000u) - d[b + 6u]) ^ 0x80008000u;
            both[b + 7u] = ((l[b + 7u] | 0x80008000u) - d[b + 7u]) ^ 0x80008000u;
        }
        return;
    }
#endif
    uint32_t col = 0u;
    for (uint32_t b = 0u; b < 64u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        PW_UNROLL
        for (uint32_t i = 0u; i < 1u; i++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
            col++;
        }
        bin[b] = (int16_t)sum;
    }
}

PW_STAGE void s0_frame(int16_t *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t row = 0u; row < 32u; row++) {
        s0_row(y, row, &lit[row * 64u], &dark[row * 64u]);
    }
}

/* Stage s1: registration. */
PW_LOCAL int32_t s1_bits(uint32_t value)
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
PW_LOCAL int32_t s1_surplus(const int32_t *values, uint32_t n, int32_t room)
{
    uint32_t most = 0u;
    for (uint32_t i = 0u; i < n; i++) {
        most |= (uint32_t)((values[i] < 0) ? -values[i] : values[i]);
    }
    const int32_t bits = s1_bits(most);
    return (bits > room) ? (bits - room) : 0;
}

PW_LOCAL int32_t s1_cut(int32_t value, int32_t shift)
{
    return pw_asr32(value + (int32_t)((1UL << shift) >> 1), shift);
}

PW_LOCAL int32_t s1_product(int32_t x, int32_t y)
{
    return pw_asr32((x * y) + 8192, 14);
}

PW_LOCAL int32_t s1_sum(const int16_t *terms, const int32_t *d)
{
    return (terms[0] * d[0]) + (terms[1] * d[1]) + (terms[2] * d[2]) + (terms[3] * d[3]);
}

/* 2^30 / mantissa of 2^15 to 2^16 - 1: a table, and one of Newton's steps. */
PW_LOCAL int32_t s1_inverse(int32_t mantissa)
{
    const int32_t first = s1_reciprocal[(mantissa >> 9) - 64];
    const int32_t off = pw_asr32(1073741824 - (mantissa * first), 15);
    return first + pw_asr32(first * off, 15);
}

/* Monomials of x and y in Q14, up to the third power. */
PW_LOCAL void s1_cubic(int32_t x, int32_t y, int32_t *m)
{
    m[0] = 16384;
    m[1] = x;
    m[2] = y;
    m[3] = s1_product(x, x);
    m[4] = s1_product(x, y);
    m[5] = s1_product(y, y);
    m[6] = s1_product(m[3], x);
    m[7] = s1_product(m[3], y);
    m[8] = s1_product(m[5], x);
    m[9] = s1_product(m[5], y);
}

/* The fourth and fifth powers, from those. */
PW_LOCAL void s1_quintic(int32_t *m)
{
    m[10] = s1_product(m[3], m[3]);
    m[11] = s1_product(m[3], m[4]);
    m[12] = s1_product(m[3], m[5]);
    m[13] = s1_product(m[4], m[5]);
    m[14] = s1_product(m[5], m[5]);
    for (uint32_t i = 0u; i < 3u; i++) {
        m[15u + i] = s1_product(m[6], m[3u + i]);
        m[18u + i] = s1_product(m[9], m[3u + i]);
    }
}

/* A polynomial of n coefficients, whose magnitudes sum to less than 2^17. */
PW_LOCAL int32_t s1_value(const int16_t *c, const int32_t *m, uint32_t n)
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
PW_STAGE void s1_place(int32_t *d, const int16_t *terms, int32_t gain, int with_root, int32_t *at)
{
    int32_t m[21];
    const int32_t shift = s1_surplus(d, 4u, 16);
    for (uint32_t i = 0u; i < 4u; i++) {
        d[i] = s1_cut(d[i], shift);
    }
    int32_t alpha = s1_sum(terms, d);
    if (alpha < (1 << 23)) {
        alpha = 1 << 23;
    }
    const int32_t exponent = s1_bits((uint32_t)alpha) - 1;
    const int32_t mantissa = alpha >> (exponent - 15);
    const int32_t factor = s1_inverse(mantissa);
    const int32_t down = exponent + 1 - gain;
    const int32_t x = pw_requant(s1_sum(&terms[4], d), factor, down);
    const int32_t y = pw_requant(s1_sum(&terms[8], d), factor, down);
    s1_cubic(pw_sat(x, -16384, 16384), pw_sat(y, -16384, 16384), m);
    s1_quintic(m);
    at[0] = pw_sat(s1_value(&terms[12], m, 21u), -16384, 16384);
    at[1] = pw_sat(s1_value(&terms[33], m, 21u), -16384, 16384);
    at[2] = 0;
    at[3] = shift;
    if (with_root != 0) {
        s1_cubic(at[0], at[1], m);
        const int32_t share = pw_sat(s1_value(&terms[54], m, 10u), 0, 32767);
        const uint32_t root = ((uint32_t)mantissa * (uint32_t)share) >> (45 - exponent);
        at[2] = (root < 32767u) ? (int32_t)root : 32767;
    }
}
/* Column or row of fine cells that a slope lies in. */
PW_LOCAL int32_t s1_fine_index(int32_t slope, int32_t low, int32_t n)
{
    const int32_t above = pw_sat(slope - low, 0, 1048576) >> 4;
    return pw_sat((int32_t)(((uint32_t)above * 6736u) >> 22), 0, n - 1);
}
/* Column or row of coarse cells that a slope lies in. */
PW_LOCAL int32_t s1_coarse_index(int32_t slope, int32_t low, int32_t n)
{
    const int32_t above = pw_sat(slope - low, 0, 1048576) >> 4;
    return pw_sat((int32_t)(((uint32_t)above * 7314u) >> 24), 0, n - 1);
}
/* The columns and rows of cells within reach of that of a direction. */
PW_LOCAL void s1_near(int32_t slope_x, int32_t slope_y, int32_t *ends)
{
    const int32_t column = s1_coarse_index(slope_x, (-72668), 4);
    const int32_t row = s1_coarse_index(slope_y, (-72490), 4);
    ends[0] = pw_sat(column - 2, 0, 4 - 1);
    ends[1] = pw_sat(column + 2, 0, 4 - 1);
    ends[2] = pw_sat(row - 1, 0, 4 - 1);
    ends[3] = pw_sat(row + 1, 0, 4 - 1);
}

/* A square below 2^30, shifted right by `down` bits, or left up to 2^30. */
PW_LOCAL int32_t s1_steps(int32_t square, int32_t down)
{
    if (down > 30) {
        return 0;
    }
    if (down >= 0) {
        return s1_cut(square, down);
    }
    const int32_t up = (down < -30) ? 30 : -down;
    const int32_t most = (1 << 30) >> up;
    return ((square < most) ? square : most) * (int32_t)(1UL << up);
}
PW_LOCAL void s1_weights(int32_t place, int32_t *w)
{
    const int32_t d = pw_asr32(place, 3);
    w[0] = ((1024 - d) * (1024 - d)) >> 12;
    w[2] = ((1024 + d) * (1024 + d)) >> 12;
    w[1] = 2048 - w[0] - w[2];
}

/* A product of 32 and 15 bits, without a multiplication of 64. */
PW_LOCAL uint64_t s1_wide(uint32_t x, uint32_t y)
{
    return ((uint64_t)((x >> 16) * y) << 16) + ((x & 0xFFFFu) * y);
}

/* cross / square in Q10, good to 6e-5. */
PW_LOCAL uint32_t s1_quotient(int32_t cross, int32_t square)
{
    if ((cross <= 0) || (square < (1 << 12))) {
        return 0u;
    }
    const int32_t exponent = s1_bits((uint32_t)square) - 1;
    const int32_t mantissa = (int32_t)((exponent < 15) ? ((uint32_t)square << (15 - exponent))
                                                       : ((uint32_t)square >> (exponent - 15)));
    const int32_t found = pw_requant(cross, s1_inverse(mantissa), exponent + 5);
    return (found < 2) ? 0u : (uint32_t)((found < 32767) ? found : 32767);
}

/* Part of a magnitude below 2^31, by a factor in Q10: what it is of is no less. */
PW_LOCAL int32_t s1_part(int32_t size, uint32_t factor)
{
    const uint64_t part = s1_wide((uint32_t)size, factor) >> 10;
    return (part < 2147483647u) ? (int32_t)part : 2147483647;
}

/* Energy of a spread of the pattern, its second derivatives: of what is left along them, the
 * pattern's own share taken off both. A narrower pattern has none.
 * sums: pattern squared, bins by the spread, pattern by the spread, the spread squared. */
PW_LOCAL int32_t s1_spread(const int32_t *sums, uint32_t a)
{
    const int32_t size = (sums[2] < 0) ? -sums[2] : sums[2];
    const int32_t shared = s1_part(size, a);
    const int32_t along = sums[1] - ((sums[2] < 0) ? -shared : shared);
    const int32_t width = sums[3] - s1_part(size, s1_quotient(-sums[2], sums[0]));
    if ((along <= 0) || (width < (sums[3] >> 4))) {
        return 0;
    }
    const int32_t found = s1_part(along, s1_quotient(along, width));
    return (found < 1073741823) ? found : 1073741823;
}

/* What is left of the bins' energy above what may be, in all or of a spread: nine patterns, a
 * quadratic B-spline, are weighted into one, which is taken from the bins about their mean. */
PW_STAGE int32_t s1_left(const int16_t *cut, int32_t sum, int32_t shift, const int8_t *f,
    const int32_t *at, int32_t total)
{
    int32_t wx[3];
    int32_t wy[3];
    int32_t sums[4] = {0, 0, 0, 0};
    s1_weights(at[0], wx);
    s1_weights(at[1], wy);
    const int32_t mean = pw_requant(sum, 16384, 20) - 2;
    int32_t own = 0;
    int32_t cross = 0;
    for (uint32_t i = 0u; i < 64u; i++) {
        int32_t t = 131072;
        int32_t spread = 256;
        PW_UNROLL
        for (uint32_t k = 0u; k < 3u; k++) {
            const int8_t *g = &f[k * 1088u];
            const int32_t middle = g[64];
            const int32_t along = (wx[0] * g[0]) + (wx[1] * middle) + (wx[2] * g[2 * 64]);
            t += wy[k] * along;
            spread += wy[k] * (g[0] - (2 * middle) + g[2 * 64]);
            spread += (k == 1u) ? (-2 * along) : along;
        }
        t = pw_asr32(t, 18);
        spread = pw_asr32(spread, 9);
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
    const uint32_t a = s1_quotient(cross, sums[0]);
    uint64_t taken = 0u;
    if (a > 0u) {
        const uint64_t once = ((uint64_t)(uint32_t)cross << 11) - s1_wide((uint32_t)sums[0], a);
        taken = (s1_wide((uint32_t)(once >> 16), a) << 16) + (((uint32_t)once & 0xFFFFu) * a);
    }
    const uint64_t whole = (((uint64_t)(uint32_t)own << 20) - taken) >> 20;
    const int32_t down = 8 - (2 * (shift + 2));
    const int32_t left = s1_steps((whole < 1073741823u) ? (int32_t)whole : 1073741823, down);
    const int32_t energy = s1_steps((own < 1073741823) ? own : 1073741823, down);
    int32_t noise = pw_requant((total < 0) ? 0 : total, 22426, 25);
    noise = ((noise < 1073741823) ? noise : 1073741823) + 11;
    const int32_t over = left - noise - pw_requant(energy, 75, 17);
    const int32_t spread = s1_steps(s1_spread(sums, a), down) - 1
        - pw_requant(noise, 16555, 17)
        - pw_requant(energy, 191, 20);
    return (over < spread) ? spread : over;
}

/* How far the root energy is from what belongs to all light, squared, above what may be. */
PW_STAGE int32_t s1_parted(const int32_t *at, const int16_t *norms, int32_t light)
{
    int32_t wx[3];
    int32_t wy[3];
    int32_t norm = 0;
    s1_weights(at[0], wx);
    s1_weights(at[1], wy);
    for (uint32_t k = 0u; k < 3u; k++) {
        const int32_t row = (wx[0] * norms[0]) + (wx[1] * norms[1]) + (wx[2] * norms[2]);
        norm += wy[k] * s1_cut(row, 11);
        norms = &norms[15 + 2];
    }
    norm = s1_cut(norm, 11);
    norm = (norm < 0) ? 0 : norm;
    const int32_t kept = (light < 0) ? 0 : light;
    const int32_t bits = s1_bits((uint32_t)kept);
    const int32_t cut = (bits > 15) ? (bits - 15) : 0;
    const int32_t belongs = s1_steps((kept >> cut) * norm, (16) - cut);
    int32_t off = s1_steps(at[2], (4) - at[3]) - belongs;
    off = ((off < 0) ? -off : off) - pw_requant(belongs, 0, 17);
    off = pw_sat(off, 0, (1 << 15) - 1);
    const int32_t noise = pw_requant(kept, 17286, 17);
    return (off * off) - ((noise < 1073741823) ? noise : 1073741823) - 2002;
}

PW_LOCAL int s1_accepted(const int32_t *at)
{
    return ((at[0] == pw_sat(at[0], -10240, 10240))
            && (at[1] == pw_sat(at[1], -10240, 10240)))
        ? 1 : 0;
}

/* Bins, sum and energy about the mean of an aperture's values. */
PW_STAGE void s1_sums(const int16_t *x, int32_t *bins, int32_t *totals)
{
    int32_t energy = 0;
    int32_t total = 0;
    for (uint32_t b = 0u; b < 64u; b++) {
        bins[b] = 0;
    }
    for (uint32_t line = 0u; line < 8u; line++) {
        for (uint32_t row = 0u; row < 4u; row++) {
            int32_t squares = 0;
            PW_UNROLL
            for (uint32_t b = 0u; b < 8u; b++) {
                int32_t sum = bins[b];
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
                PW_UNROLL
                for (uint32_t i = 0u; i < 4u; i += 2u) {
                    x = pw_two_more(x, &sum, &squares);
                }
#else
                PW_UNROLL
                for (uint32_t i = 0u; i < 4u; i++) {
                    const int32_t value = x[i];
                    sum += value;
                    squares += value * value;
                }
                x = &x[4];
#endif
                bins[b] = sum;
            }
            energy += s1_cut(squares, 7);
            x = &x[32];
        }
        for (uint32_t b = 0u; b < 8u; b++) {
            total += bins[b];
        }
        bins = &bins[8];
    }
    const int32_t cut = pw_sat(s1_cut(total, 7), -32767, 32767);
    energy -= pw_requant(cut * cut, 16384, 17);
    totals[0] = total;
    totals[1] = (energy < 0) ? 0 : energy;
}

/* The cell of columns x0 to x1 and rows y0 to y1 whose pattern fits the bins best. */
PW_STAGE void s1_search(const int16_t *bins, const int8_t *patterns, const int32_t *ends,
    int32_t *best)
{
    int32_t most = INT32_MIN;
    int32_t scores[4];
    for (int32_t y = ends[2]; y <= ends[3]; y++) {
        for (int32_t x = ends[0]; x <= ends[1]; x += 4) {
            const int32_t cell = (y * 4) + x;
            const int32_t n = ((ends[1] - x) < 3) ? ((ends[1] - x) + 1) : 4;
            const int8_t *f[4];
            for (int32_t i = 0; i < 4; i++) {
                f[i] = &patterns[(cell + ((i < n) ? i : 0)) * 64];
            }
            pw_four_16(bins, f, 1u, 64u, 0u, 0u, scores);
            for (int32_t i = 0; i < n; i++) {
                if (scores[i] > most) {
                    most = scores[i];
                    best[0] = x + i;
                    best[1] = y;
                }
            }
        }
    }
}

/* What one source explains of the energy, and what is left above what may be. */
PW_LOCAL int32_t s1_judge(const int32_t *totals, const int32_t *at, int32_t *y)
{
    const int32_t explained = s1_steps(at[2] * at[2], 19 - (2 * at[3]));
    const int32_t kept = (explained < 1) ? 1 : explained;
    const int32_t octave = s1_bits((uint32_t)kept) - 1;
    const uint32_t part = (octave < 4) ? ((uint32_t)kept << (4 - octave))
                                       : ((uint32_t)kept >> (octave - 4));
    y[2] = (int32_t)((16 * octave) + (int32_t)part - 16);
    int32_t noise = pw_requant((totals[0] < 0) ? 0 : totals[0], 18242, 23);
    noise = (noise < 1073741823) ? noise : 1073741823;
    const int32_t left = totals[1] - explained - 33;
    const int32_t most = noise + pw_requant(explained, 1311, 17);
    return (left < (most - INT32_MAX)) ? -INT32_MAX : (left - most);
}

/* One aperture: search, two alignments, the second repeated where its place is beyond the cell,
 * once in a frame. */
PW_STAGE void s1_aperture(const int16_t *x, uint32_t aperture, const int32_t *ends, int *again,
    int32_t *y)
{
    const int16_t *own = &x[s1_offset[aperture]];
    const int32_t *node = &s1_starts[0];
    const int16_t *node_sum = &s1_filter_sums[0];
    int32_t bins[64];
    int16_t cut[64];
    int32_t totals[2];
    int32_t d[4];
    int32_t at[4];
    s1_sums(own, bins, totals);
    const int32_t shift = s1_surplus(bins, 64u, 14);
    int32_t sum = 0;
    for (uint32_t b = 0u; b < 64u; b++) {
        cut[b] = (int16_t)s1_cut(bins[b], shift);
        sum += cut[b];
    }
    int32_t best[2] = {0, 0};
    s1_search(cut, &s1_patterns[aperture * 1024u], ends, best);
    int32_t column = best[0];
    int32_t row = best[1];
    const uint32_t found = (uint32_t)((row * 4) + column);
    const int8_t *f[4];
    for (int32_t i = 0; i < 4; i++) {
        const int32_t corner = ((row + (i >> 1)) * (4 + 1)) + column + (i & 1);
        f[i] = &s1_coarse[(aperture * 25u + (uint32_t)corner) * 64u];
    }
    pw_four_16(cut, f, 1u, 64u, 0u, 0u, d);
    const uint32_t coarse = (aperture * 16u) + found;
    s1_place(d, &s1_coarse_terms[coarse * 54u], 3, 0, at);
    int32_t slope_x = (-54318) + (column * 36700)
        + s1_cut(at[0] * 18350, 13);
    int32_t slope_y = (-54140) + (row * 36700)
        + s1_cut(at[1] * 18350, 13);
    int32_t before = -1;
    const int32_t mean = pw_requant(totals[0] * 16, 16384, 24);
    int32_t alike[4];
    for (;;) {
        column = s1_fine_index(slope_x, (-73983), 15);
        row = s1_fine_index(slope_y, (-68824), 14);
        const int32_t cell = (row * 15) + column;
        if (cell == before) {
            break; /* the same filters give the same again */
        }
        before = cell;
        for (int32_t i = 0; i < 4; i++) {
            const int32_t corner = ((row + (i >> 1)) * (15 + 1)) + column + (i & 1);
            f[i] = &s1_bank[node[corner]];
            alike[i] = s1_cut(node_sum[corner] * mean, 4);
        }
        pw_four_16(own, f, 32u, 32u, 64u, 84u, d);
        for (uint32_t i = 0u; i < 4u; i++) {
            d[i] -= alike[i];
        }
        s1_place(d, &s1_fine_terms[(aperture * 210u + (uint32_t)cell) * 64u],
            4, 1, at);
        slope_x = (-69002) + (column * 9962) + s1_cut(at[0] * 4981, 13);
        slope_y = (-63843) + (row * 9962) + s1_cut(at[1] * 4981, 13);
        if ((s1_accepted(at) != 0) || (*again == 0)) {
            break;
        }
        *again = 0;
    }
    y[0] = (int32_t)slope_x;
    y[1] = (int32_t)slope_y;
    int32_t excess = s1_judge(totals, at, y);
    if ((excess <= 0) && (s1_accepted(at) == 0)) {
        excess = 1;
    }
    if (excess <= 0) { /* else it is refused already */
        const uint32_t corner = (uint32_t)((row * (15 + 2)) + column);
        const int16_t *const norms = &s1_norms[(aperture * 272u) + corner];
        const int32_t parted = s1_parted(at, norms, totals[0] - s1_light_offset[aperture]);
        at[0] += s1_spline_offset[2u * aperture];
        at[1] += s1_spline_offset[(2u * aperture) + 1u];
        const int8_t *const patterns = &s1_spline[(corner * 64u)];
        const int32_t left = s1_left(cut, sum, shift, patterns, at, totals[0]);
        excess = (excess < left) ? left : excess;
        excess = (excess < parted) ? parted : excess;
    }
    y[3] = (int32_t)excess;
}

PW_STAGE void s1_run(const int16_t *x, int32_t *y)
{
    int32_t ends[4] = {0, 4 - 1, 0, 4 - 1};
    int again = 1;
    for (uint32_t aperture = 0u; aperture < 2u; aperture++) {
        s1_aperture(x, aperture, ends, &again, &y[4u * aperture]);
        if (aperture == 0u) { /* the others see the source nearly where the first does */
            s1_near((int32_t)y[0], (int32_t)y[1], ends);
        }
    }
}

/* Stage s2: triangulation. */
/* A table at place / 2^bits, straight between its entries. */
PW_LOCAL int32_t s2_between(const int32_t *at, int32_t place, int32_t bits)
{
    const int32_t index = place >> bits;
    const int32_t part = place - (index << bits);
    return at[index] + pw_asr32(((at[index + 1] - at[index]) * part) + (1 << (bits - 1)), bits);
}

PW_LOCAL int32_t s2_angle(int32_t slope)
{
    const int32_t size = pw_sat((slope < 0) ? -slope : slope, 0, 524287);
    const int32_t angle = s2_between(s2_atan, size, 11);
    return (slope < 0) ? -angle : angle;
}

/* 2^18 millimetres and more for an inverse distance of none, in steps of 2^-6 mm. */
PW_LOCAL int32_t s2_distance(int32_t inverse)
{
    if (inverse < 16) {
        return 16777216;
    }
    int32_t exponent = 4;
    while ((inverse >> exponent) > 1) {
        exponent++;
    }
    const int32_t mantissa = (int32_t)(((uint32_t)inverse << (24 - exponent)) & 0xFFFFFFu);
    const int32_t factor = s2_between(s2_reciprocal, mantissa >> 4, 12);
    /* 1000 mm times 2^12 steps, over 2^exponent (1 + f); the factor has 16 bits of fraction. */
    return pw_asr32((factor * 4000) + (int32_t)((1UL << exponent) >> 1), exponent);
}

/* The slope that a place off the middle adds, for a depth in steps of 2^-14 per metre. */
PW_LOCAL int32_t s2_shifted(int32_t depth, int32_t place)
{
    return pw_asr32((pw_asr32(depth, 6) * place) + 512, 10);
}

/* Angles, inverse distance, distance, then the guards. */
PW_STAGE void s2_run(const int32_t *x, int32_t *y)
{
    const int32_t dx = pw_sat((int32_t)x[0] - (int32_t)x[4], -131072, 131072);
    const int32_t dy = pw_sat((int32_t)x[1] - (int32_t)x[5], -131072, 131072);
    const int32_t along = pw_asr32((dx * (8192)) + (dy * (0)) + 4096, 13);
    const int32_t across = pw_asr32((dy * (8192)) - (dx * (0)) + 4096, 13);
    const int32_t depth = pw_sat(pw_requant(along * 1024, 17204, 19), 0, 2097151);
    const int32_t sx = pw_asr32((int32_t)x[0] + (int32_t)x[4] + 1, 1)
        + s2_shifted(depth, (0));
    const int32_t sy = pw_asr32((int32_t)x[1] + (int32_t)x[5] + 1, 1)
        + s2_shifted(depth, (0));
    const int32_t ax = pw_sat((sx < 0) ? -sx : sx, 0, 524287) >> 4;
    const int32_t ay = pw_sat((sy < 0) ? -sy : sy, 0, 524287) >> 4;
    int32_t wide = ((ax * ax) >> 10) + ((ay * ay) >> 10);
    wide = (wide < 1048575) ? wide : 1048575;
    const int32_t cosine = s2_between(s2_cosine, wide, 12);
    const int32_t inverse = pw_requant(depth, cosine, 17);
    y[0] = (int32_t)s2_angle(sx);
    y[1] = (int32_t)s2_angle(sy);
    y[2] = (int32_t)inverse;
    y[3] = (int32_t)s2_distance(inverse);
    y[4] = (int32_t)x[2];
    y[5] = (int32_t)x[3];
    y[6] = (int32_t)x[6];
    y[7] = (int32_t)x[7];
    y[8] = (int32_t)across;
    y[9] = (int32_t)along;
}

/* Stage s3: quantity. */
/* Values within what was learned; valid once the guards have been so for 1 frames. */
PW_STAGE void s3_run(pw_state *s, const int32_t *x, int32_t *y)
{
    int32_t all = 1;
    for (uint32_t i = 4u; i < 10u; i++) {
        if (x[i] < s3_low[i] || x[i] > s3_high[i]) {
            all = 0;
        }
    }
    if (all == 0) {
        s->s3_count[0] = 0;
    } else if (s->s3_count[0] < 1) {
        s->s3_count[0] += 1;
    } else {
        /* long enough already */
    }
    const int32_t settled = (s->s3_count[0] >= 1) ? 1 : 0;
    all = settled;
    PW_UNROLL
    for (uint32_t i = 0u; i < 4u; i++) {
        const int32_t value = pw_sat(x[i], s3_low[i], s3_high[i]);
        const int32_t valid = (settled != 0 && value == x[i]) ? 1 : 0;
        y[1u + i] = value;
        y[1u + 4u + i] = valid;
        if (valid == 0) {
            all = 0;
        }
    }
    y[0] = (all != s->s3_valid[0]) ? all : -1;
    s->s3_valid[0] = all;
}

#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_word; /* of any memory */
#endif

#if defined(PW_THUMB)
/* Many words, at least as many as a store of all registers that there are zeroes; the last store
 * begins so far before the end, over zeroes where they do not come out even. */
#if defined(__thumb2__)
#define PW_AT_ONCE 8
#define PW_ZEROES "{r2, r3, r4, r5, r6, r8, r12, lr}"
#define PW_HIGH_ZEROES "mov r8, r2\n\tmov r12, r2\n\tmov lr, r2\n\t"
#define PW_HIGH_USED , "r8", "r12", "lr"
#else
#define PW_AT_ONCE 5
#define PW_ZEROES "{r2, r3, r4, r5, r6}"
#define PW_HIGH_ZEROES
#define PW_HIGH_USED
#endif
PW_LOCAL void wipe_many(void *from, uint32_t n_words)
{
    register void *at __asm__("r0") = from;
    register uint32_t left __asm__("r1") = n_words - (uint32_t)PW_AT_ONCE;
    __asm__ volatile(
        ".syntax unified\n\t"
        "movs r2, #0\n\t"
        "movs r3, #0\n\t"
        "movs r4, #0\n\t"
        "movs r5, #0\n\t"
        "movs r6, #0\n\t" PW_HIGH_ZEROES
        "subs r1, %[turn]\n\t"
        "bmi 2f\n"
        "1:\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "subs r1, %[turn]\n\t"
        "bpl 1b\n"
        "2:\n\t"
        "adds r1, %[rest]\n\t"
        "bmi 4f\n"
        "3:\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "subs r1, %[one]\n\t"
        "bpl 3b\n"
        "4:\n\t"
        "stmia r0!, " PW_ZEROES "\n\t"
        "lsls r1, r1, #2\n\t"
        "adds r0, r0, r1\n\t"
        "stmia r0!, " PW_ZEROES
        : "+r"(at), "+r"(left)
        : [turn] "i"(4 * PW_AT_ONCE), [rest] "i"(3 * PW_AT_ONCE), [one] "i"(PW_AT_ONCE)
        : "r2", "r3", "r4", "r5", "r6" PW_HIGH_USED, "cc", "memory");
}
#endif

#if defined(__GNUC__)
__attribute__((noinline)) /* once in flash, however often it is called */
#endif
void pw_wipe(void *from, uint32_t n_words)
{
#if defined(__GNUC__)
    pw_word *word = (pw_word *)from;
#if defined(PW_THUMB)
    if (n_words >= (uint32_t)PW_AT_ONCE) {
        wipe_many(from, n_words);
        return;
    }
#else
    for (; n_words >= 8u; n_words -= 8u) {
        word[0] = 0u;
        word[1] = 0u;
        word[2] = 0u;
        word[3] = 0u;
        word[4] = 0u;
        word[5] = 0u;
        word[6] = 0u;
        word[7] = 0u;
        word = &word[8];
        __asm__ volatile("" : : : "memory"); /* somebody reads it */
    }
#endif
    for (; n_words != 0u; n_words--) {
        word[0] = 0u;
        word = &word[1];
        __asm__ volatile("" : : : "memory");
    }
#else
    volatile uint8_t *byte = (volatile uint8_t *)from;
    for (uint32_t i = 0u; i < (4u * n_words); i++) {
        byte[i] = 0u;
    }
#endif
}

void pw_drop(pw_state *s)
{
    const uint8_t *from = (const uint8_t *)&s->even;
    const uint8_t *to = (const uint8_t *)&s->settling; /* what stands before it is room */
    pw_wipe(&s->even, (uint32_t)(to - from) / 4u);
}

static int32_t finish(pw_state *s)
{
    s1_run(s->even.s0_y, s->odd.s1_y);
    s2_run(s->odd.s1_y, s->s2_y);
    s3_run(s, s->s2_y, s->s3_y);
    s->settling = 0u;
    pw_drop(s);
    return s->s3_y[0];
}

#if defined(PW_CHECK_COUNTS) || !defined(PW_TRUST_ROWS)
#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_two; /* neighbouring counts as one word */
#endif

/* Whether any count of either exposure is over the maximum, which is all ones. */
static int over(const uint16_t *lit, const uint16_t *dark, uint32_t n)
{
    uint32_t seen = 0u;
    uint32_t i = 0u;
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_two *l = (const pw_two *)lit;
        const pw_two *d = (const pw_two *)dark;
        PW_UNROLL
        for (; (i + 8u) <= n; i += 8u) {
            seen |= l[0] | l[1] | l[2] | l[3] | d[0] | d[1] | d[2] | d[3];
            l = &l[4];
            d = &d[4];
        }
        seen = (seen | (seen >> 16)) & 0xFFFFu;
    }
#endif
    for (; i < n; i++) {
        seen |= (uint32_t)lit[i] | dark[i];
    }
    return seen > PW_MAX_COUNTS;
}
#endif

int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark)
{
#if defined(PW_CHECK_COUNTS)
    if (over(lit, dark, PW_N_ROWS * PW_N_COLS) != 0) {
        return PW_ERROR_COUNTS;
    }
#endif
    s0_frame(s->even.s0_y, lit, dark);
    return finish(s);
}

#if !defined(PW_TRUST_ROWS)
/* Notes a row of the frame and the frame's first error, which it returns; 0 when there is none. */
static int32_t note_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    int32_t error = 0;
    if (row >= PW_N_ROWS) {
        error = PW_ERROR_ROWS;
    } else if (row < 32u) {
        if (row != s->rows_done) {
            error = PW_ERROR_ROWS;
        } else if (over(lit, dark, PW_N_COLS) != 0) {
            error = PW_ERROR_COUNTS;
        } else {
            s->rows_done++;
        }
    } else {
        /* not read */
    }
    if (s->rows_error == 0) {
        s->rows_error = error;
    }
    return s->rows_error;
}
#endif

int32_t pw_feed_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
#if !defined(PW_TRUST_ROWS)
    const int32_t error = note_row(s, row, lit, dark);
    if (error != 0) {
        return error;
    }
#endif
    s0_row(s->even.s0_y, row, lit, dark);
    return 0;
}

int32_t pw_finish(pw_state *s)
{
#if !defined(PW_TRUST_ROWS)
    int32_t error = s->rows_error;
    if ((error == 0) && (s->rows_done != 32u)) {
        error = PW_ERROR_ROWS;
    }
    if (error != 0) {
        pw_drop(s);
        return error;
    }
#endif
    return finish(s);
}

const int32_t *pw_evidence(const pw_state *s)
{
    return s->s2_y;
}

const int32_t *pw_outputs(const pw_state *s)
{
    return s->s3_y;
}

int32_t pw_quantity(const pw_state *s, uint32_t i)
{
    return s->s3_y[1u + i];
}

int32_t pw_quantity_valid(const pw_state *s, uint32_t i)
{
    return s->s3_y[1u + PW_N_QUANTITIES + i];
}

void pw_init(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
}

void pw_settle(pw_state *s)
{
    s->settling = 1u;
}

const char *pw_version(void)
{
    return PW_VERSION;
}

const char *pw_model_id(void)
{
    return PW_MODEL_ID;
}
