"""Which stage of the C differs first, by what it gives and not by what is remembered of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from runtime.errors import ToolError
from runtime.firmware.emit.stage_trace import stage_trace
from runtime.firmware.machine.compile import HOST, compile_for
from runtime.firmware.machine.execute import HostLibrary, Machine, check_frames
from runtime.model import Model
from runtime.stages.contract.stage import Counts, Int32

__all__ = ["first_stage", "stage_outputs"]

_EXPOSURE_BYTES, _TRACE_BYTES = 1 << 24, 1 << 25
"""What an emulated core has room for: frames of one exposure, and what their stages gave."""


def stage_outputs(model: Model, lit: Counts, dark: Counts) -> list[Int32]:
    """Return what each stage of the integer reference gives, int32 (n_frames, n_out) each."""
    x = model.entry.run_frames(lit, dark)
    outputs = [x]
    for stage in model.stages[1:]:
        x, _ = stage.run(x, stage.initial_state())
        outputs.append(x)
    return outputs


def first_stage(
    model: Model, firmware: Path, core: str, compiler: str, frames: tuple[Counts, Counts],
    *, by_rows: bool,
) -> str:  # fmt: skip
    """Return which stage of the C on disk first gives something else, and what; or that none does.

    Parameters
    ----------
    model : Model
    firmware : path
        The folder with ``pw_model.c``.
    core, compiler : str
        Where the difference was seen.
    frames : two of uint16 (n_frames, n_rows, n_cols)
        From the first frame up to that of the difference.
    by_rows : bool
        Whether it was seen when feeding rows.
    """
    trace = stage_trace(model)
    most = min(_EXPOSURE_BYTES // (2 * model.sensor.n_pixels), _TRACE_BYTES // trace.frame.itemsize)
    frames = frames[0][:most], frames[1][:most]
    try:
        compiled = compile_for(firmware, core, compiler=compiler, around=trace.text)
        entry, size = ("trace_rows" if by_rows else "trace_step"), trace.frame.itemsize
        if core == HOST:
            host = HostLibrary(compiled)
            data = host.run_block(*check_frames(host.layout, *frames), entry, size)
        else:
            machine = Machine(compiled)
            exposures = check_frames(machine.layout, *frames)
            data = machine.run_block(*exposures, entry, size)
    except ToolError:
        return "its stages cannot be run one by one"
    got = np.frombuffer(data, trace.frame)
    return _first_difference(got, trace.stages, stage_outputs(model, *frames))


def _first_difference(got: np.ndarray, stages: tuple[str, ...], wanted: list[Int32]) -> str:
    """Return the earliest frame's earliest stage whose outputs differ."""
    first: tuple[int, int] | None = None
    for index, (name, given) in enumerate(zip(stages, wanted, strict=True)):
        frames = np.flatnonzero((got[name] != given).any(axis=1))
        if frames.size and (first is None or frames[0] < first[0]):
            first = (int(frames[0]), index)
    if first is None:
        return "every stage by itself gives what it should: what stands between their calls differs"
    frame, index = first
    own, right = got[stages[index]][frame], wanted[index][frame]
    at = int(np.flatnonzero(own != right)[0])
    values = f"{own[at]} instead of {right[at]}"
    return f"first stage to differ: {stages[index]}, on frame {frame}, output {at} is {values}"
