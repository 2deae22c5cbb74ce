"""Model to integer ONNX: one step with explicit state, or a whole recording.

Between the uint16 exposures and the int32 scores every tensor is an integer. Only standard
operators are used, so ONNX Runtime loads the graph as it is.
"""

from __future__ import annotations

import json
from pathlib import Path

import onnx
from onnx import TensorProto, helper

from runtime.model import Model, model_hash
from runtime.stages.contract import Stage
from runtime.stages.nodes import Nodes
from runtime.weights import write_whole

__all__ = ["OPSET", "build_step_graph", "build_window_graph", "save_onnx"]

OPSET = 18
"""Version of the standard operator set; ONNX Runtime 1.14 and later execute it."""

_IR_VERSION = 8
_EXPOSURES = ("lit", "dark")
_ROUNDING = "floor((x * multiplier + 2**(shift-1)) / 2**shift), then saturated symmetrically"


def build_step_graph(model: Model) -> onnx.ModelProto:
    """Build the graph of one frame pair.

    Inputs ``lit``, ``dark`` (uint16, n_rows by n_cols) and each state ``s{i}_{name}`` (int32);
    outputs ``scores`` (int32, n_classes), ``decision`` (int32, 1) and each state as
    ``s{i}_{name}_out``. The first state is in the metadata, as JSON.
    """
    return _proto(model, _step(model), "step")


def build_window_graph(model: Model) -> onnx.ModelProto:
    """Build the graph of consecutive frame pairs: the step graph inside one Scan.

    Inputs ``lit``, ``dark`` (uint16, n_frames by n_rows by n_cols) and each state; outputs
    ``scores`` (n_frames, n_classes), ``decision`` (n_frames, 1) and the last states.
    """
    step = _step(model)
    names = [value.name for value in step.input]
    state_names = names[len(_EXPOSURES) :]
    # Scan wants states before what it scans over.
    body = onnx.GraphProto()
    body.CopyFrom(step)
    _reorder(body.input, state_names + list(_EXPOSURES))
    outs = [f"{name}_out" for name in state_names]
    _reorder(body.output, [*outs, "scores", "decision"])
    scan = helper.make_node(
        "Scan", [f"{n}" for n in state_names] + list(_EXPOSURES),
        [*outs, "scores", "decision"], name="frames", body=body, num_scan_inputs=2,
    )  # fmt: skip
    inputs = [_with_frames(v) if v.name in _EXPOSURES else v for v in step.input]
    outputs = [v if v.name in outs else _with_frames(v) for v in step.output]
    return _proto(
        model, helper.make_graph([scan], f"{model.name}_window", inputs, outputs), "window"
    )


def save_onnx(proto: onnx.ModelProto, path: Path) -> None:
    """Write a graph with a deterministic encoding."""
    write_whole(path, proto.SerializeToString(deterministic=True))


def _states(stages: tuple[Stage, ...]) -> dict[str, list[int]]:
    """Return each state's shape by its name in the model."""
    return {
        f"s{index}_{key}": list(value.shape)
        for index, stage in enumerate(stages)
        for key, value in stage.initial_state().items()
    }


def _step(model: Model) -> onnx.GraphProto:
    """Write all stages' nodes for one frame pair."""
    nodes = Nodes()
    nodes.prefix = "s0_"
    x = model.entry.onnx_frames(nodes, *_EXPOSURES)
    outputs: dict[str, str] = {}
    for index, stage in enumerate(model.stages[1:], start=1):
        nodes.prefix = f"s{index}_"
        if index == len(model.stages) - 1:
            outputs["scores"] = x
        own = {key: f"s{index}_{key}" for key in stage.initial_state()}
        x, after = stage.onnx(nodes, x, own)
        outputs |= {f"s{index}_{key}_out": after[key] for key in own}
    outputs["decision"] = x
    for name, source in outputs.items():
        nodes.nodes.append(helper.make_node("Identity", [source], [name], name=f"give_{name}"))

    def value(name: str, dtype: int, shape: list[int]) -> onnx.ValueInfoProto:
        return helper.make_tensor_value_info(name, dtype, shape)

    states = _states(model.stages)
    frame = [model.sensor.n_rows, model.sensor.n_cols]
    inputs = [value(name, TensorProto.UINT16, frame) for name in _EXPOSURES]
    inputs += [value(name, TensorProto.INT32, shape) for name, shape in states.items()]
    given = [value("scores", TensorProto.INT32, [len(model.classes)])]
    given += [value("decision", TensorProto.INT32, [1])]
    given += [value(f"{name}_out", TensorProto.INT32, shape) for name, shape in states.items()]
    return helper.make_graph(
        nodes.nodes, f"{model.name}_step", inputs, given, initializer=nodes.initializers
    )


def _with_frames(value: onnx.ValueInfoProto) -> onnx.ValueInfoProto:
    """Put the symbolic axis ``n_frames`` first."""
    tensor = value.type.tensor_type
    shape = ["n_frames", *(d.dim_value for d in tensor.shape.dim)]
    return helper.make_tensor_value_info(value.name, tensor.elem_type, shape)


def _reorder(values: object, names: list[str]) -> None:
    """Put a repeated protobuf field of named values into another order."""
    by_name = {
        v.name: helper.make_tensor_value_info(
            v.name,
            v.type.tensor_type.elem_type,
            [d.dim_value for d in v.type.tensor_type.shape.dim],
        )
        for v in values
    }  # type: ignore[attr-defined]
    del values[:]  # type: ignore[attr-defined]
    values.extend(by_name[name] for name in names)  # type: ignore[attr-defined]


def _proto(model: Model, graph: onnx.GraphProto, form: str) -> onnx.ModelProto:
    """Wrap a graph with its opset and metadata, and check it with full shape inference."""
    proto = helper.make_model(
        graph,
        opset_imports=[helper.make_opsetid("", OPSET)],
        ir_version=_IR_VERSION,
        producer_name="palmwatt",
    )
    first = {
        f"s{index}_{key}": value.tolist()
        for index, stage in enumerate(model.stages)
        for key, value in stage.initial_state().items()
        if value.any()
    }
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
