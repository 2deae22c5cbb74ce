"""Level: each value as a share of the frame's sum, and the logarithm of that sum.

The sum S of all values falls with the hand's distance, roughly with its fourth power, and would
drown the shape of the readout. Dividing by it leaves the shape; its logarithm is kept as one extra
value, a cue for distance. No division is made: S is split into a block exponent e and a mantissa,
``S = 2**e * (1 + f)``, and a small table gives the mantissa's reciprocal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.errors import OverflowRisk
from runtime.fixedpoint import (
    SPLIT_SHIFT,
    bit_length,
    fits_one_multiply,
    saturate,
    scale,
    symmetric_limit,
)
from runtime.stages.contract.c_text import CStage, fill, table
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    prove_int32,
    require,
    require_one_of,
)
from runtime.stages.kernels.vectors import load_4, saturated_4, store_4

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Level"]

_UNIT_BITS = 15
"""The reciprocal table holds ``2**15 / (1 + f)``."""
_MAX_VALUE = 2**30
_MAX_LOG_BITS = 12

_C_TEXT = """\
/* Shares of the sum in units of 2^-@GAIN_BITS@, then log2 of the sum, @LOG_BITS@ fraction bits. */
PW_STAGE void @PREFIX@_run(const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t total = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        total += x[i];
    }
    if (total < @FLOOR@) {
        total = @FLOOR@;
    }
    int32_t exponent = 0;
    while ((total >> exponent) > 1) {
        exponent++;
    }
    /* Fraction of total / 2^exponent in Q30; exponent is at most 30. */
    const uint32_t fraction = ((uint32_t)total << (30 - exponent)) & 0x3FFFFFFFu;
    const int32_t factor = (int32_t)@PREFIX@_reciprocal[fraction >> @TABLE_DROP@];
@SHARES@    const int32_t octaves = exponent * @LOG_UNIT@ + (int32_t)(fraction >> @LOG_DROP@);
    y[@N_VALUES@] = (@Y_TYPE@)pw_sat(octaves - @LOG_OFFSET@, -@LIMIT@, @LIMIT@);
}
"""

_ONE_MULTIPLY_TEXT = """\
    const int32_t shift = exponent @SHIFT_BASE@;
    /* |x| <= @WORST@: the product was proved to fit 32 bits. */
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
        int32x4_t value = @LOAD@;
        value = vrshlq_n_s32(vmulq_n_s32(value, factor), -shift);
@SATURATED@        @STORE@
    }
#else
    const int32_t half = (int32_t)(1UL << (shift - 1));
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        y[i] = (@Y_TYPE@)pw_sat(pw_asr32((x[i] * factor) + half, shift), -@LIMIT@, @LIMIT@);
    }
#endif
"""

_TWO_MULTIPLIES_TEXT = """\
    int32_t shift = exponent @SHIFT_BASE@;
    int32_t lift = 0;
    if (shift < @SPLIT_SHIFT@) {
        lift = @SPLIT_SHIFT@ - shift;
        shift = @SPLIT_SHIFT@;
    }
    const int32_t cut = (int32_t)(0x40000000u >> lift);
    /* A value that is cut here saturates below as well. */
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
        int32x4_t value = @LOAD@;
        value = vmaxq_s32(value, vdupq_n_s32(-cut));
        value = vminq_s32(value, vdupq_n_s32(cut));
        value = pw_requant_4(vshlq_r_s32(value, lift), factor, shift);
@SATURATED@        @STORE@
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        const int32_t lifted = pw_sat(x[i], -cut, cut) * (int32_t)(1UL << lift);
        y[i] = (@Y_TYPE@)pw_sat(pw_requant(lifted, factor, shift), -@LIMIT@, @LIMIT@);
    }
#endif
"""


@dataclass(frozen=True, eq=False)
class Level(Stage):
    """Normalise by the block exponent and a reciprocal table, and append the log level.

    ``y[i] = saturate(scale(x[i], reciprocal(f), 15 + e - gain_bits))``, about
    ``x[i] / S * 2**gain_bits``, where S is the sum raised to at least `floor`. The last output is
    ``saturate(e * 2**log_bits + floor(f * 2**log_bits) - log_offset)``: the base-2 logarithm with a
    straight line in each octave (J. N. Mitchell, "Computer multiplication and division using binary
    logarithms", IRE Transactions on Electronic Computers, 1962).

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096; one more is given.
    n_bits : int
        8 or 16 bits per output.
    gain_bits : int
        Base-2 logarithm of the output for ``x[i] = S``, 0 to 30.
    floor : int
        Smallest sum that is divided by, ``2**max(1, gain_bits - 14)`` to ``2**30``.
    log_bits : int
        Fraction bits of the logarithm, 0 to 12.
    log_offset : int
        Taken off the logarithm, in its own units, 0 to ``31 * 2**log_bits``.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "level"
    n_values: int
    n_bits: int
    gain_bits: int
    floor: int
    log_bits: int
    log_offset: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require_one_of(self.kind, "n_bits", self.n_bits, (8, 16))
        require(self.kind, "gain_bits", self.gain_bits, 0, 30)
        require(self.kind, "floor", self.floor, 1 << max(1, self.gain_bits - 14), _MAX_VALUE)
        require(self.kind, "log_bits", self.log_bits, 0, _MAX_LOG_BITS)
        require(self.kind, "log_offset", self.log_offset, 0, 31 << self.log_bits)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """The values and the log level."""
        return self.n_values + 1

    @property
    def n_operations(self) -> int:
        """An addition into the level and a multiplication for each value."""
        return 2 * self.n_values

    @property
    def limit(self) -> int:
        """Largest magnitude of an output."""
        return symmetric_limit(self.n_bits)

    @property
    def table_bits(self) -> int:
        """Mantissa bits that index the table: 7 for 8-bit outputs, 9 for 16-bit ones."""
        return 7 if self.n_bits == 8 else 9

    @property
    def reciprocals(self) -> Int64:
        """``2**15 / (1 + f)`` at the middle of each interval of f, rounded; int64, below 2**15."""
        n = 1 << self.table_bits
        middle = 2 * np.arange(n, dtype=np.int64) + 1
        return ((2 * n << _UNIT_BITS) + (2 * n + middle) // 2) // (2 * n + middle)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Find the exponent, look the reciprocal up, scale."""
        total = np.maximum(x.sum(axis=1, dtype=np.int64), self.floor)
        exponent = bit_length(total) - 1
        index = self._mantissa(total, exponent, self.table_bits)
        shift = _UNIT_BITS + exponent - self.gain_bits
        y = scale(x, self.reciprocals[index][:, None], shift[:, None])
        log = (exponent << self.log_bits) + self._mantissa(total, exponent, self.log_bits)
        both = np.column_stack([y, log - self.log_offset])
        return saturate(both, -self.limit, self.limit), state

    @staticmethod
    def _mantissa(total: Int64, exponent: Int64, n_bits: int) -> Int64:
        """Return the first `n_bits` fraction bits of ``total / 2**exponent``."""
        return np.asarray(((total << n_bits) >> exponent) - (1 << n_bits), dtype=np.int64)

    def run_float(self, x: Float64) -> Float64:
        """Divide, and take the exact logarithm."""
        total = np.maximum(x.sum(axis=1, keepdims=True), float(self.floor))
        log = np.log2(total) * 2**self.log_bits - self.log_offset
        return np.hstack([x / total * 2.0**self.gain_bits, log])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the sum within 32 bits and each value within 2**30."""
        worst = np.maximum(np.abs(low), np.abs(high))
        total = np.atleast_1d(worst.sum())
        prove_int32(self.kind, "sum of values", -total, total)
        if worst.max() > _MAX_VALUE:
            raise OverflowRisk(
                self.kind, "a value", f"up to {worst.max()}", f"at most {_MAX_VALUE}"
            )
        limit = np.full(self.n_out, self.limit, dtype=np.int64)
        return -limit, limit

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Find the exponent by counting the powers of two that S reaches; the rest in int64."""
        powers = nodes.constant(np.int64(1) << np.arange(1, 31, dtype=np.int64))
        wide = nodes.cast(x, "int64")
        total = nodes.op("Max", nodes.sum(wide, 0), nodes.int64(self.floor))
        reached = nodes.cast(nodes.op("GreaterOrEqual", total, powers), "int64")
        exponent = nodes.sum(reached, 0)
        power_table = nodes.constant(np.int64(1) << np.arange(46, dtype=np.int64))
        unit = nodes.op("Gather", power_table, exponent)

        def mantissa(n_bits: int) -> str:
            raised = nodes.op("Div", nodes.op("Mul", total, nodes.int64(1 << n_bits)), unit)
            return nodes.op("Sub", raised, nodes.int64(1 << n_bits))

        factor = nodes.op("Gather", nodes.constant(self.reciprocals), mantissa(self.table_bits))
        shift = nodes.op("Add", exponent, nodes.int64(_UNIT_BITS - self.gain_bits))
        divisor = nodes.op("Gather", power_table, shift)
        half = nodes.op("Div", divisor, nodes.int64(2))
        raised = nodes.op("Add", nodes.op("Mul", wide, factor), half)
        shares = nodes.floor_divide(raised, divisor)
        octaves = nodes.op("Mul", exponent, nodes.int64(1 << self.log_bits))
        log = nodes.op("Add", octaves, mantissa(self.log_bits))
        log = nodes.op("Sub", log, nodes.int64(self.log_offset))
        both = nodes.op("Concat", shares, nodes.reshape(log, 1), axis=0)
        return nodes.cast(nodes.clip(both, -self.limit, self.limit, "int64"), "int32"), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Multiply once where that provably fits 32 bits, else twice.

        For two multiplications a value is shifted up where the shift down is short; one that must
        be cut for that is so large that it saturates either way.
        """
        worst = max(abs(x.lo), abs(x.hi))
        base = _UNIT_BITS - self.gain_bits
        largest_total = max(worst * self.n_values, self.floor)
        largest_shift = base + largest_total.bit_length() - 1
        one = fits_one_multiply(worst, int(self.reciprocals.max()), largest_shift)
        functions = fill(
            _C_TEXT,
            SHARES=_ONE_MULTIPLY_TEXT if one else _TWO_MULTIPLIES_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            N_VALUES=self.n_values,
            WORST=worst,
            FLOOR=self.floor,
            GAIN_BITS=self.gain_bits,
            TABLE_DROP=30 - self.table_bits,
            LOG_BITS=self.log_bits,
            LOG_UNIT=1 << self.log_bits,
            LOG_DROP=30 - self.log_bits,
            SPLIT_SHIFT=SPLIT_SHIFT,
            LOG_OFFSET=self.log_offset,
            SHIFT_BASE=f"{'+' if base >= 0 else '-'} {abs(base)}",
            LIMIT=self.limit,
            LOAD=load_4(x.ctype, "&x[i]"),
            SATURATED=saturated_4(-self.limit, self.limit, 8 * " "),
            STORE=store_4(y.ctype, "&y[i]", "value"),
        )
        comment = f"({1 << self.table_bits},) 1 / (1 + f) in Q15, f in the middle of each interval"
        reciprocals = table(f"{prefix}_reciprocal", self.reciprocals, "uint16_t", comment)
        return CStage(tables=reciprocals, state=(), init="", functions=functions)
