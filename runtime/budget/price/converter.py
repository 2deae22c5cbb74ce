"""What an analogue-to-digital conversion takes: effective bits and the Walden figure of merit.

R. H. Walden, Analog-to-digital converter survey and analysis, IEEE J. Sel. Areas Commun. 17(4),
1999 (from memory): figure = power / (sampling rate x 2^ENOB), ENOB = (SNDR - 1.76 dB) / 6.02 dB.
"""

from __future__ import annotations

from typing import Any

__all__ = ["conversion_energy_pj", "effective_bits", "walden_figure_fj"]


def effective_bits(sndr_db: float) -> float:
    """Effective number of bits at a signal to noise-and-distortion ratio in dB."""
    return (sndr_db - 1.76) / 6.02


def walden_figure_fj(power_w: float, rate_hz: float, sndr_db: float) -> float:
    """Femtojoules per conversion step of a converter, from its published measurements.

    Parameters
    ----------
    power_w, rate_hz : float
        Power and sampling rate, > 0.
    sndr_db : float
        Signal to noise-and-distortion ratio.
    """
    joules: float = power_w / (rate_hz * 2.0 ** effective_bits(sndr_db))
    return joules * 1e15


def conversion_energy_pj(figure_fj: Any, bits: Any) -> Any:
    """Picojoules of one conversion: figure of merit x 2^bits; numbers or arrays of draws."""
    return figure_fj * 2.0**bits / 1e3
