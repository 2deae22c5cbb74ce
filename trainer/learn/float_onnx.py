"""The float ONNX: the fitted classifier as skl2onnx writes it, the same bytes each time."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import onnx
from sklearn.pipeline import Pipeline

from trainer.learn.classifiers import SegmentContrasts
from trainer.learn.networks.filters import FilterNetwork
from trainer.learn.networks.ordered import OrderedNetwork
from trainer.learn.networks.written import (
    convert_level,
    convert_network,
    level_shape,
    network_shape,
    parse_level,
)

__all__ = ["float_onnx"]

OPSET = {"": 17, "ai.onnx.ml": 3}
_CHANGING = re.compile(r"norm_\d+_|cdistdf?_\d+_|UU\d+UU")


def float_onnx(classifier: Pipeline, name: str, n_features: int) -> bytes:
    """Convert what was fitted: one window's features to probabilities, or to the quantity.

    Parameters
    ----------
    classifier : sklearn Pipeline
        As :func:`trainer.learn.classifiers.fit_classifier` returns it.
    name : str
        Name of the graph.
    n_features : int
        Length of one window's features.
    """
    from skl2onnx import to_onnx, update_registered_converter
    from skl2onnx.common.data_types import FloatTensorType

    update_registered_converter(
        SegmentContrasts, "PalmwattSegmentContrasts", _contrasts_shape, _convert_contrasts
    )
    update_registered_converter(
        FilterNetwork, "PalmwattFilterNetwork", network_shape, convert_network,
        options={"zipmap": [True, False]},
    )  # fmt: skip
    update_registered_converter(
        OrderedNetwork, "PalmwattOrderedNetwork", level_shape, convert_level, parser=parse_level
    )
    proto = to_onnx(
        classifier,
        name=name,
        initial_types=[("window", FloatTensorType([None, n_features]))],
        options={"zipmap": False} if hasattr(classifier[-1], "classes_") else None,
        target_opset=OPSET,
    )
    # The converter gathers its operator sets in a set of strings, whose order changes by the run.
    operator_sets = sorted(proto.opset_import, key=lambda one: str(one.domain))
    del proto.opset_import[:]
    proto.opset_import.extend(operator_sets)
    _rename(proto.graph, {})
    proto.doc_string = "Standardiser and classifier in float32, from window features, for reference"
    return bytes(proto.SerializeToString(deterministic=True))


def _rename(graph: onnx.GraphProto, known: dict[str, str]) -> None:
    """Number what the converter names after addresses in memory or after what it made before."""

    def steady(name: str) -> str:
        return _CHANGING.sub(lambda m: known.setdefault(m[0], f"v{len(known)}_"), name)

    for value in (*graph.input, *graph.output, *graph.initializer):
        value.name = steady(value.name)
    for node in graph.node:
        node.name = steady(node.name)
        for names in (node.input, node.output):
            names[:] = [steady(name) for name in names]
        for attribute in node.attribute:
            if attribute.HasField("g"):
                _rename(attribute.g, known)


def _contrasts_shape(operator: Any) -> None:
    n_contrasts = operator.raw_operator.matrix_.shape[0]
    operator.outputs[0].type = type(operator.inputs[0].type)([None, n_contrasts])


def _convert_contrasts(scope: Any, operator: Any, container: Any) -> None:
    """Write segment contrasts as one matrix product, as skl2onnx asks its converters to."""
    matrix = operator.raw_operator.matrix_.T.astype(np.float32)
    name = scope.get_unique_variable_name("contrasts")
    container.add_initializer(name, onnx.TensorProto.FLOAT, matrix.shape, matrix.ravel())
    names = [operator.inputs[0].full_name, name], operator.outputs[0].full_name
    container.add_node("MatMul", *names, name=scope.get_unique_operator_name("contrasts"))
