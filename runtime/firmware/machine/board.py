"""A board for the device program whose time jumps: what it waits for comes at once.

It stands in for hardware in tests and measurements and is no part of a firmware folder. Its clock
goes on only while the program waits or sleeps; exposures and rows take the times that it is given,
and rows are those of the scene that `harness_scene` lets the outside put into memory.
"""

from __future__ import annotations

__all__ = ["BOARD_C", "FAULTS", "MOST_TOLD", "TALLIED"]

MOST_TOLD = 4096
"""How many events ``harness_told`` keeps, the first of a day."""

TALLIED = (
    "watching_frames", "active_frames", "dropped_rows", "dropped_counts", "wakes", "told",
    "wake_ups", "fed", "state",
)  # fmt: skip
"""What ``harness_tally`` holds, in order."""

FAULTS = ("none", "twice", "skipped", "counts", "silent", "short")
"""What may be wrong with the first rows of a frame, by the number that the scene asks for it."""

BOARD_C = """\
#include "pw_device.h"
#include "pw_board.h"

#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC optimize("no-jump-tables") /* which take a routine of a library on small cores */
#endif

#if defined(__GNUC__)
#define APART __attribute__((noinline, used))
#else
#define APART
#endif

typedef struct {
    uint64_t end_us;
    uint32_t settle_ns;
    uint32_t start_up_ns;
    uint32_t row_ns;
} board_setting;

typedef struct {
    uint64_t us; /* since the start */
    uint64_t slept_us; /* whole time in sleep; ns beside it */
    uint64_t waited_us;
    uint64_t lit_us[2]; /* of watching, of active */
    uint64_t exposed_us; /* asleep, while the sensor did */
    uint32_t ns; /* 0 to 999 more, of each */
    uint32_t slept_ns;
    uint32_t waited_ns;
    uint32_t lit_ns[2];
    uint32_t exposed_ns;
    uint32_t current_ua[2]; /* of the last light */
    uint32_t other_currents; /* lights of another current than the one before, of a kind */
    uint32_t wake_ups;
    uint32_t fed;
    uint32_t n_told;
} board_clock;

typedef struct {
    uint64_t us;
    int32_t event;
    int32_t none;
} board_told;

#define MOST_TOLD 4096u
#define MOST_PASSES 100000u
#define CLOCK_START 0xFFB3B4C0u /* five seconds before it wraps, so that every day shows it */
#define NOTHING 0u
#define READY 1u
#define EXPOSED 2u
#define ROW 3u

pw_device harness_device;
board_setting harness_setting;
board_clock harness_clock;
board_told harness_told[MOST_TOLD];
uint16_t harness_lit[PW_N_ROWS * PW_N_COLS];
uint16_t harness_dark[PW_N_ROWS * PW_N_COLS];
uint32_t harness_fault;
uint32_t harness_kind; /* 1 while the frame is the model's */
uint32_t harness_tally[9];

static uint32_t coming; /* what the hardware does next, and in how many nanoseconds */
static uint32_t coming_ns;
static uint32_t first_asked;
static uint32_t rows_asked;
static uint32_t first_rows; /* whether a frame's first transfer is still to come */
static uint16_t *row_lit;
static uint16_t *row_dark;
static uint32_t dark_next;
static uint32_t started_us[2];

void harness_scene(void);
void harness_begin(void);
void harness_day(void);

/* The outside looks here, before a lit exposure. */
APART void harness_scene(void) { __asm__ volatile("" ::: "memory"); }

static void harness_add(uint64_t *us, uint32_t *ns, uint32_t more_ns)
{
    *ns += more_ns;
    for (uint32_t step = 1u << 21; step != 0u; step >>= 1) { /* a division, where a core has none */
        if (*ns >= (step * 1000u)) {
            *ns -= step * 1000u;
            *us += step;
        }
    }
}

uint32_t pw_board_now_us(void) { return (uint32_t)harness_clock.us + CLOCK_START; }

void pw_board_sensor_on(void)
{
    harness_kind = harness_device.is_active;
    harness_scene();
    dark_next = 0u;
    first_rows = 1u;
    coming = READY;
    coming_ns = harness_setting.start_up_ns;
}

void pw_board_sensor_off(void)
{
    coming = NOTHING;
}

void pw_board_led_on(uint32_t current_ua)
{
    const uint32_t kind = harness_kind;
    if ((harness_clock.current_ua[kind] != 0u) && (harness_clock.current_ua[kind] != current_ua)) {
        harness_clock.other_currents++;
    }
    harness_clock.current_ua[kind] = current_ua;
    started_us[0] = (uint32_t)harness_clock.us;
    started_us[1] = harness_clock.ns;
}

void pw_board_led_off(void)
{
    const uint32_t kind = harness_kind;
    const uint32_t whole = ((uint32_t)harness_clock.us - started_us[0]) * 1000u;
    if (dark_next != 0u) {
        return;
    }
    dark_next = 1u;
    harness_add(&harness_clock.lit_us[kind], &harness_clock.lit_ns[kind],
        (whole + harness_clock.ns) - started_us[1]);
}

void pw_board_expose(uint32_t exposure_ns)
{
    coming = EXPOSED;
    coming_ns = harness_setting.settle_ns + exposure_ns;
}

void pw_board_read_rows(uint32_t first, uint32_t n, uint16_t *lit, uint16_t *dark)
{
    coming = ROW;
    coming_ns = harness_setting.row_ns * n;
    first_asked = first;
    rows_asked = n;
    row_lit = lit;
    row_dark = dark;
}

void pw_board_hold_interrupts(void) {}
void pw_board_allow_interrupts(void) {}

static void harness_come(void)
{
    const uint32_t what = coming;
    uint32_t first = first_asked;
    uint32_t n = rows_asked;
    coming = NOTHING;
    if (what == READY) {
        pw_device_sensor_ready(&harness_device);
    } else if (what == EXPOSED) {
        pw_device_exposed(&harness_device);
    } else {
        const uint32_t at = first * PW_N_COLS;
        const uint32_t wrong = (first_rows != 0u) ? harness_fault : 0u;
        first_rows = 0u;
        for (uint32_t i = 0u; i < (n * PW_N_COLS); i++) {
            row_lit[i] = harness_lit[at + i];
            row_dark[i] = harness_dark[at + i];
        }
        if (wrong == 1u) {
            first = first - 1u;
        } else if (wrong == 2u) {
            first = first + 1u;
        } else if (wrong == 3u) {
            row_lit[0] |= 0x8000u;
        } else if (wrong == 4u) {
            return;
        } else if (wrong == 5u) {
            n = n - 1u;
        } else {
            /* as it should be */
        }
        pw_device_rows_read(&harness_device, first, n);
    }
}

void pw_board_wait_until(uint32_t time_us)
{
    if (coming != NOTHING) {
        harness_add(&harness_clock.us, &harness_clock.ns, coming_ns);
        harness_add(&harness_clock.waited_us, &harness_clock.waited_ns, coming_ns);
        harness_come();
    } else {
        const uint32_t us = time_us - pw_board_now_us();
        harness_clock.us += us;
        harness_clock.waited_us += us;
    }
}

void pw_board_sleep_until(uint32_t time_us)
{
    const uint64_t left_us = harness_setting.end_us - harness_clock.us;
    uint32_t us = time_us - pw_board_now_us();
    if (coming == EXPOSED) { /* what else a sensor does comes to nobody who sleeps */
        harness_clock.wake_ups++;
        harness_add(&harness_clock.us, &harness_clock.ns, coming_ns);
        harness_add(&harness_clock.slept_us, &harness_clock.slept_ns, coming_ns);
        harness_add(&harness_clock.exposed_us, &harness_clock.exposed_ns, coming_ns);
        harness_come();
        return;
    }
    if (us > left_us) {
        us = (uint32_t)left_us;
    }
    harness_clock.wake_ups++;
    harness_clock.us += us;
    harness_clock.slept_us += us;
    if (harness_clock.ns != 0u) { /* to the tick, not beyond it */
        harness_clock.slept_us--;
        harness_add(&harness_clock.slept_us, &harness_clock.slept_ns, 1000u - harness_clock.ns);
        harness_clock.ns = 0u;
    }
}

void pw_board_feed_watchdog(void) { harness_clock.fed++; }

void pw_board_tell(int32_t event, const pw_state *model)
{
    (void)model;
    if (harness_clock.n_told < MOST_TOLD) {
        harness_told[harness_clock.n_told].us = harness_clock.us;
        harness_told[harness_clock.n_told].event = event;
        harness_clock.n_told++;
    }
}

void harness_begin(void) { pw_device_start(&harness_device); }

void harness_day(void)
{
    const pw_device_counts *counts = &harness_device.counts;
    uint32_t passes = 0u; /* of the main loop, in which no time went by */
    while ((harness_clock.us < harness_setting.end_us) && (passes < MOST_PASSES)) {
        const uint64_t before = harness_clock.us;
        pw_device_run(&harness_device);
        passes = (harness_clock.us == before) ? (passes + 1u) : 0u;
    }
    harness_tally[0] = counts->watching_frames;
    harness_tally[1] = counts->active_frames;
    harness_tally[2] = counts->dropped_rows;
    harness_tally[3] = counts->dropped_counts;
    harness_tally[4] = counts->wakes;
    harness_tally[5] = counts->told;
    harness_tally[6] = harness_clock.wake_ups;
    harness_tally[7] = harness_clock.fed;
    harness_tally[8] = (passes < MOST_PASSES) ? harness_device.state : 255u;
}
"""
