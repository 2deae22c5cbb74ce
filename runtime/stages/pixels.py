"""Pixels: lit minus dark at chosen pixels, so that only those rows need be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.stages.contract.stage import Counts, EntryStage, Int32, Int64, frozen_array, require
from runtime.stages.kernels.pixels import pixels_c

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Pixels"]


@dataclass(frozen=True, eq=False)
class Pixels(EntryStage):
    """Lit minus dark at each of `indices`.

    Parameters
    ----------
    n_rows, n_cols : int
        Geometry of an exposure, 1 to 256.
    indices : int32 (n_out,)
        Strictly rising flat pixel indices, ``row * n_cols + col``.

    Raises
    ------
    FormatError
        A value is out of range, or the indices do not rise.
    """

    kind: ClassVar[str] = "pixels"
    n_rows: int
    n_cols: int
    indices: Int32

    def __post_init__(self) -> None:
        require(self.kind, "n_rows", self.n_rows, 1, 256)
        require(self.kind, "n_cols", self.n_cols, 1, 256)
        indices = frozen_array(self.kind, "indices", self.indices, "int32", (None,))
        object.__setattr__(self, "indices", indices)
        if indices[0] < 0 or indices[-1] >= self.n_in or (np.diff(indices) <= 0).any():
            raise FormatError(
                self.kind, "indices", "out of order or range", f"rising below {self.n_in}"
            )

    @property
    def n_out(self) -> int:
        """Chosen pixels."""
        return len(self.indices)

    @property
    def first_row(self) -> int:
        """First row read."""
        return int(self.indices[0]) // self.n_cols

    @property
    def last_row(self) -> int:
        """Row after the last one read."""
        return int(self.indices[-1]) // self.n_cols + 1

    @property
    def rows_read(self) -> range:
        """Rows from the first to the last chosen pixel."""
        return range(self.first_row, self.last_row)

    @property
    def n_pixels_read(self) -> int:
        """Chosen pixels."""
        return self.n_out

    def run_frames(self, lit: Counts, dark: Counts) -> Int32:
        """Gather, widen, subtract."""
        chosen = (e.reshape(len(e), -1)[:, self.indices] for e in (lit, dark))
        return np.subtract(*chosen, dtype=np.int32)

    def run_difference(self, x: NDArray[Any]) -> NDArray[Any]:
        """Gather from an already subtracted image."""
        return x[:, self.indices]

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Pass the pixels' own bounds on."""
        return low[self.indices], high[self.indices]

    def onnx_frames(self, nodes: Nodes, lit: str, dark: str) -> str:
        """Gather from each flattened exposure, widen, subtract."""
        at = nodes.constant(self.indices)
        chosen = [nodes.op("Gather", nodes.reshape(e, self.n_in), at) for e in (lit, dark)]
        return nodes.op("Sub", *(nodes.cast(e, "int32") for e in chosen))

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Load the chosen pixels of each row: see the kernel's own notes."""
        return pixels_c(self.indices, self.n_cols, prefix, y)
