"""Offset: half of how far each value is above what it holds without a source.

A frame pair by the light that is there anyway is two exposures added up (`Ambient`); what they hold
without a source, black levels and what stands behind everything, was measured while none was on.
Half of what is left is what one exposure as long as their mean would hold, of no more bits than one
has. Offsets are means rounded down: odd differences are then rounded down by a half, even ones by
none, and the fraction that was left off the mean makes up for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.stages.contract.c_text import CStage, Edge, fill, smallest_ctype, table
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
)

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Offset"]

_SHIFT = 1
_C_TEXT = """\
/* Half of how far each value is above its offset. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
@PACKED@    PW_UNROLL
    for (uint32_t i = 0u; i < @N@u; i++) {
        y[i] = (@Y@)pw_asr32((int32_t)x[i] - (int32_t)@P@_offset[i], @SHIFT@);
    }
}
"""
_PACKED = """\
#if defined(__GNUC__) && !defined(PW_VECTOR) /* which compilers make vectors of */
    if ((((uintptr_t)x | (uintptr_t)y | (uintptr_t)@P@_offset) & 3u) == 0u) { /* two at a time */
        const pw_pair *values = (const pw_pair *)(const void *)x;
        const pw_pair *offsets = (const pw_pair *)(const void *)@P@_offset;
        pw_pair *both = (pw_pair *)(void *)y;
        PW_UNROLL
        for (uint32_t i = 0u; i < @HALF@u; i++) { /* no half borrows from the other */
#if defined(PW_DUAL_MAC) /* an extension that halves two differences at once */
            uint32_t half;
            __asm__("shsub16 %0, %1, %2" : "=r"(half) : "r"(values[i]), "r"(offsets[i]));
            both[i] = half;
#else
            const uint32_t above = (values[i] + 0x40004000u) - offsets[i];
            both[i] = (((above >> 1) & 0x7FFF7FFFu) + 0x60006000u) ^ 0x80008000u;
#endif
        }
        return;
    }
#endif
"""
_MOST_PACKED = 1 << 14
"""Of an offset: so much is added to a value, that it may be taken off without a borrow."""


@dataclass(frozen=True, eq=False)
class Offset(Stage):
    """``y[i] = (x[i] - offsets[i]) >> 1``, rounded down.

    Cost per frame: two loads, a subtraction, a shift and a store a value.

    Parameters
    ----------
    offsets : int32 (n_values,)
        In the unit of x.

    Raises
    ------
    FormatError
        It is no such array.
    """

    kind: ClassVar[str] = "offset"
    offsets: Int32

    def __post_init__(self) -> None:
        offsets = frozen_array(self.kind, "offsets", self.offsets, "int32", (None,))
        object.__setattr__(self, "offsets", offsets)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return len(self.offsets)

    @property
    def n_out(self) -> int:
        """As many."""
        return len(self.offsets)

    @property
    def n_operations(self) -> int:
        """A subtraction a value."""
        return self.n_in

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Subtract, and halve."""
        return ((x.astype(np.int64) - self.offsets) >> _SHIFT).astype(np.int32), state

    def run_float(self, x: Float64) -> Float64:
        """Subtract, and halve."""
        return np.asarray((x - self.offsets) / 2.0)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Move the ends, and prove the difference within 32 bits."""
        ends = low - self.offsets, high - self.offsets
        prove_int32(self.kind, "value above its offset", *ends)
        return ends[0] >> _SHIFT, ends[1] >> _SHIFT

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Subtract, and halve."""
        offsets = nodes.constant(self.offsets.astype(np.int64))
        above = nodes.op("Sub", nodes.cast(x, "int64"), offsets)
        return nodes.cast(nodes.floor_divide(above, nodes.int64(1 << _SHIFT)), "int32"), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the values, two at a time where both are words of counts."""
        low, high = int(self.offsets.min()), int(self.offsets.max())
        ctype = smallest_ctype(low, high)
        packed = (
            {x.ctype, y.ctype, ctype} == {"int16_t"} and min(x.lo, low) >= 0
            and high <= _MOST_PACKED and self.n_in % 2 == 0
        )  # fmt: skip
        text = fill(
            _C_TEXT, PACKED=_PACKED if packed else "", P=prefix, X=x.ctype, Y=y.ctype,
            N=self.n_in, HALF=self.n_in // 2, SHIFT=_SHIFT,
        )  # fmt: skip
        offsets = table(f"{prefix}_offset", self.offsets, ctype, f"({self.n_in},) offsets, Q0")
        return CStage(tables=offsets, state=(), init="", functions=text)
