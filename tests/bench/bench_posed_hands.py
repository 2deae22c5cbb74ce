"""What a finger model says to flat silhouettes of a measured hand that no invented one is made of.

Run as a script:

    python tests/bench/bench_posed_hands.py MODEL_FOLDER [--each 20] [--seed 11]

Prints accuracy, by count as well, and how often one finger too many or too few is told. The angles
of the silhouettes are assumed (see `tests/capture/emulated/posed_hands.py`): it says how a model
takes shapes and light that it has never met, not how many real people it is right for.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "capture" / "emulated"))

from posed_hands import expose_flat

from capture.emulated.session import Bench
from runtime.model import load_model

N_FRAMES = 14


def main() -> None:
    """Ask the model and print one table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("model", type=Path, help="folder of a model that answers fingers_0 to 5")
    parser.add_argument("--each", type=int, default=20, help="silhouettes of each count")
    parser.add_argument("--seed", type=int, default=11, help="of shapes, places, light and noise")
    asked = parser.parse_args()
    model = load_model(asked.model)
    bench, rng = Bench(model.sensor, "unit-a"), np.random.default_rng(asked.seed)
    counts = np.arange(6 * asked.each) % 6
    told = np.empty_like(counts)
    for index, count in enumerate(counts):
        lit, dark = expose_flat(bench, int(count), N_FRAMES, rng)
        best = model.classes[int(model.run(lit, dark).evidence[-1].argmax())]
        told[index] = int(best.removeprefix("fingers_"))
    right = told == counts
    by_count = ", ".join(f"{n}: {right[counts == n].mean():.2f}" for n in range(6))
    many, few = (float((told - counts == step).mean()) for step in (1, -1))
    print(f"right {right.mean():.3f} ({by_count}); one too many {many:.3f}, one too few {few:.3f}")


if __name__ == "__main__":
    main()
