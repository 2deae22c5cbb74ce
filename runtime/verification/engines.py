"""A model's executions as a stream: one frame pair in, one answer out, the state kept between.

`runtime.verification.verify` proves on recorded frames that all of them give the same bits; here
each runs as long as frames come.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from runtime.enrolment import with_learned
from runtime.errors import FormatError, UsageError
from runtime.firmware.machine.layout import Records
from runtime.model import Model, model_hash
from runtime.onnx.steps import Answer, Before, Engine, onnx_runtime, read_step_graph
from runtime.stages.contract.stage import Counts, State

__all__ = ["ENGINES", "Answer", "Engine", "open_engine", "reference", "stepped"]


def open_engine(name: str, model: Model, folder: Path, learned: bytes | None = None) -> Engine:
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
    learned : bytes, optional
        What its owner taught it, as :func:`runtime.enrolment.learned_bytes` gives it.

    Raises
    ------
    UsageError
        No execution has this name, or the model cannot learn.
    FormatError
        The graph, the firmware or what was learned is missing, damaged, or of another model.
    ToolError
        The C does not compile.
    """
    if name not in ENGINES:
        raise UsageError("engine", "name", name, f"one of {', '.join(ENGINES)}")
    if learned is not None:  # refused here, in the same words for all
        with_learned(model, model.initial_state(), learned, "enrolment")
    return _OPENERS[name](model, folder, learned)


def stepped(engine: Engine, lit: Counts, dark: Counts) -> Records:
    """Feed frames to an engine one by one, and stack what each gave."""
    answers = [engine(*pair) for pair in zip(lit, dark, strict=True)]
    state = {
        name: np.stack([np.ravel(a.state[name]) for a in answers]).astype(np.int32)
        for name in answers[0].state
    }
    return Records(
        np.stack([a.outputs for a in answers]).astype(np.int32),
        np.stack([a.evidence for a in answers]).astype(np.int32),
        state,
    )


def _with(model: Model, learned: bytes | None) -> Before | None:
    """Return what puts into the first state what was learned."""
    if learned is None:
        return None
    waiting = [learned]

    def before(state: State) -> State:
        return with_learned(model, state, waiting.pop(), "enrolment") if waiting else state

    return before


def reference(model: Model, before: Before | None = None) -> Engine:
    """Step the integer reference, one frame a call; `before` may change the state before each."""
    state: State | None = None

    def step(lit: Counts, dark: Counts) -> Answer:
        nonlocal state
        if before is not None:
            state = before(state or model.initial_state())
        run = model.run(lit[None], dark[None], state)
        state = run.state
        return Answer(run.outputs[0], run.evidence[0], run.state)

    return step


def _open_reference(model: Model, _folder: Path, learned: bytes | None) -> Engine:
    return reference(model, _with(model, learned))


def _open_onnx(model: Model, folder: Path, learned: bytes | None) -> Engine:
    """Step ``fixed.onnx`` in ONNX Runtime, if it takes what the model takes."""
    graph = read_step_graph(folder / "fixed.onnx")
    _check_identity(str(graph.path), graph.model_hash, model)
    frame = (model.sensor.n_rows, model.sensor.n_cols)
    wanted = {"lit": frame, "dark": frame}
    wanted |= {name: x.shape for name, x in model.initial_state().items()}
    if graph.input_shapes != wanted:
        got = sorted(graph.input_shapes)
        raise FormatError(str(graph.path), "inputs", got, f"those of the step: {sorted(wanted)}")
    return onnx_runtime(graph, _with(model, learned))


def _open_c(model: Model, folder: Path, learned: bytes | None) -> Engine:
    """Step the firmware's C, compiled for this machine."""
    from runtime.firmware.machine.compile import HOST, compile_for
    from runtime.firmware.machine.execute import HostLibrary

    host = HostLibrary(compile_for(folder / "firmware", HOST))
    _check_identity(str(folder / "firmware"), host.layout.model_id, model)
    if learned is not None:
        host.load_learned(learned)

    def step(lit: Counts, dark: Counts) -> Answer:
        records = host.run(lit[None], dark[None])
        state = {name: values[0] for name, values in records.state.items()}
        return Answer(records.outputs[0], records.evidence[0], state)

    return step


def _check_identity(where: str, got: str | None, model: Model) -> None:
    """Refuse what was exported from another model."""
    wanted = model_hash(model)
    if got != wanted:
        raise FormatError(
            where, "model identity", (got or "none")[:12], wanted[:12], "export the model anew"
        )


_OPENERS: dict[str, Callable[[Model, Path, bytes | None], Engine]] = {
    "reference": _open_reference,
    "onnx": _open_onnx,
    "c": _open_c,
}

ENGINES = tuple(_OPENERS)
"""Names of the executions."""
