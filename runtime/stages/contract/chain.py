"""Running a chain of stages over consecutive frames, each with what it kept of those before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import numpy as np

from runtime.errors import FormatError
from runtime.sensor import Sensor
from runtime.stages.contract.stage import (
    Counts,
    EntryStage,
    Int32,
    Stage,
    State,
    check_chain,
)

__all__ = ["check_frames", "own_state", "run_stages"]

_CHUNK_FRAMES = 1024


def check_frames(lit: Counts, dark: Counts, sensor: Sensor) -> None:
    """Check exposures against the sensor; raises FormatError."""
    for what, exposure in (("lit", lit), ("dark", dark)):
        if not isinstance(exposure, np.ndarray) or exposure.dtype != np.uint16:
            got = getattr(exposure, "dtype", type(exposure).__name__)
            raise FormatError("frames", f"dtype of {what}", got, "uint16")
        wanted = (lit.shape[:1] or (1,)) + (sensor.n_rows, sensor.n_cols)
        if exposure.shape != wanted:
            raise FormatError("frames", f"shape of {what}", exposure.shape, wanted)
        if exposure.size and int(exposure.max()) > sensor.max_counts:
            allowed = f"0 to {sensor.max_counts}"
            raise FormatError("frames", f"{what} counts", exposure.max(), allowed)


def own_state(stage: Stage, index: int, state: State | None) -> State:
    """Pick a stage's part out of the model's state, or its first state."""
    first = stage.initial_state()
    if state is None:
        return first
    own = {}
    for key, value in first.items():
        name = f"s{index}_{key}"
        if name not in state or state[name].shape != value.shape:
            raise FormatError("state", name, "missing or misshapen", f"int32 {value.shape}")
        own[key] = state[name]
    return own


def run_stages(
    stages: Sequence[Stage], lit: Counts, dark: Counts, state: State | None = None
) -> tuple[Int32, State]:
    """Run an entry stage and any stages after it, a thousand frames at a time.

    Parameters
    ----------
    stages : sequence of Stage
    lit, dark : uint16 (n_frames, n_rows, n_cols)
    state : dict, optional
        As an earlier call gave it.

    Returns
    -------
    x : int32 (n_frames, n_out)
        Output of the last stage.
    state : dict of int32 arrays
        Named ``s{stage index}_{name}``.
    """
    check_chain(stages)
    entry = cast(EntryStage, stages[0])
    own = [own_state(stage, index, state) for index, stage in enumerate(stages)]
    outputs = [np.zeros((0, stages[-1].n_out), dtype=np.int32)]
    for start in range(0, len(lit), _CHUNK_FRAMES):
        chunk = slice(start, start + _CHUNK_FRAMES)
        x = entry.run_frames(lit[chunk], dark[chunk])
        for index, stage in enumerate(stages[1:], start=1):
            x, own[index] = stage.run(x, own[index])
        outputs.append(x)
    named = {f"s{i}_{key}": value for i, part in enumerate(own) for key, value in part.items()}
    return np.concatenate(outputs), named
