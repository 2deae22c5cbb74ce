/* A board for the device program: an nRF52840 with the sensor on SPI. It is an example: pins,
 * the LED's driver and the sensor's commands are invented; put your own in their place.
 *
 * The sensor of the example takes two bytes, the first row and how many, and answers meanwhile with
 * two, zero and the first row that it will send; then it sends those rows of the lit exposure and
 * after them those of the dark one, 16 bits a count, low byte first. It exposes all rows while
 * PIN_EXPOSE is high. */
#include "nrf52840.h"
#include "pw_device.h"
#include "pw_board.h"

#define PIN_CLOCK 3u
#define PIN_OUT 4u
#define PIN_IN 28u
#define PIN_SELECT 29u /* low: the sensor listens */
#define PIN_POWER 30u
#define PIN_EXPOSE 31u
#define PIN_LED_WEAK 12u /* a current sink set to PW_WATCHING_LED_UA */
#define PIN_LED_FULL 13u /* a current sink set to PW_ACTIVE_LED_UA */
#define PIN_TELL 14u /* rises when there is something to tell */
#define BIT(n) (1u << (n))

#define START_UP_US 60u
#define SETTLE_US 5u

/* What the timer waits for. */
#define TIMER_NOTHING 0u
#define TIMER_START_UP 1u
#define TIMER_SETTLE 2u
#define TIMER_EXPOSE 3u

/* What the transfer is. */
#define TRANSFER_NOTHING 0u
#define TRANSFER_COMMAND 1u
#define TRANSFER_LIT 2u
#define TRANSFER_DARK 3u

int pw_selftest(void);
int main(void);
void SPIM_Handler(void);
void TIMER_Handler(void);
void RTC_Handler(void);

static pw_device device;
static volatile uint32_t overflows; /* of the 24-bit clock */
static volatile uint32_t timer_for;
static volatile uint32_t transfer;
static uint32_t exposure_ticks;
static uint8_t command[2];
static uint8_t answer[2];
static uint16_t *rows_lit;
static uint16_t *rows_dark;
static uint32_t n_rows;

/* What was told last; a host reads it when PIN_TELL rises. */
volatile int32_t board_event = PW_NONE;

static void run_timer(uint32_t purpose, uint32_t ticks)
{
    timer_for = purpose;
    TIMER_STOP = 1u;
    TIMER_CLEAR = 1u;
    TIMER_REACHED = 0u;
    TIMER_COMPARE = ticks;
    TIMER_START = 1u;
}

static void run_transfer(uint32_t purpose, void *in, uint32_t n_in, uint32_t n_out)
{
    transfer = purpose;
    SPIM_END = 0u;
    SPIM_IN_ADDRESS = (uint32_t)(uintptr_t)in;
    SPIM_IN_BYTES = n_in;
    SPIM_OUT_ADDRESS = (uint32_t)(uintptr_t)command;
    SPIM_OUT_BYTES = n_out;
    SPIM_START = 1u;
}

uint32_t pw_board_now_us(void)
{
    uint32_t high;
    uint32_t low;
    do { /* the counter may overflow between the two, and its interrupt be held */
        high = overflows + RTC_OVERFLOWED;
        low = RTC_COUNTER & 0xFFFFFFu;
    } while (high != (overflows + RTC_OVERFLOWED));
    /* 1,000,000 / 32,768 = 15,625 / 2^9 */
    return (uint32_t)(((((uint64_t)high << 24) | low) * 15625u) >> 9);
}

void pw_board_sensor_on(void)
{
    GPIO_OUT_SET = BIT(PIN_POWER);
    run_timer(TIMER_START_UP, START_UP_US * 16u);
}

void pw_board_sensor_off(void)
{
    TIMER_STOP = 1u;
    TIMER_REACHED = 0u;
    timer_for = TIMER_NOTHING;
    if (transfer != TRANSFER_NOTHING) { /* a frame that is given up; a byte's time at most */
        SPIM_STOPPED = 0u;
        SPIM_STOP = 1u;
        while (SPIM_STOPPED == 0u) {
        }
        SPIM_END = 0u;
        transfer = TRANSFER_NOTHING;
    }
    GPIO_OUT_SET = BIT(PIN_SELECT);
    GPIO_OUT_CLEAR = BIT(PIN_POWER) | BIT(PIN_EXPOSE);
}

void pw_board_led_on(uint32_t current_ua)
{
    GPIO_OUT_SET = (current_ua == PW_ACTIVE_LED_UA) ? BIT(PIN_LED_FULL) : BIT(PIN_LED_WEAK);
}

void pw_board_led_off(void)
{
    GPIO_OUT_CLEAR = BIT(PIN_LED_WEAK) | BIT(PIN_LED_FULL);
}

void pw_board_expose(uint32_t exposure_ns)
{
    exposure_ticks = (exposure_ns * 2u) / 125u; /* 16 ticks a microsecond */
    run_timer(TIMER_SETTLE, SETTLE_US * 16u);
}

void pw_board_read_rows(uint32_t first, uint32_t n, uint16_t *lit, uint16_t *dark)
{
    rows_lit = lit;
    rows_dark = dark;
    n_rows = n;
    command[0] = (uint8_t)first;
    command[1] = (uint8_t)n;
    GPIO_OUT_CLEAR = BIT(PIN_SELECT);
    run_transfer(TRANSFER_COMMAND, answer, 2u, 2u);
}

void TIMER_Handler(void)
{
    const uint32_t purpose = timer_for;
    TIMER_REACHED = 0u;
    timer_for = TIMER_NOTHING;
    if (purpose == TIMER_START_UP) {
        pw_device_sensor_ready(&device);
    } else if (purpose == TIMER_SETTLE) {
        GPIO_OUT_SET = BIT(PIN_EXPOSE);
        run_timer(TIMER_EXPOSE, exposure_ticks);
    } else if (purpose == TIMER_EXPOSE) {
        GPIO_OUT_CLEAR = BIT(PIN_EXPOSE);
        pw_device_exposed(&device);
    } else {
        /* stopped meanwhile */
    }
}

void SPIM_Handler(void)
{
    const uint32_t ended = transfer;
    SPIM_END = 0u;
    if (ended == TRANSFER_COMMAND) {
        run_transfer(TRANSFER_LIT, rows_lit, 2u * PW_N_COLS * n_rows, 0u);
    } else if (ended == TRANSFER_LIT) {
        run_transfer(TRANSFER_DARK, rows_dark, 2u * PW_N_COLS * n_rows, 0u);
    } else if (ended == TRANSFER_DARK) {
        transfer = TRANSFER_NOTHING;
        GPIO_OUT_SET = BIT(PIN_SELECT);
        pw_device_rows_read(&device, answer[1], n_rows);
    } else {
        /* stopped meanwhile */
    }
}

void RTC_Handler(void)
{
    RTC_REACHED = 0u;
    if (RTC_OVERFLOWED != 0u) {
        RTC_OVERFLOWED = 0u;
        overflows++;
    }
}

void pw_board_hold_interrupts(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
}

void pw_board_allow_interrupts(void)
{
    __asm__ volatile("cpsie i" ::: "memory");
}

/* An interrupt that is held ends the waiting, and is served when it is allowed again. */
static void wait_for(uint32_t time_us)
{
    const uint32_t left_us = time_us - pw_board_now_us();
    uint32_t ticks = 0u;
    if (left_us < 0x80000000u) { /* 32,768 / 1,000,000 = 2,199,024 / 2^26, rounded up */
        ticks = (uint32_t)(((uint64_t)left_us * 2199024u) >> 26) + 1u;
    }
    if (ticks > 0x7FFFFFu) {
        ticks = 0x7FFFFFu; /* coming back early does no harm */
    }
    if (ticks < 2u) {
        ticks = 2u; /* the counter must not be there already */
    }
    RTC_REACHED = 0u;
    RTC_COMPARE = (RTC_COUNTER + ticks) & 0xFFFFFFu;
    __asm__ volatile("dsb\n\twfi" ::: "memory");
}

/* The core sleeps in both; the chip does by itself what is left to do. */
void pw_board_wait_until(uint32_t time_us)
{
    wait_for(time_us);
}

void pw_board_sleep_until(uint32_t time_us)
{
    wait_for(time_us);
}

void pw_board_feed_watchdog(void)
{
    WATCHDOG_FEED = WATCHDOG_WORD;
}

void pw_board_tell(int32_t event, const pw_state *model)
{
    (void)model; /* more to ask of it: see pw_model.h */
    board_event = event;
    GPIO_OUT_SET = BIT(PIN_TELL);
    GPIO_OUT_CLEAR = BIT(PIN_TELL);
}

static void set_up(void)
{
    GPIO_OUT_SET = BIT(PIN_SELECT);
    GPIO_CONFIG(PIN_IN) = 0u;
    GPIO_DIRECTION_SET = BIT(PIN_CLOCK) | BIT(PIN_OUT) | BIT(PIN_SELECT) | BIT(PIN_POWER)
        | BIT(PIN_EXPOSE) | BIT(PIN_LED_WEAK) | BIT(PIN_LED_FULL) | BIT(PIN_TELL);

    CLOCK_LFCLK_SOURCE = 1u;
    CLOCK_LFCLK_STARTED = 0u;
    CLOCK_LFCLK_START = 1u;
    while (CLOCK_LFCLK_STARTED == 0u) {
    }
    RTC_INTERRUPTS = BIT(1u) | BIT(16u);
    RTC_START = 1u;

    TIMER_BITS = 3u;
    TIMER_PRESCALER = 0u;
    TIMER_SHORTCUTS = BIT(0u) | BIT(8u);
    TIMER_INTERRUPTS = BIT(16u);

    SPIM_PIN_CLOCK = PIN_CLOCK;
    SPIM_PIN_OUT = PIN_OUT;
    SPIM_PIN_IN = PIN_IN;
    SPIM_FREQUENCY = 0x80000000u;
    SPIM_INTERRUPTS = BIT(6u);
    SPIM_ENABLE = 7u;

    NVIC_ENABLE = BIT(IRQ_SPIM) | BIT(IRQ_TIMER) | BIT(IRQ_RTC);
}

int main(void)
{
    if (pw_selftest() != 0) { /* the model does not compute what it was proved to */
        for (;;) {
        }
    }
    set_up();
    WATCHDOG_TICKS = (uint32_t)(((uint64_t)PW_WATCHDOG_US * 2199024u) >> 26);
    WATCHDOG_CHANNELS = 1u;
    WATCHDOG_CONFIG = 1u;
    WATCHDOG_START = 1u;
    pw_device_start(&device);
    for (;;) {
        pw_device_run(&device);
    }
}
