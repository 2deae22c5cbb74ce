"""The emulated sensor's readouts are the same bits however it is started."""

from __future__ import annotations

import os
import subprocess
import sys

from runtime.reproducible_floats import SETTINGS

COMMAND = """
import os, runpy, sys
sys.argv = ["device", "--help"]
try:
    runpy.run_module("capture.emulated.port.device", run_name="__main__")
except SystemExit:
    print(*(os.environ.get(name) for name in sys.stdin.read().split()), sep=";")
"""
HELD = """
import os, sys
from runtime.reproducible_floats import hold_arithmetic_steady
hold_arithmetic_steady()
print(*(os.environ.get(name) for name in sys.stdin.read().split()), sep=";")
"""


def test_a_device_started_by_itself_holds_its_arithmetic_steady() -> None:
    """The device's own process fixes the float kernels before NumPy is loaded, as the command."""
    environment = {k: v for k, v in os.environ.items() if k not in SETTINGS}
    device, held = (
        subprocess.run(
            [sys.executable, "-c", code],
            input=" ".join(SETTINGS),
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()[-1]
        for code in (COMMAND, HELD)
    )
    assert device == held
