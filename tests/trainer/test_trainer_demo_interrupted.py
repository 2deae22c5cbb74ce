"""The demo, interrupted as from a terminal: it ends at once, and says so in a line."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

_DEMO = """
import signal

signal.signal(signal.SIGINT, signal.default_int_handler)  # whatever this test's runner ignores
from trainer.cli import main

main()
"""


def test_ctrl_c_ends_the_demo_and_all_that_it_started_in_a_line(tmp_path: Path) -> None:
    """A terminal's signal reaches sensors, trainers and the demo alike; the demo alone speaks."""
    command = [sys.executable, "-c", _DEMO, "demo", "--out", str(tmp_path / "out")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, start_new_session=True) as demo:
        assert demo.stderr is not None
        said = demo.stderr.readline().decode()  # a session is done, and others are recorded
        os.killpg(demo.pid, signal.SIGINT)
        rest = demo.communicate(timeout=60.0)[1].decode()
    assert demo.returncode == 130
    assert "Traceback" not in said + rest
    assert rest.rstrip().endswith("stopped")
