"""Root: square roots of shares, so that bright and dim parts of a readout count alike.

Photon noise grows with the square root of the light; its square root has the same noise everywhere
(M. S. Bartlett, Supplement to the Journal of the Royal Statistical Society 3, 1936).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.stages.contract.c_text import CStage, fill
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage, State, prove_int32, require
from runtime.stages.kernels.vectors import load_4, store_4

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Root"]

_C_TEXT = """\
/* One more bit of a root, if its square is no larger. */
#if defined(PW_VECTOR)
static inline uint32x4_t @PREFIX@_longer(uint32x4_t root, uint32_t bit, uint32x4_t square)
{
    const uint32x4_t longer = vorrq_u32(root, vdupq_n_u32(bit));
    return vpselq_u32(longer, root, vcmpcsq_u32(square, vmulq_u32(longer, longer)));
}
#else
static inline uint32_t @PREFIX@_longer(uint32_t root, uint32_t bit, uint32_t square)
{
    const uint32_t longer = root | bit;
    return ((longer * longer) <= square) ? longer : root;
}
#endif

/* Root of each of the first @N_ROOTED@ values, bit by bit from the highest; others pass. */
PW_STAGE void @PREFIX@_run(const @X_TYPE@ *x, @Y_TYPE@ *y)
{
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_ROOTED@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_ROOTED@u - i);
        const int32x4_t value = @LOAD@;
        const uint32x4_t square = vshlq_n_u32(vreinterpretq_u32_s32(vabsq_s32(value)), @LIFT@);
        uint32x4_t root = vdupq_n_u32(0u);
@BITS@        const int32x4_t size = vreinterpretq_s32_u32(root);
        const int32x4_t rooted = vnegq_m_s32(size, size, vcmpltq_n_s32(value, 0));
        @STORE@
    }
#else
    for (uint32_t i = 0u; i < @N_ROOTED@u; i++) {
        const int32_t value = x[i];
        const uint32_t square = (uint32_t)((value < 0) ? -value : value) << @LIFT@;
        uint32_t root = 0u;
@BITS@        y[i] = (@Y_TYPE@)((value < 0) ? -(int32_t)root : (int32_t)root);
    }
#endif
@PASS@}
"""

_UNROOTED_TEXT = """\
    PW_UNROLL
    for (uint32_t i = @N_ROOTED@u; i < @N_VALUES@u; i++) {
        y[i] = (@Y_TYPE@)x[i];
    }
"""


@dataclass(frozen=True, eq=False)
class Root(Stage):
    """``y[i] = sign(x[i]) * floor(sqrt(|x[i]| * 2**lift))`` of the first `n_rooted` values.

    A root saturates at ``2**root_bits - 1``. The other values pass unchanged. Cost per frame: one
    multiplication and one comparison per bit of a root and value.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096.
    n_rooted : int
        How many of them, from the first, 1 to `n_values`.
    lift : int
        Bits by which a value is raised before, so that its root has half as many more, 0 to 16.
    root_bits : int
        Bits of a root, 1 to 16.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "root"
    n_values: int
    n_rooted: int
    lift: int
    root_bits: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "n_rooted", self.n_rooted, 1, self.n_values)
        require(self.kind, "lift", self.lift, 0, 16)
        require(self.kind, "root_bits", self.root_bits, 1, 16)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """As many."""
        return self.n_values

    @property
    def n_operations(self) -> int:
        """A multiplication and a comparison for each bit of each root."""
        return 2 * self.root_bits * self.n_rooted

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Take roots in float64, which are exact below 2**52 once they are floored."""
        wide = x[:, : self.n_rooted].astype(np.int64)
        roots = np.floor(np.sqrt((np.abs(wide) << self.lift).astype(np.float64)))
        whole = np.minimum(roots.astype(np.int64), (1 << self.root_bits) - 1)
        signed = (np.sign(wide) * whole).astype(np.int32)
        return np.hstack([signed, x[:, self.n_rooted :]]), state

    def run_float(self, x: Float64) -> Float64:
        """Take unrounded roots."""
        rooted = x[:, : self.n_rooted]
        roots = np.sign(rooted) * np.sqrt(np.abs(rooted) * 2.0**self.lift)
        return np.hstack([roots, x[:, self.n_rooted :]])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove each lifted value within 32 bits; roots keep the order of values."""
        ends = np.stack([low, high])
        raised = np.abs(ends[:, : self.n_rooted]) << self.lift
        prove_int32(self.kind, "lifted value", -raised.max(axis=0), raised.max(axis=0))
        least, most = self.run(ends.astype(np.int32), {})[0].astype(np.int64)
        return least, most

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Find the root bit by bit, all values at once."""
        rooted = nodes.slice(x, 0, self.n_rooted) if self.n_rooted < self.n_values else x
        wide = nodes.cast(rooted, "int64")
        square = nodes.op("Mul", nodes.op("Abs", wide), nodes.int64(1 << self.lift))
        root = nodes.op("Mul", wide, nodes.int64(0))
        bit = 1 << (self.root_bits - 1)
        while bit:
            longer = nodes.op("Add", root, nodes.int64(bit))
            fits = nodes.op("LessOrEqual", nodes.op("Mul", longer, longer), square)
            root = nodes.op("Where", fits, longer, root)
            bit >>= 1
        signed = nodes.cast(nodes.op("Mul", root, nodes.op("Sign", wide)), "int32")
        if self.n_rooted == self.n_values:
            return signed, state
        rest = nodes.slice(x, self.n_rooted, self.n_values)
        return nodes.op("Concat", signed, rest, axis=0), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Begin at the highest bit of a root; each bit is a line, as not every compiler unrolls."""
        marks = {"N_ROOTED": self.n_rooted, "N_VALUES": self.n_values, "Y_TYPE": y.ctype}
        functions = fill(
            _C_TEXT,
            PASS=fill(_UNROOTED_TEXT, **marks) if self.n_rooted < self.n_values else "",
            PREFIX=prefix,
            X_TYPE=x.ctype,
            LIFT=self.lift,
            LOAD=load_4(x.ctype, "&x[i]"),
            STORE=store_4(y.ctype, "&y[i]", "rooted"),
            BITS="".join(
                f"        root = {prefix}_longer(root, {1 << bit}u, square);\n"
                for bit in reversed(range(self.root_bits))
            ),
            **marks,
        )
        return CStage(tables="", state=(), init="", functions=functions)
