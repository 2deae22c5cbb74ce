"""Bearings: the angles of two sources, and how many of them were found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import saturate
from runtime.stages.alignment.geometry import SLOPE_BITS
from runtime.stages.alignment.triangulation import Triangulation
from runtime.stages.contract.c_text import CStage, fill
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage, State, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["NOWHERE", "Bearings"]

NOWHERE = 1 << (SLOPE_BITS + 2)
"""Angle of a source that is none: 4 rad, where nothing can be."""
_N_SOURCES = 2
_EACH = 4
_ONE = Triangulation(1, 0, 0, 1, 17, 0, 0)
"""What makes angles of one source's slopes."""

_C_TEXT = """\
/* Angles of both sources and how many there are. Too bright a first one spoils the second too. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    @X@ each[4];
    int32_t there = 1;
    y[4] = 0;
    for (uint32_t k = 0u; k < 2u; k++) {
        @P@_each_run(&x[4u * k], each);
        if ((each[3] > 0) || (each[2] < @LOW@) || (each[2] > @HIGH@)) {
            there = 0;
        }
        y[2u * k] = (there != 0) ? (@Y@)each[0] : @NOWHERE@;
        y[(2u * k) + 1u] = (there != 0) ? (@Y@)each[1] : @NOWHERE@;
        y[4] = (@Y@)(y[4] + there);
    }
}
"""


@dataclass(frozen=True, eq=False)
class Bearings(Stage):
    """Two angles of each source in steps of 2**-18 rad, and how many sources there are.

    Takes slopes, level and excess of the brighter and of the dimmer source. A source is there while
    its excess is not above 0 and its level is within `low` to `high`; the second while the first is
    too. The angles of one that is not there are 4 rad, which no learned range holds.

    Parameters
    ----------
    low, high : int
        Levels of the dimmest and the brightest source, 0 to 4096.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "bearings"
    low: int
    high: int

    def __post_init__(self) -> None:
        require(self.kind, "low", self.low, 0, 4096)
        require(self.kind, "high", self.high, self.low, 4096)

    @property
    def n_in(self) -> int:
        """Four values a source."""
        return _N_SOURCES * _EACH

    @property
    def n_out(self) -> int:
        """Two angles a source, and the number of sources."""
        return 2 * _N_SOURCES + 1

    @property
    def n_operations(self) -> int:
        """Two tables and three comparisons a source."""
        return _N_SOURCES * (_ONE.n_operations + 3)

    def _there(self, x: NDArray[Any]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        level, excess = x[:, 2::_EACH], x[:, 3::_EACH]
        own = np.asarray((excess <= 0) & (level >= self.low) & (level <= self.high))
        return own[:, 0], own[:, 0] & own[:, 1]

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Look angles up, and set those of what is not there to nowhere."""
        there = self._there(x)
        angles = [_ONE.run(x[:, _EACH * k : _EACH * (k + 1)], {})[0][:, :2] for k in (0, 1)]
        each = [np.where(t[:, None], a, NOWHERE) for t, a in zip(there, angles, strict=True)]
        count = there[0].astype(np.int64) + there[1]
        return saturate(np.column_stack([*each, count]), 0 - NOWHERE, NOWHERE), state

    def run_float(self, x: Float64) -> Float64:
        """Compute the same with real functions."""
        there = self._there(x)
        angles = [_ONE.run_float(x[:, _EACH * k : _EACH * (k + 1)])[:, :2] for k in (0, 1)]
        each = [np.where(t[:, None], a, float(NOWHERE)) for t, a in zip(there, angles, strict=True)]
        return np.column_stack([*each, there[0].astype(np.float64) + there[1]])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Return what the table can give, and nowhere."""
        parts = [_ONE.bounds(low[_EACH * k : _EACH * (k + 1)], high[_EACH * k : _EACH * (k + 1)])
                 for k in (0, 1)]  # fmt: skip
        least = [end for part, _ in parts for end in part[:2]]
        return (
            np.array([*least, 0], dtype=np.int64),
            np.array([NOWHERE] * (2 * _N_SOURCES) + [_N_SOURCES], dtype=np.int64),
        )

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Look angles up with Gather."""
        there, angles, none = "", [], nodes.int32(NOWHERE)
        flags = []
        for k in (0, 1):
            own = nodes.slice(x, _EACH * k, _EACH * (k + 1))
            both, _ = _ONE.onnx(nodes, own, {})
            level, excess = nodes.slice(own, 2, 3), nodes.slice(own, 3, 4)
            inside = nodes.op("LessOrEqual", excess, nodes.int32(0))
            for name, end in (("GreaterOrEqual", self.low), ("LessOrEqual", self.high)):
                inside = nodes.op("And", inside, nodes.op(name, level, nodes.int32(end)))
            there = nodes.op("And", there, inside) if there else inside
            angles.append(nodes.op("Where", there, nodes.slice(both, 0, 2), none))
            flags.append(nodes.cast(there, "int32"))
        return nodes.op("Concat", *angles, nodes.op("Add", *flags), axis=0), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Look angles up in one table."""
        each = _ONE.c(f"{prefix}_each", x, x)
        text = fill(
            _C_TEXT, P=prefix, X=x.ctype, Y=y.ctype, LOW=self.low, HIGH=self.high, NOWHERE=NOWHERE
        )
        return CStage(each.tables, (), "", each.functions + text)
