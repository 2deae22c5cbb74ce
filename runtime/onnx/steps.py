"""The step graph on disk, executed one frame pair after the other with its state carried on.

Two executions read the same file: ONNX Runtime, and ONNX's own reference evaluator, an interpreter
in Python that is slow and owes nothing to the other.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from runtime.errors import FormatError
from runtime.stages.contract.stage import Counts, Int32, State

if TYPE_CHECKING:
    from onnx import ModelProto

__all__ = [
    "Answer",
    "Before",
    "Engine",
    "evaluator",
    "faults_named",
    "onnx_runtime",
    "read_graph",
    "read_step_graph",
]

_READ_ANEW = "export the model anew"


class Answer(NamedTuple):
    """What a model gave on one frame pair, and what it keeps for the next.

    Attributes
    ----------
    outputs : int32 (n_out,)
        What the closing stage gave; first the event.
    evidence : int32 (n_in,)
        What it was given.
    state : dict of int32
        Every member of the state after the frame.
    """

    outputs: Int32
    evidence: Int32
    state: State

    @property
    def event(self) -> int:
        """The event, or -1."""
        return int(self.outputs[0])


Engine = Callable[[Counts, Counts], Answer]
"""Takes the lit and the dark exposure, uint16 (n_rows, n_cols), of consecutive frame pairs."""

Before = Callable[[State], State]
"""Is given the state before each frame pair, and returns it, or another: what enrolment asks."""


@dataclass(frozen=True, slots=True)
class StepGraph:
    """A step graph, its place, the identity it claims and its state before the first frame."""

    path: Path
    proto: ModelProto
    model_hash: str | None
    first_state: State

    @property
    def input_shapes(self) -> dict[str, tuple[int, ...]]:
        """Shape of every input by name."""
        return {value.name: _shape(value) for value in self.proto.graph.input}


def read_step_graph(path: Path) -> StepGraph:
    """Read and check a step graph that was found on disk.

    Raises
    ------
    FormatError
        The file is missing, damaged, or no step graph.
    """
    proto = read_graph(path)
    inputs = {value.name for value in proto.graph.input}
    outputs = [value.name for value in proto.graph.output]
    results = [name for name in outputs if not name.endswith("_out")]
    if (
        inputs != {"lit", "dark", *_state_names(outputs)}
        or len(results) != 2
        or results != outputs[:2]
    ):
        raise FormatError(
            str(path), "list of inputs", ", ".join(sorted(inputs)) or "empty",
            "lit, dark and the state that is put out after two results", _READ_ANEW,
        )  # fmt: skip
    metadata = {entry.key: entry.value for entry in proto.metadata_props}
    return StepGraph(path, proto, metadata.get("model_hash"), _first_state(proto, metadata, path))


def read_graph(path: Path) -> ModelProto:
    """Read an ONNX file; raises FormatError where it is missing or damaged."""
    import onnx
    from google.protobuf.message import DecodeError

    try:
        proto = onnx.load(path)
        onnx.checker.check_model(proto)
    except OSError as error:
        raise FormatError(str(path), "the file", f"unreadable ({error.strerror})") from None
    except (DecodeError, onnx.checker.ValidationError, ValueError):
        raise FormatError(str(path), "ONNX file", "damaged", "an ONNX graph") from None
    return proto


def onnx_runtime(graph: StepGraph, before: Before | None = None) -> Engine:
    """Step a graph in ONNX Runtime.

    Parameters
    ----------
    graph : StepGraph
    before : callable, optional
        May change the state before each frame pair.

    Raises
    ------
    FormatError
        ONNX Runtime refuses the graph, here or on a frame.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1  # a step is far too small to share out
    with faults_named(graph.path):
        session = onnxruntime.InferenceSession(
            graph.proto.SerializeToString(), options, providers=["CPUExecutionProvider"]
        )
    return _stepping(graph, session, before)


def evaluator(graph: StepGraph, before: Before | None = None) -> Engine:
    """Step a graph in ONNX's own reference evaluator; all else as :func:`onnx_runtime`."""
    from onnx.reference import ReferenceEvaluator

    with faults_named(graph.path):
        return _stepping(graph, ReferenceEvaluator(graph.proto), before)


def _stepping(graph: StepGraph, executor: Any, before: Before | None) -> Engine:
    """Carry the state through an executor's `run`, which takes inputs by name."""
    outputs = [value.name for value in graph.proto.graph.output]
    rests_on, given = outputs[:2]  # evidence and outputs of the closing stage, by its own names
    names = _state_names(outputs)
    state = graph.first_state

    def step(lit: Counts, dark: Counts) -> Answer:
        nonlocal state
        if before is not None:
            state = before(state)
        with faults_named(graph.path):
            results = executor.run(outputs, {"lit": lit, "dark": dark, **state})
        got = dict(zip(outputs, results, strict=True))
        state = {name: got[f"{name}_out"] for name in names}
        return Answer(got[given].ravel(), got[rests_on].ravel(), state)

    return step


@contextmanager
def faults_named(path: Path) -> Iterator[None]:
    """Turn what an executor raises into one line; its many exceptions have no common root."""
    try:
        yield
    except Exception as error:
        raise FormatError(
            str(path), "ONNX file", f"damaged ({type(error).__name__})", "as exported"
        ) from None


def _state_names(outputs: list[str]) -> list[str]:
    """Return the names of the state, which is put out with an ending of its own."""
    return [name.removesuffix("_out") for name in outputs if name.endswith("_out")]


def _shape(value: Any) -> tuple[int, ...]:
    return tuple(d.dim_value for d in value.type.tensor_type.shape.dim)


def _first_state(proto: ModelProto, metadata: dict[str, str], path: Path) -> State:
    """Return the state before the first frame: zero, or what the metadata says."""
    state = {}
    try:
        given = json.loads(metadata.get("first_state", "{}"))
        for value in proto.graph.input:
            if value.name not in ("lit", "dark"):
                state[value.name] = np.zeros(_shape(value), dtype=np.int32)
                if value.name in given:
                    state[value.name][...] = np.array(given[value.name], dtype=np.int32)
    except (ValueError, TypeError, OverflowError, MemoryError, RecursionError) as error:
        raise FormatError(str(path), "initial state", "damaged", "as exported") from error
    return state
