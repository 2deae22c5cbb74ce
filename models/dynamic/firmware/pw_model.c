/* dynamic: 12 stages, see pw_model.h. */
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

#if defined(PW_VECTOR)
/* The same of four values, from a shift of 17 on. */
PW_LOCAL int32x4_t pw_requant_4(int32x4_t x, int32_t multiplier, int32_t shift)
{
    const int32x4_t high = vmulq_n_s32(vshrq_n_s32(x, 16), multiplier);
    const uint32x4_t below = vandq_u32(vreinterpretq_u32_s32(x), vdupq_n_u32(0xFFFFu));
    const uint32x4_t low = vshrq_n_u32(vmulq_n_u32(below, (uint32_t)multiplier), 16);
    return vrshlq_n_s32(vaddq_s32(high, vreinterpretq_s32_u32(low)), 16 - shift);
}
#endif

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
} pw_rows;

/* Rows of one call. Many make the call cheap; few leave their sums within a compiler's reach. */
#if defined(PW_DUAL_MAC) || defined(PW_OFFSET_WEIGHTS)
#define PW_GROUP 32
#else
#define PW_GROUP 8
#endif
#define PW_AT_MOST_A_GROUP(n) (((n) < PW_GROUP) ? (n) : PW_GROUP)

/* Between inputs, where registers are few: nothing of the next one is loaded before its turn. */
#if defined(__GNUC__) && defined(__riscv_32e)
#define PW_IN_TURN __asm__ volatile("" : : : "memory");
#else
#define PW_IN_TURN
#endif

#if defined(PW_VECTOR)
/* Four rows a block, 8 inputs a turn: a vector of inputs, times one of weights for each row,
 * summed into the row's register. A last turn of fewer inputs is predicated by the loop itself. */
PW_STAGE void pw_rows_16_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "ldr r1, [r0]\n\t"
        "ldrd r5, r7, [r0, #8]\n\t" /* sums, rows */
        "ldrd r11, r12, [r0, #16]\n\t" /* inputs, how many */
        "1: ldmia r1!, {r2, r4, r6, r8}\n\t"
        "mov r3, r11\n\t"
        "dlstp.16 lr, r12\n\t"
        "2: vldrh.u16 q0, [r3], #16\n\t"
        "vldrb.s16 q1, [r1], #8\n\t"
        "vmlava.s16 r2, q0, q1\n\t"
        "vldrb.s16 q2, [r1], #8\n\t"
        "vmlava.s16 r4, q0, q2\n\t"
        "vldrb.s16 q1, [r1], #8\n\t"
        "vmlava.s16 r6, q0, q1\n\t"
        "vldrb.s16 q2, [r1], #8\n\t"
        "vmlava.s16 r8, q0, q2\n\t"
        "letp lr, 2b\n\t"
        "stmia r5!, {r2, r4, r6, r8}\n\t"
        "subs r7, r7, #4\n\t"
        "bgt 1b\n\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "s0", "s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8",
          "s9", "s10", "s11", "cc", "memory");
}
#elif defined(PW_DUAL_MAC)
/* Four rows a block, eight inputs a turn. A word holds four weights of a row as bytes 0, 2, 1, 3,
 * so that SXTB16 gives the weights of inputs 0 and 1, rotated by 8 those of inputs 2 and 3. */
#define PW_ROW_16(a, w) \
    "sxtb16 lr, " w "\n\t" \
    "smlad " a ", lr, r2, " a "\n\t" \
    "sxtb16 " w ", " w ", ror #8\n\t" \
    "smlad " a ", " w ", r3, " a "\n\t"
#define PW_FOUR_16 \
    "ldrd r2, r3, [r0], #8\n\t" \
    "ldmia r1!, {r4, r5, r6, r7}\n\t" \
    PW_ROW_16("r8", "r4") PW_ROW_16("r10", "r5") PW_ROW_16("r11", "r6") PW_ROW_16("r12", "r7")
PW_STAGE void pw_rows_16_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "ldr r1, [r0]\n\t"
        "ldrd r2, r3, [r0, #8]\n\t"
        "ldrd r4, r5, [r0, #16]\n\t"
        "add r6, r4, r5, lsl #4\n\t"
        "push {r2, r3, r4, r5, r6}\n\t" /* sums, rows, inputs, turns, where inputs end */
        "1: ldrd r0, r3, [sp, #8]\n\t"
        "ldmia r1!, {r8, r10, r11, r12}\n\t"
        "lsrs r3, r3, #1\n\t" /* two turns at a time; an odd number starts in the middle */
        "bcs 3f\n\t"
        "2:\n\t" PW_FOUR_16 PW_FOUR_16
        "3:\n\t" PW_FOUR_16 PW_FOUR_16
        "ldr r2, [sp, #16]\n\t"
        "cmp r0, r2\n\t"
        "bne 2b\n\t"
        "ldrd r3, r4, [sp]\n\t"
        "stmia r3!, {r8, r10, r11, r12}\n\t"
        "subs r4, r4, #4\n\t"
        "strd r3, r4, [sp]\n\t"
        "bgt 1b\n\t"
        "add sp, sp, #20\n\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows a block, four inputs a turn, a word of weights an input: bytes with 128 added, because
 * this core loads unsigned bytes with an offset, signed ones without. */
#define PW_INPUT_16(place, w0, w1, w2, w3) \
    "ldrsh r2, [r0, " place "]\n\t" \
    "ldrb r3, [r1, #" w0 "]\n\tmuls r3, r2, r3\n\tadd r8, r3\n\t" \
    "ldrb r3, [r1, #" w1 "]\n\tmuls r3, r2, r3\n\tadd r10, r3\n\t" \
    "ldrb r3, [r1, #" w2 "]\n\tmuls r3, r2, r3\n\tadds r6, r3\n\t" \
    "ldrb r3, [r1, #" w3 "]\n\tmuls r3, r2, r3\n\tadds r7, r3\n\t"
PW_STAGE void pw_rows_16_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        ".syntax unified\n\t"
        "push {r4, r5, r6, r7}\n\t"
        "mov r4, r8\n\t"
        "mov r5, r10\n\t"
        "push {r0, r4, r5}\n\t"
        "mov r12, r0\n\t"
        "ldr r1, [r0]\n\t"
        "ldr r2, [r0, #16]\n\t"
        "ldr r3, [r0, #20]\n\t"
        "lsls r3, r3, #3\n\t"
        "adds r2, r2, r3\n\t"
        "mov lr, r2\n\t" /* where the inputs end */
        "1: mov r2, r12\n\t"
        "ldmia r1!, {r4, r5, r6, r7}\n\t"
        "ldr r0, [r2, #24]\n\t"
        "subs r4, r4, r0\n\t"
        "subs r5, r5, r0\n\t"
        "subs r6, r6, r0\n\t"
        "subs r7, r7, r0\n\t"
        "mov r8, r4\n\t"
        "mov r10, r5\n\t"
        "movs r4, #0\n\t"
        "movs r5, #2\n\t"
        "ldr r0, [r2, #16]\n\t"
        "ldr r3, [r2, #20]\n\t"
        "lsrs r3, r3, #1\n\t" /* two turns at a time; an odd number starts in the middle */
        "bcc 2f\n\t"
        "subs r1, #16\n\t"
        "b 3f\n\t"
        "2:\n\t"
        PW_INPUT_16("r4", "0", "1", "2", "3")
        PW_INPUT_16("r5", "4", "5", "6", "7")
        "adds r0, #4\n\t"
        PW_INPUT_16("r4", "8", "9", "10", "11")
        PW_INPUT_16("r5", "12", "13", "14", "15")
        "adds r0, #4\n\t"
        "3:\n\t"
        PW_INPUT_16("r4", "16", "17", "18", "19")
        PW_INPUT_16("r5", "20", "21", "22", "23")
        "adds r0, #4\n\t"
        PW_INPUT_16("r4", "24", "25", "26", "27")
        PW_INPUT_16("r5", "28", "29", "30", "31")
        "adds r0, #4\n\t"
        "adds r1, #32\n\t"
        "cmp r0, lr\n\t"
        "bne 2b\n\t"
        "mov r2, r12\n\t"
        "ldr r3, [r2, #8]\n\t"
        "mov r4, r8\n\t"
        "mov r5, r10\n\t"
        "stmia r3!, {r4, r5, r6, r7}\n\t"
        "str r3, [r2, #8]\n\t"
        "ldr r3, [r2, #12]\n\t"
        "subs r3, #4\n\t"
        "str r3, [r2, #12]\n\t"
        "ble 4f\n\t"
        "b 1b\n\t"
        "4: str r1, [r2]\n\t"
        "pop {r0, r4, r5}\n\t"
        "mov r8, r4\n\t"
        "mov r10, r5\n\t"
        "pop {r4, r5, r6, r7}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#else
/* Four rows a turn, an input of int16_t for four weights of int8_t at once; then the rows left.
 * Inlined, so that a compiler knows the lengths. */
PW_INLINE void pw_rows_16_8(pw_rows *rows)
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
            PW_IN_TURN
            v = (int32_t)x[1];
            a0 += v * (int32_t)w[4];
            a1 += v * (int32_t)w[5];
            a2 += v * (int32_t)w[6];
            a3 += v * (int32_t)w[7];
            PW_IN_TURN
            v = (int32_t)x[2];
            a0 += v * (int32_t)w[8];
            a1 += v * (int32_t)w[9];
            a2 += v * (int32_t)w[10];
            a3 += v * (int32_t)w[11];
            PW_IN_TURN
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
#endif

#if defined(PW_VECTOR)
/* Four rows a block, 16 inputs a turn: a vector of inputs, times one of weights for each row,
 * summed into the row's register. A last turn of fewer inputs is predicated by the loop itself. */
PW_STAGE void pw_rows_8_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "ldr r1, [r0]\n\t"
        "ldrd r5, r7, [r0, #8]\n\t" /* sums, rows */
        "ldrd r11, r12, [r0, #16]\n\t" /* inputs, how many */
        "1: ldmia r1!, {r2, r4, r6, r8}\n\t"
        "mov r3, r11\n\t"
        "dlstp.8 lr, r12\n\t"
        "2: vldrb.s8 q0, [r3], #16\n\t"
        "vldrb.s8 q1, [r1], #16\n\t"
        "vmlava.s8 r2, q0, q1\n\t"
        "vldrb.s8 q2, [r1], #16\n\t"
        "vmlava.s8 r4, q0, q2\n\t"
        "vldrb.s8 q1, [r1], #16\n\t"
        "vmlava.s8 r6, q0, q1\n\t"
        "vldrb.s8 q2, [r1], #16\n\t"
        "vmlava.s8 r8, q0, q2\n\t"
        "letp lr, 2b\n\t"
        "stmia r5!, {r2, r4, r6, r8}\n\t"
        "subs r7, r7, #4\n\t"
        "bgt 1b\n\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "s0", "s1", "s2", "s3", "s4", "s5", "s6", "s7", "s8",
          "s9", "s10", "s11", "cc", "memory");
}
#elif defined(PW_DUAL_MAC)
/* Four rows a block, eight inputs a turn. A half-word of weights is h = 256 * odd + even; with
 * p = x_odd and q = 256 * x_even - x_odd, h * p + even * q is 256 times two products. SMLAD does
 * that for two half-words at once, and SXTB16 takes the even weights out. */
#define PW_ROW_8(a, w) \
    "smlad " a ", " w ", r2, " a "\n\t" \
    "sxtb16 " w ", " w "\n\t" \
    "smlad " a ", " w ", r3, " a "\n\t"
#define PW_FOUR_8 \
    "ldr r2, [r0], #4\n\t" \
    "and r3, lr, r2, lsl #8\n\t" \
    "sxtb16 r2, r2, ror #8\n\t" \
    "ssub16 r3, r3, r2\n\t" \
    "ldmia r1!, {r4, r5, r6, r7}\n\t" \
    PW_ROW_8("r8", "r4") PW_ROW_8("r10", "r5") PW_ROW_8("r11", "r6") PW_ROW_8("r12", "r7")
PW_STAGE void pw_rows_8_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        "push {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "ldr r1, [r0]\n\t"
        "ldrd r2, r3, [r0, #8]\n\t"
        "ldrd r4, r5, [r0, #16]\n\t"
        "add r6, r4, r5, lsl #3\n\t"
        "push {r2, r3, r4, r5, r6}\n\t" /* sums, rows, inputs, turns, where inputs end */
        "mov lr, #0xFF00FF00\n\t"
        "1: ldrd r0, r3, [sp, #8]\n\t"
        "ldmia r1!, {r8, r10, r11, r12}\n\t"
        "lsrs r3, r3, #1\n\t" /* two turns at a time; an odd number starts in the middle */
        "bcs 3f\n\t"
        "2:\n\t" PW_FOUR_8 PW_FOUR_8
        "3:\n\t" PW_FOUR_8 PW_FOUR_8
        "ldr r2, [sp, #16]\n\t"
        "cmp r0, r2\n\t"
        "bne 2b\n\t"
        "asr r8, r8, #8\n\t"
        "asr r10, r10, #8\n\t"
        "asr r11, r11, #8\n\t"
        "asr r12, r12, #8\n\t"
        "ldrd r3, r4, [sp]\n\t"
        "stmia r3!, {r8, r10, r11, r12}\n\t"
        "subs r4, r4, #4\n\t"
        "strd r3, r4, [sp]\n\t"
        "bgt 1b\n\t"
        "add sp, sp, #20\n\t"
        "pop {r0, r4, r5, r6, r7, r8, r10, r11}\n\t"
        "str r1, [r0]"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#elif defined(PW_OFFSET_WEIGHTS)
/* Four rows a block, four inputs a turn, a word of weights an input: bytes with 128 added, because
 * this core loads unsigned bytes with an offset, signed ones without. */
#define PW_INPUT_8(place, w0, w1, w2, w3) \
    "ldrsb r2, [r0, " place "]\n\t" \
    "ldrb r3, [r1, #" w0 "]\n\tmuls r3, r2, r3\n\tadd r8, r3\n\t" \
    "ldrb r3, [r1, #" w1 "]\n\tmuls r3, r2, r3\n\tadd r10, r3\n\t" \
    "ldrb r3, [r1, #" w2 "]\n\tmuls r3, r2, r3\n\tadds r6, r3\n\t" \
    "ldrb r3, [r1, #" w3 "]\n\tmuls r3, r2, r3\n\tadds r7, r3\n\t"
PW_STAGE void pw_rows_8_8(pw_rows *rows)
{
    register pw_rows *at __asm__("r0") = rows;
    __asm__ volatile(
        ".syntax unified\n\t"
        "push {r4, r5, r6, r7}\n\t"
        "mov r4, r8\n\t"
        "mov r5, r10\n\t"
        "push {r0, r4, r5}\n\t"
        "mov r12, r0\n\t"
        "ldr r1, [r0]\n\t"
        "ldr r2, [r0, #16]\n\t"
        "ldr r3, [r0, #20]\n\t"
        "lsls r3, r3, #2\n\t"
        "adds r2, r2, r3\n\t"
        "mov lr, r2\n\t" /* where the inputs end */
        "1: mov r2, r12\n\t"
        "ldmia r1!, {r4, r5, r6, r7}\n\t"
        "ldr r0, [r2, #24]\n\t"
        "subs r4, r4, r0\n\t"
        "subs r5, r5, r0\n\t"
        "subs r6, r6, r0\n\t"
        "subs r7, r7, r0\n\t"
        "mov r8, r4\n\t"
        "mov r10, r5\n\t"
        "movs r4, #0\n\t"
        "movs r5, #1\n\t"
        "ldr r0, [r2, #16]\n\t"
        "ldr r3, [r2, #20]\n\t"
        "lsrs r3, r3, #1\n\t" /* two turns at a time; an odd number starts in the middle */
        "bcc 2f\n\t"
        "subs r1, #16\n\t"
        "b 3f\n\t"
        "2:\n\t"
        PW_INPUT_8("r4", "0", "1", "2", "3")
        PW_INPUT_8("r5", "4", "5", "6", "7")
        "adds r0, #2\n\t"
        PW_INPUT_8("r4", "8", "9", "10", "11")
        PW_INPUT_8("r5", "12", "13", "14", "15")
        "adds r0, #2\n\t"
        "3:\n\t"
        PW_INPUT_8("r4", "16", "17", "18", "19")
        PW_INPUT_8("r5", "20", "21", "22", "23")
        "adds r0, #2\n\t"
        PW_INPUT_8("r4", "24", "25", "26", "27")
        PW_INPUT_8("r5", "28", "29", "30", "31")
        "adds r0, #2\n\t"
        "adds r1, #32\n\t"
        "cmp r0, lr\n\t"
        "bne 2b\n\t"
        "mov r2, r12\n\t"
        "ldr r3, [r2, #8]\n\t"
        "mov r4, r8\n\t"
        "mov r5, r10\n\t"
        "stmia r3!, {r4, r5, r6, r7}\n\t"
        "str r3, [r2, #8]\n\t"
        "ldr r3, [r2, #12]\n\t"
        "subs r3, #4\n\t"
        "str r3, [r2, #12]\n\t"
        "ble 4f\n\t"
        "b 1b\n\t"
        "4: str r1, [r2]\n\t"
        "pop {r0, r4, r5}\n\t"
        "mov r8, r4\n\t"
        "mov r10, r5\n\t"
        "pop {r4, r5, r6, r7}"
        : "+r"(at)
        :
        : "r1", "r2", "r3", "r12", "lr", "cc", "memory");
}
#else
/* Four rows a turn, an input of int8_t for four weights of int8_t at once; then the rows left.
 * Inlined, so that a compiler knows the lengths. */
PW_INLINE void pw_rows_8_8(pw_rows *rows)
{
    const int8_t *w = (const int8_t *)rows->weights;
    int32_t row = 0;
    for (; row + 4 <= rows->n_rows; row += 4) {
        const int8_t *x = (const int8_t *)rows->x;
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
            PW_IN_TURN
            v = (int32_t)x[1];
            a0 += v * (int32_t)w[4];
            a1 += v * (int32_t)w[5];
            a2 += v * (int32_t)w[6];
            a3 += v * (int32_t)w[7];
            PW_IN_TURN
            v = (int32_t)x[2];
            a0 += v * (int32_t)w[8];
            a1 += v * (int32_t)w[9];
            a2 += v * (int32_t)w[10];
            a3 += v * (int32_t)w[11];
            PW_IN_TURN
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
        const int8_t *x = (const int8_t *)rows->x;
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
#endif

/* Stage s0: bins. */
/* Row `row` of both exposures into its bins; the first row of a bin starts the sum. */
PW_STAGE void s0_row(int32_t *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if (row >= 32u) {
        return;
    }
    const uint32_t line = row / 8u;
    const int starts = (row == (line * 8u));
    int32_t *bin = &y[line * 4u];
#if defined(__GNUC__) && !defined(PW_OFFSET_WEIGHTS) /* short of registers it would be slower */
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) { /* both halves side by side */
        const pw_pair *l = (const pw_pair *)(const void *)&lit[0u];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[0u];
        PW_UNROLL
        for (uint32_t b = 0u; b < 4u; b++) {
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
    for (uint32_t b = 0u; b < 4u; b++) {
        int32_t sum = starts ? 0 : (int32_t)bin[b];
        PW_UNROLL
        for (uint32_t i = 0u; i < 8u; i++) {
            sum += (int32_t)lit[col];
            sum -= (int32_t)dark[col];
            col++;
        }
        bin[b] = (int32_t)sum;
    }
}

#if defined(PW_VECTOR)
/* Lit minus dark of eight columns, over 8 rows: counts up to 4095 keep them in 16 bits. */
static inline int16x8_t s0_down(const uint16_t *lit, const uint16_t *dark)
{
    uint16x8_t sum = vsubq_u16(vldrhq_u16(lit), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    lit = &lit[32];
    dark = &dark[32];
    sum = vsubq_u16(vaddq_u16(sum, vldrhq_u16(lit)), vldrhq_u16(dark));
    return vreinterpretq_s16_u16(sum);
}

static inline void s0_across(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t b = 0u; b < 4u; b++) {
        int32_t sum = 0;
        for (uint32_t part = 0u; part < 1u; part++) {
            const uint32_t at = (b * 8u) + (part * 256u);
            for (uint32_t i = 0u; i < 8u; i += 8u) {
                sum = vaddvaq_s16(sum, s0_down(&lit[at + i], &dark[at + i]));
            }
        }
        y[b] = (int32_t)sum;
    }
}

PW_STAGE void s0_frame(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
    lit = &lit[0];
    dark = &dark[0];
    for (uint32_t line = 0u; line < 4u; line++) {
        s0_across(&y[line * 4u], lit, dark);
        lit = &lit[256];
        dark = &dark[256];
    }
}
#else
#if defined(__GNUC__)
#if defined(PW_THUMB)
/* The sums of two bins over 4 rows, low and high halves side by side: at most
 * 16 words of counts up to 4095, which fit 16 bits. It saves what it uses, so that a
 * compiler has no register to find. */
static inline void s0_add(const pw_pair *words, uint32_t *sums)
{
    register const pw_pair *at __asm__("r0") = words;
    register uint32_t sum __asm__("r1");
    register uint32_t next __asm__("r2");
#if defined(PW_DUAL_MAC)
    __asm__ volatile(
        "push {r6, r7, r10}\n\t"
        "mov r12, #1\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "add r1, r3, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "add r2, r7, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #64\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "umaal r1, r3, r12, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "umaal r2, r7, r12, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #64\n\t"
        "ldmia r0, {r3, r4, r5, r6, r7, r8, r10, lr}\n\t"
        "umaal r1, r3, r12, r4\n\t"
        "umaal r1, r5, r12, r6\n\t"
        "umaal r2, r7, r12, r8\n\t"
        "umaal r2, r10, r12, lr\n\t"
        "add r0, r0, #64\n\t"
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
    register uint32_t jump __asm__("r3") = 32u;
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

static inline void s0_line(int32_t *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < 4u; b += 2u) {
        int32_t sum[2] = {0};
        for (uint32_t part = 0u; part < 2u; part++) {
            uint32_t l[2];
            uint32_t d[2];
            s0_add(&lit[part * 64u], l);
            s0_add(&dark[part * 64u], d);
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
static inline void s0_line(int32_t *y, const pw_pair *lit, const pw_pair *dark)
{
    for (uint32_t b = 0u; b < 4u; b++) {
        int32_t sum = -262144;
        const pw_pair *l = lit;
        const pw_pair *d = dark;
        for (uint32_t row = 0u; row < 8u; row += 2u) {
            uint32_t halves = 0x80008000u;
            PW_UNROLL
            for (uint32_t i = 0u; i < 2u; i++) {
                halves += l[0] - d[0];
                halves += l[1] - d[1];
                halves += l[2] - d[2];
                halves += l[3] - d[3];
                l = &l[16];
                d = &d[16];
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

PW_STAGE void s0_frame(int32_t *y, const uint16_t *lit, const uint16_t *dark)
{
#if defined(__GNUC__)
    if ((((uintptr_t)lit | (uintptr_t)dark) & 3u) == 0u) {
        const pw_pair *l = (const pw_pair *)(const void *)&lit[0];
        const pw_pair *d = (const pw_pair *)(const void *)&dark[0];
        for (uint32_t line = 0u; line < 4u; line++) {
            s0_line(&y[line * 4u], &l[line * 128u], &d[line * 128u]);
        }
        return;
    }
#endif
    for (uint32_t row = 0u; row < 32u; row++) {
        s0_row(y, row, &lit[row * 32u], &dark[row * 32u]);
    }
}
#endif

/* Stage s1: hold. */
/* The values as they are; where they sum to more than 3072000, those given last, for at most
 * 30 frames on end, or 3 if those summed to more than 1536000. */
PW_STAGE void s1_run(pw_state *s, const int32_t *x, int32_t *y)
{
    int32_t total = 0;
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < 16u; i += 4u) {
        const mve_pred16_t left = vctp32q(16u - i);
        total = vaddvaq_s32(total, vldrwq_z_s32(&x[i], left));
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < 16u; i++) {
        total += x[i];
    }
#endif
    if (total <= 3072000) {
        s->s1_left[0] = (total <= 1536000) ? 30 : 3;
    } else if (s->s1_left[0] > 0) {
        s->s1_left[0] -= 1;
        return;
    }
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < 16u; i += 4u) {
        const mve_pred16_t left = vctp32q(16u - i);
        vstrwq_p_s32(&y[i], vldrwq_z_s32(&x[i], left), left);
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < 16u; i++) {
        y[i] = (int32_t)x[i];
    }
#endif
}

/* Stage s2: steady. */
/* As if the frames before had all been this one. */
PW_STAGE void s2_settle(pw_state *s, const int32_t *x)
{
    for (uint32_t place = 0u; place < 2u; place++) {
        for (uint32_t i = 0u; i < 16u; i++) {
            s->s2_history[(place * 16u) + i] = x[i];
        }
    }
}
/* Each value's last 3 frames, weighted and summed, in units of 2^0. The frame that
 * comes takes the place of the oldest, which is read before. */
PW_STAGE void s2_run(pw_state *s, const int32_t *x, int32_t *y)
{
    const uint32_t position = (uint32_t)s->s2_position[0];
    int32_t *oldest = &s->s2_history[position * 16u];
    const uint32_t slot1 = position + 1u;
    const int32_t *x1 = &s->s2_history[(slot1 - ((slot1 < 2u) ? 0u : 2u))
        * 16u];
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < 16u; i += 4u) {
        const mve_pred16_t left = vctp32q(16u - i);
        const int32x4_t newest = vldrwq_z_s32(&x[i], left);
        int32x4_t value = vmulq_n_s32(newest, 1);
        value = vaddq_s32(value, vldrwq_z_s32(&oldest[i], left));
        value = vaddq_s32(value, vldrwq_z_s32(&x1[i], left));
        vstrwq_p_s32(&oldest[i], newest, left);
        vstrwq_p_s32(&y[i], value, left);
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < 16u; i++) {
        const int32_t sum = (int32_t)oldest[i]
            + (int32_t)x1[i]
            + (int32_t)x[i];
        oldest[i] = x[i];
        y[i] = (int32_t)sum;
    }
#endif
    s->s2_position[0] = (int32_t)((position + 1u < 2u) ? position + 1u : 0u);
}

/* Stage s3: level. */
/* Shares of the sum in units of 2^-16, then log2 of the sum, 8 fraction bits. */
PW_STAGE void s3_run(const int32_t *x, int16_t *y)
{
    int32_t total = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < 16u; i++) {
        total += x[i];
    }
    if (total < 12233) {
        total = 12233;
    }
    int32_t exponent = 0;
    while ((total >> exponent) > 1) {
        exponent++;
    }
    /* Fraction of total / 2^exponent in Q30; exponent is at most 30. */
    const uint32_t fraction = ((uint32_t)total << (30 - exponent)) & 0x3FFFFFFFu;
    const int32_t factor = (int32_t)s3_reciprocal[fraction >> 21];
    int32_t shift = exponent - 1;
    int32_t lift = 0;
    if (shift < 17) {
        lift = 17 - shift;
        shift = 17;
    }
    const int32_t cut = (int32_t)(0x40000000u >> lift);
    /* A value that is cut here saturates below as well. */
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < 16u; i += 4u) {
        const mve_pred16_t left = vctp32q(16u - i);
        int32x4_t value = vldrwq_z_s32(&x[i], left);
        value = vmaxq_s32(value, vdupq_n_s32(-cut));
        value = vminq_s32(value, vdupq_n_s32(cut));
        value = pw_requant_4(vshlq_r_s32(value, lift), factor, shift);
        value = vmaxq_s32(value, vdupq_n_s32(-32767));
        value = vminq_s32(value, vdupq_n_s32(32767));
        vstrhq_p_s32(&y[i], value, left);
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < 16u; i++) {
        const int32_t lifted = pw_sat(x[i], -cut, cut) * (int32_t)(1UL << lift);
        y[i] = (int16_t)pw_sat(pw_requant(lifted, factor, shift), -32767, 32767);
    }
#endif
    const int32_t octaves = exponent * 256 + (int32_t)(fraction >> 22);
    y[16] = (int16_t)pw_sat(octaves - 4500, -32767, 32767);
}

/* Stage s4: root. */
/* One more bit of a root, if its square is no larger. */
#if defined(PW_VECTOR)
static inline uint32x4_t s4_longer(uint32x4_t root, uint32_t bit, uint32x4_t square)
{
    const uint32x4_t longer = vorrq_u32(root, vdupq_n_u32(bit));
    return vpselq_u32(longer, root, vcmpcsq_u32(square, vmulq_u32(longer, longer)));
}
#else
static inline uint32_t s4_longer(uint32_t root, uint32_t bit, uint32_t square)
{
    const uint32_t longer = root | bit;
    return ((longer * longer) <= square) ? longer : root;
}
#endif

/* Root of each of the first 16 values, bit by bit from the highest; others pass. */
PW_STAGE void s4_run(const int16_t *x, int16_t *y)
{
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < 16u; i += 4u) {
        const mve_pred16_t left = vctp32q(16u - i);
        const int32x4_t value = vldrhq_z_s32(&x[i], left);
        const uint32x4_t square = vshlq_n_u32(vreinterpretq_u32_s32(vabsq_s32(value)), 5);
        uint32x4_t root = vdupq_n_u32(0u);
        root = s4_longer(root, 512u, square);
        root = s4_longer(root, 256u, square);
        root = s4_longer(root, 128u, square);
        root = s4_longer(root, 64u, square);
        root = s4_longer(root, 32u, square);
        root = s4_longer(root, 16u, square);
        root = s4_longer(root, 8u, square);
        root = s4_longer(root, 4u, square);
        root = s4_longer(root, 2u, square);
        root = s4_longer(root, 1u, square);
        const int32x4_t size = vreinterpretq_s32_u32(root);
        const int32x4_t rooted = vnegq_m_s32(size, size, vcmpltq_n_s32(value, 0));
        vstrhq_p_s32(&y[i], rooted, left);
    }
#else
    for (uint32_t i = 0u; i < 16u; i++) {
        const int32_t value = x[i];
        const uint32_t square = (uint32_t)((value < 0) ? -value : value) << 5;
        uint32_t root = 0u;
        root = s4_longer(root, 512u, square);
        root = s4_longer(root, 256u, square);
        root = s4_longer(root, 128u, square);
        root = s4_longer(root, 64u, square);
        root = s4_longer(root, 32u, square);
        root = s4_longer(root, 16u, square);
        root = s4_longer(root, 8u, square);
        root = s4_longer(root, 4u, square);
        root = s4_longer(root, 2u, square);
        root = s4_longer(root, 1u, square);
        y[i] = (int16_t)((value < 0) ? -(int32_t)root : (int32_t)root);
    }
#endif
    PW_UNROLL
    for (uint32_t i = 16u; i < 17u; i++) {
        y[i] = (int16_t)x[i];
    }
}

/* Stage s5: dense. */
PW_LOCAL int32_t s5_scaled(int32_t sum)
{
    return pw_sat(pw_requant(sum, 671, 12), -32767, 32767);
}

/* y = saturate(round(671 / 2^12 * (weights x + bias)));
 * accumulators were proved within +-36875835. */
PW_STAGE void s5_run(const int16_t *x, int16_t *y)
{
    int32_t sums[PW_AT_MOST_A_GROUP(8)];
    pw_rows rows = {s5_weights, PW_S5_BIAS, sums, 0, x, PW_S5_TURNS, 0};
#if defined(PW_OFFSET_WEIGHTS)
    PW_UNROLL
    for (uint32_t i = 0u; i < 17u; i++) {
        rows.offset += 128 * (int32_t)x[i];
    }
#endif
    for (int32_t row = 0; row < 7; row += PW_GROUP) {
        const int32_t n = PW_AT_MOST_A_GROUP(7 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_rows_16_8(&rows);
#if defined(PW_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            value = vmulq_n_s32(value, 671);
            value = vrshrq_n_s32(value, 12);
            value = vmaxq_s32(value, vdupq_n_s32(-32767));
            value = vminq_s32(value, vdupq_n_s32(32767));
            vstrhq_p_s32(&y[row + i], value, left);
        }
#else
        PW_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int16_t)s5_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s6: window. */
/* As if the frames before had all been this one. */
PW_STAGE void s6_settle(pw_state *s, const int16_t *x)
{
    for (uint32_t place = 0u; place < 32u; place++) {
        for (uint32_t i = 0u; i < 7u; i++) {
            s->s6_history[(place * 7u) + i] = x[i];
        }
    }
    for (uint32_t segment = 0u; segment < 8u; segment++) {
        for (uint32_t i = 0u; i < 7u; i++) {
            s->s6_sums[(segment * 7u) + i] =
                (int32_t)(4 * (int32_t)x[i]);
        }
    }
}
/* Each segment's sum gains the value that enters it and loses the one that leaves: a value leaving
 * one segment enters the older one before it. The ring's oldest frame is overwritten. */
PW_STAGE void s6_run(pw_state *s, const int16_t *x, int16_t *y)
{
    const uint32_t position = (uint32_t)s->s6_position[0];
    uint32_t slot = position;
    for (uint32_t segment = 0u; segment < 8u; segment++) {
        const int16_t *leaving = &s->s6_history[slot * 7u];
        const int16_t *entering = x;
        slot += 4u;
        if (slot >= 32u) {
            slot -= 32u;
        }
        if (segment + 1u < 8u) {
            entering = &s->s6_history[slot * 7u];
        }
        int32_t *sums = &s->s6_sums[segment * 7u];
        int16_t *out = &y[segment * 7u];
#if defined(PW_VECTOR)
        for (uint32_t i = 0u; i < 7u; i += 4u) {
            const mve_pred16_t left = vctp32q(7u - i);
            const int32x4_t enters = vldrhq_z_s32(&entering[i], left);
            const int32x4_t change = vsubq_s32(enters, vldrhq_z_s32(&leaving[i], left));
            int32x4_t value = vaddq_s32(change, vldrwq_z_s32(&sums[i], left));
            vstrwq_p_s32(&sums[i], value, left);
            value = vrshrq_n_s32(value, 2);
            value = vmaxq_s32(value, vdupq_n_s32(-32767));
            value = vminq_s32(value, vdupq_n_s32(32767));
            vstrhq_p_s32(&out[i], value, left);
        }
#else
        PW_UNROLL
        for (uint32_t i = 0u; i < 7u; i++) {
            const int32_t sum = sums[i] + entering[i] - leaving[i];
            sums[i] = (int32_t)sum;
            out[i] = (int16_t)pw_sat(pw_asr32(sum + 2, 2), -32767, 32767);
        }
#endif
    }
    int16_t *oldest = &s->s6_history[position * 7u];
    PW_UNROLL
    for (uint32_t i = 0u; i < 7u; i++) {
        oldest[i] = x[i];
    }
    s->s6_position[0] = (int32_t)((position + 1u < 32u) ? position + 1u : 0u);
}

/* Stage s7: dense. */
PW_LOCAL int32_t s7_scaled(int32_t sum)
{
    return pw_sat(pw_asr32((sum * 36) + 131072, 18), 0, 127);
}

/* y = saturate(round(36 / 2^18 * (weights x + bias))), negative values raised to 0;
 * accumulators were proved within +-34920898. */
PW_STAGE void s7_run(const int16_t *x, int8_t *y)
{
    int32_t sums[PW_AT_MOST_A_GROUP(96)];
    pw_rows rows = {s7_weights, PW_S7_BIAS, sums, 0, x, PW_S7_TURNS, 0};
#if defined(PW_OFFSET_WEIGHTS)
    PW_UNROLL
    for (uint32_t i = 0u; i < 56u; i++) {
        rows.offset += 128 * (int32_t)x[i];
    }
#endif
    for (int32_t row = 0; row < 96; row += PW_GROUP) {
        const int32_t n = PW_AT_MOST_A_GROUP(96 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_rows_16_8(&rows);
#if defined(PW_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            value = vmulq_n_s32(value, 36);
            value = vrshrq_n_s32(value, 18);
            value = vmaxq_s32(value, vdupq_n_s32(0));
            value = vminq_s32(value, vdupq_n_s32(127));
            vstrbq_p_s32(&y[row + i], value, left);
        }
#else
        PW_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int8_t)s7_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s8: dense. */
PW_LOCAL int32_t s8_scaled(int32_t sum)
{
    return pw_sat(pw_asr32((sum * 2847) + 524288, 20), 0, 127);
}

/* y = saturate(round(2847 / 2^20 * (weights x + bias))), negative values raised to 0;
 * accumulators were proved within +-531890. */
PW_STAGE void s8_run(const int8_t *x, int8_t *y)
{
    int32_t sums[PW_AT_MOST_A_GROUP(48)];
    pw_rows rows = {s8_weights, PW_S8_BIAS, sums, 0, x, PW_S8_TURNS, 0};
#if defined(PW_OFFSET_WEIGHTS)
    PW_UNROLL
    for (uint32_t i = 0u; i < 96u; i++) {
        rows.offset += 128 * (int32_t)x[i];
    }
#endif
    for (int32_t row = 0; row < 48; row += PW_GROUP) {
        const int32_t n = PW_AT_MOST_A_GROUP(48 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_rows_8_8(&rows);
#if defined(PW_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            value = vmulq_n_s32(value, 2847);
            value = vrshrq_n_s32(value, 20);
            value = vmaxq_s32(value, vdupq_n_s32(0));
            value = vminq_s32(value, vdupq_n_s32(127));
            vstrbq_p_s32(&y[row + i], value, left);
        }
#else
        PW_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int8_t)s8_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s9: dense. */
PW_LOCAL int32_t s9_scaled(int32_t sum)
{
    return sum;
}

/* y = saturate(round(1 / 2^0 * (weights x + bias)));
 * accumulators were proved within +-263711. */
PW_STAGE void s9_run(const int8_t *x, int32_t *y)
{
    int32_t sums[PW_AT_MOST_A_GROUP(12)];
    pw_rows rows = {s9_weights, PW_S9_BIAS, sums, 0, x, PW_S9_TURNS, 0};
#if defined(PW_OFFSET_WEIGHTS)
    PW_UNROLL
    for (uint32_t i = 0u; i < 48u; i++) {
        rows.offset += 128 * (int32_t)x[i];
    }
#endif
    for (int32_t row = 0; row < 9; row += PW_GROUP) {
        const int32_t n = PW_AT_MOST_A_GROUP(9 - row);
        rows.sums = sums;
        rows.n_rows = n;
        pw_rows_8_8(&rows);
#if defined(PW_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = vldrwq_z_s32(&sums[i], left);
            vstrwq_p_s32(&y[row + i], value, left);
        }
#else
        PW_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (int32_t)s9_scaled(sums[i]);
        }
#endif
    }
}

/* Stage s10: window. */
/* As if the frames before had all been this one. */
PW_STAGE void s10_settle(pw_state *s, const int32_t *x)
{
    for (uint32_t place = 0u; place < 4u; place++) {
        for (uint32_t i = 0u; i < 9u; i++) {
            s->s10_history[(place * 9u) + i] = x[i];
        }
    }
    for (uint32_t segment = 0u; segment < 1u; segment++) {
        for (uint32_t i = 0u; i < 9u; i++) {
            s->s10_sums[(segment * 9u) + i] =
                (int32_t)(4 * (int32_t)x[i]);
        }
    }
}
/* Each segment's sum gains the value that enters it and loses the one that leaves: a value leaving
 * one segment enters the older one before it. The ring's oldest frame is overwritten. */
PW_STAGE void s10_run(pw_state *s, const int32_t *x, int32_t *y)
{
    const uint32_t position = (uint32_t)s->s10_position[0];
    uint32_t slot = position;
    for (uint32_t segment = 0u; segment < 1u; segment++) {
        const int32_t *leaving = &s->s10_history[slot * 9u];
        const int32_t *entering = x;
        slot += 4u;
        if (slot >= 4u) {
            slot -= 4u;
        }
        if (segment + 1u < 1u) {
            entering = &s->s10_history[slot * 9u];
        }
        int32_t *sums = &s->s10_sums[segment * 9u];
        int32_t *out = &y[segment * 9u];
#if defined(PW_VECTOR)
        for (uint32_t i = 0u; i < 9u; i += 4u) {
            const mve_pred16_t left = vctp32q(9u - i);
            const int32x4_t enters = vldrwq_z_s32(&entering[i], left);
            const int32x4_t change = vsubq_s32(enters, vldrwq_z_s32(&leaving[i], left));
            int32x4_t value = vaddq_s32(change, vldrwq_z_s32(&sums[i], left));
            vstrwq_p_s32(&sums[i], value, left);
            value = vrshrq_n_s32(value, 4);
            value = vmaxq_s32(value, vdupq_n_s32(-32767));
            value = vminq_s32(value, vdupq_n_s32(32767));
            vstrwq_p_s32(&out[i], value, left);
        }
#else
        PW_UNROLL
        for (uint32_t i = 0u; i < 9u; i++) {
            const int32_t sum = sums[i] + entering[i] - leaving[i];
            sums[i] = (int32_t)sum;
            out[i] = (int32_t)pw_sat(pw_asr32(sum + 8, 4), -32767, 32767);
        }
#endif
    }
    int32_t *oldest = &s->s10_history[position * 9u];
    PW_UNROLL
    for (uint32_t i = 0u; i < 9u; i++) {
        oldest[i] = x[i];
    }
    s->s10_position[0] = (int32_t)((position + 1u < 4u) ? position + 1u : 0u);
}

/* Stage s11: decision. */
/* Margin of the best score over the next one decides; an event is told on its first frame only. */
PW_STAGE void s11_run(pw_state *s, const int32_t *x, int32_t *y)
{
    int32_t best = 0;
    PW_UNROLL
    for (int32_t i = 1; i < 9; i++) {
        if (x[i] > x[best]) {
            best = i;
        }
    }
    int32_t next = INT32_MIN;
    PW_UNROLL
    for (int32_t i = 0; i < 9; i++) {
        if (i != best && x[i] > next) {
            next = x[i];
        }
    }
    const int32_t margin = x[best] - next;
    int32_t wanted = -1;
    if (margin >= s11_asked[best] && s11_gesture[best] != 0u) {
        wanted = best;
    }
    if (wanted == -1) {
        s->s11_count[0] = 0;
    } else if (wanted != s->s11_candidate[0]) {
        s->s11_count[0] = 1;
    } else if (s->s11_count[0] < 8) {
        s->s11_count[0] += 1;
    } else {
        /* long enough already */
    }
    s->s11_candidate[0] = wanted;
    if (best != s->s11_active[0] || margin < s11_asked[best] - 1) {
        s->s11_active[0] = -1;
    }
    if (s->s11_hold[0] > 0) {
        s->s11_hold[0] -= 1;
    }
    y[0] = -1;
    if (wanted != -1 && wanted != s->s11_active[0] && s->s11_count[0] >= 8
        && s->s11_hold[0] == 0) {
        y[0] = wanted;
        s->s11_active[0] = wanted;
        s->s11_hold[0] = 15;
    }
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
    s1_run(s, s->even.s0_y, s->s1_held);
    if (s->settling != 0u) {
        s2_settle(s, s->s1_held);
    }
    s2_run(s, s->s1_held, s->even.s2_y);
    s3_run(s->even.s2_y, s->odd.s3_y);
    s4_run(s->odd.s3_y, s->even.s4_y);
    s5_run(s->even.s4_y, s->odd.s5_y);
    if (s->settling != 0u) {
        s6_settle(s, s->odd.s5_y);
    }
    s6_run(s, s->odd.s5_y, s->even.s6_y);
    s7_run(s->even.s6_y, s->odd.s7_y);
    s8_run(s->odd.s7_y, s->even.s8_y);
    s9_run(s->even.s8_y, s->odd.s9_y);
    if (s->settling != 0u) {
        s10_settle(s, s->odd.s9_y);
    }
    s10_run(s, s->odd.s9_y, s->s10_y);
    s11_run(s, s->s10_y, s->s11_y);
    s->settling = 0u;
    pw_drop(s);
    return s->s11_y[0];
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

const int32_t *pw_scores(const pw_state *s)
{
    return s->s10_y;
}

void pw_init(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        byte[i] = 0u;
    }
    s->s11_active[0] = -1;
    s->s11_candidate[0] = -1;
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
