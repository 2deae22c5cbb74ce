"""The same floating-point bits on every machine of one architecture.

A sum of floats depends on the order of its terms, and BLAS and NumPy choose that order by the
processor they find: two machines can then train weights that differ in the last bit, and a rounded
weight can differ by one. Asking both libraries for one fixed kernel makes a rebuilt model equal to
the committed one byte for byte, at a cost of a few per cent of speed.
"""

from __future__ import annotations

import os
import platform
import sys

__all__ = ["SETTINGS", "hold_arithmetic_steady"]

SETTINGS = {
    # One kernel and one thread: the order of every sum is then fixed. Haswell (2013) is the oldest
    # x86-64 level with fused multiply-add, so that every machine of the last decade has it.
    "OPENBLAS_CORETYPE": "Haswell",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "NPY_DISABLE_CPU_FEATURES": "X86_V4 AVX512_ICL AVX512_SPR",
}
"""Variables of the environment and what they are set to."""


def hold_arithmetic_steady() -> bool:
    """Fix the kernels that NumPy, SciPy and scikit-learn use, here and in child processes.

    Settings that the user already made stay. Works only before NumPy is loaded.

    Returns
    -------
    bool
        Whether the settings can take effect: x86-64, and NumPy not yet loaded.
    """
    if "numpy" in sys.modules or platform.machine().lower() not in {"x86_64", "amd64"}:
        return False
    for name, value in SETTINGS.items():
        os.environ.setdefault(name, value)
    return True
