"""The device program of a folder, executed: what it tells against the integer reference."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from runtime.errors import ToolError
from runtime.firmware.day.run import DayRun, compile_device, run_day
from runtime.firmware.day.script import DayScript, Kind
from runtime.firmware.machine.board import MOST_TOLD
from runtime.firmware.setting import DeviceSetting, read_setting
from runtime.firmware.watching import WARM_UP_FRAMES
from runtime.model import Model, settled_state
from runtime.stages.contract.closing import NO_EVENT
from runtime.stages.contract.stage import Counts

__all__ = ["device_difference"]

_REST_FRAMES = WARM_UP_FRAMES + 4
_MOVING_FRAMES = 6
_MOST_FRAMES = 240
"""Active frames of a slow watching rate or a long hold that are waited for."""


def device_difference(
    model: Model, folder: Path, core: str, compiler: str, frames: tuple[Counts, Counts]
) -> tuple[int, str]:
    """Run a model folder's device program for a while; return frames, and what differs first.

    It warms up, watches, is woken by movement, and given `frames` one after another while active.

    Parameters
    ----------
    model : Model
    folder : path
        The model's folder, with ``firmware`` and perhaps ``device.toml``.
    core, compiler : str
        As for `runtime.firmware.day.run.compile_device`.
    frames : pair of uint16 (n_frames, n_rows, n_cols)
        Lit and dark exposures.

    Raises
    ------
    FormatError, ToolError
        A file is missing or does not compile.
    """
    setting = read_setting(folder, model.sensor)
    period_s = 1.0 / setting.watching_rate_hz
    shown: list[int] = []
    lit, dark = frames
    flat = (np.zeros_like(lit[0]), np.zeros_like(dark[0]))
    bright = (np.full_like(lit[0], 255), flat[1])

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        if kind == "active":
            shown.append(len(shown) % len(lit))
            return lit[shown[-1]], dark[shown[-1]]
        turn = round(t_s / period_s) - _REST_FRAMES
        return bright if 0 <= turn < _MOVING_FRAMES and turn % 2 == 0 else flat

    if model.entry.always_on:
        seconds = min(len(lit), _MOST_FRAMES) / setting.frame_rate_hz
        script = DayScript(seconds, (), (), readout)
        return _executed(model, folder, core, compiler, script, shown, frames)
    awake_s = min(
        _MOVING_FRAMES * period_s + setting.hold_time_s, _MOST_FRAMES / setting.frame_rate_hz
    )
    seconds = _REST_FRAMES * period_s + awake_s
    script = DayScript(seconds, (), (), readout)
    return _executed(model, folder, core, compiler, script, shown, frames)


def _executed(
    model: Model,
    folder: Path,
    core: str,
    compiler: str,
    script: DayScript,
    shown: list[int],
    frames: tuple[Counts, Counts],
) -> tuple[int, str]:
    """Run the program; return frames, and what it has otherwise than it should."""
    setting, (lit, dark) = read_setting(folder, model.sensor), frames
    compiled = compile_device(folder / "firmware", core, compiler=compiler)
    try:
        run = run_day(compiled, script)
    except ToolError as fault:  # a program that faults or hangs is not what the model gives
        return len(shown), str(fault)
    return len(shown), _difference(model, setting, run, script, (lit[shown], dark[shown]))


def _difference(
    model: Model,
    setting: DeviceSetting,
    run: DayRun,
    script: DayScript,
    frames: tuple[Counts, Counts],
) -> str:
    """Return what the run has otherwise than the rules, and than the reference on its frames."""
    found = run.tally
    always = model.entry.always_on
    wanted = 0.0 if always else script.seconds * setting.watching_rate_hz
    if abs(found.watching_frames - wanted) >= 1.0:
        return f"{found.watching_frames:g} watching frames instead of {wanted:g}"
    if found.wakes != (not always) or run.dropped_rows or run.dropped_counts or not len(frames[0]):
        return (
            f"it woke {found.wakes:g} times for {found.active_frames:g} active frames, and dropped "
            f"{run.dropped_rows} frames for their rows and {run.dropped_counts} for their counts, "
            f"instead of {int(not always)}, some, 0 and 0"
        )
    told = [event for _, event in run.events if event != NO_EVENT]
    # What a device is woken by has been so all along, as its pw_settle has it.
    before = None if always else settled_state(model, frames[0][:1], frames[1][:1])
    decided = [int(e) for e in model.run(*frames, before).events if e != NO_EVENT]
    if told != decided[:MOST_TOLD]:
        return f"it told {_few(told)} where the reference decides {_few(decided)}"
    return ""


def _few(events: list[int]) -> str:
    """Return the first events in words."""
    words = ", ".join(str(event) for event in events[:8])
    return (words or "nothing") + (" and more" if len(events) > 8 else "")
