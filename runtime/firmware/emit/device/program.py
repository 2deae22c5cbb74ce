"""``pw_device.c`` and ``pw_device.h`` of a model at a setting, and the hooks of ``pw_board.h``."""

from __future__ import annotations

import math

from runtime.firmware.emit.device.header_text import BOARD_H, DEVICE_H
from runtime.firmware.emit.device.program_text import DEVICE_C
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import watching_model
from runtime.model import Model
from runtime.stages.contract.c_text import fill

__all__ = ["DEVICE_FILES", "device_text"]

DEVICE_FILES = ("pw_device.h", "pw_device.c", "pw_board.h")
"""The files of the device program in a firmware folder."""

_WATCHDOG_FRAMES = 16
"""Frames that may be dropped one after another before the watchdog resets the board."""

_THERE_C = """\
    if (@THERE@) { /* what the model sees keeps it awake, as movement does */
        d->state = PW_STATE_ACTIVE;
        d->hold_until_us = d->frame_due_us + PW_HOLD_US;
    }
"""


def device_text(model: Model, setting: DeviceSetting) -> dict[str, str]:
    """Return the files of the device program, by name."""
    words = model.closing.c_words(model.classes)
    there = fill(_THERE_C, THERE=words.there) if words.there else ""
    about = "\n * and the model sees nothing" if words.there else ""
    values = _constants(model, setting) | {"THERE_ABOUT": about}
    return {
        "pw_device.h": fill(DEVICE_H, **values),
        "pw_device.c": fill(DEVICE_C, THERE=there, TELL=words.tell_when),
        "pw_board.h": BOARD_H,
    }


def _constants(model: Model, setting: DeviceSetting) -> dict[str, object]:
    """Return the numbers of the header."""
    watched = watching_model(model.sensor, setting.watching_rows).entry.rows_read
    read = model.entry.rows_read
    found: dict[str, object] = {
        "EXPOSURE": round(1e3 * setting.exposure_us),
        "WATCHING_FIRST": watched.start,
        "WATCHING_LAST": watched.stop - 1,
        "ACTIVE_FIRST": read.start,
        "ACTIVE_LAST": read.stop - 1,
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
        }
    slowest_us = 1e6 / min(setting.watching_rate_hz, setting.frame_rate_hz)
    return found | {"WATCHDOG": round(_WATCHDOG_FRAMES * slowest_us)}


def _period(rate_hz: float) -> tuple[int, int]:
    """Return a period in whole microseconds, and the rest of it in 1 / 65536 of one."""
    return divmod(round(1e6 / rate_hz * 65536.0), 65536)
