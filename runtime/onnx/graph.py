"""Model to integer ONNX: one step with explicit state, or a whole recording.

Between the uint16 exposures and the int32 outputs every tensor is an integer. Only standard
operators are used, so ONNX Runtime loads the graph as it is.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import onnx
from onnx import TensorProto, helper

from runtime.files import write_whole
from runtime.model import Model, model_hash
from runtime.stages.contract.onnx_nodes import Nodes

__all__ = [
    "OPSET",
    "build_step_graph",
    "build_window_graph",
    "save_step_graph",
    "save_window_graph",
]

OPSET = 18
"""Version of the standard operator set; ONNX Runtime 1.14 and later execute it."""

_IR_VERSION = 8
_EXPOSURES = ("lit", "dark")
_ROUNDING = "floor((x * multiplier + 2**(shift-1)) / 2**shift), then saturated symmetrically"


def build_step_graph(model: Model) -> onnx.ModelProto:
    """Build the graph of one frame pair.

    Inputs ``lit``, ``dark`` (uint16, n_rows by n_cols) and each state ``s{i}_{name}`` (int32);
    outputs are what the closing stage is given and what it gives, by its own names (``scores``,
    int32, n_classes, and ``decision``, int32, 1, for a decision), and each state as
    ``s{i}_{name}_out``. A first state that is not zero is in the metadata, as JSON.
    """
    step = _step(model)
    graph = helper.make_graph(
        step.nodes.nodes,
        f"{model.name}_step",
        step.exposures + step.states,
        step.results + step.states_out,
        initializer=step.nodes.initializers,
    )
    return _checked(model, graph, "step")


def build_window_graph(model: Model) -> onnx.ModelProto:
    """Build the graph of consecutive frame pairs: the step graph inside one Scan.

    Inputs ``lit``, ``dark`` (uint16, n_frames by n_rows by n_cols) and each state; outputs
    the closing stage's evidence and outputs, n_frames by their lengths, and the last states.
    """
    step = _step(model)
    # Scan wants states before what it scans over, on both sides.
    inputs, outputs = step.states + step.exposures, step.states_out + step.results
    body = helper.make_graph(
        step.nodes.nodes, "frame", inputs, outputs, initializer=step.nodes.initializers
    )
    scan = helper.make_node(
        "Scan",
        [value.name for value in inputs],
        [value.name for value in outputs],
        name="frames",
        body=body,
        num_scan_inputs=len(step.exposures),
    )
    graph = helper.make_graph(
        [scan],
        f"{model.name}_window",
        [_over_frames(value) for value in step.exposures] + step.states,
        [_over_frames(value) for value in step.results] + step.states_out,
    )
    return _checked(model, graph, "window")


def save_step_graph(model: Model, path: Path) -> None:
    """Write the step graph; the same bytes every time."""
    write_whole(path, build_step_graph(model).SerializeToString(deterministic=True))


def save_window_graph(model: Model, path: Path) -> None:
    """Write the whole-recording graph; the same bytes every time."""
    write_whole(path, build_window_graph(model).SerializeToString(deterministic=True))


class _Step(NamedTuple):
    """Everything that one frame's graph is made of."""

    nodes: Nodes
    exposures: list[onnx.ValueInfoProto]
    states: list[onnx.ValueInfoProto]
    results: list[onnx.ValueInfoProto]
    states_out: list[onnx.ValueInfoProto]


def _step(model: Model) -> _Step:
    """Write all stages' nodes for one frame pair."""
    value = helper.make_tensor_value_info
    frame = [model.sensor.n_rows, model.sensor.n_cols]
    exposures = [value(name, TensorProto.UINT16, frame) for name in _EXPOSURES]
    closing = model.closing
    results = [
        value(closing.evidence_name, TensorProto.INT32, [closing.n_in]),
        value(closing.output_name, TensorProto.INT32, [closing.n_out]),
    ]
    step = _Step(Nodes(), exposures, [], results, [])
    nodes = step.nodes
    sources: dict[str, str] = {}
    nodes.prefix = "s0_"
    x = model.entry.onnx_frames(nodes, *_EXPOSURES)
    for index, stage in enumerate(model.stages[1:], start=1):
        nodes.prefix = f"s{index}_"
        sources[closing.evidence_name] = x  # the closing stage's input, in the end
        first = stage.initial_state()
        x, after = stage.onnx(nodes, x, {key: f"s{index}_{key}" for key in first})
        for key, array in first.items():
            name = f"s{index}_{key}"
            step.states.append(value(name, TensorProto.INT32, array.shape))
            step.states_out.append(value(f"{name}_out", TensorProto.INT32, array.shape))
            sources[f"{name}_out"] = after[key]
    sources[closing.output_name] = x
    for name, source in sources.items():
        nodes.nodes.append(helper.make_node("Identity", [source], [name], name=f"give_{name}"))
    return step


def _over_frames(value: onnx.ValueInfoProto) -> onnx.ValueInfoProto:
    """Put the symbolic axis ``n_frames`` first."""
    tensor = value.type.tensor_type
    shape = ["n_frames", *(d.dim_value for d in tensor.shape.dim)]
    return helper.make_tensor_value_info(value.name, tensor.elem_type, shape)


def _checked(model: Model, graph: onnx.GraphProto, form: str) -> onnx.ModelProto:
    """Wrap a graph with its opset and metadata, and check it with full shape inference."""
    proto = helper.make_model(
        graph,
        opset_imports=[helper.make_opsetid("", OPSET)],
        ir_version=_IR_VERSION,
        producer_name="palmwatt",
    )
    first = {name: x.tolist() for name, x in model.initial_state().items() if x.any()}
    metadata = {
        "form": form,
        "model_hash": model_hash(model),
        "name": model.name,
        "task": model.task,
        "classes": json.dumps(list(model.classes)),
        "sensor": json.dumps(model.sensor.to_json()),
        "stages": json.dumps([stage.to_json() for stage in model.stages]),
        "first_state": json.dumps(first),
        "rounding": _ROUNDING,
        "provenance": json.dumps(dict(model.provenance), sort_keys=True),
    }
    helper.set_model_props(proto, metadata)
    onnx.checker.check_model(proto, full_check=True)
    return proto
