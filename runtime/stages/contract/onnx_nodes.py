"""A list of ONNX nodes under construction, with the integer idioms that stages share.

Everything is an integer tensor. Two idioms need care: ONNX defines neither an arithmetic shift
nor, for negative numbers, one rounding of integer division that all executors share, so a rounding
shift adds an offset that makes the dividend non-negative, divides, and takes the offset off again.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

__all__ = ["Nodes"]

_OFFSET_BITS = 62
_OPTIONAL_DTYPES = {"int32": TensorProto.INT32, "int64": TensorProto.INT64}


class Nodes:
    """Nodes and initializers of one graph; every method returns the name of its result.

    Parameters
    ----------
    prefix : str
        Put before every name, so that stages do not collide.
    """

    def __init__(self) -> None:
        self.nodes: list[onnx.NodeProto] = []
        self.initializers: list[onnx.TensorProto] = []
        self.prefix = ""
        self._known: dict[tuple[str, tuple[int, ...], bytes], str] | None = None

    @contextmanager
    def once(self) -> Iterator[None]:
        """Keep constants that are alike only once, and names short, as long as this lasts.

        A large graph repeats itself, and half of it would be names.
        """
        self._known = {}
        try:
            yield
        finally:
            self._known = None

    def op(self, kind: str, *inputs: str, **attributes: Any) -> str:
        """Append one node with one output."""
        if self._known is not None:
            short = f"{self.prefix}{len(self.nodes)}"
            self.nodes.append(helper.make_node(kind, list(inputs), [short], **attributes))
            return short
        name = f"{self.prefix}{kind.lower()}_{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, list(inputs), [name], name=name, **attributes))
        return name

    def constant(self, value: NDArray[np.integer]) -> str:
        """Append one initializer; int32 or int64, or smaller where only Gather takes from it."""
        value = np.ascontiguousarray(value)
        key = value.dtype.name, value.shape, value.tobytes()
        if self._known is not None and key in self._known:
            return self._known[key]
        name = f"{self.prefix}constant_{len(self.initializers)}"
        if self._known is not None:
            name = self._known[key] = f"{self.prefix}c{len(self.initializers)}"
        self.initializers.append(numpy_helper.from_array(value, name))
        return name

    def int32(self, *values: int) -> str:
        """Append an int32 scalar, or a vector when several values (or none) are given."""
        return self.constant(np.array(values[0] if len(values) == 1 else values, dtype=np.int32))

    def int64(self, value: int) -> str:
        """Append an int64 scalar."""
        return self.constant(np.array(value, dtype=np.int64))

    def indices(self, *values: int) -> str:
        """Append an int64 vector: axes, shapes, starts and ends."""
        return self.constant(np.array(values, dtype=np.int64))

    def cast(self, x: str, dtype: str) -> str:
        """Convert to ``int32`` or ``int64``."""
        return self.op("Cast", x, to=_OPTIONAL_DTYPES[dtype])

    def reshape(self, x: str, *shape: int) -> str:
        """Give `x` another shape."""
        return self.op("Reshape", x, self.indices(*shape))

    def sum(self, x: str, axis: int) -> str:
        """Sum over one axis, which disappears."""
        return self.op("ReduceSum", x, self.indices(axis), keepdims=0)

    def slice(self, x: str, start: int, stop: int, axis: int = 0) -> str:
        """Take ``start:stop`` along one axis."""
        ends = (self.indices(start), self.indices(stop), self.indices(axis))
        return self.op("Slice", x, *ends)

    def clip(self, x: str, low: int, high: int, dtype: str = "int32") -> str:
        """Clamp to ``low <= x <= high``."""
        make = self.int32 if dtype == "int32" else self.int64
        return self.op("Clip", x, make(low), make(high))

    def floor_divide(self, x64: str, divisor: str) -> str:
        """Divide an int64 tensor by powers of two (int64), rounding towards minus infinity."""
        offset = self.int64(1 << _OFFSET_BITS)
        raised = self.op("Div", self.op("Add", x64, offset), divisor)
        return self.op("Sub", raised, self.op("Div", offset, divisor))

    def round_shift(self, x64: str, shift: int) -> str:
        """Apply the rounding rule to an int64 tensor; the twin of `fixedpoint.round_shift`."""
        if shift == 0:
            return x64
        raised = self.op("Add", x64, self.int64(1 << (shift - 1)))
        return self.floor_divide(raised, self.int64(1 << shift))

    def scale(self, x32: str, multiplier: int, shift: int, limit: int) -> str:
        """Scale an int32 tensor, saturate to plus or minus `limit`, and return int32."""
        product = self.cast(x32, "int64")
        if multiplier != 1:
            product = self.op("Mul", product, self.int64(multiplier))
        rounded = self.round_shift(product, shift)
        return self.cast(self.clip(rounded, -limit, limit, "int64"), "int32")
