"""A network of filters as float ONNX, as skl2onnx asks its converters to write it."""

from __future__ import annotations

from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray

from trainer.learn.networks.filters import FilterLayer, FilterNetwork

__all__ = ["convert_level", "convert_network", "level_shape", "network_shape", "parse_level"]


def network_shape(operator: Any) -> None:
    """Say what comes out: a label of each window, and the probability of each class."""
    from skl2onnx.common.data_types import Int64TensorType

    n_classes = len(operator.raw_operator.classes_)
    operator.outputs[0].type = Int64TensorType([None])
    operator.outputs[1].type = type(operator.inputs[0].type)([None, n_classes])


def convert_network(scope: Any, operator: Any, container: Any) -> None:
    """Write patches as gathered values, each layer as a product, and a softmax."""
    network: FilterNetwork = operator.raw_operator
    writer = _Writer(scope, container)
    y = _layers(network, writer, operator.inputs[0].full_name)
    label, chances = (output.full_name for output in operator.outputs)
    writer.node("Softmax", y, into=chances, axis=1)
    best = writer.node("ArgMax", y, axis=1, keepdims=0)
    writer.node("Gather", writer.constant(network.classes_), best, into=label, axis=0)


def parse_level(scope: Any, model: Any, inputs: Any, **_: Any) -> Any:
    """Say that there is one output, though the network is fitted as one of classes."""
    from skl2onnx import get_model_alias

    operator = scope.declare_local_operator(get_model_alias(type(model)), model)
    operator.inputs = inputs
    operator.outputs.append(scope.declare_local_variable("variable", type(inputs[0].type)()))
    return operator.outputs


def level_shape(operator: Any) -> None:
    """Say what comes out: the level of each window."""
    operator.outputs[0].type = type(operator.inputs[0].type)([None, 1])


def convert_level(scope: Any, operator: Any, container: Any) -> None:
    """Write patches and layers as :func:`convert_network` does; the last gives the level."""
    writer = _Writer(scope, container)
    y = _layers(operator.raw_operator, writer, operator.inputs[0].full_name)
    writer.node("Identity", y, into=operator.outputs[0].full_name)


def _layers(network: FilterNetwork, writer: _Writer, y: str) -> str:
    """Write all layers, and return the name of what the last gives."""
    last = len(network.coefs_) - 1
    for number, (weights, bias) in enumerate(zip(network.coefs_, network.intercepts_, strict=True)):
        if number < len(network.layers):
            layer: FilterLayer = network.layers[number]
            y = writer.node("Gather", y, writer.constant(layer.grid.patches), axis=1)
        y = writer.node("Add", writer.node("MatMul", y, writer.constant(weights)),
                        writer.constant(bias))  # fmt: skip
        if number < last:
            y = writer.node("Relu", y)
        if number < len(network.layers):
            flat = np.array([-1, layer.grid.n_places * layer.n_filters])
            y = writer.node("Reshape", y, writer.constant(flat))
    return y


class _Writer:
    """Nodes and constants of one converted operator."""

    def __init__(self, scope: Any, container: Any) -> None:
        self._scope, self._container = scope, container

    def constant(self, values: NDArray[Any]) -> str:
        """Add a tensor of float32 or int64, and return its name."""
        name = str(self._scope.get_unique_variable_name("filters"))
        whole = values.dtype.kind in "iu"
        kind = onnx.TensorProto.INT64 if whole else onnx.TensorProto.FLOAT
        own = values.astype(np.int64 if whole else np.float32)
        self._container.add_initializer(name, kind, own.shape, own.ravel())
        return name

    def node(self, kind: str, *inputs: str, into: str = "", **attributes: int) -> str:
        """Add a node with one output, and return its name."""
        name = into or str(self._scope.get_unique_variable_name("filters"))
        own = self._scope.get_unique_operator_name("filters")
        since = {"op_version": 13} if kind != "Reshape" else {"op_version": 14}
        self._container.add_node(kind, list(inputs), name, name=own, **since, **attributes)
        return name
