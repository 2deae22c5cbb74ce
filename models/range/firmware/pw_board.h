/* What a board brings to the device program. All functions return at once but the two that wait.
 * Interrupts call the three functions of pw_device.h that are meant for them; none of them may come
 * after pw_board_sensor_off. pw_device.c calls these from the main loop and from those interrupts.
 *
 * Where a core has a data cache, keep the pw_device in memory that is not cached. */
#ifndef PW_BOARD_H
#define PW_BOARD_H

#include <stdint.h>
#include "pw_model.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Microseconds of a clock that also runs in sleep, and wraps at 2^32. */
uint32_t pw_board_now_us(void);

/* Power the sensor; when it can expose, pw_device_sensor_ready is called (from here, if at once).
 * Off: no power, no transfer, no interrupt of it. */
void pw_board_sensor_on(void);
void pw_board_sensor_off(void);

/* Light at a current in microamperes, and none. */
void pw_board_led_on(uint32_t current_ua);
void pw_board_led_off(void);

/* Wait until the LED's driver has settled, lit or dark alike, then expose all rows; then
 * pw_device_exposed is called from an interrupt. */
void pw_board_expose(uint32_t exposure_ns);

/* Start to read n rows of both exposures by DMA, PW_N_COLS counts a row and row after row; then
 * pw_device_rows_read is called from an interrupt. */
void pw_board_read_rows(uint32_t first, uint32_t n, uint16_t *lit, uint16_t *dark);

/* Between these two no interrupt is served. They do not nest. */
void pw_board_hold_interrupts(void);
void pw_board_allow_interrupts(void);

/* Called with interrupts held. Wait until the time, or until an interrupt asks to be served, held
 * or not (the instruction WFI does so); the first while the sensor works and DMA runs, the second
 * while only the clock has to. Early returns do no harm. */
void pw_board_wait_until(uint32_t time_us);
void pw_board_sleep_until(uint32_t time_us);

/* Called after every frame that came whole. */
void pw_board_feed_watchdog(void);

/* Something to tell: what pw_finish returned, and the model to ask for more, see pw_model.h. */
void pw_board_tell(int32_t event, const pw_state *model);

#ifdef __cplusplus
}
#endif

#endif
