"""Prototypes: the nearest of a few stored examples; its class wins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.stages.contract.c_text import CStage, fill, table
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
    require,
)

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Prototypes"]

_C_TEXT = """\
/* Score of a class: minus the @METRIC@ distance to its nearest prototype. */
PW_STAGE void @PREFIX@_run(const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t best[@N_CLASSES@];
    for (uint32_t c = 0u; c < @N_CLASSES@u; c++) {
        best[c] = INT32_MAX;
    }
    const @CENTRE_TYPE@ *centre = @PREFIX@_centres;
    for (uint32_t p = 0u; p < @N_PROTOTYPES@u; p++) {
        int32_t distance = 0;
        PW_UNROLL
        for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
            const int32_t step = (int32_t)x[i] - (int32_t)centre[i];
            distance += @TERM@;
        }
        if (distance < best[@PREFIX@_owner[p]]) {
            best[@PREFIX@_owner[p]] = distance;
        }
        centre = &centre[@N_VALUES@];
    }
    for (uint32_t c = 0u; c < @N_CLASSES@u; c++) {
        y[c] = (@Y_TYPE@)-best[c];
    }
}
"""


@dataclass(frozen=True, eq=False)
class Prototypes(Stage):
    """Minus the distance to the nearest prototype of each class.

    Cost per frame: n_prototypes * n_in subtractions and magnitudes (or squares).

    Parameters
    ----------
    centres : int8 or int16 (n_prototypes, n_in)
        The stored examples, in units of the inputs.
    owners : int32 (n_prototypes,)
        Class of each, 0 to `n_classes` - 1; every class owns at least one.
    n_classes : int
        1 to 64: one score each.
    squared : bool
        Squared Euclidean distance instead of the sum of absolute differences.
    real_centres : float64 (n_prototypes, n_in)
        The examples before they were rounded.

    Raises
    ------
    FormatError
        A value is out of range, shapes disagree, or a class owns none.
    """

    kind: ClassVar[str] = "prototypes"
    centres: NDArray[Any]
    owners: Int32
    n_classes: int
    squared: bool
    real_centres: Float64

    def __post_init__(self) -> None:
        centres = frozen_array(self.kind, "centres", self.centres, ("int8", "int16"), (None, None))
        owners = frozen_array(self.kind, "owners", self.owners, "int32", centres.shape[:1])
        real = frozen_array(self.kind, "real_centres", self.real_centres, "float64", centres.shape)
        require(self.kind, "n_classes", self.n_classes, 1, 64)
        if not isinstance(self.squared, bool):
            raise FormatError(self.kind, "squared", self.squared, "true or false")
        if not np.array_equal(np.unique(owners), np.arange(self.n_classes)):
            wanted = f"each of 0 to {self.n_classes - 1}"
            raise FormatError(self.kind, "owners", np.unique(owners).tolist(), wanted)
        for name, value in (("centres", centres), ("owners", owners), ("real_centres", real)):
            object.__setattr__(self, name, value)

    @property
    def n_in(self) -> int:
        """Columns of the centres."""
        return int(self.centres.shape[1])

    @property
    def n_out(self) -> int:
        """One score per class."""
        return self.n_classes

    @property
    def n_operations(self) -> int:
        """A difference and an addition for each value of each prototype."""
        return 2 * int(self.centres.size)

    def _nearest(self, distances: NDArray[Any]) -> NDArray[Any]:
        """Return minus the least distance of each class: (n_prototypes, n) to (n, n_classes)."""
        least = [distances[self.owners == c].min(axis=0) for c in range(self.n_classes)]
        return -np.stack(least, axis=1)

    def _distance(self, step: NDArray[Any]) -> NDArray[Any]:
        """Return the distance of one prototype: (n_frames, n_in) to (n_frames,)."""
        total: NDArray[Any] = (step * step if self.squared else np.abs(step)).sum(axis=1)
        return total

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Measure one prototype at a time, so that memory stays small."""
        wide = x.astype(np.int64)
        distances = [self._distance(wide - centre) for centre in self.centres.astype(np.int64)]
        return self._nearest(np.stack(distances)).astype(np.int32), state

    def run_float(self, x: Float64) -> Float64:
        """Measure to the unrounded centres."""
        return self._nearest(np.stack([self._distance(x - centre) for centre in self.real_centres]))

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the largest distance within 32 bits."""
        centres = self.centres.astype(np.int64)
        widest = np.maximum(np.abs(high - centres), np.abs(low - centres))
        worst = self._distance(widest)
        prove_int32(self.kind, "distance to prototype", np.zeros_like(worst), worst)
        return self._nearest(worst[:, None])[0], np.zeros(self.n_classes, dtype=np.int64)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Measure all at once, then take the least over each class's prototypes."""
        step = nodes.op(
            "Sub", nodes.reshape(x, 1, self.n_in), nodes.constant(self.centres.astype(np.int32))
        )
        size = nodes.op("Mul", step, step) if self.squared else nodes.op("Abs", step)
        distances = nodes.sum(size, 1)
        least = []
        for c in range(self.n_classes):
            own = nodes.indices(*np.flatnonzero(self.owners == c).tolist())
            chosen = nodes.op("Gather", distances, own)
            least.append(nodes.op("ReduceMin", chosen, nodes.indices(0), keepdims=1))
        return nodes.op("Neg", nodes.op("Concat", *least, axis=0)), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the prototypes, keeping the least distance of each class."""
        n, n_in = self.centres.shape
        ctype = f"{self.centres.dtype.name}_t"
        tables = table(f"{prefix}_centres", self.centres, ctype, f"({n}, {n_in}) prototypes, Q0")
        tables += table(
            f"{prefix}_owner", self.owners, "uint8_t", f"({n},) class of each prototype"
        )
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            CENTRE_TYPE=ctype,
            METRIC="squared" if self.squared else "absolute",
            TERM="step * step" if self.squared else "(step < 0) ? -step : step",
            N_PROTOTYPES=n,
            N_VALUES=n_in,
            N_CLASSES=self.n_classes,
        )
        return CStage(tables=tables, state=(), init="", functions=functions)
