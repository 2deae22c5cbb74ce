"""A model's executions as a stream: one frame pair in, one answer out, the state kept between.

`runtime.verify` proves on recorded frames that all of them give the same bits; here each runs as
long as frames come.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np

from runtime.errors import FormatError, UsageError
from runtime.model import Model, model_hash
from runtime.stages.contract import Counts, Int32, State

__all__ = ["ENGINES", "Answer", "Engine", "open_engine"]


class Answer(NamedTuple):
    """What a model gave on one frame pair: a class index or -1, and int32 (n_classes,) scores."""

    decision: int
    scores: Int32


Engine = Callable[[Counts, Counts], Answer]
"""Takes the lit and the dark exposure, uint16 (n_rows, n_cols), of consecutive frame pairs."""


def open_engine(name: str, model: Model, folder: Path) -> Engine:
    """Return one execution of a model, in its state before the first frame.

    Parameters
    ----------
    name : str
        One of `ENGINES`: the integer reference, ONNX Runtime on ``fixed.onnx``, or the C in
        ``firmware`` compiled for this machine.
    model : Model
        As loaded from `folder`.
    folder : path
        The model folder.

    Raises
    ------
    UsageError
        No execution has this name.
    FormatError
        The graph or the firmware is missing, damaged, or of another model.
    ToolError
        The C does not compile.
    """
    if name not in ENGINES:
        raise UsageError("engine", "name", name, f"one of {', '.join(ENGINES)}")
    return _OPENERS[name](model, folder)


def _open_reference(model: Model, _folder: Path) -> Engine:
    """Step the integer reference."""
    state: State | None = None

    def step(lit: Counts, dark: Counts) -> Answer:
        nonlocal state
        run = model.run(lit[None], dark[None], state)
        state = run.state
        return Answer(int(run.decisions[0]), run.scores[0])

    return step


def _open_onnx(model: Model, folder: Path) -> Engine:
    """Step ``fixed.onnx`` in ONNX Runtime."""
    import onnxruntime

    path = folder / "fixed.onnx"
    if not path.is_file():
        raise FormatError(str(path), "ONNX file", "missing", "present", "export the model first")
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1  # a step is far too small to share out
    with _faults_named(path):
        session = onnxruntime.InferenceSession(
            str(path), options, providers=["CPUExecutionProvider"]
        )
    _check_identity(str(path), session.get_modelmeta().custom_metadata_map.get("model_hash"), model)
    frame = [model.sensor.n_rows, model.sensor.n_cols]
    nothing = np.zeros((0, *frame), dtype=np.uint16)
    state = model.run(nothing, nothing).state
    wanted = {"lit": frame, "dark": frame} | {key: list(x.shape) for key, x in state.items()}
    got = {value.name: value.shape for value in session.get_inputs()}
    outputs = ["decision", "scores", *(f"{name}_out" for name in state)]
    if got != wanted or not {v.name for v in session.get_outputs()}.issuperset(outputs):
        raise FormatError(str(path), "inputs", sorted(got), f"those of the step: {sorted(wanted)}")

    def step(lit: Counts, dark: Counts) -> Answer:
        nonlocal state
        with _faults_named(path):
            decision, scores, *after = session.run(outputs, {"lit": lit, "dark": dark, **state})
        state = dict(zip(state, after, strict=True))
        return Answer(int(decision[0]), scores)

    return step


@contextmanager
def _faults_named(path: Path) -> Iterator[None]:
    """Turn what ONNX Runtime raises into one line; its many exceptions have no common root."""
    try:
        yield
    except Exception as error:
        raise FormatError(
            str(path), "ONNX file", f"damaged ({type(error).__name__})", "as exported"
        ) from None


def _open_c(model: Model, folder: Path) -> Engine:
    """Step the firmware's C, compiled for this machine."""
    from runtime.firmware.compile import HOST, compile_for
    from runtime.firmware.execute import Host

    host = Host(compile_for(folder / "firmware", HOST))
    _check_identity(str(folder / "firmware"), host.layout.model_id, model)

    def step(lit: Counts, dark: Counts) -> Answer:
        records = host.run(lit[None], dark[None])
        return Answer(int(records.decisions[0]), records.scores[0])

    return step


def _check_identity(where: str, got: str | None, model: Model) -> None:
    """Refuse what was exported from another model."""
    wanted = model_hash(model)
    if got != wanted:
        raise FormatError(
            where, "model identity", (got or "none")[:12], wanted[:12], "export the model anew"
        )


_OPENERS: dict[str, Callable[[Model, Path], Engine]] = {
    "reference": _open_reference,
    "onnx": _open_onnx,
    "c": _open_c,
}

ENGINES = tuple(_OPENERS)
"""Names of the executions."""
