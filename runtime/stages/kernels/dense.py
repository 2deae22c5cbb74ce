"""The C of a matrix of weights: four rows at a time, so that each input is loaded once for four.

One text a kernel serves every matrix of the same types, with its lengths as arguments. Variants of
one kernel, all the same bits; the weights stand in flash in the order and the form in which the
variant that is compiled reads them. Assembly takes whole blocks of four rows and whole turns of
inputs, filled up with zeros: what stands behind the inputs is multiplied by nothing:

- Helium: a vector of inputs times one of weights for each row, summed into a register.
- DSP extension, 8-bit inputs: two weights of a row are one half-word, 256 * odd + even. With
  z = 256 * x_even - x_odd, two dual multiply-accumulates (SMLAD) and one unpacking give 256 times
  four products: three instructions for four. It needs inputs and weights within +-127 and sums
  below 2^23, which are proved here.
- DSP extension, 16-bit inputs: two unpackings and two SMLADs for four products.
- Thumb without Thumb-2: that core loads bytes with an immediate offset only when they are
  unsigned, so weights are stored with 128 added, and 128 times the sum of inputs is taken off.
- Everything else, and wherever ``PW_PLAIN_C`` is defined: plain multiplications.

Ternary weights are never multiplied: each row lists the inputs that it adds and subtracts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MAX, SPLIT_SHIFT, fits_one_multiply
from runtime.stages.contract.c_text import CStage, Edge, fill, table
from runtime.stages.kernels.dense_assembly import ROWS_TYPE, dual_rows, offset_rows
from runtime.stages.kernels.dense_ternary import ternary_rows
from runtime.stages.kernels.vectors import load_4, saturated_4, scaled_4, store_4, vector_rows

__all__ = ["Matrix", "dense_c"]

_ROWS = 4
_PLAIN = """\
/* Four rows a turn, an input of @X@ for four weights of @W@ at once; then the rows left.
 * Inlined, so that a compiler knows the lengths. */
PW_INLINE void @KERNEL@(pw_rows *rows)
{
    const @W@ *w = (const @W@ *)rows->weights;
    int32_t row = 0;
    for (; row + 4 <= rows->n_rows; row += 4) {
        const @X@ *x = (const @X@ *)rows->x;
        int32_t a0 = rows->bias[row];
        int32_t a1 = rows->bias[row + 1];
        int32_t a2 = rows->bias[row + 2];
        int32_t a3 = rows->bias[row + 3];
        int32_t v;
        for (uint32_t i = 0u; i < rows->n_turns / 4u; i++) {
@FOUR@            x = &x[4];
            w = &w[16];
        }
        for (uint32_t i = 0u; i < rows->n_turns % 4u; i++) {
@ONE@            x = &x[1];
            w = &w[4];
        }
        rows->sums[row] = a0;
        rows->sums[row + 1] = a1;
        rows->sums[row + 2] = a2;
        rows->sums[row + 3] = a3;
    }
    for (; row < rows->n_rows; row++) {
        const @X@ *x = (const @X@ *)rows->x;
        int32_t sum = rows->bias[row];
        for (uint32_t i = 0u; i < rows->n_turns; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        w = &w[rows->n_turns];
        rows->sums[row] = sum;
    }
    rows->weights = w;
    rows->bias = &rows->bias[row];
}
"""

_RUN = """\
/* y = saturate(round(@SCALE@ * (weights x + bias)))@RELU_NOTE@;
 * accumulators were proved within +-@BOUND@. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    int32_t sums[PW_AT_MOST_A_GROUP(@N_WHOLE@)];
    pw_rows rows = {@P@_weights, @P_UPPER@_BIAS, sums, 0, x, @P_UPPER@_TURNS, 0};
@OFFSET@    for (int32_t row = 0; row < @N_OUT@; row += PW_GROUP) {
        const int32_t n = PW_AT_MOST_A_GROUP(@N_OUT@ - row);
        rows.sums = sums;
        rows.n_rows = n;
        @KERNEL@(&rows);
#if defined(PW_VECTOR)
        for (int32_t i = 0; i < n; i += 4) {
            const mve_pred16_t left = vctp32q((uint32_t)(n - i));
            int32x4_t value = @LOAD_SUMS@;
@SCALED_4@            @STORE_Y@
        }
#else
        PW_UNROLL
        for (int32_t i = 0; i < n; i++) {
            y[row + i] = (@Y@)@P@_scaled(sums[i]);
        }
#endif
    }
}
"""

_OFFSET = """\
#if defined(PW_OFFSET_WEIGHTS)
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_IN@u; i++) {
        rows.offset += 128 * (int32_t)x[i];
    }
#endif
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

    @property
    def n_blocks(self) -> int:
        """Blocks of four rows, the last one filled up."""
        return -(-self.n_out // _ROWS)


class _Form(NamedTuple):
    """One variant of a kernel, the tables that it reads, and when both are compiled."""

    name: str
    condition: str
    tables: str
    kernel: str


def dense_c(matrix: Matrix, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a matrix of weights, the kernel chosen by weights and ranges."""
    values: dict[str, object] = {
        "P": prefix, "P_UPPER": f"PW_{prefix.upper()}", "X": x.ctype, "Y": y.ctype,
        "N_IN": matrix.n_in, "N_OUT": matrix.n_out, "BOUND": matrix.bound,
        "W": f"{matrix.weights.dtype.name}_t",
        "SCALE": f"{matrix.multiplier} / 2^{matrix.shift}",
        "RELU_NOTE": ", negative values raised to 0" if matrix.relu else "",
    }  # fmt: skip
    scaled = _scaled(matrix, prefix)
    if matrix.ternary:
        comment = f"({matrix.n_out},) int32, accumulator units"
        tables = table(f"{prefix}_bias", matrix.bias, "int32_t", comment)
        lists, kernel = ternary_rows(matrix.weights, values)
        return CStage(tables + lists, (), "", scaled + kernel)
    return _blocked(matrix, values, x, scaled)


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
    head = f"PW_LOCAL int32_t {prefix}_scaled(int32_t sum)"
    return f"{head}\n{{\n    return {value};\n}}\n\n"


def _scaled_4(matrix: Matrix) -> str:
    """Return the same of a vector of four, ``value``."""
    low, indent = 0 if matrix.relu else -matrix.limit, 12 * " "
    if matrix.out_bits == 32:
        return saturated_4(low, matrix.limit, indent) if matrix.relu else ""
    split = matrix.shift >= SPLIT_SHIFT and not fits_one_multiply(
        matrix.bound, matrix.multiplier, matrix.shift
    )
    scaled = scaled_4(matrix.multiplier, matrix.shift, indent, split=split)
    return scaled + saturated_4(low, matrix.limit, indent)


def _blocked(matrix: Matrix, values: dict[str, object], x: Edge, scaled: str) -> CStage:
    """Return tables and text of the multiplying kernel."""
    every = _vector(matrix, x, values), _dual(matrix, x, values), _offset(matrix, x, values)
    forms = [form for form in every if form]
    kernel = f"pw_rows_{_bits(x.ctype)}_{8 * matrix.weights.dtype.itemsize}"
    if len(forms) < len(every):  # kernels of the same types, but of fewer forms, have another name
        kernel += "".join(f"_{form.name}" for form in forms) or "_plain"
    offset = any(form.name == "offset" for form in forms)
    values |= {
        "KERNEL": kernel, "N_WHOLE": _ROWS * matrix.n_blocks, "OFFSET": _OFFSET if offset else "",
        "LOAD_SUMS": load_4("int32_t", "&sums[i]"),
        "SCALED_4": _scaled_4(matrix),
        "STORE_Y": store_4(str(values["Y"]), "&y[row + i]", "value"),
    }  # fmt: skip
    forms.append(_plain(matrix, values))
    tables = _choose([(form.condition, form.tables) for form in forms])
    shared = _choose([(form.condition, fill(form.kernel, **values)) for form in forms])
    return CStage(tables, (), "", scaled + fill(_RUN, **values), shared=(ROWS_TYPE, shared))


def _bits(ctype: str) -> str:
    """Return the bits of a C type, as they stand in its name."""
    return ctype.removeprefix("int").removesuffix("_t")


def _padded(matrix: Matrix, multiple: int) -> NDArray[np.int64]:
    """Return weights (n_blocks, inputs, 4), filled up with zeros to whole blocks and turns."""
    n_in = -(-matrix.n_in // multiple) * multiple
    padded = np.zeros((_ROWS * matrix.n_blocks, n_in), dtype=np.int64)
    padded[: matrix.n_out, : matrix.n_in] = matrix.weights
    return padded.reshape(matrix.n_blocks, _ROWS, n_in).transpose(0, 2, 1)


def _biases(matrix: Matrix) -> NDArray[np.int64]:
    """Return the biases (n_blocks, 4), filled up with zeros."""
    padded = np.zeros(_ROWS * matrix.n_blocks, dtype=np.int64)
    padded[: matrix.n_out] = matrix.bias
    return padded.reshape(matrix.n_blocks, _ROWS)


def _word_tables(
    values: dict[str, object], biases: NDArray[np.int64], words: NDArray[np.int64], form: str
) -> str:
    """Return the table of a form that is read as words: each block's biases, then its weights."""
    rows = np.hstack([biases & 0xFFFF_FFFF, words.reshape(len(biases), -1)])
    comment = f"{rows.shape}, a row for four: biases, then {form}"
    return f"#define {values['P_UPPER']}_BIAS 0\n" + table(
        f"{values['P']}_weights", rows, "uint32_t", comment
    )


def _turns(values: dict[str, object], n: int) -> str:
    """Return the line that says how long the kernel's loop over inputs is."""
    return f"#define {values['P_UPPER']}_TURNS {n}u\n"


def _plain(matrix: Matrix, values: dict[str, object]) -> _Form:
    """Return the form that any C compiler takes."""
    prefix, whole = values["P"], matrix.n_out - matrix.n_out % _ROWS
    fours = matrix.weights[:whole].reshape(-1, _ROWS, matrix.n_in).transpose(0, 2, 1)
    weights = np.concatenate([fours.ravel(), matrix.weights[whole:].ravel()])
    wide = f"({matrix.n_out}, {matrix.n_in}): four rows interleaved at a time, the rest as they are"
    tables = (
        _turns(values, matrix.n_in)
        + f"#define {values['P_UPPER']}_BIAS {prefix}_bias\n"
        + table(f"{prefix}_bias", matrix.bias, "int32_t", f"({matrix.n_out},), accumulator units")
        + table(f"{prefix}_weights", weights, str(values["W"]), wide)
    )
    text = _PLAIN.replace("@FOUR@", _products(4)).replace("@ONE@", _products(1))
    return _Form("plain", "", tables, text)


def _products(n_inputs: int) -> str:
    """Return the lines that multiply the next inputs with four weights each."""
    lines = ""
    for i in range(n_inputs):
        lines += f"            v = (int32_t)x[{i}];\n"
        for row in range(_ROWS):
            lines += f"            a{row} += v * (int32_t)w[{_ROWS * i + row}];\n"
        lines += "            PW_IN_TURN\n" if i < n_inputs - 1 else ""
    return lines


def _offset(matrix: Matrix, x: Edge, values: dict[str, object]) -> _Form | None:
    """Return the form for Thumb alone, if sums with 128 added to weights keep within 32 bits."""
    widest = matrix.n_in * max(-x.lo, x.hi) * 255
    if not _is_worth_assembly(matrix, x) or widest > INT32_MAX:
        return None
    raised = _padded(matrix, 4) + 128
    raised[:, matrix.n_in :] = 0  # what stands there is no input, and is multiplied by nothing
    words = raised @ (1 << np.arange(0, 32, 8))
    form = "a word an input: bytes of weights plus 128"
    tables = _turns(values, words.shape[1] // 4) + _word_tables(
        values, _biases(matrix), words, form
    )
    return _Form("offset", "defined(PW_OFFSET_WEIGHTS)", tables, offset_rows(short=_short(x)))


def _vector(matrix: Matrix, x: Edge, values: dict[str, object]) -> _Form | None:
    """Return the form for Helium, whose sums wrap as the proved accumulators never do."""
    bits = int(_bits(x.ctype))
    weight_bits = 8 * matrix.weights.dtype.itemsize
    if bits == 32 or weight_bits > bits or matrix.n_out < _ROWS:
        return None
    lanes = 128 // bits
    turns = _padded(matrix, lanes).reshape(matrix.n_blocks, -1, lanes, _ROWS)
    rows = np.ascontiguousarray(turns.transpose(0, 1, 3, 2), dtype=f"<i{weight_bits // 8}")
    words = rows.reshape(matrix.n_blocks, -1).view("<u4").astype(np.int64)
    form = f"a turn's {lanes} weights of {weight_bits} bits a row"
    tables = _turns(values, matrix.n_in) + _word_tables(values, _biases(matrix), words, form)
    return _Form("vector", "defined(PW_VECTOR)", tables, vector_rows(bits, weight_bits))


def _dual(matrix: Matrix, x: Edge, values: dict[str, object]) -> _Form | None:
    """Return the form for the DSP extension, if there is one for these types and ranges."""
    if not _is_worth_assembly(matrix, x):
        return None
    short, biases = _short(x), _biases(matrix)
    if short and (max(-x.lo, x.hi) > 127 or matrix.bound >= 1 << 23):
        return None
    padded = _padded(matrix, 8)
    quads = padded.reshape(len(padded), -1, 4, _ROWS)  # (blocks, quads of inputs, input, row)
    if short:
        halves = 256 * quads[:, :, 1::2] + quads[:, :, 0::2] & 0xFFFF
        words = halves[:, :, 0] | halves[:, :, 1] << 16
        biases, form = 256 * biases, "half-words of 256 * odd + even weight; biases times 256"
    else:
        order = quads[:, :, [0, 2, 1, 3]] & 0xFF
        words = order[:, :, 0] | order[:, :, 1] << 8 | order[:, :, 2] << 16 | order[:, :, 3] << 24
        form = "bytes of weights 0, 2, 1, 3"
    tables = _turns(values, padded.shape[1] // 8) + _word_tables(values, biases, words, form)
    return _Form("dual", "defined(PW_DUAL_MAC)", tables, dual_rows(short=short))


def _is_worth_assembly(matrix: Matrix, x: Edge) -> bool:
    """Tell whether a matrix has the types of the kernels, and fills a block of four rows."""
    return matrix.weights.dtype == np.int8 and x.ctype != "int32_t" and matrix.n_out >= _ROWS


def _short(x: Edge) -> bool:
    """Tell whether inputs have 8 bits."""
    return x.ctype == "int8_t"


def _choose(variants: list[tuple[str, str]]) -> str:
    """Return variants under ``#if``, the last without a condition; a single one as it is."""
    if len(variants) == 1:
        return variants[0][1]
    lines = []
    for index, (condition, text) in enumerate(variants):
        word = "#if" if index == 0 else "#elif" if condition else "#else"
        lines.append(f"{word} {condition}".rstrip() + f"\n{text}")
    return "".join(lines) + "#endif\n"
