"""What stands in the device program and its board where a device sleeps while its sensor exposes.

Where exposures are short it waits through them, and each place holds `AWAKE`.
"""

from __future__ import annotations

__all__ = ["ASLEEP", "AWAKE"]

_EXPOSING_C = """\
/* Whether the sensor exposes, for so long that sleep meanwhile is worth waking from. */
static int is_exposing_long(const pw_device *d)
{
    const uint32_t exposure_ns =
        (d->is_active != 0u) ? PW_ACTIVE_EXPOSURE_NS : PW_WATCHING_EXPOSURE_NS;

    return ((d->phase == PHASE_LIT) || (d->phase == PHASE_DARK))
        && (exposure_ns >= PW_SLEEP_EXPOSURE_NS);
}

"""

_ASLEEP_C = """\
if (is_exposing_long(d) != 0) {
        pw_board_sleep_until(d->frame_limit_us);
    } else """

_SLEEP_H = """\
/* Exposures of this length and longer are slept through. */
#define PW_SLEEP_EXPOSURE_NS @SLEEP_EXPOSURE@u
"""

_EXPOSED_ASLEEP_H = """\
 From PW_SLEEP_EXPOSURE_NS on
 * the controller sleeps meanwhile: let the sensor time the exposure, or a clock that also runs in
 * sleep, and let that interrupt wake it."""

_RUN_CLOCK_C = """\
/* The clock that also runs in sleep: to a tick of 30.5 us, which is less than a part in sixty of an
 * exposure that is slept through. */
static void run_clock(uint32_t ticks)
{
    exposing = 1u;
    RTC_EXPOSED = 0u;
    RTC_EXPOSED_AT = (RTC_COUNTER + ticks) & 0xFFFFFFu;
}

"""

_EXPOSURE_TICKS = """\
    exposure_ticks = (exposure_ns * 2u) / 125u; /* 16 ticks a microsecond */
"""

_CLOCK_TICKS = """\
    clock_ticks = 0u;
    if (exposure_ns >= PW_SLEEP_EXPOSURE_NS) { /* 32,768 / 10^9 = 2,251,800 / 2^36 */
        clock_ticks = (uint32_t)(((uint64_t)exposure_ns * 2251800u) >> 36);
    }
"""

_RUN_EXPOSURE = """\
        run_timer(TIMER_EXPOSE, exposure_ticks);
"""

_RUN_LONG_EXPOSURE = """\
        if (clock_ticks != 0u) {
            run_clock(clock_ticks);
        } else {
            run_timer(TIMER_EXPOSE, exposure_ticks);
        }
"""

_CLOCK_EXPOSED_C = """\
    if (RTC_EXPOSED != 0u) {
        RTC_EXPOSED = 0u;
        if (exposing != 0u) {
            exposing = 0u;
            GPIO_OUT_CLEAR = BIT(PIN_EXPOSE);
            pw_device_exposed(&device);
        }
    }
"""

ASLEEP: dict[str, str] = {
    "EXPOSING": _EXPOSING_C,
    "ASLEEP": _ASLEEP_C,
    "SLEEP": _SLEEP_H,
    "EXPOSED_ASLEEP": _EXPOSED_ASLEEP_H,
    "OR_EXPOSES": ", or the sensor exposes for long",
    "RTC_EXPOSED": "#define RTC_EXPOSED REGISTER(0x40011144u)\n",
    "RTC_BIT": ", bit 17: exposed",
    "RTC_COMPARE_EXPOSED": "#define RTC_EXPOSED_AT REGISTER(0x40011544u)\n",
    "CLOCK_STATE": "static uint32_t clock_ticks;\nstatic volatile uint32_t exposing;\n",
    "RUN_CLOCK": _RUN_CLOCK_C,
    "STOP": "    exposing = 0u;\n",
    "EXPOSURE_TICKS": _EXPOSURE_TICKS + _CLOCK_TICKS,
    "RUN_EXPOSURE": _RUN_LONG_EXPOSURE,
    "CLOCK_EXPOSED": _CLOCK_EXPOSED_C,
    "BUT_CLOCK": ";\n * long exposures are timed by the slow clock, so the fast one stands still",
    "CLOCK_BIT": " | BIT(17u)",
}
"""Pieces of the program, its header and the worked board, by their places."""

AWAKE: dict[str, str] = dict.fromkeys(ASLEEP, "") | {
    "EXPOSURE_TICKS": _EXPOSURE_TICKS,
    "RUN_EXPOSURE": _RUN_EXPOSURE,
}
"""The same places where exposures are waited through."""
