"""How thinned readouts compare with those of the same scenes recorded anew at the setting.

Run as a script:

    python tests/bench/bench_thin.py [--sensors emulated diffuser mask] [--moments-people 4]
        [--settings "LED 1/4" ...] [--frames 1024] [--people 20] [--noises 6]

For each sensor and setting one line of moments, in per cent: error of the mean of lit minus dark;
of means in bins, as a share of a bin's noise; what the variances of lit and dark pixels, of their
difference, of its sums over bins, rows and all pixels exceed those of a recording by; and the
correlation of lit and dark noise. Then one line of models: the share of right answers that learned
from and were asked about recorded readouts; by how much it differs where they learned from, or were
asked about, thinned ones; and the p value of two one-sided tests over people that this is 2 points
or more. Ends with 1 if an error is larger than stated (`STATED`) or an equivalence is not shown.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import asdict
from pathlib import Path

for _place in ("..", "../capture"):
    sys.path.insert(0, str((Path(__file__).parent / _place).resolve()))

from runtime.reproducible_floats import hold_arithmetic_steady  # noqa: E402

hold_arithmetic_steady()

from rerecorded import SENSOR_OF, scene_of  # noqa: E402  # after the arithmetic is held steady
from thin_accuracy import MARGIN, equivalence  # noqa: E402
from thin_moments import SETTINGS, STATED, moments  # noqa: E402
from worlds.recording import few_takes  # noqa: E402

from capture.cues.script import load_script  # noqa: E402


def _moments(sensor: str, asked: argparse.Namespace) -> bool:
    script = load_script("dynamic")
    people = range(1, asked.moments_people + 1)
    scenes = [scene_of(sensor, script, person, asked.frames) for person in people]
    passed = True
    for number, name in enumerate(SETTINGS):
        if name not in asked.settings:
            continue
        setting = SETTINGS[name]
        found = asdict(moments(scenes, setting, seed=number))
        wrong = [key for key, value in found.items() if abs(value) > STATED[key]]
        passed &= not wrong
        told = ", ".join(f"{key} {100 * value:+.1f}" for key, value in found.items())
        print(f"{sensor}, {name}: {told}" + (f"; TOO FAR: {wrong}" if wrong else ""), flush=True)
    return passed


def _models(sensor: str, asked: argparse.Namespace) -> bool:
    script = few_takes("finger_count", 2)
    n_frames = round(21.0 * SENSOR_OF[sensor].frame_rate_hz)
    people = range(1, asked.people + 1)
    scenes = [scene_of(sensor, script, person, n_frames) for person in people]
    passed = True
    for name in asked.settings:
        began = time.perf_counter()
        found = equivalence(scenes, SETTINGS[name], asked.noises)
        passed &= found.holds
        differences = [
            100 * (each - found.anew) for each in (found.asked_anew, found.asked_thinned)
        ]
        errors = [100 * error for error in found.errors]
        print(
            f"{sensor}, {name}: recorded {100 * found.anew:.1f} %; learned from thinned "
            f"{differences[0]:+.2f} +- {errors[0]:.2f} points (p {found.p_asked_anew:.4f}), asked "
            f"about thinned {differences[1]:+.2f} +- {errors[1]:.2f} "
            f"(p {found.p_asked_thinned:.4f}) within {100 * MARGIN:.0f}: "
            f"{'shown' if found.holds else 'NOT SHOWN'} "
            f"({time.perf_counter() - began:.0f} s)",
            flush=True,
        )
    return passed


def main() -> int:
    """Print the tables; return 0 if every moment and every model is as near as stated."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sensors", nargs="*", default=list(SENSOR_OF), choices=list(SENSOR_OF))
    parser.add_argument("--settings", nargs="*", default=list(SETTINGS), choices=list(SETTINGS))
    parser.add_argument("--moments-people", type=int, default=4, help="0 leaves moments out")
    parser.add_argument("--frames", type=int, default=1024, help="of each scene of the moments")
    parser.add_argument("--people", type=int, default=20, help="of the models; 0 leaves them out")
    parser.add_argument("--noises", type=int, default=6, help="recordings of each scene")
    asked = parser.parse_args()
    passed = True
    for sensor in asked.sensors:
        if asked.moments_people:
            passed &= _moments(sensor, asked)
        if asked.people:
            passed &= _models(sensor, asked)
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
