"""The standard's own vectors for the integer operators of fixed.onnx.

Source: ONNX backend node tests, as the installed ``onnx`` package carries them
(``onnx.backend.test.case.node``). The integer reference is run on them where a part of it claims to
be the same operator; the two executors on all of them whose every tensor is an integer.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import onnx
import onnxruntime
import pytest
from numpy.typing import NDArray
from onnx.backend.test.case.node import collect_testcases
from onnx.reference import ReferenceEvaluator
from onnxruntime.capi.onnxruntime_pybind11_state import NotImplemented as NoKernel
from test_runtime_model import small_model

from runtime.fixedpoint import exact_matmul, round_shift, saturate
from runtime.onnx.graph import build_step_graph
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.pixels import Pixels

_NEWEST_OPSET = 19
"""The graph is written in opset 18; later versions add types that it does not use."""


@cache
def cases() -> dict[str, Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the examples of infinities warn
        return {case.name: case for case in collect_testcases(None)}


def is_whole(case: Any) -> bool:
    """Tell whether a case is one operator, of a version that the executors know, on integers."""
    values = [*case.model.graph.input, *case.model.graph.output]
    integers = {
        onnx.TensorProto.BOOL, onnx.TensorProto.INT8, onnx.TensorProto.INT16,
        onnx.TensorProto.INT32, onnx.TensorProto.INT64, onnx.TensorProto.UINT8,
        onnx.TensorProto.UINT16,
    }  # fmt: skip
    newest = max(entry.version for entry in case.model.opset_import)
    kinds = {value.type.tensor_type.elem_type for value in values}
    return len(case.model.graph.node) == 1 and newest <= _NEWEST_OPSET and kinds <= integers


def test_executors_give_the_standards_results() -> None:
    """Both executors give the standard's result on every integer vector of the operators used."""
    used = {node.op_type for node in build_step_graph(small_model()).graph.node}
    chosen = [
        case
        for case in cases().values()
        if is_whole(case) and case.model.graph.node[0].op_type in used
    ]
    executed = 0
    for case in chosen:
        names = [value.name for value in case.model.graph.input]
        session = None
        # ONNX Runtime has no kernels for some 8- and 16-bit types, which fixed.onnx never has.
        with contextlib.suppress(NoKernel):
            session = onnxruntime.InferenceSession(case.model.SerializeToString())
        for inputs, outputs in case.data_sets:
            feed = dict(zip(names, map(np.asarray, inputs), strict=True))
            got = ReferenceEvaluator(case.model).run(None, feed)
            np.testing.assert_array_equal(got[0], outputs[0], err_msg=case.name)
            if session is not None:
                got = session.run(None, feed)
                np.testing.assert_array_equal(got[0], outputs[0], err_msg=case.name)
                executed += 1
    assert executed >= 20


def _sum_of_pairs(x: NDArray[Any]) -> NDArray[Any]:
    """Sum the middle axis of (3, 2, 2) with bins two rows high and one column wide."""
    return Bins(2, 2, 1, 2).run_difference(x.reshape(3, 4).astype(np.int64))


def _best(scores: NDArray[Any]) -> NDArray[Any]:
    """Decide every row on its own, with no threshold."""
    decision = Decision((False,) * scores.shape[1], 0, 0, persist=1, hold_off=0)
    rows = scores.astype(np.int32)[:, None]
    return np.array([decision.run(row, decision.initial_state())[0][0, 0] for row in rows])


CLAIMS: dict[str, Callable[..., NDArray[Any]]] = {
    "test_matmulinteger": lambda a, b, a_zero, b_zero: exact_matmul(
        a.astype(np.int64) - a_zero, (b.astype(np.int64) - b_zero).T
    ),
    "test_quantizelinear": lambda x, step, zero: saturate(
        round_shift(x.astype(np.int64), int(np.log2(step))) + zero, 0, 255
    ),
    "test_clip_default_int8_inbounds": lambda x: saturate(x, -128, 127),
    "test_clip_default_int8_max": lambda x, high: saturate(x, -128, int(high)),
    "test_clip_default_int8_min": lambda x, low: saturate(x, int(low), 127),
    "test_reduce_sum_do_not_keepdims_example": lambda x, axes: _sum_of_pairs(x),
    "test_argmax_no_keepdims_example": _best,
    "test_gather_2d_indices": lambda x, at: Pixels(1, 3, at[0].astype(np.int32)).run_difference(x),
}


@pytest.mark.parametrize("name", CLAIMS)
def test_reference_gives_the_standards_results(name: str) -> None:
    """The part of the integer reference that claims to be an operator gives its vector."""
    inputs, outputs = cases()[name].data_sets[0]
    got = CLAIMS[name](*inputs)
    assert got.size == outputs[0].size
    np.testing.assert_array_equal(got.ravel(), outputs[0].ravel())
