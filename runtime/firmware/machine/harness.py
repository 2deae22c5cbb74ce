"""The C that drives a firmware folder from outside; it is never part of the folder.

It owns one state, steps it over a block of frames and copies outputs, evidence and every state
member after each frame into one record, so that a run costs one call; frames are given whole, or
row by row. It can call the folder's own self-test, and the functions of enrolment where there are
any. A header that counts no outputs has one, which
``pw_step`` returns, and names its evidence scores. It also brings the memory
routines that a freestanding compiler may call and that a real board's C library has.
"""

from __future__ import annotations

__all__ = ["HARNESS_C", "LINKER_SCRIPT", "MEMORY_C"]

HARNESS_C = """\
#include <stddef.h>
#include <stdint.h>
#include "pw_model.h"

#define TEXT_(x) #x
#define TEXT(x) TEXT_(x)
#define MEMBER(type, name, length) #type " " #name " " TEXT(length) ";"
#define COPY(type, name, length) \\
    out = put(out, harness_state.name, (uint32_t)(length) * (uint32_t)sizeof(type));

#ifndef PW_N_OUTPUTS
#define PW_N_OUTPUTS 1
#define PW_N_EVIDENCE PW_N_SCORES
#define pw_evidence pw_scores
#endif

#if defined(__x86_64__) || defined(__aarch64__)
#define VISIBLE __attribute__((visibility("default")))
#else
#define VISIBLE
#endif

pw_state harness_state;
VISIBLE const char harness_layout[] =
    TEXT(PW_N_ROWS) " " TEXT(PW_N_COLS) " " TEXT(PW_N_OUTPUTS) " " TEXT(PW_N_EVIDENCE) " "
    PW_MODEL_ID ";"
    PW_STATE_MEMBERS(MEMBER);

static uint8_t *put(uint8_t *out, const void *from, uint32_t n_bytes)
{
    const uint8_t *byte = (const uint8_t *)from;
    while (n_bytes-- != 0u) {
        *out++ = *byte++;
    }
    return out;
}

VISIBLE void harness_init(void) { pw_init(&harness_state); }

static uint8_t *record(uint8_t *out, int32_t event)
{
    out = put(out, &event, 4u);
#if PW_N_OUTPUTS > 1
    out = put(out, pw_outputs(&harness_state) + 1, 4u * (PW_N_OUTPUTS - 1));
#endif
    out = put(out, pw_evidence(&harness_state), 4u * PW_N_EVIDENCE);
    PW_STATE_MEMBERS(COPY)
    return out;
}

VISIBLE void harness_run(uint32_t n_frames, const uint16_t *lit, const uint16_t *dark,
                         uint8_t *out)
{
    for (uint32_t frame = 0; frame < n_frames; frame++) {
        out = record(out, pw_step(&harness_state, lit, dark));
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}

VISIBLE void harness_feed(uint32_t n_frames, const uint16_t *lit, const uint16_t *dark,
                          uint8_t *out)
{
    for (uint32_t frame = 0; frame < n_frames; frame++) {
        for (uint32_t row = 0; row < PW_N_ROWS; row++) {
            pw_feed_row(&harness_state, row, lit, dark);
            lit += PW_N_COLS;
            dark += PW_N_COLS;
        }
        out = record(out, pw_finish(&harness_state));
    }
}

#ifdef PW_ENROL_SLOTS
/* Room for what other models learned, too. */
VISIBLE uint8_t harness_learned[PW_ENROL_BYTES + 256];

VISIBLE int32_t harness_command(int32_t command, int32_t class_number);
VISIBLE int32_t harness_command(int32_t command, int32_t class_number)
{
    switch (command) {
    case 1: return pw_enrol_begin(&harness_state, class_number);
    case 2: return pw_enrol_add(&harness_state);
    case 3: return pw_enrol_finish(&harness_state);
    case 4: pw_forget(&harness_state); return 0;
    case 5: pw_enrol_save(&harness_state, harness_learned); return 0;
    case 6: return pw_enrol_load(&harness_state, harness_learned, (uint32_t)class_number);
    case 7: return pw_enrol_like(&harness_state, class_number);
    default: pw_restart(&harness_state); return 0;
    }
}
#endif

#ifdef HARNESS_SELFTEST
int pw_selftest(void);
VISIBLE int32_t harness_selftest(void);
VISIBLE int32_t harness_selftest(void) { return pw_selftest(); }
#endif
"""

MEMORY_C = """\
#include <stddef.h>

void *memset(void *to, int value, size_t n);
void *memcpy(void *restrict to, const void *restrict from, size_t n);
void *memmove(void *to, const void *from, size_t n);

void *memset(void *to, int value, size_t n)
{
    volatile unsigned char *byte = to;
    while (n-- != 0u) {
        *byte++ = (unsigned char)value;
    }
    return to;
}

/* Under a name of its own: a compiler that sees memmove without overlap makes it memcpy. */
static void move_bytes(void *to, const void *from, size_t n)
{
    volatile unsigned char *out = to;
    const unsigned char *in = from;
    if (out <= in) {
        for (size_t i = 0; i < n; i++) {
            out[i] = in[i];
        }
    } else {
        for (size_t i = n; i-- != 0u;) {
            out[i] = in[i];
        }
    }
}

void *memcpy(void *restrict to, const void *restrict from, size_t n)
{
    move_bytes(to, from, n);
    return to;
}

void *memmove(void *to, const void *from, size_t n)
{
    move_bytes(to, from, n);
    return to;
}

#if defined(__ARM_EABI__)
void __aeabi_memclr(void *to, size_t n);
void __aeabi_memclr4(void *to, size_t n);
void __aeabi_memclr8(void *to, size_t n);
void __aeabi_memcpy(void *to, const void *from, size_t n);
void __aeabi_memcpy4(void *to, const void *from, size_t n);
void __aeabi_memcpy8(void *to, const void *from, size_t n);
void __aeabi_memmove(void *to, const void *from, size_t n);
void __aeabi_memmove4(void *to, const void *from, size_t n);
void __aeabi_memset(void *to, size_t n, int value);
void __aeabi_memset4(void *to, size_t n, int value);

void __aeabi_memclr(void *to, size_t n) { (void)memset(to, 0, n); }
void __aeabi_memclr4(void *to, size_t n) { (void)memset(to, 0, n); }
void __aeabi_memclr8(void *to, size_t n) { (void)memset(to, 0, n); }
void __aeabi_memcpy(void *to, const void *from, size_t n) { move_bytes(to, from, n); }
void __aeabi_memcpy4(void *to, const void *from, size_t n) { move_bytes(to, from, n); }
void __aeabi_memcpy8(void *to, const void *from, size_t n) { move_bytes(to, from, n); }
void __aeabi_memmove(void *to, const void *from, size_t n) { move_bytes(to, from, n); }
void __aeabi_memmove4(void *to, const void *from, size_t n) { move_bytes(to, from, n); }
void __aeabi_memset(void *to, size_t n, int value) { (void)memset(to, value, n); }
void __aeabi_memset4(void *to, size_t n, int value) { (void)memset(to, value, n); }
#endif
"""

LINKER_SCRIPT = """\
ENTRY(pw_step)
SECTIONS
{
    . = 0x01000000;
    .text : { KEEP(*(.text*)) }
    .ARM.exidx : { *(.ARM.exidx*) }
    .rodata : { KEEP(*(.rodata*)) }
    . = 0x20000000;
    .data : { KEEP(*(.data*)) KEEP(*(.sdata*)) }
    .got : { *(.got.plt) *(.got) }
    .bss : { KEEP(*(.bss*)) KEEP(*(.sbss*)) KEEP(*(COMMON)) }
}
"""
