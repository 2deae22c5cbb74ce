"""A scripted day by the budget's formula: what `runtime.firmware.day.run` executes, on paper.

The lines are those of `runtime.budget.price.power`; only the day is another one than a usage's.
"""

from __future__ import annotations

import math
from typing import Any

from runtime.budget.price.power import frame_time_us, frames_a_day, pulse_us, slept_us
from runtime.firmware.day.script import BoardTimes, DayScript
from runtime.firmware.day.tally import DayTally
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import WARM_UP_FRAMES, watching_model
from runtime.model import Model

__all__ = ["awake_spans", "price_day"]

_ROUNDING = 1e-6


def awake_spans(
    script: DayScript, setting: DeviceSetting, *, on_grid: bool = True
) -> tuple[tuple[float, float], ...]:
    """Return from when until when the model is awake, seconds, apart from each other.

    Parameters
    ----------
    script : DayScript
    setting : DeviceSetting
    on_grid : bool
        Whether arrivals and leavings count from the watching frame that sees them, as the program
        has it, or from when they happen. In whole watching periods both are the same.

    Notes
    -----
    From each arrival until the hold time after the leaving; what happens within lengthens it, so
    that visits closer than the hold time are one. A single frame that stands out wakes for the hold
    time; within a hold it is seen to come and to go, and lengthens it by a watching period. What
    happens while the first frames warm up is not seen. What the model tells keeps it awake, too,
    and is no part of a script: of a gesture, for as long as it is told after the last movement.
    """
    period = 1.0 / setting.watching_rate_hz

    def seen(time_s: float) -> float:
        return math.ceil(time_s / period - _ROUNDING) * period if on_grid else time_s

    begins = WARM_UP_FRAMES * period - _ROUNDING
    happens = [(seen(start), seen(end), 0.0) for start, end in script.visits]
    happens += [(seen(time), seen(time), period) for time in script.false_wakes]
    spans: list[tuple[float, float]] = []
    for start, end, back in sorted(happens):
        if start < begins:
            continue
        if spans and start < spans[-1][1] - _ROUNDING:
            first, last = spans.pop()
            spans.append((first, max(last, end + back + setting.hold_time_s)))
        else:
            spans.append((start, end + setting.hold_time_s))
    return tuple((start, min(end, script.seconds)) for start, end in spans)


def price_day(
    script: DayScript,
    model: Model,
    setting: DeviceSetting | None = None,
    times: BoardTimes | None = None,
    *,
    on_grid: bool = True,
) -> DayTally:
    """Return a scripted day by the budget's formula.

    Parameters
    ----------
    script : DayScript
        What happens; its readout is not looked at.
    model : Model
        Tells the rows that are read.
    setting : DeviceSetting, optional
        Of the device program; the sensor's own when absent.
    times : BoardTimes, optional
        What the board's hardware takes.
    on_grid : bool
        As in `awake_spans`.

    Returns
    -------
    DayTally
        Frames as the formula has them, in real numbers: the program begins whole ones, so that it
        may be off by half an active frame a wake where hold times and visits are no whole number
        of periods, and by less than one watching frame at the end of the day.
    """
    setting, times = setting or DeviceSetting.of(model.sensor), times or BoardTimes()
    always_on = model.entry.always_on  # which never watches
    spans = awake_spans(script, setting, on_grid=on_grid)
    if always_on:
        spans = ((0.0, script.seconds),)
    awake_s = sum(end - start for start, end in spans)
    watched = watching_model(model.sensor, setting.watching_rows).entry
    v: dict[str, Any] = {
        "usage.on_time": script.seconds / 3600.0,
        "usage.hand_present": (awake_s - len(spans) * setting.hold_time_s) / 60.0,
        "usage.hold_time": setting.hold_time_s,
        "usage.visits": len(spans),
        "usage.false_wakes": 0.0,
        "watching.rate": 0.0 if always_on else setting.watching_rate_hz,
        "active.rate": setting.frame_rate_hz,
        "watching.pixels": watched.n_pixels_read,
        "active.pixels": model.entry.n_pixels_read,
        "sensor.exposure": setting.exposure_us,
        "watching.exposure": setting.exposure_of("watching"),
        "driver.settle_time": times.settle_us,
        "readout.start_up_time": times.start_up_us,
        "readout.pixel_time": times.pixel_us,
        "sensor.bits": 0.0,
        "sensor_link.bit_rate": 1.0,
        "watching.sleeps": setting.sleeps_in("watching"),
        "active.sleeps": setting.sleeps_in("active"),
    }
    frames = frames_a_day(v)
    lit_us = {state: float(pulse_us(v, state)) * float(n) for state, n in frames.items()}
    sensor_s = sum(float(frame_time_us(v, s)) * n for s, n in frames.items()) / 1e6
    slept_s = sum(float(slept_us(v, s)) * n for s, n in frames.items()) / 1e6
    return DayTally(
        watching_frames=frames["watching"],
        active_frames=float(frames["active"]),
        wakes=0 if always_on else len(spans),
        wake_ups=sum(float(n) * (1 + v[f"{s}.sleeps"]) for s, n in frames.items()),
        led_watching_uc=setting.watching_led_current_ma * lit_us["watching"] / 1e3,
        led_active_uc=setting.led_current_ma * lit_us["active"] / 1e3,
        sensor_s=sensor_s,
        sleep_s=script.seconds - sensor_s + slept_s,
    )
