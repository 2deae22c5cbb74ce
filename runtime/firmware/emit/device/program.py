"""``pw_device.c`` and ``pw_device.h`` of a model at a setting, and the hooks of ``pw_board.h``."""

from __future__ import annotations

import math

from runtime.enrolment import can_enrol
from runtime.firmware.emit.device.asleep_text import ASLEEP, AWAKE
from runtime.firmware.emit.device.build_text import (
    CMAKE_CONFIG,
    CMAKE_LISTS,
    MAKEFILE,
    ZEPHYR_CMAKE,
    ZEPHYR_KCONFIG,
    ZEPHYR_MODULE,
)
from runtime.firmware.emit.device.example_text import BOARD_NRF52840_C, NRF52840_H
from runtime.firmware.emit.device.header_text import BOARD_H, DEVICE_H
from runtime.firmware.emit.device.program_text import DEVICE_C
from runtime.firmware.emit.device.start_text import NRF52840_LD, START_NRF52840_C
from runtime.firmware.setting import SLEEP_EXPOSURE_US, DeviceSetting
from runtime.firmware.watching import watching_model
from runtime.model import Model
from runtime.stages.contract.c_text import fill

__all__ = ["BUILD_FILES", "DEVICE_FILES", "buffered_pixels", "build_text", "device_text"]

DEVICE_FILES = ("pw_device.h", "pw_device.c", "pw_board.h")
"""The files of the device program in a firmware folder."""

BUILD_FILES = {
    "Makefile": MAKEFILE,
    "CMakeLists.txt": CMAKE_LISTS,
    "pw_firmware-config.cmake": CMAKE_CONFIG,
    "zephyr/module.yml": ZEPHYR_MODULE,
    "zephyr/CMakeLists.txt": ZEPHYR_CMAKE,
    "zephyr/Kconfig": ZEPHYR_KCONFIG,
    "example/nrf52840.h": NRF52840_H,
    "example/board_nrf52840.c": BOARD_NRF52840_C,
    "example/start_nrf52840.c": START_NRF52840_C,
    "example/nrf52840.ld": NRF52840_LD,
}
"""How it is built, and a worked board: the same text for every model, but for what `build_text`
puts in where a device sleeps while its sensor exposes."""

_ROW_BYTES = 2 * 2 * 2
"""A pixel's, in two buffers of both exposures."""

_WATCHDOG_FRAMES = 16
"""Frames that may be dropped one after another before the watchdog resets the board."""

_MOST_ROWS, _MOST_BUFFER_BYTES = 8, 2048
"""Rows of one transfer, and bytes of both buffers; at least one row."""

_THERE_C = """\
    if (@THERE@) { /* what the model sees keeps it awake, as movement does */
        d->state = PW_STATE_ACTIVE;
        d->hold_until_us = d->frame_due_us + PW_HOLD_US;
    }
"""


_ALWAYS_ABOUT = """\
 *
 * This one never watches: it lights nothing, and the model is given every frame from the start on.
 * Both exposures are of ambient light. Let the second begin half a period of the lamps' flicker
 * after the first (5 ms at 50 Hz mains), however short a sensor's own automatic exposure is.
"""

_NEXT_WATCHING = (
    ": active, and due no later than the next to watch",
    """\
    return (is_awake(d) != 0) && (reached(d->active_due_us, d->hold_until_us) == 0)
        && (reached(d->watch_due_us, d->active_due_us) != 0);
""",
    "",
)
_NEXT_ALWAYS = (
    ": always, as there is no light to be saved",
    "    return is_awake(d);\n",
    """\
    d->active_due_us = d->watch_due_us;
    d->state = PW_STATE_ACTIVE;
""",
)
_ENROL_H = """\

/* The owner is about to show a take of a class: wakes the model, and begins the take; 0, or why
 * not, as pw_enrol_begin says. While it is open the device stays awake. Call it between two passes
 * of the main loop; when the take has ended, pw_enrol_add(&device->model), and after the last one
 * pw_enrol_finish. What was learned lasts from wake to wake; pw_enrol_save keeps it over a reset,
 * and pw_enrol_load after pw_device_start brings it back. */
int32_t pw_device_enrol(pw_device *d, int32_t class_number);

/* Forget the owner, between two passes: light and sensor off, a frame that is half read is dropped,
 * and all of the pw_device is as pw_device_start leaves it, counts among it: it warms up anew.
 * pw_forget(&device->model) leaves the watching stage as it is, and what is read of a frame: the
 * rest of that is dropped, but where PW_TRUST_ROWS leaves unnoticed that it is half of one. */
void pw_device_forget(pw_device *d);
"""

_ENROL_C = """\
int32_t pw_device_enrol(pw_device *d, int32_t class_number)
{
    const uint32_t now_us = pw_board_now_us();

    if (is_awake(d) == 0) {
        if (d->phase == PHASE_ASLEEP) {
            d->frame_due_us = now_us; /* the first frame of the model is half a period from here */
        }
        wake(d);
    }
    d->state = PW_STATE_ACTIVE;
    d->hold_until_us = now_us + PW_HOLD_US;
    return pw_enrol_begin(&d->model, class_number);
}

void pw_device_forget(pw_device *d)
{
    stop_frame(d);
    pw_forget(&d->model); /* of the stack, too */
    pw_device_start(d);
}

"""

_OPEN_C = """\
    if (pw_enrol_is_open(s) != 0) { /* a take may be a hand held still */
        d->state = PW_STATE_ACTIVE;
        d->hold_until_us = d->frame_due_us + PW_HOLD_US;
    }
"""


def device_text(model: Model, setting: DeviceSetting) -> dict[str, str]:
    """Return the files of the device program, by name."""
    words = model.closing.c_words(model.classes)
    there = fill(_THERE_C, THERE=words.there) if words.there else ""
    about = " and the model sees nothing" if words.there else ""
    values = _constants(model, setting) | {"THERE_ABOUT": about}
    if model.entry.always_on:  # what is seen decides nothing
        there, values["THERE_ABOUT"] = "", ""
    next_about, next_is_active, start = _NEXT_ALWAYS if model.entry.always_on else _NEXT_WATCHING
    values["ALWAYS_ABOUT"] = _ALWAYS_ABOUT if model.entry.always_on else ""
    asleep = _asleep(setting)
    values |= asleep
    learns = can_enrol(model)
    values["ENROL"] = _ENROL_H if learns else ""
    program = {
        "THERE": there + (_OPEN_C if learns else ""),
        "TELL": words.tell_when,
        "BEGIN_ANEW": "pw_restart" if learns else "pw_init",
        "ENROL": _ENROL_C if learns else "",
        "NEXT_ABOUT": next_about,
        "NEXT_IS_ACTIVE": next_is_active,
        "START": start,
    } | asleep
    return {
        "pw_device.h": fill(DEVICE_H, **values),
        "pw_device.c": fill(DEVICE_C, **program),
        "pw_board.h": fill(BOARD_H, **asleep),
    }


def build_text(setting: DeviceSetting) -> dict[str, str]:
    """Return the files that build it, and the worked board of a device at a setting, by name."""
    asleep = _asleep(setting)
    return {name: fill(text, **asleep) for name, text in BUILD_FILES.items()}


def _asleep(setting: DeviceSetting) -> dict[str, str]:
    """Return what stands in the places of `ASLEEP`: nothing where no exposure is slept through."""
    if not any(setting.sleeps_in(state) for state in ("watching", "active")):
        return AWAKE
    limit = round(1e3 * SLEEP_EXPOSURE_US)
    return ASLEEP | {"SLEEP": fill(ASLEEP["SLEEP"], SLEEP_EXPOSURE=limit)}


def buffered_pixels(model: Model) -> int:
    """Return the pixels of one exposure that one transfer reads at most."""
    n_cols = model.sensor.n_cols
    return n_cols * max(1, min(_MOST_ROWS, _MOST_BUFFER_BYTES // (_ROW_BYTES * n_cols)))


def _constants(model: Model, setting: DeviceSetting) -> dict[str, object]:
    """Return the numbers of the header."""
    watched = watching_model(model.sensor, setting.watching_rows).entry.rows_read
    read = model.entry.rows_read
    found: dict[str, object] = {
        "WATCHING_FIRST": watched.start,
        "WATCHING_LAST": watched.stop - 1,
        "ACTIVE_FIRST": read.start,
        "ACTIVE_LAST": read.stop - 1,
        "ROWS_AT_ONCE": buffered_pixels(model) // model.sensor.n_cols,
        "HOLD": round(1e6 * setting.hold_time_s),
        "REST_FRAMES": math.ceil(setting.rest_time_s * setting.watching_rate_hz),
    }
    states = (
        ("WATCHING", setting.watching_rate_hz, setting.watching_led_current_ma),
        ("ACTIVE", setting.frame_rate_hz, setting.led_current_ma),
    )
    for name, rate_hz, current_ma in states:
        period, part = _period(rate_hz)
        found |= {
            f"{name}_RATE": round(1e3 * rate_hz),
            f"{name}_PERIOD": period,
            f"{name}_PART": part,
            f"{name}_LED": round(1e3 * current_ma),
            f"{name}_EXPOSURE": round(1e3 * setting.exposure_of(name.lower())),
        }
    fastest = max(setting.watching_rate_hz, setting.frame_rate_hz)
    found["FRAME_LIMIT"] = math.floor(1e6 / fastest)
    slowest_us = 1e6 / min(setting.watching_rate_hz, setting.frame_rate_hz)
    return found | {"WATCHDOG": round(_WATCHDOG_FRAMES * slowest_us)}


def _period(rate_hz: float) -> tuple[int, int]:
    """Return a period in whole microseconds, and the rest of it in 1 / 65536 of one."""
    return divmod(round(1e6 / rate_hz * 65536.0), 65536)
