"""Learning curves: accuracy on unseen people against the number of people recorded.

Run as a script: python tests/bench/bench_trainer_people.py [most people to train on]
The people are invented and the sensor is emulated; eight of them are never trained on.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from invented_people import record_people

from capture.cues.script import load_script
from trainer.fit.training import fit_model
from trainer.recipe import load_recipe
from trainer.tell.tables import figure_text

N_LOCKED = 8
SHARES = (1.0, 0.5, 0.25)
"""From most to fewest, because recordings are taken away; the people tested stay the same."""


def main(most: int) -> None:
    """Print one line for each task and number of people."""
    for task in ("dynamic", "finger_count"):
        with tempfile.TemporaryDirectory() as scratch:
            data = Path(scratch) / "data"
            record_people(data, load_script(task), most + N_LOCKED, N_LOCKED)
            for share in SHARES:
                n_people = max(2, round(share * most))
                for number in range(n_people + 1, most + 1):
                    shutil.rmtree(data / f"sub-P{number:02d}", ignore_errors=True)
                began = time.perf_counter()
                evaluation = fit_model(data, load_recipe(task)).evaluation
                took = time.perf_counter() - began
                figures = {
                    name: figure_text(evaluation[name]["accuracy"])
                    for name in ("float", "fixed", "four_quadrant")
                }
                print(task, f"{n_people} people", figures, f"trained in {took:.1f} s", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 24)
