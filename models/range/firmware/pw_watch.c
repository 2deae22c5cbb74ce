/* watching: 7 stages, see pw_watch.h. */
#include "pw_watch.h"

/* Words are read as pairs of counts and rows of weights, the first of them in the low bits. */
#if defined(__ARM_BIG_ENDIAN) || defined(__BIG_ENDIAN__) || defined(__ARMEB__) \
    || (defined(__BYTE_ORDER__) && (__BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__))
#error "pw_watch.c wants a little-endian core: nobody has proved it on a big-endian one"
#endif

/* Which form of the weights and of the kernels this core gets. With PW_PLAIN_C defined, all is
 * plain C, the same bits, slower. */
#if defined(__GNUC__) && defined(__thumb__) && !defined(PW_PLAIN_C)
#define PW_WATCH_THUMB
#if defined(__ARM_FEATURE_MVE)
#define PW_WATCH_VECTOR
#include <arm_mve.h>
#endif
#if defined(__ARM_FEATURE_DSP) && defined(__thumb2__)
#define PW_WATCH_DUAL_MAC
#elif !defined(__thumb2__)
#define PW_WATCH_OFFSET_WEIGHTS
#endif
#endif

#define PW_WATCH_W1_TURNS 8u
#define PW_WATCH_W1_BIAS w1_bias
/* (9,), accumulator units */
static const int32_t w1_bias[9] = {
    0, 0, 0, 0, 0, 0, 0, 0, 0,
};
/* (9, 8): four rows interleaved at a time, the rest as they are */
static const int8_t w1_weights[72] = {
    7, -1, -1, -1, -1, 7, -1, -1, -1, -1, 7, -1, -1, -1, -1, 7, -1, -1, -1, -1, -1, -1, -1, -1, -1,
    -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, 7,
    -1, -1, -1, -1, 7, -1, -1, -1, -1, 7, -1, -1, -1, -1, 7, 8, 8, 8, 8, 8, 8, 8, 8,
};

/* (2,) int32, accumulator units */
static const int32_t w3_bias[2] = {
    0, 0,
};
/* (2, 2) inputs added and subtracted */
static const uint16_t w3_counts[4] = {
    1, 0, 1, 0,
};
/* indices of those inputs */
static const uint8_t w3_inputs[2] = {
    8, 9,
};

#define PW_WATCH_W5_TURNS 24u
#define PW_WATCH_W5_BIAS w5_bias
/* (2,), accumulator units */
static const int32_t w5_bias[2] = {
    0, 0,
};
/* (2, 24): four rows interleaved at a time, the rest as they are */
static const int8_t w5_weights[48] = {
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, -60, -27, -60, -27, -60,
    -27, -60, -27, -60, -27, -60, -27, -60, -27, -60, -27, 120, -27, 120, -27, 120, -27, 120, -27,
};

/* (2,) 1 where the class is a gesture */
static const uint8_t w6_gesture[2] = {0u, 1u};
/* (2,) margin that the class needs, in steps of the scores */
static const int32_t w6_asked[2] = {268, 268};

/* A stage is never inlined, so that its cost and its stack can be read from the image. */
#if defined(__GNUC__)
#define PW_WATCH_STAGE static __attribute__((noinline))
#define PW_WATCH_INLINE static inline __attribute__((always_inline))
#define PW_WATCH_LOCAL static inline __attribute__((unused)) /* not every core's form uses each */
#else
#define PW_WATCH_STAGE static
#define PW_WATCH_INLINE static inline
#define PW_WATCH_LOCAL static inline
#endif

/* Before a loop over values, whose number is known: clang unrolls it of its own accord at -O2, GCC
 * where it is asked. */
#if defined(__GNUC__) && !defined(__clang__) && !defined(__OPTIMIZE_SIZE__)
#if __GNUC__ >= 8
#define PW_WATCH_UNROLL _Pragma("GCC unroll 8")
#endif
#endif
#if !defined(PW_WATCH_UNROLL)
#define PW_WATCH_UNROLL
#endif

/* C99 leaves the right shift of a negative value to the compiler; this code needs the arithmetic
 * one, and this declaration is an error where a compiler has another. */
typedef char pw_watch_shift_is_arithmetic[((-3) >> 1) == -2 ? 1 : -1];

#if defined(__GNUC__)
/* Neighbouring values as one word; the attribute allows to read arrays this way. */
typedef uint32_t __attribute__((may_alias)) pw_watch_pair;
#endif

/* x / 2^n, rounded down. */
PW_WATCH_LOCAL int32_t pw_watch_asr32(int32_t x, int32_t n)
{
    return x >> n;
}

PW_WATCH_LOCAL int32_t pw_watch_sat(int32_t x, int32_t low, int32_t high)
{
    return (x < low) ? low : ((x > high) ? high : x);
}

/* What a kernel of rows works on. Assembly knows the places by their offsets:
 * 0, 4, 8, 12, 16, 20 and 24 where addresses have 32 bits. */
typedef struct {
    const void *weights; /* in the order of the kernel, which moves it on */
    const int32_t *bias; /* one a row; 0 where the words of weights hold them */
    int32_t *sums; /* room for whole blocks of four */
    int32_t n_rows;
    const void *x; /* inputs, on a word boundary */
    uint32_t n_turns; /* of the loop over inputs */
    int32_t offset; /* taken off every sum where weights have 128 added */
} pw_watch_rows;

/* Rows of one call. Many make the call cheap; few leave their sums within a compiler's reach. */
#if defined(PW_WATCH_DUAL_MAC) || defined(PW_WATCH_OFFSET_WEIGHTS)
#define PW_WATCH_GROUP 32
#else
#define PW_WATCH_GROUP 8
#endif
#define PW_WATCH_AT_MOST_A_GROUP(n) (((n) < PW_WATCH_GROUP) ? (n) : PW_WATCH_GROUP)

/* Between inputs, where registers are few: nothing of the next one is loaded before its turn. */
#if defined(__GNUC__) && defined(__riscv_32e)
#define PW_WATCH_IN_TURN __asm__ volatile("" : : : "memory");
#else
#define PW_WATCH_IN_TURN
#endif

/* Four rows a turn, an input of int32_t for four weights of int8_t at once; then the rows left.
 * Inlined, so that a compiler knows the lengths. */
PW_WATCH_INLINE void pw_watch_rows_32_8_plain(pw_watch_rows *rows)
{
    const int8_t *w = (const int8_t *)rows->weights;
    int32_t row = 0;
    for (; row + 4 <= rows->n_rows; row += 4) {
        const int32_t *x = (const int32_t *)rows->x;
        int32_t a0 = rows->bias[row];
        int32_t a1 = rows->bias[row + 1];
        int32_t a2 = rows->bias[row + 2];
        int32_t a3 = rows->bias[row + 3];
        int32_t v;
        for (uint32_t i = 0u; i < rows->n_turns / 4u; i++) {
            v = (int32_t)x[0];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            PW_WATCH_IN_TURN
            v = (int32_t)x[1];
            a0 += v * (int32_t)w[4];
            a1 += v * (int32_t)w[5];
            a2 += v * (int32_t)w[6];
            a3 += v * (int32_t)w[7];
            PW_WATCH_IN_TURN
            v = (int32_t)x[2];
            a0 += v * (int32_t)w[8];
            a1 += v * (int32_t)w[9];
            a2 += v * (int32_t)w[10];
            a3 += v * (int32_t)w[11];
            PW_WATCH_IN_TURN
            v = (int32_t)x[3];
            a0 += v * (int32_t)w[12];
            a1 += v * (int32_t)w[13];
            a2 += v * (int32_t)w[14];
            a3 += v * (int32_t)w[15];
            x = &x[4];
            w = &w[16];
        }
        for (uint32_t i = 0u; i < rows->n_turns % 4u; i++) {
            v = (int32_t)x[0];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            x = &x[1];
            w = &w[4];
        }
        rows->sums[row] = a0;
        rows->sums[row + 1] = a1;
        rows->sums[row + 2] = a2;
        rows->sums[row + 3] = a3;
    }
    for (; row < rows->n_rows; row++) {
        const int32_t *x = (const int32_t *)rows->x;
        int32_t sum = rows->bias[row];
        for (uint32_t i = 0u; i < rows->n_turns; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        w = &w[rows->n_turns];
        rows->sums[row] = sum;
    }
    rows->weights = w;
    rows->bias = &rows->bias[row];
}

/* Four rows a turn, an input of int16_t for four weights of int8_t at once; then the rows left.
 * Inlined, so that a compiler knows the lengths. */
PW_WATCH_INLINE void pw_watch_rows_16_8_plain(pw_watch_rows *rows)
{
    const int8_t *w = (const int8_t *)rows->weights;
    int32_t row = 0;
    for (; row + 4 <= rows->n_rows; row += 4) {
        const int16_t *x = (const int16_t *)rows->x;
        int32_t a0 = rows->bias[row];
        int32_t a1 = rows->bias[row + 1];
        int32_t a2 = rows->bias[row + 2];
        int32_t a3 = rows->bias[row + 3];
        int32_t v;
        for (uint32_t i = 0u; i < rows->n_turns / 4u; i++) {
            v = (int32_t)x[0];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            PW_WATCH_IN_TURN
            v = (int32_t)x[1];
            a0 += v * (int32_t)w[4];
            a1 += v * (int32_t)w[5];
            a2 += v * (int32_t)w[6];
            a3 += v * (int32_t)w[7];
            PW_WATCH_IN_TURN
            v = (int32_t)x[2];
            a0 += v * (int32_t)w[8];
            a1 += v * (int32_t)w[9];
            a2 += v * (int32_t)w[10];
            a3 += v * (int32_t)w[11];
            PW_WATCH_IN_TURN
            v = (int32_t)x[3];
            a0 += v * (int32_t)w[12];
            a1 += v * (int32_t)w[13];
            a2 += v * (int32_t)w[14];
            a3 += v * (int32_t)w[15];
            x = &x[4];
            w = &w[16];
        }
        for (uint32_t i = 0u; i < rows->n_turns % 4u; i++) {
            v = (int32_t)x[0];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            x = &x[1];
            w = &w[4];
        }
        rows->sums[row] = a0;
        rows->sums[row + 1] = a1;
        rows->sums[row + 2] = a2;
        rows->sums[row + 3] = a3;
    }
    for (; row < rows->n_rows; row++) {
        const int16_t *x = (const int16_t *)rows->x;
        int32_t sum = rows->bias[row];
        for (uint32_t i = 0u; i < rows->n_turns; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        w = &w[rows->n_turns];
        rows->sums[row] = sum;
    }
    rows->weights = w;
    rows->bias = &rows->bias[row];
}

/* Stage s0: bins. */
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_WATCH_STAGE void w0_row(int32_t *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if ((row < 8u) || (row >= 24u)) {
        return;
    }
    const uint32_t line = (row - 8u) / 16u;
    const int starts = ((row - 8u) == (line * 16u));
    int32_t *bin = &y[line * 8u];
#if defined(__GNUC__) && !defined(PW_WATCH_OFFSET_WEIGHTS) /* short of registers it would be
        slower */
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) { /* both halves side by side */
        const pw_watch_pair *l = (const pw_watch_pair *)(const void *)&lit[0u];
        const pw_watch_pair *d = (const pw_watch_pair *)(const void *)&dark[0u];
        PW_WATCH_UNROLL
        for (uint32_t b = 0u; b < 8u; b++) {
            int32_t sum = starts ? 0 : (int32_t)bin[b];
            uint32_t halves = 0x80008000u; /* so that neither borrows from the other */
            halves += l[0] - d[0];
            halves += l[1] - d[1];
            halves += l[2] - d[2];
            halves += l[3] - d[3];
            sum += (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
            bin[b] = (int32_t)(sum - 65536);
            l = &l[4];
            d = &d[4];
        }
        return;
    }
#endif
    uint32_t col = 0u;
    for (uint32_t b = 0u; b < 8u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        PW_WATCH_UNROLL
        for (uint32_t i = 0u; i < 8u; i++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
            col++;
        }
        bin[b] = (int32_t)sum;
    }
}

#if defined(PW_WATCH_VECTOR)
/* Lit minus dark of eight columns, over 8 rows: counts up to 4095 keep them in 16 bits. */
static inline int16x8_t w0_down(const uint16_t *lit, const uint16_t *dark)
{
    uint16x8_t sum = vsubq_u16(vldrhq_u16(lit), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[64];
    dark = &dark[64];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    return vreinterpretq_s16_u16(sum);
}

static inline void w0_across(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t b = 0u; b < 8u; b++) {
        int32_t sum = 0;
        for (uint32_t part = 0u; part < 2u; part++) {
            const uint32_t at = (b * 8u) + (part * 512u);
            for (uint32_t i = 0u; i < 8u; i += 8u) {
                sum = vaddvaq_s16(sum, w0_down(&lit[at + i], &dark[at + i]));
            }
        }
        y[b] = (int32_t)sum;
    }
}

PW_WATCH_STAGE void w0_frame(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
    lit = &lit[512];
    dark = &dark[512];
    for (uint32_t line = 0u; line < 1u; line++) {
        w0_across(&y[line * 8u], lit, dark);
        lit = &lit[1024];
        dark = &dark[1024];
    }
}
#else
#if defined(__GNUC__)
#if defined(PW_WATCH_THUMB)
/* The sums of two bins over 4 rows, low and high halves side by side: at most
 * 16 words of counts up to 4095, which fit 16 bits. It saves what it uses, so that a
 * compiler has no register to find. */
static inline void w0_add(const pw_watch_pair *words, uint32_t *sums)
{
    register const pw_watch_pair *at __asm__("r0") = words;
    register uint32_t sum __asm__("r1");
    register uint32_t next __asm__("r2");
#if defined(PW_WATCH_DUAL_MAC)
    __asm__ volatile(
        "push {r6, r7, r10}\n\t"
        "mov r12, #1\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "add r1, r3, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "add r2, r7, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #128\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "umaal r1, r3, r12, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "umaal r2, r7, r12, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #128\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "umaal r1, r3, r12, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "umaal r2, r7, r12, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #128\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "umaal r1, r3, r12, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "umaal r2, r7, r12, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "pop {r6, r7, r10}\n\t"
        : "+r"(at), "=r"(sum), "=r"(next)
        :
        : "r3", "r4", "r5", "r8", "r12", "lr", "cc", "memory");
#else
    register uint32_t jump __asm__("r3") = 96u;
    __asm__ volatile(
        ".syntax unified\n\t"
        "push {r4, r5, r6, r7}\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r1, r4, r5\n\t"
        "adds r1, r1, r6\n\t"
        "adds r1, r1, r7\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r2, r4, r5\n\t"
        "adds r2, r2, r6\n\t"
        "adds r2, r2, r7\n\t"
        "adds r0, r0, r3\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r1, r1, r4\n\t"
        "adds r1, r1, r5\n\t"
        "adds r1, r1, r6\n\t"
        "adds r1, r1, r7\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r2, r2, r4\n\t"
        "adds r2, r2, r5\n\t"
        "adds r2, r2, r6\n\t"
        "adds r2, r2, r7\n\t"
        "adds r0, r0, r3\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r1, r1, r4\n\t"
        "adds r1, r1, r5\n\t"
        "adds r1, r1, r6\n\t"
        "adds r1, r1, r7\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r2, r2, r4\n\t"
        "adds r2, r2, r5\n\t"
        "adds r2, r2, r6\n\t"
        "adds r2, r2, r7\n\t"
        "adds r0, r0, r3\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r1, r1, r4\n\t"
        "adds r1, r1, r5\n\t"
        "adds r1, r1, r6\n\t"
        "adds r1, r1, r7\n\t"
        "ldmia r0!, {r4, r5, r6, r7}\n\t"
        "adds r2, r2, r4\n\t"
        "adds r2, r2, r5\n\t"
        "adds r2, r2, r6\n\t"
        "adds r2, r2, r7\n\t"
        "pop {r4, r5, r6, r7}"
        : "+r"(at), "=r"(sum), "=r"(next)
        : "r"(jump)
        : "r12", "lr", "cc", "memory");
#endif
    sums[0] = sum;
    sums[1] = next;
}

static inline void w0_line(int32_t *y, const pw_watch_pair *lit, const pw_watch_pair *dark)
{
    for (uint32_t b = 0u; b < 8u; b += 2u) {
        int32_t sum[2] = {0};
        for (uint32_t part = 0u; part < 4u; part++) {
            uint32_t l[2];
            uint32_t d[2];
            w0_add(&lit[part * 128u], l);
            w0_add(&dark[part * 128u], d);
            sum[0] += (int32_t)(l[0] & 0xFFFFu) + (int32_t)(l[0] >> 16);
            sum[0] -= (int32_t)(d[0] & 0xFFFFu) + (int32_t)(d[0] >> 16);
            sum[1] += (int32_t)(l[1] & 0xFFFFu) + (int32_t)(l[1] >> 16);
            sum[1] -= (int32_t)(d[1] & 0xFFFFu) + (int32_t)(d[1] >> 16);
        }
        y[b + 0u] = (int32_t)sum[0];
        y[b + 1u] = (int32_t)sum[1];
        lit = &lit[8];
        dark = &dark[8];
    }
}
#else
/* One line of bins. Both halves of `halves` add up side by side; they start from 2^15, so that
 * neither borrows from the other, and 2 rows of counts up to 4095 keep them in 16 bits. */
static inline void w0_line(int32_t *y, const pw_watch_pair *lit, const pw_watch_pair *dark)
{
    for (uint32_t b = 0u; b < 8u; b++) {
        int32_t sum = -524288;
        const pw_watch_pair *l = lit;
        const pw_watch_pair *d = dark;
        for (uint32_t row = 0u; row < 16u; row += 2u) {
            uint32_t halves = 0x80008000u;
            PW_WATCH_UNROLL
            for (uint32_t i = 0u; i < 2u; i++) {
                halves += l[0] - d[0];
                halves += l[1] - d[1];
                halves += l[2] - d[2];
                halves += l[3] - d[3];
                l = &l[32];
                d = &d[32];
                __asm__ volatile("" : "+r"(halves) : : "memory"); /* no load before its turn */
            }
            sum += (int32_t)(halves & 0xFFFFu) + (int32_t)(halves >> 16);
        }
        y[b] = (int32_t)sum;
        lit = &lit[4];
        dark = &dark[4];
    }
}
#endif
#endif

PW_WATCH_STAGE void w0_frame(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_watch_pair *l = (const pw_watch_pair *)(const void *)&lit[512];
        const pw_watch_pair *d = (const pw_watch_pair *)(const void *)&dark[512];
        for (uint32_t line = 0u; line < 1u; line++) {
            w0_line(&y[line * 8u], &l[line * 512u], &d[line * 512u]);
        }
        return;
    }
#endif
    for (uint32_t row = 8u; row < 24u; row++) {
        w0_row(y, row, &lit[row * 64u], &dark[row * 64u]);
    }
}
#endif

/* Stage s1: dense. */
PW_WATCH_LOCAL int32_t w1_scaled(int32_t sum)
{
    return pw_watch_sat(pw_watch_asr32((sum * 1) + 64, 7), -32767, 32767);
}

/* y = saturate(round(1 / 2^7 * (weights x + bias)));
 * accumulators were proved within +-33546240. */
PW_WATCH_STAGE void w1_run(const int32_t *x, int16_t *y)
{
    int32_t sums[PW_WATCH_AT_MOST_A_GROUP(12)];
    pw_watch_rows rows = {w1_weights, PW_WATCH_W1_BIAS, sums, 0, x, PW_WATCH_W1_TURNS, 0};
    for (int32_t row = 0; row < 9; row += PW_WATCH_GROUP) {
        const int32_t n = PW_WATCH_AT_MOST_A_GROUP(9 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_watch_rows_32_8_plain(&rows);
#if defined(PW_WATCH_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            value = vmulq_n_s32(value, 1);
            value = vrshrq_n_s32(value, 7);
            value = vmaxq_s32(value, vdupq_n_s32(-32767));
            value = vminq_s32(value, vdupq_n_s32(32767));
            vstrhq_p_s32(&y[row + i], value, left);
        }
#else
        PW_WATCH_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int16_t)w1_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s2: motion. */
/* As if the frame before had been this one. */
PW_WATCH_STAGE void w2_settle(pw_watch_state *s, const int16_t *x)
{
    for (uint32_t i = 0u; i < 9u; i++) {
        s->w2_previous[i] = x[i];
    }
}

/* Values pass unchanged; the last output is the sum of absolute changes in units of 2^0. */
PW_WATCH_STAGE void w2_run(pw_watch_state *s, const int16_t *x, int16_t *y)
{
    int32_t change = 0;
    PW_WATCH_UNROLL
    for (uint32_t i = 0u; i < 9u; i++) {
        const int32_t step = (int32_t)x[i] - s->w2_previous[i];
        change += (step < 0) ? -step : step;
        s->w2_previous[i] = x[i];
        y[i] = (int16_t)x[i];
    }
    y[9] = (int16_t)pw_watch_sat(pw_watch_asr32(change + 0, 0), 0, 32767);
}

/* Stage s3: dense. */
PW_WATCH_LOCAL int32_t w3_scaled(int32_t sum)
{
    return pw_watch_sat(pw_watch_asr32((sum * 1) + 0, 0), -32767, 32767);
}

/* y = saturate(round(1 / 2^0 * (weights x + bias))), all weights -1, 0 or 1:
 * each row lists the inputs that it adds, then those that it subtracts; nothing is multiplied.
 * Accumulators were proved within +-32767. */
PW_WATCH_STAGE void w3_run(const int16_t *x, int16_t *y)
{
    const uint8_t *at = w3_inputs;
    for (uint32_t row = 0u; row < 2u; row++) {
        int32_t sum = w3_bias[row];
        for (uint32_t n = w3_counts[2u * row]; n != 0u; n--) {
            sum += (int32_t)x[*at++];
        }
        for (uint32_t n = w3_counts[(2u * row) + 1u]; n != 0u; n--) {
            sum -= (int32_t)x[*at++];
        }
        y[row] = (int16_t)w3_scaled(sum);
    }
}

/* Stage s4: window. */
/* As if the frames before had all been this one. */
PW_WATCH_STAGE void w4_settle(pw_watch_state *s, const int16_t *x)
{
    for (uint32_t place = 0u; place < 12u; place++) {
        for (uint32_t i = 0u; i < 2u; i++) {
            s->w4_history[(place * 2u) + i] = x[i];
        }
    }
    for (uint32_t segment = 0u; segment < 12u; segment++) {
        for (uint32_t i = 0u; i < 2u; i++) {
            s->w4_sums[(segment * 2u) + i] =
                (int16_t)(1 * (int32_t)x[i]);
        }
    }
}
/* Each segment's sum gains the value that enters it and loses the one that leaves: a value leaving
 * one segment enters the older one before it. The ring's oldest frame is overwritten. */
PW_WATCH_STAGE void w4_run(pw_watch_state *s, const int16_t *x, int16_t *y)
{
    const uint32_t position = (uint32_t)s->w4_position[0];
    uint32_t slot = position;
    for (uint32_t segment = 0u; segment < 12u; segment++) {
        const int16_t *leaving = &s->w4_history[slot * 2u];
        const int16_t *entering = x;
        slot += 1u;
        if (slot >= 12u) {
            slot -= 12u;
        }
        if (segment + 1u < 12u) {
            entering = &s->w4_history[slot * 2u];
        }
        int16_t *sums = &s->w4_sums[segment * 2u];
        int16_t *out = &y[segment * 2u];
#if defined(PW_WATCH_VECTOR)
        for (uint32_t i = 0u; i < 2u; i += 4u) {
            const mve_pred16_t left = vctp32q(2u - i);
            const int32x4_t enters = vldrhq_z_s32(&entering[i], left);
            const int32x4_t change = vsubq_s32(enters, vldrhq_z_s32(&leaving[i], left));
            int32x4_t value = vaddq_s32(change, vldrhq_z_s32(&sums[i], left));
            vstrhq_p_s32(&sums[i], value, left);
            value = vmaxq_s32(value, vdupq_n_s32(-32767));
            value = vminq_s32(value, vdupq_n_s32(32767));
            vstrhq_p_s32(&out[i], value, left);
        }
#else
        PW_WATCH_UNROLL
        for (uint32_t i = 0u; i < 2u; i++) {
            const int32_t sum = sums[i] + entering[i] - leaving[i];
            sums[i] = (int16_t)sum;
            out[i] = (int16_t)pw_watch_sat(sum, -32767, 32767);
        }
#endif
    }
    int16_t *oldest = &s->w4_history[position * 2u];
    PW_WATCH_UNROLL
    for (uint32_t i = 0u; i < 2u; i++) {
        oldest[i] = x[i];
    }
    s->w4_position[0] = (int32_t)((position + 1u < 12u) ? position + 1u : 0u);
}

/* Stage s5: dense. */
PW_WATCH_LOCAL int32_t w5_scaled(int32_t sum)
{
    return sum;
}

/* y = saturate(round(1 / 2^0 * (weights x + bias)));
 * accumulators were proved within +-42072828. */
PW_WATCH_STAGE void w5_run(const int16_t *x, int32_t *y)
{
    int32_t sums[PW_WATCH_AT_MOST_A_GROUP(4)];
    pw_watch_rows rows = {w5_weights, PW_WATCH_W5_BIAS, sums, 0, x, PW_WATCH_W5_TURNS, 0};
    for (int32_t row = 0; row < 2; row += PW_WATCH_GROUP) {
        const int32_t n = PW_WATCH_AT_MOST_A_GROUP(2 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_watch_rows_16_8_plain(&rows);
#if defined(PW_WATCH_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            vstrwq_p_s32(&y[row + i], value, left);
        }
#else
        PW_WATCH_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int32_t)w5_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s6: decision. */
/* Margin of the best score over the next one decides; an event is told on its first frame only. */
PW_WATCH_STAGE void w6_run(pw_watch_state *s, const int32_t *x, int32_t *y)
{
    int32_t best = 0;
    PW_WATCH_UNROLL
    for (int32_t i = 1; i < 2; i++) {
        if (x[i] > x[best]) {
            best = i;
        }
    }
    int32_t next = INT32_MIN;
    PW_WATCH_UNROLL
    for (int32_t i = 0; i < 2; i++) {
        if (i != best && x[i] > next) {
            next = x[i];
        }
    }
    const int32_t margin = x[best] - next;
    int32_t wanted = -1;
    if (margin >= w6_asked[best] && w6_gesture[best] != 0u) {
        wanted = best;
    }
    if (wanted == -1) {
        s->w6_count[0] = 0;
    } else if (wanted != s->w6_candidate[0]) {
        s->w6_count[0] = 1;
    } else if (s->w6_count[0] < 1) {
        s->w6_count[0] += 1;
    } else {
        /* long enough already */
    }
    s->w6_candidate[0] = wanted;
    if (best != s->w6_active[0] || margin < w6_asked[best] - 0) {
        s->w6_active[0] = -1;
    }
    if (s->w6_hold[0] > 0) {
        s->w6_hold[0] -= 1;
    }
    y[0] = -1;
    if (wanted != -1 && wanted != s->w6_active[0] && s->w6_count[0] >= 1
        && s->w6_hold[0] == 0) {
        y[0] = wanted;
        s->w6_active[0] = wanted;
        s->w6_hold[0] = 0;
    }
}

#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_watch_word; /* of any memory */
#endif

#if defined(PW_WATCH_THUMB)
/* Many words, at least as many as a store of all registers that there are zeroes; the last store
 * begins so far before the end, over zeroes where they do not come out even. */
#if defined(__thumb2__)
#define PW_WATCH_AT_ONCE 8
#define PW_WATCH_ZEROES "{r2, r3, r4, r5, r6, r8, r12, lr}"
#define PW_WATCH_HIGH_ZEROES "mov r8, r2\n\tmov r12, r2\n\tmov lr, r2\n\t"
#define PW_WATCH_HIGH_USED , "r8", "r12", "lr"
#else
#define PW_WATCH_AT_ONCE 5
#define PW_WATCH_ZEROES "{r2, r3, r4, r5, r6}"
#define PW_WATCH_HIGH_ZEROES
#define PW_WATCH_HIGH_USED
#endif
PW_WATCH_LOCAL void watch_wipe_many(void *from, uint32_t n_words)
{
    register void *at __asm__("r0") = from;
    register uint32_t left __asm__("r1") = n_words - (uint32_t)PW_WATCH_AT_ONCE;
    __asm__ volatile(
        ".syntax unified\n\t"
        "movs r2, #0\n\t"
        "movs r3, #0\n\t"
        "movs r4, #0\n\t"
        "movs r5, #0\n\t"
        "movs r6, #0\n\t" PW_WATCH_HIGH_ZEROES
        "subs r1, %[turn]\n\t"
        "bmi 2f\n"
        "1:\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "subs r1, %[turn]\n\t"
        "bpl 1b\n"
        "2:\n\t"
        "adds r1, %[rest]\n\t"
        "bmi 4f\n"
        "3:\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "subs r1, %[one]\n\t"
        "bpl 3b\n"
        "4:\n\t"
        "stmia r0!, " PW_WATCH_ZEROES "\n\t"
        "lsls r1, r1, #2\n\t"
        "adds r0, r0, r1\n\t"
        "stmia r0!, " PW_WATCH_ZEROES
        : "+r"(at), "+r"(left)
        : [turn] "i"(4 * PW_WATCH_AT_ONCE), [rest] "i"(3 * PW_WATCH_AT_ONCE), [one]
        "i"(PW_WATCH_AT_ONCE)
        : "r2", "r3", "r4", "r5", "r6" PW_WATCH_HIGH_USED, "cc", "memory");
}
#endif

#if defined(__GNUC__)
__attribute__((noinline)) /* once in flash, however often it is called */
#endif
void pw_watch_wipe(void *from, uint32_t n_words)
{
#if defined(__GNUC__)
    pw_watch_word *word = (pw_watch_word *)from;
#if defined(PW_WATCH_THUMB)
    if (n_words >= (uint32_t)PW_WATCH_AT_ONCE) {
        watch_wipe_many(from, n_words);
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

void pw_watch_drop(pw_watch_state *s)
{
    const uint8_t *from = (const uint8_t *)&s->even;
    const uint8_t *to = (const uint8_t *)&s->settling; /* what stands before it is room */
    pw_watch_wipe(&s->even, (uint32_t)(to - from) / 4u);
}

static int32_t watch_finish(pw_watch_state *s)
{
    w1_run(s->even.w0_y, s->odd.w1_y);
    if (s->settling != 0u) {
        w2_settle(s, s->odd.w1_y);
    }
    w2_run(s, s->odd.w1_y, s->even.w2_y);
    w3_run(s->even.w2_y, s->odd.w3_y);
    if (s->settling != 0u) {
        w4_settle(s, s->odd.w3_y);
    }
    w4_run(s, s->odd.w3_y, s->even.w4_y);
    w5_run(s->even.w4_y, s->w5_y);
    w6_run(s, s->w5_y, s->w6_y);
    s->settling = 0u;
    pw_watch_drop(s);
    return s->w6_y[0];
}

#if defined(PW_CHECK_COUNTS) || !defined(PW_TRUST_ROWS)
#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_watch_two; /* neighbouring counts as one word */
#endif

/* Whether any count of either exposure is over the maximum, which is all ones. */
static int watch_over(const uint16_t *lit, const uint16_t *dark, uint32_t n)
{
    uint32_t seen = 0u;
    uint32_t i = 0u;
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_watch_two *l = (const pw_watch_two *)lit;
        const pw_watch_two *d = (const pw_watch_two *)dark;
        PW_WATCH_UNROLL
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
    return seen > PW_WATCH_MAX_COUNTS;
}
#endif

int32_t pw_watch_step(pw_watch_state *s, const uint16_t *lit, const uint16_t *dark)
{
#if defined(PW_CHECK_COUNTS)
    if (watch_over(lit, dark, PW_WATCH_N_ROWS * PW_WATCH_N_COLS) != 0) {
        return PW_WATCH_ERROR_COUNTS;
    }
#endif
    w0_frame(s->even.w0_y, lit, dark);
    return watch_finish(s);
}

#if !defined(PW_TRUST_ROWS)
/* Notes a row of the frame and the frame's first error, which it returns; 0 when there is none. */
static int32_t watch_note_row(pw_watch_state *s, uint32_t row, const uint16_t *lit, const uint16_t
        *dark)
{
    int32_t error = 0;
    if (row >= PW_WATCH_N_ROWS) {
        error = PW_WATCH_ERROR_ROWS;
    } else if ((row >= 8u) && (row < 24u)) {
        if (row != s->rows_done + 8u) {
            error = PW_WATCH_ERROR_ROWS;
        } else if (watch_over(lit, dark, PW_WATCH_N_COLS) != 0) {
            error = PW_WATCH_ERROR_COUNTS;
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

int32_t pw_watch_feed_row(pw_watch_state *s, uint32_t row, const uint16_t *lit, const uint16_t
        *dark)
{
#if !defined(PW_TRUST_ROWS)
    const int32_t error = watch_note_row(s, row, lit, dark);
    if (error != 0) {
        return error;
    }
#endif
    w0_row(s->even.w0_y, row, lit, dark);
    return 0;
}

int32_t pw_watch_finish(pw_watch_state *s)
{
#if !defined(PW_TRUST_ROWS)
    int32_t error = s->rows_error;
    if ((error == 0) && (s->rows_done != 16u)) {
        error = PW_WATCH_ERROR_ROWS;
    }
    if (error != 0) {
        pw_watch_drop(s);
        return error;
    }
#endif
    return watch_finish(s);
}

const int32_t *pw_watch_scores(const pw_watch_state *s)
{
    return s->w5_y;
}

void pw_watch_init(pw_watch_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
    s->w6_active[0] = -1;
    s->w6_candidate[0] = -1;
}

void pw_watch_settle(pw_watch_state *s)
{
    s->settling = 1u;
}

const char *pw_watch_version(void)
{
    return PW_WATCH_VERSION;
}

const char *pw_watch_model_id(void)
{
    return PW_WATCH_MODEL_ID;
}

int32_t pw_watch_arrived(const pw_watch_state *s)
{
    return (s->w5_y[1] - s->w5_y[0]) >= 268;
}

int32_t pw_watch_rest(const pw_watch_state *s)
{
    int32_t rest = 0;
    for (uint32_t i = 0u; i < 8u; i++) {
        rest += s->w4_sums[(2u * i) + 1u];
    }
    return rest;
}

int32_t pw_watch_moved(const pw_watch_state *s, int32_t rest)
{
    return ((3 * s->w4_sums[23]) - (1 * rest)) >= 10;
}
