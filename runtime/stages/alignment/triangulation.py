"""Triangulation: from slopes at one or two apertures to angles, inverse distance, millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.errors import FormatError
from runtime.fixedpoint import INT32_MAX, MAX_MULTIPLIER, bit_length, round_shift, saturate, scale
from runtime.stages.alignment.geometry import SLOPE_BITS
from runtime.stages.alignment.nodes import Writer
from runtime.stages.contract.c_text import CStage, fill, table
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage, State, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["INVERSE_BITS", "Triangulation"]

INVERSE_BITS = 12
"""Inverse distances are in steps of 2**-12 per metre."""
_EACH = 4
_DISPARITY_LIMIT = 1 << 17
_UNIT_BITS = 13
_SEGMENT_BITS = 11
_N_SEGMENTS = 256
_COSINE_BITS = 15
_MOST_DEPTH_STEPS = 1 << 21
_MM_BITS = 6
_ANGLES: Int64 = np.round(np.arctan(np.arange(_N_SEGMENTS + 1) / 128.0) * (1 << SLOPE_BITS)).astype(
    np.int64
)
"""atan(s) at slopes of 0 to 2 in steps of 1/128."""
_COSINES: Int64 = np.minimum(
    np.round((1 << _COSINE_BITS) / np.sqrt(1.0 + np.arange(_N_SEGMENTS + 1) / 64.0)),
    (1 << _COSINE_BITS) - 1,
).astype(np.int64)
"""1 / sqrt(1 + w) at w, the sum of both slopes' squares, of 0 to 4 in steps of 1/64."""
_RECIPROCALS: Int64 = np.round((1 << 30) / (1 + np.arange(257) / 256.0) / (1 << 14)).astype(
    np.int64
)
"""1 / (1 + f) in Q16 at mantissas f of 0 to 1 in steps of 1/256."""

_C_TEXT = """\
/* A table at place / 2^bits, straight between its entries. */
PW_LOCAL int32_t @P@_between(const int32_t *at, int32_t place, int32_t bits)
{
    const int32_t index = place >> bits;
    const int32_t part = place - (index << bits);
    return at[index] + pw_asr32(((at[index + 1] - at[index]) * part) + (1 << (bits - 1)), bits);
}

PW_LOCAL int32_t @P@_angle(int32_t slope)
{
    const int32_t size = pw_sat((slope < 0) ? -slope : slope, 0, 524287);
    const int32_t angle = @P@_between(@P@_atan, size, 11);
    return (slope < 0) ? -angle : angle;
}
@RANGE@
/* Angles@WHAT@, then the guards. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
@BODY@}
"""

_ONE = """\
    y[0] = (@Y@)@P@_angle((int32_t)x[0]);
    y[1] = (@Y@)@P@_angle((int32_t)x[1]);
    y[2] = (@Y@)x[2];
    y[3] = (@Y@)x[3];
"""

_RANGE = """
/* 2^18 millimetres and more for an inverse distance of none, in steps of 2^-@MM_BITS@ mm. */
PW_LOCAL int32_t @P@_distance(int32_t inverse)
{
    if (inverse < 16) {
        return @FAR@;
    }
    int32_t exponent = 4;
    while ((inverse >> exponent) > 1) {
        exponent++;
    }
    const int32_t mantissa = (int32_t)(((uint32_t)inverse << (24 - exponent)) & 0xFFFFFFu);
    const int32_t factor = @P@_between(@P@_reciprocal, mantissa >> 4, 12);
    /* 1000 mm times 2^12 steps, over 2^exponent (1 + f); the factor has 16 bits of fraction. */
    return pw_asr32((factor * 4000) + (int32_t)((1UL << exponent) >> 1), exponent);
}
"""

_TWO = """\
    const int32_t dx = pw_sat((int32_t)x[0] - (int32_t)x[4], -131072, 131072);
    const int32_t dy = pw_sat((int32_t)x[1] - (int32_t)x[5], -131072, 131072);
    const int32_t along = pw_asr32((dx * @UX@) + (dy * @UY@) + 4096, 13);
    const int32_t across = pw_asr32((dy * @UX@) - (dx * @UY@) + 4096, 13);
    const int32_t depth = pw_sat(pw_requant(along * 1024, @MULTIPLIER@, @SHIFT@), 0, @MOST@);
    const int32_t sx = pw_asr32((int32_t)x[0] + (int32_t)x[4] + 1, 1)
        + @P@_shifted(depth, @PX@);
    const int32_t sy = pw_asr32((int32_t)x[1] + (int32_t)x[5] + 1, 1)
        + @P@_shifted(depth, @PY@);
    const int32_t ax = pw_sat((sx < 0) ? -sx : sx, 0, 524287) >> 4;
    const int32_t ay = pw_sat((sy < 0) ? -sy : sy, 0, 524287) >> 4;
    int32_t wide = ((ax * ax) >> 10) + ((ay * ay) >> 10);
    wide = (wide < 1048575) ? wide : 1048575;
    const int32_t cosine = @P@_between(@P@_cosine, wide, 12);
    const int32_t inverse = pw_requant(depth, cosine, 17);
    y[0] = (@Y@)@P@_angle(sx);
    y[1] = (@Y@)@P@_angle(sy);
    y[2] = (@Y@)inverse;
    y[3] = (@Y@)@P@_distance(inverse);
    y[4] = (@Y@)x[2];
    y[5] = (@Y@)x[3];
    y[6] = (@Y@)x[6];
    y[7] = (@Y@)x[7];
    y[8] = (@Y@)across;
    y[9] = (@Y@)along;
"""

_SHIFTED = """
/* The slope that a place off the middle adds, for a depth in steps of 2^-14 per metre. */
PW_LOCAL int32_t @P@_shifted(int32_t depth, int32_t place)
{
    return pw_asr32((pw_asr32(depth, 6) * place) + 512, 10);
}
"""
_FAR = 1 << 24
_MOST_TABLED = (1 << 19) - 1


@dataclass(frozen=True, eq=False)
class Triangulation(Stage):
    """Angles from slopes; of two apertures, their disparity, the distance, and its inverse.

    With one aperture: atan of both slopes in steps of 2**-18 rad, then its level and excess as
    guards. With two: the disparity is the difference of slopes along the baseline, from which
    follow the inverse depth ``disparity / baseline``, the direction from the sensor's origin, the
    inverse distance along the line of sight (the inverse depth times the direction's cosine) in
    steps of 2**-12 per metre, and the distance in steps of 2**-6 mm. Guards then are level and
    excess of each, the disparity across the baseline, which a source does not have, and the one
    along it, which is above 0 for all that is nearer than the stars.
    Tables are straight between their entries: angles are off by at most 5 microradians, distances
    by 4e-6 of themselves.

    Parameters
    ----------
    n_apertures : int
        1 or 2.
    baseline_x, baseline_y : int
        Unit vector from the first aperture to the second, in 2**-13; 0 and 0 for one.
    multiplier, shift : int
        From disparity in 2**-28 to inverse depth in 2**-14 per metre.
    middle_x, middle_y : int
        Middle of both apertures, in steps such that inverse depth in 2**-8 per metre times it is a
        slope in 2**-28: 2**20 times the place in metres.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "triangulation"
    n_apertures: int
    baseline_x: int
    baseline_y: int
    multiplier: int
    shift: int
    middle_x: int
    middle_y: int

    def __post_init__(self) -> None:
        require(self.kind, "n_apertures", self.n_apertures, 1, 2)
        one = 1 << _UNIT_BITS
        for name in ("baseline_x", "baseline_y"):
            require(self.kind, name, getattr(self, name), -one, one)
        length = float(np.hypot(self.baseline_x, self.baseline_y))
        if self.n_apertures == 2 and abs(length - one) > 2:
            raise FormatError(self.kind, "length of the baseline's vector", round(length), one)
        require(self.kind, "multiplier", self.multiplier, 1, MAX_MULTIPLIER)
        require(self.kind, "shift", self.shift, 17, 46)
        for name in ("middle_x", "middle_y"):
            require(self.kind, name, getattr(self, name), -(1 << 14), 1 << 14)

    @property
    def n_in(self) -> int:
        """Four values an aperture."""
        return _EACH * self.n_apertures

    @property
    def n_out(self) -> int:
        """Two values and two guards, or four values and six guards."""
        return 4 if self.n_apertures == 1 else 10

    @property
    def n_operations(self) -> int:
        """Additions and products, about."""
        return 8 if self.n_apertures == 1 else 40

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Look everything up in tables."""
        wide = x.astype(np.int64)
        if self.n_apertures == 1:
            angles = [_angle(wide[:, 0]), _angle(wide[:, 1])]
            return saturate(np.stack([*angles, wide[:, 2], wide[:, 3]], axis=1), -INT32_MAX,
                            INT32_MAX), state  # fmt: skip
        d = np.clip(wide[:, 0:2] - wide[:, 4:6], -_DISPARITY_LIMIT, _DISPARITY_LIMIT)
        ux, uy = self.baseline_x, self.baseline_y
        along = round_shift(d[:, 0] * ux + d[:, 1] * uy, _UNIT_BITS)
        across = round_shift(d[:, 1] * ux - d[:, 0] * uy, _UNIT_BITS)
        depth = np.clip(scale(along << 10, self.multiplier, self.shift), 0, _MOST_DEPTH_STEPS - 1)
        slopes = [
            round_shift(wide[:, axis] + wide[:, 4 + axis], 1)
            + round_shift((depth >> 6) * middle, 10)
            for axis, middle in ((0, self.middle_x), (1, self.middle_y))
        ]
        squares = [(np.minimum(np.abs(s), (1 << 19) - 1) >> 4) ** 2 >> 10 for s in slopes]
        cosine = _between(_COSINES, np.minimum(squares[0] + squares[1], (1 << 20) - 1), 12)
        inverse = scale(depth, cosine, 17)
        columns = [_angle(slopes[0]), _angle(slopes[1]), inverse, _distance(inverse),
                   wide[:, 2], wide[:, 3], wide[:, 6], wide[:, 7], across, along]  # fmt: skip
        return saturate(np.stack(columns, axis=1), -INT32_MAX, INT32_MAX), state

    def run_float(self, x: Float64) -> Float64:
        """Compute the same with real functions."""
        unit = float(1 << SLOPE_BITS)
        if self.n_apertures == 1:
            return np.hstack([np.arctan(x[:, :2] / unit) * unit, x[:, 2:4]])
        d = x[:, 0:2] - x[:, 4:6]
        direction = np.array([self.baseline_x, self.baseline_y]) / 2.0**_UNIT_BITS
        along = d @ direction
        across = d[:, 1] * direction[0] - d[:, 0] * direction[1]
        depth = np.maximum(along * 1024 * self.multiplier / 2.0**self.shift, 0.0)
        middle = np.array([self.middle_x, self.middle_y]) / 2.0**16
        slopes = (x[:, 0:2] + x[:, 4:6]) / 2 + depth[:, None] * middle
        cosine = 1.0 / np.sqrt(1.0 + (slopes**2).sum(axis=1) / unit**2)
        inverse = depth * cosine / 4.0
        distance = np.minimum(64000.0 * 4096.0 / np.maximum(inverse, 1e-9), float(_FAR))
        return np.column_stack(
            [np.arctan(slopes / unit) * unit, inverse, distance, x[:, 2], x[:, 3], x[:, 6], x[:, 7],
             across, along]
        )  # fmt: skip

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Return what tables and guards can give; slopes are within plus and minus 2."""
        most = int(max(np.abs(low).max(), np.abs(high).max()))
        require(self.kind, "largest input", most, 0, INT32_MAX)
        for axis in range(2):
            for aperture in range(self.n_apertures):
                ends = low[_EACH * aperture + axis], high[_EACH * aperture + axis]
                require(self.kind, "largest slope", int(np.abs(ends).max()), 0, 1 << 20)
        angle = int(_ANGLES[-1])
        if self.n_apertures == 1:
            return (
                np.array([-angle, -angle, low[2], low[3]], dtype=np.int64),
                np.array([angle, angle, high[2], high[3]], dtype=np.int64),
            )
        turned = 2 * _DISPARITY_LIMIT
        least = [-angle, -angle, 0, 0, *low[[2, 3, 6, 7]], -turned, -turned]
        largest = [angle, angle, 1 << 19, _FAR, *high[[2, 3, 6, 7]], turned, turned]
        return np.array(least, dtype=np.int64), np.array(largest, dtype=np.int64)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Look everything up with Gather."""
        return _nodes(self, nodes, x), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Look everything up in tables of 257 entries."""
        tables = table(f"{prefix}_atan", _ANGLES, "int32_t", "(257,) atan, slopes in 1/128")
        values: dict[str, object] = {"P": prefix, "X": x.ctype, "Y": y.ctype}
        if self.n_apertures == 1:
            text = fill(_C_TEXT, RANGE="", WHAT="", BODY=_ONE, **values)
            return CStage(tables, (), "", text)
        tables += table(
            f"{prefix}_cosine", _COSINES, "int32_t", "(257,) 1 / sqrt(1 + w), w in 1/64"
        )
        tables += table(f"{prefix}_reciprocal", _RECIPROCALS, "int32_t", "(257,) 1 / (1 + f), Q16")
        text = fill(
            _C_TEXT, RANGE=_RANGE + _SHIFTED, WHAT=", inverse distance, distance", BODY=_TWO,
            UX=f"({self.baseline_x})", UY=f"({self.baseline_y})", MULTIPLIER=self.multiplier,
            SHIFT=self.shift, MOST=_MOST_DEPTH_STEPS - 1, PX=f"({self.middle_x})",
            PY=f"({self.middle_y})", FAR=_FAR, MM_BITS=_MM_BITS, **values,
        )  # fmt: skip
        return CStage(tables, (), "", text)


def _between(entries: Int64, place: Int64, bits: int) -> Int64:
    index = place >> bits
    part = place - (index << bits)
    between = round_shift((entries[index + 1] - entries[index]) * part, bits)
    return np.asarray(entries[index] + between, dtype=np.int64)


def _angle(slope: Int64) -> Int64:
    size = np.minimum(np.abs(slope), (1 << 19) - 1)
    return np.asarray(np.sign(slope) * _between(_ANGLES, size, _SEGMENT_BITS), dtype=np.int64)


def _distance(inverse: Int64) -> Int64:
    """Return 2**-6 mm steps from 2**-12 per metre: 64,000 times 4,096 over the steps."""
    kept = np.maximum(inverse, 16)
    exponent = bit_length(kept) - 1
    mantissa = ((kept << 24) >> exponent) & 0xFFFFFF
    factor = _between(_RECIPROCALS, mantissa >> 4, 12)
    return np.where(inverse < 16, _FAR, round_shift(factor * 4000, exponent))


def _between_nodes(nodes: Nodes, table: Int64, place: str, bits: int) -> str:
    """Read a table straight between its entries; places are 0 and more."""
    unit = nodes.int64(1 << bits)
    index = nodes.op("Div", place, unit)
    part = nodes.op("Mod", place, unit)
    low = nodes.op("Gather", nodes.constant(table[:-1]), index)
    steps = nodes.op("Gather", nodes.constant(np.diff(table)), index)
    return nodes.op("Add", low, nodes.round_shift(nodes.op("Mul", steps, part), bits))


def _nodes(stage: Triangulation, nodes: Nodes, x: str) -> str:
    """Write the nodes of one frame; returns the name of int32 (n_out,)."""
    write, wide = Writer(nodes), nodes.cast(x, "int64")

    def one(index: int) -> str:
        return nodes.slice(wide, index, index + 1)

    def size_of(slope: str) -> str:
        return nodes.clip(nodes.op("Abs", slope), 0, _MOST_TABLED, "int64")

    def angle(slope: str) -> str:
        return nodes.op(
            "Mul", nodes.op("Sign", slope), _between_nodes(nodes, _ANGLES, size_of(slope), 11)
        )

    if stage.n_apertures == 1:
        parts = [angle(one(0)), angle(one(1)), one(2), one(3)]
        return nodes.cast(nodes.op("Concat", *parts, axis=0), "int32")
    limit = 1 << 17
    d = [nodes.clip(nodes.op("Sub", one(k), one(4 + k)), -limit, limit, "int64") for k in (0, 1)]
    ux, uy = nodes.int64(stage.baseline_x), nodes.int64(stage.baseline_y)

    def product(a: str, b: str) -> str:
        return nodes.op("Mul", a, b)

    along = nodes.round_shift(nodes.op("Add", product(d[0], ux), product(d[1], uy)), 13)
    across = nodes.round_shift(nodes.op("Sub", product(d[1], ux), product(d[0], uy)), 13)
    depth = write.scale(product(along, nodes.int64(1024)), stage.multiplier, stage.shift)
    depth = nodes.clip(depth, 0, (1 << 21) - 1, "int64")
    cut = nodes.op("Div", depth, nodes.int64(64))
    slopes, squares = [], []
    for axis, middle in ((0, stage.middle_x), (1, stage.middle_y)):
        mean = nodes.round_shift(nodes.op("Add", one(axis), one(4 + axis)), 1)
        moved = nodes.round_shift(product(cut, nodes.int64(middle)), 10)
        slopes.append(nodes.op("Add", mean, moved))
        small = nodes.op("Div", size_of(slopes[-1]), nodes.int64(16))
        squares.append(nodes.op("Div", product(small, small), nodes.int64(1024)))
    both = nodes.clip(nodes.op("Add", *squares), 0, (1 << 20) - 1, "int64")
    cosine = _between_nodes(nodes, _COSINES, both, 12)
    inverse = nodes.round_shift(product(depth, cosine), 17)
    kept = nodes.op("Max", inverse, nodes.int64(16))
    exponent = nodes.op("Sub", write.bits(kept, (1,)), nodes.int64(1))
    raised = nodes.op("Div", product(kept, nodes.int64(1 << 24)), write.power(exponent))
    mantissa = nodes.op("Div", nodes.op("Sub", raised, nodes.int64(1 << 24)), nodes.int64(16))
    factor = product(_between_nodes(nodes, _RECIPROCALS, mantissa, 12), nodes.int64(4000))
    near = write.round_shift(factor, exponent)
    none = nodes.op("Less", inverse, nodes.int64(16))
    distance = nodes.op("Where", none, nodes.int64(1 << 24), near)
    parts = [angle(slopes[0]), angle(slopes[1]), inverse, distance,
             one(2), one(3), one(6), one(7), across, along]  # fmt: skip
    return nodes.cast(nodes.op("Concat", *parts, axis=0), "int32")
