"""Filters: the same small matrix at every place of a grid of values, as a convolution does.

Behind an optic that is the same from wherever light comes, a hand that is moved moves its readout.
Weights that are shared over places need not learn each place by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage, State, require
from runtime.stages.dense import Dense
from runtime.stages.kernels.filters import PatchGrid, filters_c

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Filters"]

MOST_VALUES = 1 << 16
"""Values of a frame: more than any sensor of 256 by 256 pixels gives."""
MOST_PATCHED = 1 << 22
"""Values of all patches of a frame: more than filters of 5 by 5 at every place of 256 by 256 bins
have. A model's file is untrusted: such bins seen by filters of half their size would be 2 GB."""
_VALUES_AT_ONCE = 1 << 23
"""Patches hold each value several times; of as many frames as fit they are some 100 MB."""


@dataclass(frozen=True, eq=False)
class Filters(Stage):
    """``y[place] = saturate(scale(weights @ patch + bias))`` at every place, then ReLU if required.

    The values form a grid of `n_rows` by `n_cols`, with `n_channels` values each; further values of
    a frame are left out. Outputs form the grid of the places, with a channel for each filter. Cost
    per frame: that of a dense layer of the filters, once at every place.

    Parameters
    ----------
    n_values : int
        Values taken per frame, those of the grid and more.
    n_rows, n_cols, n_channels : int
        Of the grid.
    size, step : int
        Rows and columns of a patch, and from one patch to the next.
    weights : int8 or int16 (n_filters, size * size * n_channels)
    bias : int32 (n_filters,)
    multiplier, shift : int
    relu : bool
    out_bits : int
    real_weights : float64 (n_filters, size * size * n_channels)
    real_bias : float64 (n_filters,)
        All as of :class:`~runtime.stages.dense.Dense`.

    Raises
    ------
    FormatError
        A value is out of range or shapes disagree.
    """

    kind: ClassVar[str] = "filters"
    n_values: int
    n_rows: int
    n_cols: int
    n_channels: int
    size: int
    step: int
    weights: NDArray[Any]
    bias: Int32
    multiplier: int
    shift: int
    relu: bool
    out_bits: int
    real_weights: Float64
    real_bias: Float64

    def __post_init__(self) -> None:
        require(self.kind, "n_rows", self.n_rows, 1, 256)
        require(self.kind, "n_cols", self.n_cols, 1, 256)
        require(self.kind, "n_channels", self.n_channels, 1, 256)
        require(self.kind, "size", self.size, 1, min(self.n_rows, self.n_cols))
        require(self.kind, "step", self.step, 1, max(self.n_rows, self.n_cols))
        grid, matrix = self.grid, self.matrix
        require(self.kind, "n_values", self.n_values, grid.n_values, MOST_VALUES)
        if matrix.n_in != grid.n_patch:
            raise FormatError(self.kind, "values of a patch", matrix.n_in, grid.n_patch)
        require(self.kind, "values of all patches", grid.n_places * grid.n_patch, 1, MOST_PATCHED)
        require(self.kind, "values given", self.n_out, 1, MOST_VALUES)
        for name in ("weights", "bias", "real_weights", "real_bias"):
            object.__setattr__(self, name, getattr(matrix, name))

    @classmethod
    def of(cls, layer: Dense, n_values: int, grid: PatchGrid) -> Filters:
        """Return a layer at every place of a grid."""
        return cls(
            n_values, *grid, layer.weights, layer.bias, layer.multiplier, layer.shift,
            layer.relu, layer.out_bits, layer.real_weights, layer.real_bias,
        )  # fmt: skip

    @cached_property
    def matrix(self) -> Dense:
        """The filters as the layer that they are at each place."""
        try:
            return Dense(
                self.weights, self.bias, self.multiplier, self.shift, self.relu, self.out_bits,
                self.real_weights, self.real_bias,
            )  # fmt: skip
        except FormatError as error:
            raise FormatError(self.kind, error.what, error.got, error.expected, error.do) from None

    @property
    def grid(self) -> PatchGrid:
        """The grid of values, and the patches that the filters see."""
        return PatchGrid(self.n_rows, self.n_cols, self.n_channels, self.size, self.step)

    @cached_property
    def places(self) -> Int64:
        """Where the values of each patch stand, int64 (n_places, n_values_of_a_patch)."""
        return self.grid.patches

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_places(self) -> int:
        """Where the filters are asked."""
        return self.grid.n_places

    @property
    def n_out(self) -> int:
        """A value for each filter at each place."""
        return self.n_places * self.matrix.n_out

    @property
    def n_operations(self) -> int:
        """Those of the filters at every place."""
        return self.n_places * self.matrix.n_operations

    @property
    def _frames_at_once(self) -> int:
        return max(1, _VALUES_AT_ONCE // self.places.size)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Run the layer on every patch."""
        y = np.empty((len(x), self.n_out), dtype=np.int32)
        for first in range(0, len(x), self._frames_at_once):
            some = x[first : first + self._frames_at_once]
            patches = some[:, self.places].reshape(-1, self.matrix.n_in)
            y[first : first + len(some)] = self.matrix.run(patches, {})[0].reshape(len(some), -1)
        return y, state

    def run_float(self, x: Float64) -> Float64:
        """Run the layer's real-valued twin on every patch."""
        parts = [np.zeros((0, self.n_out))]
        for first in range(0, len(x), self._frames_at_once):
            some = x[first : first + self._frames_at_once]
            patches = some[:, self.places].reshape(-1, self.matrix.n_in)
            parts.append(self.matrix.run_float(patches).reshape(len(some), -1))
        return np.concatenate(parts)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the layer at every place; see that of :class:`~runtime.stages.dense.Dense`."""
        ends = [self.matrix.bounds(low[patch], high[patch]) for patch in self.places]
        least, most = (np.concatenate(end) for end in zip(*ends, strict=True))
        return least, most

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Gather the patches, multiply them as one matrix, scale in int64."""
        layer = self.matrix
        patches = nodes.op("Gather", x, nodes.constant(self.places), axis=0)
        weights = nodes.constant(layer.weights.T.astype(np.int32))
        sums = nodes.op("Add", nodes.op("MatMul", patches, weights), nodes.constant(layer.bias))
        y = nodes.reshape(sums, self.n_out)
        if layer.out_bits != 32:
            y = nodes.scale(y, layer.multiplier, layer.shift, layer.limit)
        else:
            y = nodes.clip(y, -layer.limit, layer.limit)
        return nodes.op("Max", y, nodes.int32(0)) if layer.relu else y, state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Copy each patch to a place of its own, and run the layer's kernel on it."""
        of_one = replace(y, length=self.matrix.n_out)
        on_patch = self.matrix.c(f"{prefix}_patch", replace(x, length=self.grid.n_patch), of_one)
        return filters_c(self.grid, on_patch, prefix, x, of_one)
