"""What every emulated sensor of the usual kind needs first, worked out by importing this.

For the process that many sensors are forked from, see :mod:`capture.emulated.port.forked`; nobody
else should import it.
"""

from __future__ import annotations

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()  # before NumPy is loaded: the readouts depend on its kernels

from capture.emulated.optic.optics import SENSORS  # noqa: E402  # after that
from capture.emulated.port.device import DeviceSettings  # noqa: E402  # after that
from capture.emulated.session import Bench  # noqa: E402  # after that

__all__ = []

_USUAL = DeviceSettings()
READY = Bench(SENSORS[_USUAL.sensor], _USUAL.unit)
"""Building it leaves the optic's transfer matrix with those who keep it."""
