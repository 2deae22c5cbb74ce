"""Ambient: both exposures added up over bins, of a sensor that lights nothing itself.

A frame pair without an LED is two exposures of the light that is there anyway. Their sum less the
black levels is one longer exposure. Where each lasts half a period of the lamps' flicker or less,
and the second begins half a period after the first, the flicker's fundamental and its odd harmonics
take from one what they add to the other: lamps at 50 Hz mains flicker at 100 Hz, half a period is
5 ms; at 60 Hz it is 4.167 ms. Of a flicker of frequency f, exposures of length T a time d apart
keep ``|sinc(f T) cos(pi f d)|``: with 5 ms at 60 Hz mains 16 % of it, alike on all lamps' light,
which shares of the frame's sum do not see.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import (
    Counts,
    EntryStage,
    Int32,
    Int64,
    prove_int32,
    require,
    require_divisor,
)
from runtime.stages.kernels.ambient import ambient_c

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Ambient"]


@dataclass(frozen=True, eq=False)
class Ambient(EntryStage):
    """Sums of both exposures over a grid of equal bins, less twice the black level of each pixel.

    `run`, `run_float` and `run_difference` see the sum of both exposures in the place of their
    difference. Cost per frame: one load per two pixels and exposure, and one sum per bin.

    Parameters
    ----------
    n_rows, n_cols : int
        Geometry of an exposure, 1 to 256; all of it is read.
    bin_rows, bin_cols : int
        Number of bins down and across; each divides the rows and columns.
    black_counts : int
        Of one pixel and exposure, 0 to 65535.

    Raises
    ------
    FormatError
        A value is out of range, or the bins do not divide the sensor.
    """

    kind: ClassVar[str] = "ambient"
    light: ClassVar[str] = "ambient"
    always_on: ClassVar[bool] = True
    n_rows: int
    n_cols: int
    bin_rows: int
    bin_cols: int
    black_counts: int

    def __post_init__(self) -> None:
        require(self.kind, "n_rows", self.n_rows, 1, 256)
        require(self.kind, "n_cols", self.n_cols, 1, 256)
        require(self.kind, "black_counts", self.black_counts, 0, 65_535)
        require_divisor(self.kind, "bin_rows", self.bin_rows, self.n_rows)
        require_divisor(self.kind, "bin_cols", self.bin_cols, self.n_cols)

    @property
    def n_out(self) -> int:
        """Bins, row by row."""
        return self.bin_rows * self.bin_cols

    @property
    def rows_read(self) -> range:
        """All of them."""
        return range(self.n_rows)

    @property
    def n_pixels_read(self) -> int:
        """All of them."""
        return self.n_in

    @property
    def n_operations(self) -> int:
        """Each count is added to its bin."""
        return 2 * self.n_pixels_read

    @property
    def offset(self) -> int:
        """What a bin's pixels hold without any light, in both exposures."""
        return 2 * self.black_counts * (self.n_in // self.n_out)

    def run_frames(self, lit: Counts, dark: Counts) -> Int32:
        """Add both exposures, and sum."""
        return self.run_difference(np.add(lit, dark, dtype=np.int32).reshape(len(lit), self.n_in))

    def run_difference(self, x: NDArray[Any]) -> NDArray[Any]:
        """Sum an image over the bins, and take the black level off."""
        height, width = self.n_rows // self.bin_rows, self.n_cols // self.bin_cols
        split = x.reshape(-1, self.bin_rows, height, self.bin_cols, width)
        sums: NDArray[Any] = split.sum(axis=(2, 4), dtype=x.dtype)
        light: NDArray[Any] = sums.reshape(-1, self.n_out) - x.dtype.type(self.offset)
        return light

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Sum the counts of both exposures; they are never negative."""
        both = 2 * np.maximum(high, 0)[None]
        top = self.run_difference(both)[0]
        least = np.full(self.n_out, -self.offset, dtype=np.int64)
        prove_int32(self.kind, "sum of bin", least, top + self.offset)
        return least, top

    def onnx_frames(self, nodes: Nodes, lit: str, dark: str) -> str:
        """Widen, add, sum inside the bins, and take the black level off."""
        x = nodes.op("Add", nodes.cast(lit, "int32"), nodes.cast(dark, "int32"))
        height, width = self.n_rows // self.bin_rows, self.n_cols // self.bin_cols
        x = nodes.reshape(x, self.bin_rows, height, self.bin_cols, width)
        sums = nodes.reshape(nodes.sum(nodes.sum(x, 3), 1), self.n_out)
        return nodes.op("Sub", sums, nodes.int32(self.offset))

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Load each pixel once: see the kernel's own notes."""
        bins = (self.n_rows, self.n_cols, self.bin_rows, self.bin_cols)
        return ambient_c(bins, self.offset, prefix, x, y)
