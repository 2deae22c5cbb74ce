/* The device program around the watching stage and the model: when to read, with which light, when
 * to wake and when to sleep. A board brings what pw_board.h asks for, and runs
 *
 *     static pw_device device;
 *     pw_device_start(&device);
 *     for (;;) {
 *         pw_device_run(&device);
 *     }
 *
 * States. It warms up while the first frames fill the means of the watching stage; then it
 * watches: a few rows now and then, in weak light. A hand that comes makes it active: the model is
 * given frames at its full rate and light, and the watching goes on at its own. When nothing moves
 * any more and the model sees nothing
 * it holds for a while, active still, and then watches again. Between frames it sleeps.
 *
 * No function waits: pw_device_run does one thing, the longest of them a row or the end of a frame,
 * and returns; the board's pw_board_wait_until and pw_board_sleep_until are where time goes by.
 */
#ifndef PW_DEVICE_H
#define PW_DEVICE_H

#include "pw_model.h"
#include "pw_watch.h"

#ifdef __cplusplus
extern "C" {
#endif

/* The numbers that the budget prices. Periods are microseconds and 1 / 65536 of one. */
#define PW_WATCHING_RATE_MILLIHERTZ 5000u
#define PW_WATCHING_PERIOD_US 200000u
#define PW_WATCHING_PERIOD_PART 0u
#define PW_WATCHING_LED_UA 100000u
#define PW_WATCHING_EXPOSURE_NS 10000u
#define PW_WATCHING_FIRST_ROW 8u
#define PW_WATCHING_LAST_ROW 23u
#define PW_ACTIVE_RATE_MILLIHERTZ 3000u
#define PW_ACTIVE_PERIOD_US 333333u
#define PW_ACTIVE_PERIOD_PART 21845u
#define PW_ACTIVE_LED_UA 100000u
#define PW_ACTIVE_EXPOSURE_NS 200000u
#define PW_ACTIVE_FIRST_ROW 0u
#define PW_ACTIVE_LAST_ROW 31u
#define PW_HOLD_US 2000000u
/* A frame that is not whole after this is given up: the shorter of both periods. */
#define PW_FRAME_LIMIT_US 200000u
/* Rows that one transfer reads at most: an interrupt each would cost more than they do. */
#define PW_ROWS_AT_ONCE 8u
/* Watching frames of movement without a pause, after which it is taken for a livelier rest. */
#define PW_REST_FRAMES 300u
/* A board's watchdog waits this long: it is fed after every frame that came whole. */
#define PW_WATCHDOG_US 5333333u

#define PW_STATE_WARM_UP 0u
#define PW_STATE_WATCH 1u
#define PW_STATE_ACTIVE 2u
#define PW_STATE_HOLD 3u

/* What has been since the start; all wrap. A frame that is dropped told nothing: its rows were not
 * whole or in order (or did not come in time), or held counts over PW_MAX_COUNTS. */
typedef struct {
    uint32_t watching_frames;
    uint32_t active_frames;
    uint32_t dropped_rows;
    uint32_t dropped_counts;
    uint32_t wakes; /* from watching to active */
    uint32_t told; /* events */
} pw_device_counts;

typedef struct {
    pw_watch_state watch;
    pw_state model;
    uint16_t lit[2][PW_ROWS_AT_ONCE * PW_N_COLS]; /* one is read into, one is worked on */
    uint16_t dark[2][PW_ROWS_AT_ONCE * PW_N_COLS];
    pw_device_counts counts;
    uint32_t watch_due_us; /* when the next frame of each kind begins, and its 65536ths */
    uint32_t watch_due_part;
    uint32_t active_due_us;
    uint32_t active_due_part;
    uint32_t hold_until_us;
    uint32_t frame_due_us; /* of the frame now read */
    uint32_t frame_limit_us; /* when it is given up */
    uint32_t settled; /* watching frames since something moved */
    uint32_t rest_frames; /* watching frames since the rest was learned */
    int32_t rest; /* sum of changes that movement stands out from, while active */
    int32_t lowest_rest;
    uint8_t state; /* one of PW_STATE_ */
    uint8_t just_woken;
    uint8_t is_active; /* whether the frame now read is the model's */
    uint8_t taking; /* buffer to work on, and how many of its rows are done */
    uint8_t taken;
    /* What interrupts change. */
    volatile uint8_t phase;
    volatile uint8_t filling; /* buffer to read into next */
    volatile uint8_t reading;
    volatile uint8_t full[2]; /* rows that a buffer holds, and the first of them */
    volatile uint32_t row[2];
    volatile uint32_t next_row;
    volatile uint32_t rows_left; /* to ask for */
} pw_device;

/* Begin, as after a reset; the first frame is due at once. */
void pw_device_start(pw_device *d);

/* One pass of the main loop. */
void pw_device_run(pw_device *d);

/* From interrupts: the sensor that pw_board_sensor_on started is ready; the exposure that
 * pw_board_expose started is over; the rows that pw_board_read_rows asked for are in their buffers:
 * how many came, and by which number the sensor calls the first. Where a sensor tells no numbers,
 * hand back what was asked for. */
void pw_device_sensor_ready(pw_device *d);
void pw_device_exposed(pw_device *d);
void pw_device_rows_read(pw_device *d, uint32_t first, uint32_t n);

#ifdef __cplusplus
}
#endif

#endif
