/* finger_count: 8 stages, see pw_model.h. */
#include "pw_model.h"

/* Which form of the weights and of the kernels this core gets. */
#if defined(__ARM_FEATURE_DSP) && defined(__thumb2__)
#define PW_DUAL_MAC
#elif defined(__thumb__) && !defined(__thumb2__)
#define PW_OFFSET_WEIGHTS
#endif

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

#if defined(__GNUC__)
/* Neighbouring values as one word; the attribute allows to read arrays this way. */
typedef uint32_t __attribute__((may_alias)) pw_pair;
#endif

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
PW_STAGE void s0_row(int16_t *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if (row >= 32u) {
        return;
    }
    const uint32_t line = row / 2u;
    const int starts = (row == (line * 2u));
    int16_t *bin = &y[line * 16u];
    uint32_t col = 0u;
    for (uint32_t b = 0u; b < 16u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        for (uint32_t i = 0u; i < 2u; i++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
            col++;
        }
        bin[b] = (int16_t)sum;
    }
}

#if defined(__GNUC__)
#if defined(__thumb__)
/* The sums of two bins over 2 rows, low and high halves side by side: at most
 * 2 words of counts up to 4095, which fit 16 bits. */
static inline void s0_add(const pw_pair *at, uint32_t *sums)
{
    uint32_t sum = 0u;
    uint32_t next = 0u;
#if defined(PW_DUAL_MAC)
    __asm__ volatile(/* umaal sum, v, one, w: sum += v + w */
        "ldmia %0, {r2, r3}\n\t"
        "add %1, %1, r2\n\t"
        "add %2, %2, r3\n\t"
        "add %0, %0, #64\n\t"
        "ldmia %0, {r2, r3}\n\t"
        "add %1, %1, r2\n\t"
        "add %2, %2, r3\n\t"
        : "+r"(at), "+r"(sum), "+r"(next)
        : "r"(1u)
        : "r2", "r3", "memory");
#else
    __asm__ volatile(
        ".syntax unified\n\t"
        "ldmia %0!, {r3}\n\t"
        "add %1, r3\n\t"
        "ldmia %0!, {r3}\n\t"
        "add %2, r3\n\t"
        "add %0, %3\n\t"
        "ldmia %0!, {r3}\n\t"
        "add %1, r3\n\t"
        "ldmia %0!, {r3}\n\t"
        "add %2, r3\n\t"
        : "+l"(at), "+r"(sum), "+r"(next)
        : "r"(56u)
        : "r3", "r4", "r5", "r6", "memory", "cc");
#endif
    sums[0] = sum;
    sums[1] = next;
}

static inline void s0_line(int16_t *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < 16u; b += 2u) {
        int32_t sum[2] = {0};
        for (uint32_t part = 0u; part < 1u; part++) {
            uint32_t l[2];
            uint32_t d[2];
            s0_add(&lit[part * 32u], l);
            s0_add(&dark[part * 32u], d);
            for (uint32_t i = 0u; i < 2u; i++) {
                sum[i] += (int32_t)(l[i] & 0xFFFFu) + (int32_t)(l[i] >> 16);
                sum[i] -= (int32_t)(d[i] & 0xFFFFu) + (int32_t)(d[i] >> 16);
            }
        }
        for (uint32_t i = 0u; i < 2u; i++) {
            y[b + i] = (int16_t)sum[i];
        }
        lit = &lit[2];
        dark = &dark[2];
    }
}
#else
/* One line of bins. Both halves of `halves` add up side by side; they start from 2^15, so that
 * neither borrows from the other, and 2 rows of counts up to 4095 keep them in 16 bits. */
static inline void s0_line(int16_t *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < 16u; b++) {
        int32_t sum = -65536;
        const pw_pair *l = lit;
        const pw_pair *d = dark;
        for (uint32_t row = 0u; row < 2u; row += 2u) {
            uint32_t halves = 0x80008000u;
            for (uint32_t i = 0u; i < 2u; i++) {
                for (uint32_t col = 0u; col < 1u; col++) {
                    halves += l[col];
                    halves -= d[col];
                }
                l = &l[16];
                d = &d[16];
                __asm__ volatile("" : "+r"(halves) : : "memory"); /* no load before its turn */
            }
            sum += (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
        }
        y[b] = (int16_t)sum;
        lit = &lit[1];
        dark = &dark[1];
    }
}
#endif
#endif

PW_STAGE void s0_frame(int16_t *y, const uint16_t *lit, const uint16_t *dark)
{
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_pair *l = (const pw_pair *)(const void *)&lit[0];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[0];
        for (uint32_t line = 0u; line < 16u; line++) {
            s0_line(&y[line * 16u], &l[line * 32u], &d[line * 32u]);
        }
        return;
    }
#endif
    for (uint32_t row = 0u; row < 32u; row++) {
        s0_row(y, row, &lit[row * 32u], &dark[row * 32u]);
    }
}

/* Stage s1: level. */
/* Shares of the sum in units of 2^-20, then log2 of the sum, 12 fraction bits. */
PW_STAGE void s1_run(const int16_t *x, int16_t *y)
{
    int32_t total = 0;
    for (uint32_t i = 0u; i < 256u; i++) {
        total += x[i];
    }
    if (total < 16499) {
        total = 16499;
    }
    int32_t exponent = 0;
    while ((total >> exponent) > 1) {
        exponent++;
    }
    /* Fraction of total / 2^exponent in Q30; exponent is at most 30. */
    const uint32_t fraction = ((uint32_t)total << (30 - exponent)) & 0x3FFFFFFFu;
    const int32_t factor = (int32_t)s1_reciprocal[fraction >> 21];
    const int32_t shift = exponent - 5;
    const int32_t half = (int32_t)(1UL << (shift - 1));
    for (uint32_t i = 0u; i < 256u; i++) {
        /* |x| <= 16380: the product was proved to fit 32 bits. */
        y[i] = (int16_t)pw_sat(pw_asr32((x[i] * factor) + half, shift), -32767, 32767);
    }
    const int32_t octaves = exponent * 4096 + (int32_t)(fraction >> 18);
    y[256] = (int16_t)pw_sat(octaves - 73769, -32767, 32767);
}

/* Stage s2: dense. */
static inline int32_t s2_scaled(int32_t sum)
{
    return pw_sat(pw_requant(sum, 17841, 22), -32767, 32767);
}

#if defined(PW_DUAL_MAC)
/* Four rows, eight inputs a turn. A word holds four weights of a row as bytes 0, 2, 1, 3, so
 * that SXTB16 gives the weights of inputs 0 and 1, rotated by 8 those of inputs 2 and 3. */
static inline void s2_block(const int16_t *x, const uint32_t *w, int32_t *acc)
{
    const pw_pair *at = (const pw_pair *)(const void *)x;
    const pw_pair *const end = &at[132];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    uint32_t p;
    uint32_t q;
    uint32_t t;
    do {
        __asm__ volatile(
            "ldrd %[p], %[q], [%[at]], #8\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "sxtb16 %[t], r3\n\t"
            "smlad %[a0], %[t], %[p], %[a0]\n\t"
            "sxtb16 r3, r3, ror #8\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "sxtb16 %[t], r4\n\t"
            "smlad %[a1], %[t], %[p], %[a1]\n\t"
            "sxtb16 r4, r4, ror #8\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "sxtb16 %[t], r5\n\t"
            "smlad %[a2], %[t], %[p], %[a2]\n\t"
            "sxtb16 r5, r5, ror #8\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "sxtb16 %[t], r6\n\t"
            "smlad %[a3], %[t], %[p], %[a3]\n\t"
            "sxtb16 r6, r6, ror #8\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            "ldrd %[p], %[q], [%[at]], #8\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "sxtb16 %[t], r3\n\t"
            "smlad %[a0], %[t], %[p], %[a0]\n\t"
            "sxtb16 r3, r3, ror #8\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "sxtb16 %[t], r4\n\t"
            "smlad %[a1], %[t], %[p], %[a1]\n\t"
            "sxtb16 r4, r4, ror #8\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "sxtb16 %[t], r5\n\t"
            "smlad %[a2], %[t], %[p], %[a2]\n\t"
            "sxtb16 r5, r5, ror #8\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "sxtb16 %[t], r6\n\t"
            "smlad %[a3], %[t], %[p], %[a3]\n\t"
            "sxtb16 r6, r6, ror #8\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            : [at] "+r"(at), [w] "+r"(w), [p] "=&r"(p), [q] "=&r"(q), [t] "=&r"(t),
              [a0] "+r"(a0), [a1] "+r"(a1), [a2] "+r"(a2), [a3] "+r"(a3)
            : 
            : "r3", "r4", "r5", "r6", "memory");
    } while (at != end);
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows of the block at weights with 128 added: unsigned bytes load with an offset. */
static inline void s2_block(const int16_t *x, const uint8_t *w, int32_t *acc)
{
    const int16_t *const end = &x[256];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    int32_t t;
    while (x != end) {
        __asm__ volatile(
            ".syntax unified\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #0]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #1]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #2]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #3]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #4]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #5]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #6]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #7]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #8]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #9]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #10]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #11]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #12]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #13]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #14]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #15]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #16]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #17]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #18]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #19]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #20]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #21]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #22]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #23]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #24]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #25]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #26]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #27]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #28]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #29]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #30]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #31]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "adds %[w], #32\n\t"
            : [x] "+l"(x), [w] "+l"(w), [v] "=&l"(v), [t] "=&l"(t),
              [a0] "+h"(a0), [a1] "+h"(a1), [a2] "+h"(a2), [a3] "+h"(a3)
            : [first] "l"(0), [second] "l"(2)
            : "memory", "cc");
    }
    for (uint32_t i = 0u; i < 1u; i++) {
        v = (int32_t)x[i];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        w = &w[4];
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#else
static inline void s2_block(const int16_t *x, const int8_t *w, int32_t *acc)
{
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    for (uint32_t i = 0u; i < 64u; i++) {
        v = (int32_t)x[0];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        v = (int32_t)x[1];
        a0 += v * (int32_t)w[4];
        a1 += v * (int32_t)w[5];
        a2 += v * (int32_t)w[6];
        a3 += v * (int32_t)w[7];
        v = (int32_t)x[2];
        a0 += v * (int32_t)w[8];
        a1 += v * (int32_t)w[9];
        a2 += v * (int32_t)w[10];
        a3 += v * (int32_t)w[11];
        v = (int32_t)x[3];
        a0 += v * (int32_t)w[12];
        a1 += v * (int32_t)w[13];
        a2 += v * (int32_t)w[14];
        a3 += v * (int32_t)w[15];
        x = &x[4];
        w = &w[16];
    }
    v = (int32_t)x[0];
    a0 += v * (int32_t)w[0];
    a1 += v * (int32_t)w[1];
    a2 += v * (int32_t)w[2];
    a3 += v * (int32_t)w[3];
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#endif

/* y = saturate(round(17841 / 2^22 * (weights x + bias)));
 * accumulators were proved within +-333726029. */
PW_STAGE void s2_run(const int16_t *x, int16_t *y)
{
#if defined(PW_OFFSET_WEIGHTS)
    int32_t offset = 0;
    for (uint32_t i = 0u; i < 257u; i++) {
        offset += 128 * (int32_t)x[i];
    }
#else
    const int32_t offset = 0;
#endif
    for (uint32_t row = 0u; row < 48u; row += 4u) {
        int32_t acc[4];
        s2_block(x, &s2_weights[(row / 4u) * PW_S2_BLOCK], acc);
        for (uint32_t i = 0u; i < 4u; i++) {
            y[row + i] = (int16_t)s2_scaled(s2_bias[row + i] + acc[i] - offset);
        }
    }
    for (uint32_t row = 48u; row < 49u; row++) {
        const int8_t *w = &s2_rest[(row - 48u) * 257u];
        int32_t sum = s2_bias[row];
        for (uint32_t i = 0u; i < 257u; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        y[row] = (int16_t)s2_scaled(sum);
    }
}

/* Stage s3: window. */
/* Each segment's sum gains the value that enters it and loses the one that leaves: a value leaving
 * one segment enters the older one before it. The ring's oldest frame is overwritten. */
PW_STAGE void s3_run(pw_state *s, const int16_t *x, int16_t *y)
{
    const uint32_t position = (uint32_t)s->s3_position[0];
    uint32_t slot = position;
    for (uint32_t segment = 0u; segment < 1u; segment++) {
        const int16_t *leaving = &s->s3_history[slot * 49u];
        const int16_t *entering = x;
        slot += 12u;
        if (slot >= 12u) {
            slot -= 12u;
        }
        if (segment + 1u < 1u) {
            entering = &s->s3_history[slot * 49u];
        }
        int32_t *sums = &s->s3_sums[segment * 49u];
        int16_t *out = &y[segment * 49u];
        for (uint32_t i = 0u; i < 49u; i++) {
            const int32_t sum = sums[i] + entering[i] - leaving[i];
            sums[i] = (int32_t)sum;
            out[i] = (int16_t)pw_asr32(sum + 8, 4);
        }
    }
    int16_t *oldest = &s->s3_history[position * 49u];
    for (uint32_t i = 0u; i < 49u; i++) {
        oldest[i] = x[i];
    }
    s->s3_position[0] = (int32_t)((position + 1u < 12u) ? position + 1u : 0u);
}

/* Stage s4: dense. */
static inline int32_t s4_scaled(int32_t sum)
{
    return pw_sat(pw_asr32((sum * 62) + 131072, 18), 0, 127);
}

#if defined(PW_DUAL_MAC)
/* Four rows, eight inputs a turn. A word holds four weights of a row as bytes 0, 2, 1, 3, so
 * that SXTB16 gives the weights of inputs 0 and 1, rotated by 8 those of inputs 2 and 3. */
static inline void s4_block(const int16_t *x, const uint32_t *w, int32_t *acc)
{
    const pw_pair *at = (const pw_pair *)(const void *)x;
    const pw_pair *const end = &at[28];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    uint32_t p;
    uint32_t q;
    uint32_t t;
    do {
        __asm__ volatile(
            "ldrd %[p], %[q], [%[at]], #8\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "sxtb16 %[t], r3\n\t"
            "smlad %[a0], %[t], %[p], %[a0]\n\t"
            "sxtb16 r3, r3, ror #8\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "sxtb16 %[t], r4\n\t"
            "smlad %[a1], %[t], %[p], %[a1]\n\t"
            "sxtb16 r4, r4, ror #8\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "sxtb16 %[t], r5\n\t"
            "smlad %[a2], %[t], %[p], %[a2]\n\t"
            "sxtb16 r5, r5, ror #8\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "sxtb16 %[t], r6\n\t"
            "smlad %[a3], %[t], %[p], %[a3]\n\t"
            "sxtb16 r6, r6, ror #8\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            "ldrd %[p], %[q], [%[at]], #8\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "sxtb16 %[t], r3\n\t"
            "smlad %[a0], %[t], %[p], %[a0]\n\t"
            "sxtb16 r3, r3, ror #8\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "sxtb16 %[t], r4\n\t"
            "smlad %[a1], %[t], %[p], %[a1]\n\t"
            "sxtb16 r4, r4, ror #8\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "sxtb16 %[t], r5\n\t"
            "smlad %[a2], %[t], %[p], %[a2]\n\t"
            "sxtb16 r5, r5, ror #8\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "sxtb16 %[t], r6\n\t"
            "smlad %[a3], %[t], %[p], %[a3]\n\t"
            "sxtb16 r6, r6, ror #8\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            : [at] "+r"(at), [w] "+r"(w), [p] "=&r"(p), [q] "=&r"(q), [t] "=&r"(t),
              [a0] "+r"(a0), [a1] "+r"(a1), [a2] "+r"(a2), [a3] "+r"(a3)
            : 
            : "r3", "r4", "r5", "r6", "memory");
    } while (at != end);
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows of the block at weights with 128 added: unsigned bytes load with an offset. */
static inline void s4_block(const int16_t *x, const uint8_t *w, int32_t *acc)
{
    const int16_t *const end = &x[48];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    int32_t t;
    while (x != end) {
        __asm__ volatile(
            ".syntax unified\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #0]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #1]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #2]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #3]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #4]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #5]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #6]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #7]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #8]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #9]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #10]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #11]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #12]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #13]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #14]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #15]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #16]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #17]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #18]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #19]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #20]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #21]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #22]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #23]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "ldrsh %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #24]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #25]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #26]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #27]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsh %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #28]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #29]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #30]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #31]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #4\n\t"
            "adds %[w], #32\n\t"
            : [x] "+l"(x), [w] "+l"(w), [v] "=&l"(v), [t] "=&l"(t),
              [a0] "+h"(a0), [a1] "+h"(a1), [a2] "+h"(a2), [a3] "+h"(a3)
            : [first] "l"(0), [second] "l"(2)
            : "memory", "cc");
    }
    for (uint32_t i = 0u; i < 1u; i++) {
        v = (int32_t)x[i];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        w = &w[4];
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#else
static inline void s4_block(const int16_t *x, const int8_t *w, int32_t *acc)
{
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    for (uint32_t i = 0u; i < 12u; i++) {
        v = (int32_t)x[0];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        v = (int32_t)x[1];
        a0 += v * (int32_t)w[4];
        a1 += v * (int32_t)w[5];
        a2 += v * (int32_t)w[6];
        a3 += v * (int32_t)w[7];
        v = (int32_t)x[2];
        a0 += v * (int32_t)w[8];
        a1 += v * (int32_t)w[9];
        a2 += v * (int32_t)w[10];
        a3 += v * (int32_t)w[11];
        v = (int32_t)x[3];
        a0 += v * (int32_t)w[12];
        a1 += v * (int32_t)w[13];
        a2 += v * (int32_t)w[14];
        a3 += v * (int32_t)w[15];
        x = &x[4];
        w = &w[16];
    }
    v = (int32_t)x[0];
    a0 += v * (int32_t)w[0];
    a1 += v * (int32_t)w[1];
    a2 += v * (int32_t)w[2];
    a3 += v * (int32_t)w[3];
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#endif

/* y = saturate(round(62 / 2^18 * (weights x + bias))), negative values raised to 0;
 * accumulators were proved within +-33186050. */
PW_STAGE void s4_run(const int16_t *x, int8_t *y)
{
#if defined(PW_OFFSET_WEIGHTS)
    int32_t offset = 0;
    for (uint32_t i = 0u; i < 49u; i++) {
        offset += 128 * (int32_t)x[i];
    }
#else
    const int32_t offset = 0;
#endif
    for (uint32_t row = 0u; row < 160u; row += 4u) {
        int32_t acc[4];
        s4_block(x, &s4_weights[(row / 4u) * PW_S4_BLOCK], acc);
        for (uint32_t i = 0u; i < 4u; i++) {
            y[row + i] = (int8_t)s4_scaled(s4_bias[row + i] + acc[i] - offset);
        }
    }
}

/* Stage s5: dense. */
static inline int32_t s5_scaled(int32_t sum)
{
    return pw_sat(pw_asr32((sum * 1654) + 524288, 20), 0, 127);
}

#if defined(PW_DUAL_MAC)
/* Four rows, eight inputs a turn. A half-word of weights is h = 256 * odd + even; with
 * p = x_odd and q = 256 * x_even - x_odd, h * p + even * q is 256 times two products. SMLAD does
 * that for two half-words at once, and SXTB16 takes the even weights out. */
static inline void s5_block(const int8_t *x, const uint32_t *w, int32_t *acc)
{
    const pw_pair *at = (const pw_pair *)(const void *)x;
    const pw_pair *const end = &at[40];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    uint32_t p;
    uint32_t q;
    do {
        __asm__ volatile(
            "ldr %[p], [%[at]], #4\n\t"
            "and %[q], %[mask], %[p], lsl #8\n\t"
            "sxtb16 %[p], %[p], ror #8\n\t"
            "ssub16 %[q], %[q], %[p]\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "smlad %[a0], r3, %[p], %[a0]\n\t"
            "sxtb16 r3, r3\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "smlad %[a1], r4, %[p], %[a1]\n\t"
            "sxtb16 r4, r4\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "smlad %[a2], r5, %[p], %[a2]\n\t"
            "sxtb16 r5, r5\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "smlad %[a3], r6, %[p], %[a3]\n\t"
            "sxtb16 r6, r6\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            "ldr %[p], [%[at]], #4\n\t"
            "and %[q], %[mask], %[p], lsl #8\n\t"
            "sxtb16 %[p], %[p], ror #8\n\t"
            "ssub16 %[q], %[q], %[p]\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "smlad %[a0], r3, %[p], %[a0]\n\t"
            "sxtb16 r3, r3\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "smlad %[a1], r4, %[p], %[a1]\n\t"
            "sxtb16 r4, r4\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "smlad %[a2], r5, %[p], %[a2]\n\t"
            "sxtb16 r5, r5\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "smlad %[a3], r6, %[p], %[a3]\n\t"
            "sxtb16 r6, r6\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            : [at] "+r"(at), [w] "+r"(w), [p] "=&r"(p), [q] "=&r"(q),
              [a0] "+r"(a0), [a1] "+r"(a1), [a2] "+r"(a2), [a3] "+r"(a3)
            : [mask] "r"(0xFF00FF00u)
            : "r3", "r4", "r5", "r6", "memory");
    } while (at != end);
    acc[0] = pw_asr32(a0, 8);
    acc[1] = pw_asr32(a1, 8);
    acc[2] = pw_asr32(a2, 8);
    acc[3] = pw_asr32(a3, 8);
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows of the block at weights with 128 added: unsigned bytes load with an offset. */
static inline void s5_block(const int8_t *x, const uint8_t *w, int32_t *acc)
{
    const int8_t *const end = &x[160];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    int32_t t;
    while (x != end) {
        __asm__ volatile(
            ".syntax unified\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #0]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #1]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #2]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #3]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #4]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #5]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #6]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #7]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #8]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #9]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #10]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #11]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #12]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #13]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #14]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #15]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #16]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #17]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #18]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #19]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #20]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #21]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #22]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #23]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #24]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #25]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #26]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #27]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #28]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #29]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #30]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #31]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "adds %[w], #32\n\t"
            : [x] "+l"(x), [w] "+l"(w), [v] "=&l"(v), [t] "=&l"(t),
              [a0] "+h"(a0), [a1] "+h"(a1), [a2] "+h"(a2), [a3] "+h"(a3)
            : [first] "l"(0), [second] "l"(1)
            : "memory", "cc");
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#else
static inline void s5_block(const int8_t *x, const int8_t *w, int32_t *acc)
{
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    for (uint32_t i = 0u; i < 40u; i++) {
        v = (int32_t)x[0];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        v = (int32_t)x[1];
        a0 += v * (int32_t)w[4];
        a1 += v * (int32_t)w[5];
        a2 += v * (int32_t)w[6];
        a3 += v * (int32_t)w[7];
        v = (int32_t)x[2];
        a0 += v * (int32_t)w[8];
        a1 += v * (int32_t)w[9];
        a2 += v * (int32_t)w[10];
        a3 += v * (int32_t)w[11];
        v = (int32_t)x[3];
        a0 += v * (int32_t)w[12];
        a1 += v * (int32_t)w[13];
        a2 += v * (int32_t)w[14];
        a3 += v * (int32_t)w[15];
        x = &x[4];
        w = &w[16];
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#endif

/* y = saturate(round(1654 / 2^20 * (weights x + bias))), negative values raised to 0;
 * accumulators were proved within +-826527. */
PW_STAGE void s5_run(const int8_t *x, int8_t *y)
{
#if defined(PW_OFFSET_WEIGHTS)
    int32_t offset = 0;
    for (uint32_t i = 0u; i < 160u; i++) {
        offset += 128 * (int32_t)x[i];
    }
#else
    const int32_t offset = 0;
#endif
    for (uint32_t row = 0u; row < 80u; row += 4u) {
        int32_t acc[4];
        s5_block(x, &s5_weights[(row / 4u) * PW_S5_BLOCK], acc);
        for (uint32_t i = 0u; i < 4u; i++) {
            y[row + i] = (int8_t)s5_scaled(s5_bias[row + i] + acc[i] - offset);
        }
    }
}

/* Stage s6: dense. */
static inline int32_t s6_scaled(int32_t sum)
{
    return sum;
}

#if defined(PW_DUAL_MAC)
/* Four rows, eight inputs a turn. A half-word of weights is h = 256 * odd + even; with
 * p = x_odd and q = 256 * x_even - x_odd, h * p + even * q is 256 times two products. SMLAD does
 * that for two half-words at once, and SXTB16 takes the even weights out. */
static inline void s6_block(const int8_t *x, const uint32_t *w, int32_t *acc)
{
    const pw_pair *at = (const pw_pair *)(const void *)x;
    const pw_pair *const end = &at[20];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    uint32_t p;
    uint32_t q;
    do {
        __asm__ volatile(
            "ldr %[p], [%[at]], #4\n\t"
            "and %[q], %[mask], %[p], lsl #8\n\t"
            "sxtb16 %[p], %[p], ror #8\n\t"
            "ssub16 %[q], %[q], %[p]\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "smlad %[a0], r3, %[p], %[a0]\n\t"
            "sxtb16 r3, r3\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "smlad %[a1], r4, %[p], %[a1]\n\t"
            "sxtb16 r4, r4\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "smlad %[a2], r5, %[p], %[a2]\n\t"
            "sxtb16 r5, r5\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "smlad %[a3], r6, %[p], %[a3]\n\t"
            "sxtb16 r6, r6\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            "ldr %[p], [%[at]], #4\n\t"
            "and %[q], %[mask], %[p], lsl #8\n\t"
            "sxtb16 %[p], %[p], ror #8\n\t"
            "ssub16 %[q], %[q], %[p]\n\t"
            "ldmia %[w]!, {r3, r4, r5, r6}\n\t"
            "smlad %[a0], r3, %[p], %[a0]\n\t"
            "sxtb16 r3, r3\n\t"
            "smlad %[a0], r3, %[q], %[a0]\n\t"
            "smlad %[a1], r4, %[p], %[a1]\n\t"
            "sxtb16 r4, r4\n\t"
            "smlad %[a1], r4, %[q], %[a1]\n\t"
            "smlad %[a2], r5, %[p], %[a2]\n\t"
            "sxtb16 r5, r5\n\t"
            "smlad %[a2], r5, %[q], %[a2]\n\t"
            "smlad %[a3], r6, %[p], %[a3]\n\t"
            "sxtb16 r6, r6\n\t"
            "smlad %[a3], r6, %[q], %[a3]\n\t"
            : [at] "+r"(at), [w] "+r"(w), [p] "=&r"(p), [q] "=&r"(q),
              [a0] "+r"(a0), [a1] "+r"(a1), [a2] "+r"(a2), [a3] "+r"(a3)
            : [mask] "r"(0xFF00FF00u)
            : "r3", "r4", "r5", "r6", "memory");
    } while (at != end);
    acc[0] = pw_asr32(a0, 8);
    acc[1] = pw_asr32(a1, 8);
    acc[2] = pw_asr32(a2, 8);
    acc[3] = pw_asr32(a3, 8);
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows of the block at weights with 128 added: unsigned bytes load with an offset. */
static inline void s6_block(const int8_t *x, const uint8_t *w, int32_t *acc)
{
    const int8_t *const end = &x[80];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    int32_t t;
    while (x != end) {
        __asm__ volatile(
            ".syntax unified\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #0]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #1]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #2]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #3]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #4]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #5]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #6]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #7]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #8]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #9]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #10]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #11]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #12]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #13]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #14]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #15]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #16]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #17]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #18]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #19]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #20]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #21]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #22]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #23]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "ldrsb %[v], [%[x], %[first]]\n\t"
            "ldrb %[t], [%[w], #24]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #25]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #26]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #27]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "ldrsb %[v], [%[x], %[second]]\n\t"
            "ldrb %[t], [%[w], #28]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a0], %[t]\n\t"
            "ldrb %[t], [%[w], #29]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a1], %[t]\n\t"
            "ldrb %[t], [%[w], #30]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a2], %[t]\n\t"
            "ldrb %[t], [%[w], #31]\n\t"
            "muls %[t], %[v], %[t]\n\t"
            "add %[a3], %[t]\n\t"
            "adds %[x], #2\n\t"
            "adds %[w], #32\n\t"
            : [x] "+l"(x), [w] "+l"(w), [v] "=&l"(v), [t] "=&l"(t),
              [a0] "+h"(a0), [a1] "+h"(a1), [a2] "+h"(a2), [a3] "+h"(a3)
            : [first] "l"(0), [second] "l"(1)
            : "memory", "cc");
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#else
static inline void s6_block(const int8_t *x, const int8_t *w, int32_t *acc)
{
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    int32_t v;
    for (uint32_t i = 0u; i < 20u; i++) {
        v = (int32_t)x[0];
        a0 += v * (int32_t)w[0];
        a1 += v * (int32_t)w[1];
        a2 += v * (int32_t)w[2];
        a3 += v * (int32_t)w[3];
        v = (int32_t)x[1];
        a0 += v * (int32_t)w[4];
        a1 += v * (int32_t)w[5];
        a2 += v * (int32_t)w[6];
        a3 += v * (int32_t)w[7];
        v = (int32_t)x[2];
        a0 += v * (int32_t)w[8];
        a1 += v * (int32_t)w[9];
        a2 += v * (int32_t)w[10];
        a3 += v * (int32_t)w[11];
        v = (int32_t)x[3];
        a0 += v * (int32_t)w[12];
        a1 += v * (int32_t)w[13];
        a2 += v * (int32_t)w[14];
        a3 += v * (int32_t)w[15];
        x = &x[4];
        w = &w[16];
    }
    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
#endif

/* y = saturate(round(1 / 2^0 * (weights x + bias)));
 * accumulators were proved within +-545374. */
PW_STAGE void s6_run(const int8_t *x, int32_t *y)
{
#if defined(PW_OFFSET_WEIGHTS)
    int32_t offset = 0;
    for (uint32_t i = 0u; i < 80u; i++) {
        offset += 128 * (int32_t)x[i];
    }
#else
    const int32_t offset = 0;
#endif
    for (uint32_t row = 0u; row < 4u; row += 4u) {
        int32_t acc[4];
        s6_block(x, &s6_weights[(row / 4u) * PW_S6_BLOCK], acc);
        for (uint32_t i = 0u; i < 4u; i++) {
            y[row + i] = (int32_t)s6_scaled(s6_bias[row + i] + acc[i] - offset);
        }
    }
    for (uint32_t row = 4u; row < 6u; row++) {
        const int8_t *w = &s6_rest[(row - 4u) * 80u];
        int32_t sum = s6_bias[row];
        for (uint32_t i = 0u; i < 80u; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        y[row] = (int32_t)s6_scaled(sum);
    }
}

/* Stage s7: decision. */
/* Margin of the best score over the next one decides; an event is told on its first frame only. */
PW_STAGE void s7_run(pw_state *s, const int32_t *x, int32_t *y)
{
    int32_t best = 0;
    for (int32_t i = 1; i < 6; i++) {
        if (x[i] > x[best]) {
            best = i;
        }
    }
    int32_t next = INT32_MIN;
    for (int32_t i = 0; i < 6; i++) {
        if (i != best && x[i] > next) {
            next = x[i];
        }
    }
    const int32_t margin = x[best] - next;
    int32_t wanted = -1;
    if (margin >= s7_asked[best] && s7_gesture[best] != 0u) {
        wanted = best;
    }
    if (wanted == -1) {
        s->s7_count[0] = 0;
    } else if (wanted != s->s7_candidate[0]) {
        s->s7_count[0] = 1;
    } else if (s->s7_count[0] < 8) {
        s->s7_count[0] += 1;
    } else {
        /* long enough already */
    }
    s->s7_candidate[0] = wanted;
    if (best != s->s7_active[0] || margin < s7_asked[best] - 1707) {
        s->s7_active[0] = -1;
    }
    if (s->s7_hold[0] > 0) {
        s->s7_hold[0] -= 1;
    }
    y[0] = -1;
    if (wanted != -1 && wanted != s->s7_active[0] && s->s7_count[0] >= 8
        && s->s7_hold[0] == 0) {
        y[0] = wanted;
        s->s7_active[0] = wanted;
        s->s7_hold[0] = 0;
    }
}

static int32_t finish(pw_state *s)
{
    s1_run(s->even.s0_y, s->odd.s1_y);
    s2_run(s->odd.s1_y, s->even.s2_y);
    s3_run(s, s->even.s2_y, s->odd.s3_y);
    s4_run(s->odd.s3_y, s->even.s4_y);
    s5_run(s->even.s4_y, s->odd.s5_y);
    s6_run(s->odd.s5_y, s->s6_y);
    s7_run(s, s->s6_y, s->s7_y);
    return s->s7_y[0];
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
    return s->s6_y;
}

void pw_init(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
    s->s7_active[0] = -1;
    s->s7_candidate[0] = -1;
}

const char *pw_version(void)
{
    return PW_VERSION;
}

const char *pw_model_id(void)
{
    return PW_MODEL_ID;
}
