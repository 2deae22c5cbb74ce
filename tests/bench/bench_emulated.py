"""How fast the emulated sensor is: frame pairs a second on one core, as a ratio to 30 a second."""

from __future__ import annotations

import time

from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import BLOCK_FRAMES, EmulatedSession

_BLOCKS = 30


def main() -> None:
    """Print one line a sensor and script; processor time, so that a busy machine matters little."""
    for sensor in SENSORS.values():
        for script in ("dynamic", "everyday"):
            session = EmulatedSession(load_script(script), 3, 1, sensor)
            session.next_block()  # builds the optic
            begin = time.process_time()
            for _ in range(_BLOCKS):
                session.next_block()
            rate = _BLOCKS * BLOCK_FRAMES / (time.process_time() - begin)
            ratio = rate / sensor.frame_rate_hz
            print(f"{sensor.name:11} {script:13} {rate:6.0f} pairs/s, {ratio:4.0f} x real time")


if __name__ == "__main__":
    main()
