"""Dense: a matrix of integer weights; a projection, a layer, or a linear head."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import (
    INT32_MAX,
    MAX_MULTIPLIER,
    MAX_SHIFT,
    SPLIT_SHIFT,
    exact_matmul,
    fits_one_multiply,
    saturate,
    scale,
    symmetric_limit,
)
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    require,
    require_one_of,
)
from runtime.stages.kernels.dense import Matrix, dense_c

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Dense"]


@dataclass(frozen=True, eq=False)
class Dense(Stage):
    """``y = saturate(scale(weights @ x + bias, multiplier, shift))``, then ReLU where required.

    With ``out_bits`` 32 the accumulators themselves are given (multiplier 1, shift 0): scores.
    Cost per frame: n_in * n_out multiply-accumulates, and one or two multiplications per output.

    Parameters
    ----------
    weights : int8 or int16 (n_out, n_in)
        Within plus or minus 127 or 32767 (never the most negative number).
    bias : int32 (n_out,)
        In units of the accumulator.
    multiplier, shift : int
        As `runtime.fixedpoint.choose_multiplier` gives them.
    relu : bool
        Raise negative outputs to zero.
    out_bits : int
        8, 16 or 32.
    real_weights : float64 (n_out, n_in)
        The weights before they were rounded, in units of an integer weight; the real-valued twin.
    real_bias : float64 (n_out,)
        The bias before it was rounded, in units of the accumulator.

    Raises
    ------
    FormatError
        A value is out of range or shapes disagree.
    """

    kind: ClassVar[str] = "dense"
    weights: NDArray[Any]
    bias: Int32
    multiplier: int
    shift: int
    relu: bool
    out_bits: int
    real_weights: Float64
    real_bias: Float64

    def __post_init__(self) -> None:
        weights = frozen_array(self.kind, "weights", self.weights, ("int8", "int16"), (None, None))
        for name, value, dtype, shape in (
            ("weights", weights, weights.dtype.name, weights.shape),
            ("bias", self.bias, "int32", weights.shape[:1]),
            ("real_weights", self.real_weights, "float64", weights.shape),
            ("real_bias", self.real_bias, "float64", weights.shape[:1]),
        ):
            frozen = frozen_array(self.kind, name, value, dtype, shape)
            object.__setattr__(self, name, frozen)
        if weights.min() == np.iinfo(weights.dtype).min:
            limit = symmetric_limit(8 * weights.dtype.itemsize)
            raise FormatError(self.kind, "weights", int(weights.min()), f"-{limit} to {limit}")
        if not isinstance(self.relu, bool):
            raise FormatError(self.kind, "relu", self.relu, "true or false")
        require_one_of(self.kind, "out_bits", self.out_bits, (8, 16, 32))
        raw = self.out_bits == 32
        require(self.kind, "multiplier", self.multiplier, 1, 1 if raw else MAX_MULTIPLIER)
        require(self.kind, "shift", self.shift, 0, 0 if raw else MAX_SHIFT)

    @property
    def n_in(self) -> int:
        """Columns of the weights."""
        return int(self.weights.shape[1])

    @property
    def n_out(self) -> int:
        """Rows of the weights."""
        return int(self.weights.shape[0])

    @property
    def n_operations(self) -> int:
        """A multiply-add for each weight that is not zero."""
        return int(np.count_nonzero(self.weights))

    @property
    def limit(self) -> int:
        """Largest magnitude of an output."""
        return symmetric_limit(self.out_bits)

    @property
    def ternary(self) -> bool:
        """Whether every weight is -1, 0 or 1, so that the kernel only adds and subtracts."""
        return bool(np.abs(self.weights.astype(np.int32)).max() <= 1)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Multiply exactly, scale, saturate."""
        y = exact_matmul(x, self.weights) + self.bias
        if self.out_bits != 32:
            y = scale(y, self.multiplier, self.shift)
        low = 0 if self.relu else -self.limit
        return saturate(y, low, self.limit), state

    def run_float(self, x: Float64) -> Float64:
        """Multiply by the unrounded weights and the scale."""
        y: Float64 = (x @ self.real_weights.T + self.real_bias) * (self.multiplier / 2**self.shift)
        return np.maximum(y, 0.0) if self.relu else y

    def accumulator_bound(self, low: Int64, high: Int64) -> Int64:
        """Return the largest magnitude that any partial sum of each output can reach, int64."""
        magnitude = np.maximum(np.abs(low), np.abs(high))
        weights = np.abs(self.weights.astype(np.int64))
        return np.asarray(weights @ magnitude + np.abs(self.bias.astype(np.int64)), dtype=np.int64)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove every partial sum and the scaling within 32 bits; return the outputs' range."""
        worst = self.accumulator_bound(low, high)
        beyond = np.flatnonzero(worst > INT32_MAX)
        if beyond.size:
            raise OverflowRisk(
                self.kind, f"accumulator of output {beyond[0]}", f"up to {worst[beyond[0]]}",
                f"at most {INT32_MAX}", "use smaller weights or narrower inputs",
            )  # fmt: skip
        one_multiply = fits_one_multiply(int(worst.max()), self.multiplier, self.shift)
        if self.shift < SPLIT_SHIFT and not one_multiply:
            raise OverflowRisk(
                self.kind, f"product with multiplier {self.multiplier}", "wider than 32 bits",
                f"a shift of {SPLIT_SHIFT} and more", "choose them with choose_multiplier",
            )  # fmt: skip
        weights = self.weights.astype(np.int64)
        up, down = np.maximum(weights, 0), np.minimum(weights, 0)
        least = np.asarray(up @ low + down @ high + self.bias, dtype=np.int64)
        most = np.asarray(up @ high + down @ low + self.bias, dtype=np.int64)
        floor = 0 if self.relu else -self.limit
        scaled = [scale(end, self.multiplier, self.shift) for end in (least, most)]
        out_low, out_high = (saturate(end, floor, self.limit).astype(np.int64) for end in scaled)
        return out_low, out_high

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Multiply in int32, scale in int64."""
        weights = nodes.constant(self.weights.astype(np.int32))
        y = nodes.op("MatMul", weights, nodes.reshape(x, self.n_in, 1))
        y = nodes.op("Add", nodes.reshape(y, self.n_out), nodes.constant(self.bias))
        if self.out_bits != 32:
            y = nodes.scale(y, self.multiplier, self.shift, self.limit)
        else:
            y = nodes.clip(y, -self.limit, self.limit)
        return nodes.op("Max", y, nodes.int32(0)) if self.relu else y, state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Choose a kernel by the weights: see the kernels' own notes."""
        ends = np.full(x.length, x.lo, np.int64), np.full(x.length, x.hi, np.int64)
        bound = int(self.accumulator_bound(*ends).max())
        matrix = Matrix(
            self.weights, self.bias, self.multiplier, self.shift, self.limit, self.out_bits,
            self.relu, self.ternary, bound,
        )  # fmt: skip
        return dense_c(matrix, prefix, x, y)
