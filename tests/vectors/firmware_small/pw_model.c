/* small: 5 stages, see pw_model.h. */
#include "pw_model.h"
#include "pw_weights.h"

/* A stage is never inlined, so that its cost and its stack can be read from the image. */
#if defined(__GNUC__)
#define PW_STAGE static __attribute__((noinline))
#else
#define PW_STAGE static
#endif

/* C99 leaves the right shift of a negative value to the compiler; this code needs the arithmetic
 * one, and this declaration is an error where a compiler has another. */
typedef char pw_shift_is_arithmetic[((-3) >> 1) == -2 ? 1 : -1];

/* x / 2^n, rounded down. */
static inline int32_t pw_asr32(int32_t x, int32_t n)
{
    return x >> n;
}

static inline int32_t pw_sat(int32_t x, int32_t low, int32_t high)
{
    return (x < low) ? low : ((x > high) ? high : x);
}

/* x * multiplier / 2^shift, rounded to nearest, ties up; 0 < multiplier < 2^15. Below a shift of
 * 17 the product was proved to fit 32 bits at generation; from there on x is split into halves,
 * and the low half's product gives only its carry. */
static inline int32_t pw_requant(int32_t x, int32_t multiplier, int32_t shift)
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

/* Stage s0: bins. */
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_STAGE void s0_row(int32_t *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if ((row >= 16u)) {
        return;
    }
    const uint32_t line = row / 4u;
    const int starts = row == (line * 4u);
    int32_t *bin = &y[line * 4u];
    lit = &lit[0];
    dark = &dark[0];
    for (uint32_t b = 0u; b < 4u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        for (uint32_t col = 0u; col < 4u; col++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
        }
        bin[b] = (int32_t)sum;
        lit = &lit[4];
        dark = &dark[4];
    }
}

PW_STAGE void s0_frame(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t row = 0u; row < 16u; row++) {
        s0_row(y, row, &lit[row * 16u], &dark[row * 16u]);
    }
}

/* Stage s1: level. */
/* Shares of the sum in units of 2^-8, then log2 of the sum, 3 fraction bits. */
PW_STAGE void s1_run(const int32_t *x, int8_t *y)
{
    int32_t total = 0;
    for (uint32_t i = 0U; i < 16U; i++) {
        total += x[i];
    }
    if (total < 64) {
        total = 64;
    }
    int32_t exponent = 0;
    while ((total >> exponent) > 1) {
        exponent++;
    }
    /* Fraction of total / 2^exponent in Q30; exponent is at most 30. */
    const uint32_t fraction = ((uint32_t)total << (30 - exponent)) & 0x3FFFFFFFU;
    const int32_t factor = (int32_t)s1_reciprocal[fraction >> 23];
    int32_t shift = exponent + (7);
    int32_t lift = 0;
    if (shift < 17) {
        lift = 17 - shift;
        shift = 17;
    }
    const int32_t cut = (int32_t)(0x40000000U >> lift);
    for (uint32_t i = 0U; i < 16U; i++) {
        /* A value that is cut here saturates below as well. */
        const int32_t lifted = pw_sat(x[i], -cut, cut) * (int32_t)(1UL << lift);
        y[i] = (int8_t)pw_sat(pw_requant(lifted, factor, shift), -127, 127);
    }
    const int32_t octaves = exponent * 8 + (int32_t)(fraction >> 27);
    y[16] = (int8_t)pw_sat(octaves - 0, -127, 127);
}

/* Stage s2: dense. */
static inline int32_t s2_scaled(int32_t sum)
{
    return pw_sat(pw_asr32((sum * 77) + 16384, 15), 0, 127);
}

/* y = saturate(round(77 / 2^15 * (weights x + bias))), negative values raised to 0.
 * Four rows share each input; accumulators proved within +-151611. */
PW_STAGE void s2_run(const int8_t *x, int8_t *y)
{
    const int8_t *w = s2_weights;
    for (uint32_t row = 0u; row < 4u; row += 4u) {
        int32_t a0 = s2_bias[row];
        int32_t a1 = s2_bias[row + 1u];
        int32_t a2 = s2_bias[row + 2u];
        int32_t a3 = s2_bias[row + 3u];
        for (uint32_t i = 0u; i < 17u; i++) {
            const int32_t v = (int32_t)x[i];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            w = &w[4];
        }
        y[row] = (int8_t)s2_scaled(a0);
        y[row + 1u] = (int8_t)s2_scaled(a1);
        y[row + 2u] = (int8_t)s2_scaled(a2);
        y[row + 3u] = (int8_t)s2_scaled(a3);
    }
    for (uint32_t row = 4u; row < 6u; row++) {
        int32_t sum = s2_bias[row];
        for (uint32_t i = 0u; i < 17u; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        w = &w[17];
        y[row] = (int8_t)s2_scaled(sum);
    }
}

/* Stage s3: dense. */
static inline int32_t s3_scaled(int32_t sum)
{
    return sum;
}

/* y = saturate(round(1 / 2^0 * (weights x + bias))).
 * Four rows share each input; accumulators proved within +-63881. */
PW_STAGE void s3_run(const int8_t *x, int32_t *y)
{
    const int8_t *w = s3_weights;
    for (uint32_t row = 0u; row < 4u; row += 4u) {
        int32_t a0 = s3_bias[row];
        int32_t a1 = s3_bias[row + 1u];
        int32_t a2 = s3_bias[row + 2u];
        int32_t a3 = s3_bias[row + 3u];
        for (uint32_t i = 0u; i < 6u; i++) {
            const int32_t v = (int32_t)x[i];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            w = &w[4];
        }
        y[row] = (int32_t)s3_scaled(a0);
        y[row + 1u] = (int32_t)s3_scaled(a1);
        y[row + 2u] = (int32_t)s3_scaled(a2);
        y[row + 3u] = (int32_t)s3_scaled(a3);
    }
}

/* Stage s4: decision. */
/* Margin of the best score over the next one decides; an event is told on its first frame only. */
PW_STAGE void s4_run(pw_state *s, const int32_t *x, int32_t *y)
{
    int32_t best = 0;
    for (int32_t i = 1; i < 4; i++) {
        if (x[i] > x[best]) {
            best = i;
        }
    }
    int32_t next = INT32_MIN;
    for (int32_t i = 0; i < 4; i++) {
        if (i != best && x[i] > next) {
            next = x[i];
        }
    }
    const int32_t margin = x[best] - next;
    int32_t wanted = -1;
    if (margin >= 300 && s4_gesture[best] != 0U) {
        wanted = best;
    }
    if (wanted == -1) {
        s->s4_count[0] = 0;
    } else if (wanted != s->s4_candidate[0]) {
        s->s4_count[0] = 1;
    } else if (s->s4_count[0] < 2) {
        s->s4_count[0] += 1;
    } else {
        /* long enough already */
    }
    s->s4_candidate[0] = wanted;
    if (best != s->s4_active[0] || margin < 200) {
        s->s4_active[0] = -1;
    }
    if (s->s4_hold[0] > 0) {
        s->s4_hold[0] -= 1;
    }
    y[0] = -1;
    if (wanted != -1 && wanted != s->s4_active[0] && s->s4_count[0] >= 2
        && s->s4_hold[0] == 0) {
        y[0] = wanted;
        s->s4_active[0] = wanted;
        s->s4_hold[0] = 3;
    }
}

static int32_t finish(pw_state *s)
{
    s1_run(s->even.s0_y, s->odd.s1_y);
    s2_run(s->odd.s1_y, s->even.s2_y);
    s3_run(s->even.s2_y, s->s3_y);
    s4_run(s, s->s3_y, s->s4_y);
    return s->s4_y[0];
}

int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark)
{
    s0_frame(s->even.s0_y, lit, dark);
    return finish(s);
}

void pw_feed_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    s0_row(s->even.s0_y, row, lit, dark);
}

int32_t pw_finish(pw_state *s)
{
    return finish(s);
}

const int32_t *pw_scores(const pw_state *s)
{
    return s->s3_y;
}

void pw_init(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
    s->s4_active[0] = -1;
    s->s4_candidate[0] = -1;
}

const char *pw_version(void)
{
    return PW_VERSION;
}

const char *pw_model_id(void)
{
    return PW_MODEL_ID;
}
