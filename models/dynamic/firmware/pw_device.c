/* The device program: see pw_device.h. */
#include "pw_device.h"
#include "pw_board.h"

#define PHASE_ASLEEP 0u
#define PHASE_STARTING 1u
#define PHASE_LIT 2u
#define PHASE_DARK 3u
#define PHASE_ROWS 4u

/* Whether a time has come, on a clock that wraps. */
static int reached(uint32_t now_us, uint32_t time_us)
{
    return (now_us - time_us) < 0x80000000u;
}

static int is_awake(const pw_device *d)
{
    return (d->state == PW_STATE_ACTIVE) || (d->state == PW_STATE_HOLD);
}

/* Whether the next frame is the model's: active, and due no later than the next to watch. */
static int next_is_active(const pw_device *d)
{
    return (is_awake(d) != 0) && (reached(d->active_due_us, d->hold_until_us) == 0)
        && (reached(d->watch_due_us, d->active_due_us) != 0);
}

/* The frame after one that was due; one that is late by more than a period is due now. */
static void plan(uint32_t *due_us, uint32_t *part, uint32_t now_us, const uint32_t *period)
{
    if (reached(now_us, *due_us + period[0]) != 0) {
        *due_us = now_us;
    }
    *part += period[1];
    *due_us += period[0] + (*part >> 16);
    *part &= 0xFFFFu;
}

static void begin_frame(pw_device *d, uint32_t now_us)
{
    static const uint32_t watching[2] = {PW_WATCHING_PERIOD_US, PW_WATCHING_PERIOD_PART};
    static const uint32_t active[2] = {PW_ACTIVE_PERIOD_US, PW_ACTIVE_PERIOD_PART};

    if (next_is_active(d) != 0) {
        d->is_active = 1u;
        d->counts.active_frames++;
        d->frame_due_us = d->active_due_us;
        d->next_row = PW_ACTIVE_FIRST_ROW;
        d->rows_left = PW_ACTIVE_LAST_ROW + 1u - PW_ACTIVE_FIRST_ROW;
        plan(&d->active_due_us, &d->active_due_part, now_us, active);
    } else {
        d->is_active = 0u;
        d->counts.watching_frames++;
        d->frame_due_us = d->watch_due_us;
        d->next_row = PW_WATCHING_FIRST_ROW;
        d->rows_left = PW_WATCHING_LAST_ROW + 1u - PW_WATCHING_FIRST_ROW;
        plan(&d->watch_due_us, &d->watch_due_part, now_us, watching);
    }
    d->frame_limit_us = now_us + PW_FRAME_LIMIT_US;
    d->taking = 0u;
    d->taken = 0u;
    d->filling = 0u;
    d->reading = 0u;
    d->full[0] = 0u;
    d->full[1] = 0u;
    d->phase = PHASE_STARTING;
    pw_board_sensor_on();
}

/* A hand has come: the model begins anew, half a period from here, so that its frames and those of
 * the watching stage take turns. Its first frame stands for what was before: the hand is there. */
static void wake(pw_device *d)
{
    pw_init(&d->model);
    pw_settle(&d->model);
    d->counts.wakes++;
    d->state = PW_STATE_ACTIVE;
    d->just_woken = 1u;
    d->settled = 0u;
    d->rest = pw_watch_rest(&d->watch);
    d->lowest_rest = INT32_MAX;
    d->rest_frames = 0u;
    d->active_due_us = d->frame_due_us + (PW_ACTIVE_PERIOD_US / 2u);
    d->active_due_part = 0u;
    d->hold_until_us = d->frame_due_us + PW_HOLD_US;
}

/* What rest looks like is learned anew now and then: the least of what was seen since. */
static void learn_rest(pw_device *d)
{
    const int32_t now = pw_watch_rest(&d->watch);

    if (now < d->lowest_rest) {
        d->lowest_rest = now;
    }
    d->rest_frames++;
    if (d->rest_frames == PW_REST_FRAMES) {
        d->rest = d->lowest_rest;
        d->lowest_rest = INT32_MAX;
        d->rest_frames = 0u;
    }
}

/* Nothing moved: hold, until that is over; then watch, once the means are of rest. */
static void rest_or_watch(pw_device *d)
{
    d->settled++;
    if ((is_awake(d) != 0) && (reached(d->frame_due_us, d->hold_until_us) == 0)) {
        d->state = PW_STATE_HOLD;
    } else {
        d->state = (d->settled >= PW_WATCH_WARM_UP_FRAMES) ? PW_STATE_WATCH : PW_STATE_WARM_UP;
    }
}

/* After a whole frame of the watching stage. One frame that stands out changes twice: the way back,
 * on the frame after the one that woke, is no movement. */
static void watched(pw_device *d)
{
    if (d->state == PW_STATE_WARM_UP) {
        rest_or_watch(d);
    } else if (d->state == PW_STATE_WATCH) {
        if (pw_watch_arrived(&d->watch) != 0) {
            wake(d);
        }
    } else {
        const int moved = pw_watch_moved(&d->watch, d->rest);
        learn_rest(d);
        if ((moved != 0) && (d->just_woken == 0u)) {
            d->state = PW_STATE_ACTIVE;
            d->settled = 0u;
            d->hold_until_us = d->frame_due_us + PW_HOLD_US;
        } else {
            rest_or_watch(d);
        }
        d->just_woken = 0u;
    }
}

/* After a whole frame of the model. */
static void decided(pw_device *d, int32_t event)
{
    const pw_state *s = &d->model;

    if (event != PW_NONE) { /* what the model sees keeps it awake, as movement does */
        d->state = PW_STATE_ACTIVE;
        d->hold_until_us = d->frame_due_us + PW_HOLD_US;
    }
    if (event != PW_NONE) {
        d->counts.told++;
        pw_board_tell(event, s);
    }
}

/* A frame that is not whole, late or with wrong counts tells nothing. */
static void dropped(pw_device *d, int for_counts)
{
    if (for_counts != 0) {
        d->counts.dropped_counts++;
    } else {
        d->counts.dropped_rows++;
    }
}

/* A frame is over, whole or not, and no transfer under way: of its rows nothing stays in memory. */
static void wipe_rows(pw_device *d)
{
    const uint8_t *from = (const uint8_t *)d->lit;
    const uint8_t *to = (const uint8_t *)&d->counts; /* both exposures stand before it */
    pw_wipe(d->lit, (uint32_t)(to - from) / 4u);
}

static void end_frame(pw_device *d)
{
    d->phase = PHASE_ASLEEP;
    pw_board_sensor_off();
    wipe_rows(d);
    if (d->is_active != 0u) {
        const int32_t event = pw_finish(&d->model);
        if ((event == PW_ERROR_ROWS) || (event == PW_ERROR_COUNTS)) {
            dropped(d, event == PW_ERROR_COUNTS);
        } else {
            pw_board_feed_watchdog();
            decided(d, event);
        }
    } else {
        const int32_t decision = pw_watch_finish(&d->watch);
        if ((decision == PW_WATCH_ERROR_ROWS) || (decision == PW_WATCH_ERROR_COUNTS)) {
            dropped(d, decision == PW_WATCH_ERROR_COUNTS);
        } else {
            pw_board_feed_watchdog();
            watched(d);
        }
    }
}

/* What is read of a frame is not wanted any more. */
static void stop_frame(pw_device *d)
{
    pw_board_hold_interrupts();
    d->phase = PHASE_ASLEEP;
    pw_board_led_off();
    pw_board_sensor_off();
    pw_board_allow_interrupts();
}

/* The time is up, and rows lack. */
static void give_up(pw_device *d)
{
    stop_frame(d);
    wipe_rows(d);
    pw_drop(&d->model);
    pw_watch_drop(&d->watch);
    dropped(d, 0);
}

/* Read the next rows if there are any, and room for them; interrupts are held, or this is one. */
static void read_on(pw_device *d)
{
    const uint32_t to = d->filling;

    if ((d->reading == 0u) && (d->rows_left != 0u) && (d->full[to] == 0u)) {
        const uint32_t first = d->next_row;
        const uint32_t left = d->rows_left;
        const uint32_t n = (left < PW_ROWS_AT_ONCE) ? left : PW_ROWS_AT_ONCE;
        d->reading = (uint8_t)n;
        d->rows_left = left - n;
        d->next_row = first + n;
        pw_board_read_rows(first, n, d->lit[to], d->dark[to]);
    }
}

static void take_row(pw_device *d)
{
    const uint32_t from = d->taking;
    const uint32_t taken = d->taken;
    const uint32_t row = d->row[from] + taken;
    const uint16_t *lit = &d->lit[from][taken * PW_N_COLS];
    const uint16_t *dark = &d->dark[from][taken * PW_N_COLS];

    if (d->is_active != 0u) {
        (void)pw_feed_row(&d->model, row, lit, dark);
    } else {
        (void)pw_watch_feed_row(&d->watch, row, lit, dark);
    }
    d->taken = (uint8_t)(taken + 1u);
    if (d->taken == d->full[from]) {
        d->taken = 0u;
        d->taking = (uint8_t)(from ^ 1u);
        pw_board_hold_interrupts();
        d->full[from] = 0u;
        read_on(d);
        pw_board_allow_interrupts();
    }
}

static int all_rows_taken(const pw_device *d)
{
    return (d->phase == PHASE_ROWS) && (d->rows_left == 0u) && (d->reading == 0u)
        && (d->full[0] == 0u) && (d->full[1] == 0u);
}

void pw_device_sensor_ready(pw_device *d)
{
    if (d->phase == PHASE_STARTING) {
        d->phase = PHASE_LIT;
        pw_board_led_on((d->is_active != 0u) ? PW_ACTIVE_LED_UA : PW_WATCHING_LED_UA);
        pw_board_expose((d->is_active != 0u) ? PW_ACTIVE_EXPOSURE_NS : PW_WATCHING_EXPOSURE_NS);
    }
}

void pw_device_exposed(pw_device *d)
{
    if (d->phase == PHASE_LIT) {
        pw_board_led_off();
        d->phase = PHASE_DARK;
        pw_board_expose((d->is_active != 0u) ? PW_ACTIVE_EXPOSURE_NS : PW_WATCHING_EXPOSURE_NS);
    } else if (d->phase == PHASE_DARK) {
        d->phase = PHASE_ROWS;
        read_on(d);
    } else {
        /* of a frame that was given up */
    }
}

void pw_device_rows_read(pw_device *d, uint32_t first, uint32_t n)
{
    const uint32_t to = d->filling;
    const uint32_t asked = d->reading;

    if ((d->phase == PHASE_ROWS) && (asked != 0u)) {
        d->row[to] = first;
        d->full[to] = (uint8_t)((n < asked) ? n : asked);
        d->reading = 0u;
        if (n != 0u) {
            d->filling = (uint8_t)(to ^ 1u);
        }
        read_on(d);
    }
}

void pw_device_start(pw_device *d)
{
    uint8_t *byte = (uint8_t *)d;

    for (uint32_t i = 0u; i < (uint32_t)sizeof(*d); i++) {
        byte[i] = 0u;
    }
    pw_watch_init(&d->watch);
    pw_init(&d->model);
    d->watch_due_us = pw_board_now_us();
}

/* Wait for an interrupt, unless it has been. */
static void wait_on(pw_device *d)
{
    pw_board_hold_interrupts();
    if ((d->full[d->taking] == 0u) && (all_rows_taken(d) == 0)) {
        pw_board_wait_until(d->frame_limit_us);
    }
    pw_board_allow_interrupts();
}

static void begin_or_sleep(pw_device *d)
{
    const uint32_t due_us = (next_is_active(d) != 0) ? d->active_due_us : d->watch_due_us;
    const uint32_t now_us = pw_board_now_us();

    if (reached(now_us, due_us) != 0) {
        begin_frame(d, now_us);
    } else {
        pw_board_hold_interrupts();
        pw_board_sleep_until(due_us);
        pw_board_allow_interrupts();
    }
}

void pw_device_run(pw_device *d)
{
    if (d->phase == PHASE_ASLEEP) {
        begin_or_sleep(d);
    } else if (d->full[d->taking] != 0u) {
        take_row(d);
    } else if (all_rows_taken(d) != 0) {
        end_frame(d);
    } else if (reached(pw_board_now_us(), d->frame_limit_us) != 0) {
        give_up(d);
    } else {
        wait_on(d);
    }
}
