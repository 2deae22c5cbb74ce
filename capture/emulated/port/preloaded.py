"""What every emulated sensor of the usual kind needs first, worked out by importing this.

For the process that many sensors are forked from, see :mod:`capture.emulated.port.forked`; nobody
else should import it.
"""

from __future__ import annotations

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()  # before NumPy is loaded: the readouts depend on its kernels

from capture.cues.script import load_script  # noqa: E402  # after that
from capture.emulated.optic.optics import SENSORS  # noqa: E402  # after that
from capture.emulated.port.device import DeviceSettings  # noqa: E402  # after that
from capture.emulated.session import EmulatedSession  # noqa: E402  # after that

__all__ = []

_USUAL = DeviceSettings()
READY = EmulatedSession(
    load_script(_USUAL.script), 0, _USUAL.seed, SENSORS[_USUAL.sensor], _USUAL.unit
).next_block(1)
"""Emulating a frame leaves the optic's transfer matrix, and whatever is loaded when it is first
needed, with those who keep it."""
