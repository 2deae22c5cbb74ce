"""The C that leaves nothing of a frame in memory: it zeroes words, whatever a compiler thinks."""

from __future__ import annotations

__all__ = ["WIPE_C"]

WIPE_C = """\
#if defined(__GNUC__)
typedef uint32_t __attribute__((may_alias)) pw_word; /* of any memory */
#endif

#if defined(PW_THUMB)
/* Many words, at least as many as a store of all registers that there are zeroes; the last store
 * begins so far before the end, over zeroes where they do not come out even. */
#if defined(__thumb2__)
#define PW_AT_ONCE 8
#define PW_ZEROES "{r2, r3, r4, r5, r6, r8, r12, lr}"
#define PW_HIGH_ZEROES "mov r8, r2\\n\\tmov r12, r2\\n\\tmov lr, r2\\n\\t"
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
        ".syntax unified\\n\\t"
        "movs r2, #0\\n\\t"
        "movs r3, #0\\n\\t"
        "movs r4, #0\\n\\t"
        "movs r5, #0\\n\\t"
        "movs r6, #0\\n\\t" PW_HIGH_ZEROES
        "subs r1, %[turn]\\n\\t"
        "bmi 2f\\n"
        "1:\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "subs r1, %[turn]\\n\\t"
        "bpl 1b\\n"
        "2:\\n\\t"
        "adds r1, %[rest]\\n\\t"
        "bmi 4f\\n"
        "3:\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "subs r1, %[one]\\n\\t"
        "bpl 3b\\n"
        "4:\\n\\t"
        "stmia r0!, " PW_ZEROES "\\n\\t"
        "lsls r1, r1, #2\\n\\t"
        "adds r0, r0, r1\\n\\t"
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

"""
