"""The graph of consecutive frame pairs on disk, executed in one call."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from runtime.errors import FormatError
from runtime.model import Model, Run
from runtime.onnx.steps import faults_named, read_graph
from runtime.stages.contract.stage import Counts

if TYPE_CHECKING:
    from onnx import ModelProto

__all__ = ["read_window_graph", "run_window_graph"]


def read_window_graph(path: Path, model: Model) -> ModelProto:
    """Read the graph of consecutive frame pairs, if it takes and gives what the model does.

    Raises
    ------
    FormatError
        The file is missing, damaged, or the graph of something else.
    """
    proto = read_graph(path)
    state, closing = model.initial_state(), model.closing
    inputs = {"lit", "dark", *state}
    outputs = {closing.evidence_name, closing.output_name, *(f"{name}_out" for name in state)}
    for what, wanted, values in (
        ("list of inputs", inputs, proto.graph.input),
        ("list of outputs", outputs, proto.graph.output),
    ):
        got = {value.name for value in values}
        if got != wanted:
            listed = ", ".join(sorted(got)) or "empty"
            expected = f"those of the model: {', '.join(sorted(wanted))}"
            raise FormatError(str(path), what, listed, expected, "export the model anew")
    return proto


def run_window_graph(path: Path, proto: ModelProto, model: Model, lit: Counts, dark: Counts) -> Run:
    """Execute the graph over consecutive frames, from the model's first state.

    Raises
    ------
    FormatError
        ONNX Runtime refuses the graph.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    closing, state = model.closing, model.initial_state()
    names = [closing.evidence_name, closing.output_name, *(f"{name}_out" for name in state)]
    with faults_named(path):
        session = onnxruntime.InferenceSession(
            proto.SerializeToString(), options, providers=["CPUExecutionProvider"]
        )
        evidence, outputs, *after = session.run(names, {"lit": lit, "dark": dark, **state})
    return Run(
        np.asarray(evidence, dtype=np.int32),
        np.asarray(outputs, dtype=np.int32),
        dict(zip(state, after, strict=True)),
    )
