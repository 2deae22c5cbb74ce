"""The C of a matrix whose weights are -1, 0 or 1: nothing is multiplied."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import fill, table

__all__ = ["ternary_rows"]

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


def ternary_rows(weights: NDArray[Any], values: dict[str, object]) -> tuple[str, str]:
    """Return tables and text of the kernel that adds and subtracts listed inputs.

    Parameters
    ----------
    weights : int8 or int16 (n_out, n_in)
        -1, 0 or 1.
    values : dict
        What the marks stand for: those of `runtime.stages.kernels.dense`.
    """
    signs = [np.flatnonzero(row == sign) for row in weights for sign in (1, -1)]
    counts = np.array([len(at) for at in signs])
    inputs = np.concatenate([*signs, np.zeros(int(counts.sum() == 0), np.int64)])
    values["I"] = "uint8_t" if weights.shape[1] <= 256 else "uint16_t"
    comment = f"({weights.shape[0]}, 2) inputs added and subtracted"
    tables = table(f"{values['P']}_counts", counts, "uint16_t", comment)
    tables += table(f"{values['P']}_inputs", inputs, str(values["I"]), "indices of those inputs")
    return tables, fill(_TERNARY, **values)
