"""The built-in sensor, seen from outside only: recorded by the commands that everybody has."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from worlds.recording import People

__all__ = ["record_emulated"]

PALMWATT = [sys.executable, "-c", "from trainer.cli import main; main()"]


def record_emulated(folder: Path, scripts: list[str], people: People) -> None:
    """Write a data set of people at every built-in script; the last ones are locked."""
    for number in people.numbers:
        person = ["--participant", f"P{number:02d}", "--seed", str(number)]
        locked = ["--locked"] if number >= people.numbers.stop - people.n_locked else []
        for script in scripts:
            acted = [*person, "--script", script]
            emulate = [*PALMWATT, "emulate", *acted, "--speed", "0", "--transport", "socket"]
            with subprocess.Popen(emulate, stdout=subprocess.PIPE, text=True) as sensor:
                assert sensor.stdout is not None
                try:
                    port = sensor.stdout.readline().split()[-1]
                    record = [*PALMWATT, "record", *acted, "--port", port, "--consent", *locked]
                    subprocess.run([*record, "--out", str(folder)], check=True, capture_output=True)
                finally:
                    sensor.terminate()
