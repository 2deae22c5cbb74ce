/* The registers of an nRF52840 that the example uses, by hand.
 *
 * Source: nRF52840 Product Specification v1.7, Nordic Semiconductor, 2021, the section named beside
 * each block, its table of registers (from memory). Interrupt numbers are a block's address, less
 * 0x40000000, divided by 0x1000, section "Peripheral interface". NVIC: Armv7-M Architecture
 * Reference Manual, section B3.4 (from memory). */
#ifndef NRF52840_H
#define NRF52840_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))

/* CLOCK */
#define CLOCK_LFCLK_START REGISTER(0x40000008u)
#define CLOCK_LFCLK_STARTED REGISTER(0x40000104u)
#define CLOCK_LFCLK_SOURCE REGISTER(0x40000518u) /* 1: the 32,768 Hz crystal */

/* GPIO, port 0 */
#define GPIO_OUT_SET REGISTER(0x50000508u)
#define GPIO_OUT_CLEAR REGISTER(0x5000050Cu)
#define GPIO_DIRECTION_SET REGISTER(0x50000518u)
#define GPIO_CONFIG(pin) REGISTER(0x50000700u + (4u * (pin))) /* 0: input, its buffer connected */

/* SPIM: SPI master with EasyDMA, the first */
#define SPIM_START REGISTER(0x40003010u)
#define SPIM_STOP REGISTER(0x40003014u)
#define SPIM_STOPPED REGISTER(0x40003104u)
#define SPIM_END REGISTER(0x40003118u)
#define SPIM_INTERRUPTS REGISTER(0x40003304u) /* bit 6: END */
#define SPIM_ENABLE REGISTER(0x40003500u) /* 7 */
#define SPIM_PIN_CLOCK REGISTER(0x40003508u)
#define SPIM_PIN_OUT REGISTER(0x4000350Cu)
#define SPIM_PIN_IN REGISTER(0x40003510u)
#define SPIM_FREQUENCY REGISTER(0x40003524u) /* 0x80000000: 8 Mbit/s */
#define SPIM_IN_ADDRESS REGISTER(0x40003534u)
#define SPIM_IN_BYTES REGISTER(0x40003538u)
#define SPIM_OUT_ADDRESS REGISTER(0x40003544u)
#define SPIM_OUT_BYTES REGISTER(0x40003548u)

/* TIMER, the first: 16 MHz */
#define TIMER_START REGISTER(0x40008000u)
#define TIMER_STOP REGISTER(0x40008004u)
#define TIMER_CLEAR REGISTER(0x4000800Cu)
#define TIMER_REACHED REGISTER(0x40008140u)
#define TIMER_SHORTCUTS REGISTER(0x40008200u) /* bit 0: reached, clear; bit 8: reached, stop */
#define TIMER_INTERRUPTS REGISTER(0x40008304u) /* bit 16: reached */
#define TIMER_BITS REGISTER(0x40008508u) /* 3: 32 bits */
#define TIMER_PRESCALER REGISTER(0x40008510u)
#define TIMER_COMPARE REGISTER(0x40008540u)

/* WDT: watchdog, on the 32,768 Hz clock */
#define WATCHDOG_START REGISTER(0x40010000u)
#define WATCHDOG_TICKS REGISTER(0x40010504u)
#define WATCHDOG_CHANNELS REGISTER(0x40010508u)
#define WATCHDOG_CONFIG REGISTER(0x4001050Cu) /* bit 0: goes on in sleep */
#define WATCHDOG_FEED REGISTER(0x40010600u)
#define WATCHDOG_WORD 0x6E524635u

/* RTC, the second: 24 bits of 32,768 Hz, goes on in sleep */
#define RTC_START REGISTER(0x40011000u)
#define RTC_OVERFLOWED REGISTER(0x40011104u)
#define RTC_REACHED REGISTER(0x40011140u)
#define RTC_INTERRUPTS REGISTER(0x40011304u) /* bit 1: overflow, bit 16: reached */
#define RTC_COUNTER REGISTER(0x40011504u)
#define RTC_COMPARE REGISTER(0x40011540u)

/* NVIC */
#define NVIC_ENABLE REGISTER(0xE000E100u) /* interrupts 0 to 31 */
#define IRQ_SPIM 3u
#define IRQ_TIMER 8u
#define IRQ_RTC 17u

#endif
