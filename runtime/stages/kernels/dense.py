"""The C of a matrix of weights: four rows at a time, so that each input is loaded once for four.

Variants of one matrix, all the same bits; the weights stand in flash in the order and the form in
which the variant that is compiled reads them:

- DSP extension, 8-bit inputs: two weights of a row are one half-word, 256 * odd + even. With
  z = 256 * x_even - x_odd, two dual multiply-accumulates (SMLAD) and one unpacking give 256 times
  four products: three instructions for four. It needs inputs and weights within +-127 and sums
  below 2^23, which are proved here.
- DSP extension, 16-bit inputs: two unpackings and two SMLADs for four products.
- Thumb without Thumb-2: that core loads bytes with an immediate offset only when they are
  unsigned, so weights are stored with 128 added, and 128 times the sum of inputs is taken off.
- Everything else: plain multiplications.

Ternary weights are never multiplied: each row lists the inputs that it adds and subtracts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MAX, fits_one_multiply
from runtime.stages.contract.c_text import CStage, Edge, fill, table
from runtime.stages.kernels.dense_assembly import dual_block, offset_block

__all__ = ["Matrix", "dense_c"]

_ROWS = 4

_PLAIN = """\
static inline void @P@_block(const @X@ *x, const @W@ *w, int32_t *acc)
{
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
@UNROLLED@@TAIL@    acc[0] = a0;
    acc[1] = a1;
    acc[2] = a2;
    acc[3] = a3;
}
"""

_RUN = """\
/* y = saturate(round(@SCALE@ * (weights x + bias)))@RELU_NOTE@;
 * accumulators were proved within +-@BOUND@. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
@OFFSET@    for (uint32_t row = 0u; row < @FULL@u; row += 4u) {
        int32_t acc[4];
        @P@_block(x, &@P@_weights[(row / 4u) * @P_UPPER@_BLOCK], acc);
        for (uint32_t i = 0u; i < 4u; i++) {
            y[row + i] = (@Y@)@P@_scaled(@P@_bias[row + i] + acc[i]@MINUS@);
        }
    }
@REST@}
"""

_OFFSET = """\
#if defined(PW_OFFSET_WEIGHTS)
    int32_t offset = 0;
    for (uint32_t i = 0u; i < @N_IN@u; i++) {
        offset += 128 * (int32_t)x[i];
    }
#else
    const int32_t offset = 0;
#endif
"""

_REST = """\
    for (uint32_t row = @FULL@u; row < @N_OUT@u; row++) {
        const @W@ *w = &@P@_rest[(row - @FULL@u) * @N_IN@u];
        int32_t sum = @P@_bias[row];
        for (uint32_t i = 0u; i < @N_IN@u; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        y[row] = (@Y@)@P@_scaled(sum);
    }
"""

_TERNARY = """\
/* y = saturate(round(@SCALE@ * (weights x + bias)))@RELU_NOTE@, all weights -1, 0 or 1:
 * each row lists the inputs that it adds, then those that it subtracts; nothing is multiplied.
 * Accumulators were proved within +-@BOUND@. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    const @I@ *at = @P@_inputs;
    for (uint32_t row = 0u; row < @N_OUT@u; row++) {
        int32_t sum = @P@_bias[row];
        for (uint32_t n = @P@_counts[2u * row]; n != 0u; n--) {
            sum += (int32_t)x[*at++];
        }
        for (uint32_t n = @P@_counts[(2u * row) + 1u]; n != 0u; n--) {
            sum -= (int32_t)x[*at++];
        }
        y[row] = (@Y@)@P@_scaled(sum);
    }
}
"""


@dataclass(frozen=True, slots=True)
class Matrix:
    """What the kernel multiplies with, and what becomes of the sums.

    Parameters
    ----------
    weights : int8 or int16 (n_out, n_in)
    bias : int32 (n_out,)
        Accumulator units.
    multiplier, shift : int
        Outputs are sums times `multiplier` / 2^`shift`, rounded half up.
    limit : int
        Outputs saturate at this in both directions.
    out_bits : int
        32 leaves the sums as they are.
    relu : bool
        Negative outputs are raised to 0.
    ternary : bool
        All weights are -1, 0 or 1.
    bound : int
        Proved bound of every accumulator's magnitude.
    """

    weights: NDArray[Any]
    bias: NDArray[np.int32]
    multiplier: int
    shift: int
    limit: int
    out_bits: int
    relu: bool
    ternary: bool
    bound: int

    @property
    def n_out(self) -> int:
        """Rows."""
        return int(self.weights.shape[0])

    @property
    def n_in(self) -> int:
        """Columns."""
        return int(self.weights.shape[1])


def dense_c(matrix: Matrix, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a matrix of weights, the kernel chosen by weights and ranges."""
    values: dict[str, object] = {
        "P": prefix, "P_UPPER": f"PW_{prefix.upper()}", "X": x.ctype, "Y": y.ctype,
        "N_IN": matrix.n_in, "N_OUT": matrix.n_out, "FULL": matrix.n_out - matrix.n_out % _ROWS,
        "QUADS": 2 * -(-matrix.n_in // 8), "BOUND": matrix.bound,
        "W": f"{matrix.weights.dtype.name}_t",
        "SCALE": f"{matrix.multiplier} / 2^{matrix.shift}",
        "RELU_NOTE": ", negative values raised to 0" if matrix.relu else "",
    }  # fmt: skip
    comment = f"({matrix.n_out},) int32, accumulator units"
    tables = table(f"{prefix}_bias", matrix.bias, "int32_t", comment)
    scaled = _scaled(matrix, prefix)
    if matrix.ternary:
        lists, kernel = _ternary(matrix, values)
        return CStage(tables + lists, (), "", scaled + kernel)
    weights, kernel = _blocked(matrix, values, x)
    return CStage(tables + weights, (), "", scaled + kernel)


def _scaled(matrix: Matrix, prefix: str) -> str:
    """Return the function from accumulator to output: one multiplication where that is proved."""
    low = 0 if matrix.relu else -matrix.limit
    if matrix.out_bits == 32:
        value = "sum"
    elif fits_one_multiply(matrix.bound, matrix.multiplier, matrix.shift):
        half = (1 << matrix.shift) >> 1
        value = f"pw_asr32((sum * {matrix.multiplier}) + {half}, {matrix.shift})"
    else:
        value = f"pw_requant(sum, {matrix.multiplier}, {matrix.shift})"
    if matrix.out_bits != 32 or matrix.relu:
        value = f"pw_sat({value}, {low}, {matrix.limit})"
    head = f"static inline int32_t {prefix}_scaled(int32_t sum)"
    return f"{head}\n{{\n    return {value};\n}}\n\n"


def _blocked(matrix: Matrix, values: dict[str, object], x: Edge) -> tuple[str, str]:
    """Return tables and text of the multiplying kernel."""
    prefix, full = str(values["P"]), int(str(values["FULL"]))
    tables = ""
    if full < matrix.n_out:
        comment = f"({matrix.n_out - full}, {matrix.n_in}) rows that fill no block of four"
        tables = table(f"{prefix}_rest", matrix.weights[full:], str(values["W"]), comment)
    values["REST"] = fill(_REST, **values) if full < matrix.n_out else ""
    if not full:
        head = f"PW_STAGE void {prefix}_run(const {values['X']} *x, {values['Y']} *y)\n"
        return tables, f"{head}{{\n{values['REST']}}}\n"
    values["UNROLLED"], values["TAIL"] = _plain_text(matrix.n_in)
    interleaved = _interleaved(matrix.weights[:full])
    comment = f"({full // 4}, {matrix.n_in}, 4) {matrix.weights.dtype.name}: four rows interleaved"
    block = f"#define {values['P_UPPER']}_BLOCK"
    plain = f"{block} {4 * matrix.n_in}u\n" + table(
        f"{prefix}_weights", interleaved, str(values["W"]), comment
    )
    choice = [("", plain, fill(_PLAIN, **values))]
    if _offset_fits(matrix, x):
        raised = f"{block} {4 * matrix.n_in}u\n" + table(
            f"{prefix}_weights", interleaved.astype(np.int16) + 128, "uint8_t",
            f"{comment}, plus 128",
        )  # fmt: skip
        kernel = offset_block(matrix.n_in, values)
        choice.insert(0, ("defined(PW_OFFSET_WEIGHTS)", raised, kernel))
        values |= {"OFFSET": fill(_OFFSET, **values), "MINUS": " - offset"}
    dual = _dual(matrix, values, x)
    if dual is not None:
        packed, form, kernel = dual
        words = f"{block} {len(packed) // (full // 4)}u\n" + table(
            f"{prefix}_weights", packed, "uint32_t", f"({full // 4}, {values['QUADS']}, 4) {form}"
        )
        choice.insert(0, ("defined(PW_DUAL_MAC)", words, kernel))
    kernels = _choose([(condition, text) for condition, _, text in choice])
    tables += _choose([(condition, weights) for condition, weights, _ in choice])
    return tables, f"{kernels}\n{fill(_RUN, **({'OFFSET': '', 'MINUS': ''} | values))}"


def _offset_fits(matrix: Matrix, x: Edge) -> bool:
    """Tell whether sums with 128 added to every weight are proved within 32 bits."""
    widest = matrix.n_in * max(-x.lo, x.hi) * 255
    return matrix.weights.dtype == np.int8 and x.ctype != "int32_t" and widest <= INT32_MAX


def _dual(
    matrix: Matrix, values: dict[str, object], x: Edge
) -> tuple[NDArray[np.int64], str, str] | None:
    """Return words of weights, their form and the kernel for the DSP extension, if any fits."""
    full = int(str(values["FULL"]))
    padded = np.zeros((full, 4 * int(str(values["QUADS"]))), dtype=np.int64)
    padded[:, : matrix.n_in] = matrix.weights[:full]
    quads = padded.reshape(full // 4, 4, -1, 4).transpose(0, 2, 1, 3)
    narrow = matrix.weights.dtype == np.int8
    if narrow and x.ctype == "int8_t" and max(-x.lo, x.hi) <= 127 and matrix.bound < 1 << 23:
        halves = 256 * quads[..., 1::2] + quads[..., 0::2]
        words = (halves[..., 0] & 0xFFFF) | (halves[..., 1] & 0xFFFF) << 16
        form = "half-words of 256 * odd + even weight"
    elif narrow and x.ctype == "int16_t":
        order = quads[..., [0, 2, 1, 3]] & 0xFF
        words = order[..., 0] | order[..., 1] << 8 | order[..., 2] << 16 | order[..., 3] << 24
        form = "bytes of weights 0, 2, 1, 3"
    else:
        return None
    return words.ravel(), form, dual_block(values, short=x.ctype == "int8_t")


def _choose(variants: list[tuple[str, str]]) -> str:
    """Return variants under ``#if``, the last without a condition; a single one as it is."""
    if len(variants) == 1:
        return variants[0][1]
    lines = []
    for index, (condition, text) in enumerate(variants):
        word = "#if" if index == 0 else "#elif" if condition else "#else"
        lines.append(f"{word} {condition}".rstrip() + f"\n{text}")
    return "".join(lines) + "#endif\n"


def _interleaved(weights: NDArray[Any]) -> NDArray[Any]:
    """Return weights in the order (block of four rows, input, row in block)."""
    blocks = weights.reshape(-1, _ROWS, weights.shape[1])
    return np.ascontiguousarray(blocks.transpose(0, 2, 1)).ravel()


def _plain_text(n_in: int) -> tuple[str, str]:
    """Return the loop over four inputs at a time, and the inputs that are left."""

    def products(first: str, n: int, indent: str) -> str:
        lines = ""
        for i in range(n):
            lines += f"{indent}v = (int32_t)x[{first}{i}];\n"
            for row in range(_ROWS):
                lines += f"{indent}a{row} += v * (int32_t)w[{4 * i + row}];\n"
        return lines

    head = "    int32_t v;\n"
    loop = ""
    if n_in >= 4:
        loop = (
            f"    for (uint32_t i = 0u; i < {n_in // 4}u; i++) {{\n"
            + products("", 4, "        ")
            + "        x = &x[4];\n        w = &w[16];\n    }\n"
        )
    return head + loop, products("", n_in % 4, "    ")


def _ternary(matrix: Matrix, values: dict[str, object]) -> tuple[str, str]:
    """Return tables and text of the kernel that adds and subtracts listed inputs."""
    signs = [np.flatnonzero(row == sign) for row in matrix.weights for sign in (1, -1)]
    counts = np.array([len(at) for at in signs])
    inputs = np.concatenate([*signs, np.zeros(int(counts.sum() == 0), np.int64)])
    values["I"] = "uint8_t" if matrix.n_in <= 256 else "uint16_t"
    comment = f"({matrix.n_out}, 2) inputs added and subtracted"
    tables = table(f"{values['P']}_counts", counts, "uint16_t", comment)
    tables += table(f"{values['P']}_inputs", inputs, str(values["I"]), "indices of those inputs")
    return tables, fill(_TERNARY, **values)
