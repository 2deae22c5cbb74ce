"""ONNX Runtime and the ONNX reference evaluator give the integer reference's bits."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import onnx
import onnxruntime
import pytest
from hypothesis import given, settings
from numpy.typing import NDArray
from onnx.reference import ReferenceEvaluator
from strategies import Exposures, models_with_exposures
from test_runtime_model import small_model

from runtime.model import Model, Run
from runtime.onnx.graph import OPSET, build_step_graph, build_window_graph

Feed = dict[str, NDArray[np.generic]]
Execute = Callable[[Feed], list[NDArray[np.generic]]]


def executors(proto: onnx.ModelProto) -> list[Execute]:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(
        proto.SerializeToString(), options, providers=["CPUExecutionProvider"]
    )
    reference = ReferenceEvaluator(proto)
    return [lambda feed: session.run(None, feed), lambda feed: reference.run(None, feed)]


def assert_same(scores: object, decisions: object, state: Feed, run: Run) -> None:
    np.testing.assert_array_equal(scores, run.evidence)
    np.testing.assert_array_equal(decisions, run.outputs)
    assert state.keys() == run.state.keys()
    for name, value in state.items():
        np.testing.assert_array_equal(value, run.state[name], err_msg=name)


@settings(max_examples=40, deadline=None)
@given(models_with_exposures())
def test_step_graph_gives_the_same_bits(drawn: tuple[Model, Exposures]) -> None:
    """Frame by frame, both executors give the reference's scores, decisions and state."""
    model, (lit, dark) = drawn
    run = model.run(lit, dark)
    for execute in executors(build_step_graph(model)):
        state, scores, decisions = model.initial_state(), [], []
        for lit_frame, dark_frame in zip(lit, dark, strict=True):
            given_scores, decision, *after = execute({"lit": lit_frame, "dark": dark_frame} | state)
            scores.append(given_scores)
            decisions.append(decision)
            state = dict(zip(state, after, strict=True))
        assert_same(scores, decisions, state, run)


@settings(max_examples=25, deadline=None)
@given(models_with_exposures())
def test_window_graph_gives_the_same_bits(drawn: tuple[Model, Exposures]) -> None:
    """A whole recording in one call gives the reference's scores, decisions and state."""
    model, (lit, dark) = drawn
    run = model.run(lit, dark)
    for execute in executors(build_window_graph(model)):
        state = model.initial_state()
        scores, decisions, *after = execute({"lit": lit, "dark": dark} | state)
        assert_same(scores, decisions, dict(zip(state, after, strict=True)), run)


@settings(max_examples=15, deadline=None)
@given(models_with_exposures())
def test_every_tensor_is_an_integer(drawn: tuple[Model, Exposures]) -> None:
    """No float tensor stands between the exposures and the scores; only the standard opset."""
    proto = build_step_graph(drawn[0])
    assert [(entry.domain, entry.version) for entry in proto.opset_import] == [("", OPSET)]
    inferred = onnx.shape_inference.infer_shapes(proto, check_type=True, strict_mode=True).graph
    values = [*inferred.input, *inferred.value_info, *inferred.output]
    made = {name for node in inferred.node for name in node.output}
    assert made <= {value.name for value in values}
    integers = {
        onnx.TensorProto.UINT16, onnx.TensorProto.INT8, onnx.TensorProto.INT16,
        onnx.TensorProto.INT32, onnx.TensorProto.INT64, onnx.TensorProto.BOOL,
    }  # fmt: skip
    assert {value.type.tensor_type.elem_type for value in values} <= integers
    assert {tensor.data_type for tensor in inferred.initializer} <= integers


@settings(max_examples=10, deadline=None)
@given(models_with_exposures())
def test_metadata_tells_the_model(drawn: tuple[Model, Exposures]) -> None:
    """Sensor, classes, stages, rounding rule and first state are in the metadata."""
    model = drawn[0]
    proto = build_step_graph(model)
    properties = {entry.key: entry.value for entry in proto.metadata_props}
    assert json.loads(properties["classes"]) == list(model.classes)
    assert json.loads(properties["sensor"]) == model.sensor.to_json()
    assert len(json.loads(properties["stages"])) == len(model.stages)
    assert "floor(" in properties["rounding"]
    first = {k: np.array(v, np.int32) for k, v in json.loads(properties["first_state"]).items()}
    for name, value in model.initial_state().items():
        np.testing.assert_array_equal(first.get(name, np.zeros_like(value)), value)


def test_same_model_same_bytes() -> None:
    """Two builds of one model give the same bytes."""
    graphs = [build_step_graph(small_model()) for _ in range(2)]
    first, second = (graph.SerializeToString(deterministic=True) for graph in graphs)
    assert first == second


@pytest.mark.parametrize("build", [build_step_graph, build_window_graph])
def test_opset_is_executed_without_custom_operators(
    build: Callable[[Model], onnx.ModelProto],
) -> None:
    """ONNX Runtime loads both graphs with the CPU provider alone."""
    assert len(executors(build(small_model()))) == 2


def test_alike_constants_of_a_large_graph_are_kept_once() -> None:
    """Within `once` equal constants have one name, others their own; outside each is written."""
    from runtime.stages.contract.onnx_nodes import Nodes

    nodes = Nodes()
    with nodes.once():
        names = [nodes.constant(np.array([3, 4], dtype)) for dtype in ("int8", "int8", "int16")]
        assert names[0] == names[1] != names[2]
        assert nodes.op("Add", names[0], names[1]) != nodes.op("Add", names[0], names[1])
    assert nodes.constant(np.array([3, 4], np.int8)) not in names
    assert len(nodes.initializers) == 3
    assert len({name for node in nodes.nodes for name in node.output}) == 2
