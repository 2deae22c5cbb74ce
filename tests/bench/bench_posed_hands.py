"""What a finger model says to flat silhouettes of a measured hand that no invented one is made of.

Run as a script:

    python tests/bench/bench_posed_hands.py MODEL_FOLDER [--each 20] [--seed 11] [--mesh left.glb]

Prints accuracy, by count as well, how often one finger too many or too few is told, and which
count is told most often in the place of which; once for silhouettes that are lit evenly, as in a
picture, and once as a wall by the LED. With a mesh (see `mesh_hand.py` for which) the silhouettes
are those of the mesh; else those of a hand's measured joints (see
`tests/capture/emulated/posed_hands.py`). The angles of both are assumed: it says how a model takes
shapes and light that it has never met, not how many real people it is right for.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "capture" / "emulated"))

from mesh_hand import MeshHand, polygon_coverage, read_mesh
from posed_hands import coverage, draw_silhouette, expose_covered

from capture.emulated.session import Bench
from runtime.model import Model, load_model

N_FRAMES = 14
NEAREST_MM, FARTHEST_MM = 100.0, 200.0


def ask(model: Model, mesh: MeshHand | None, n_each: int, seed: int, *, evenly: bool) -> str:
    """Return what the model is right in, of so many silhouettes of each count."""
    bench, rng = Bench(model.sensor, "unit-a"), np.random.default_rng(seed)
    grid = bench.optic.grid
    counts = np.arange(6 * n_each) % 6
    told = np.empty_like(counts)
    for index, count in enumerate(counts):
        distance_mm = float(np.exp(rng.uniform(np.log(NEAREST_MM), np.log(FARTHEST_MM))))
        if mesh is None:
            cover = coverage(draw_silhouette(int(count), rng), distance_mm, grid)
        else:
            cover = polygon_coverage(mesh.outline(int(count), rng), distance_mm, grid)
        lit, dark = expose_covered(bench, cover, distance_mm, N_FRAMES, rng, evenly=evenly)
        best = model.classes[int(model.run(lit, dark).evidence[-1].argmax())]
        told[index] = int(best.removeprefix("fingers_"))
    right = told == counts
    by_count = ", ".join(f"{n}: {right[counts == n].mean():.2f}" for n in range(6))
    plain = right[np.isin(counts, (1, 2, 4, 5))].mean()
    many, few = (float((told - counts == step).mean()) for step in (1, -1))
    table = np.array([[(told[counts == n] == m).mean() for m in range(6)] for n in range(6)])
    np.fill_diagonal(table, 0.0)
    worst, taken_for = np.unravel_index(table.argmax(), table.shape)
    return (
        f"right {right.mean():.3f} ({by_count}; 1, 2, 4 and 5: {plain:.3f}); "
        f"one too many {many:.3f}, one too few {few:.3f}; most often {worst} is told as "
        f"{taken_for}, in {table.max():.2f}"
    )


def main() -> None:
    """Ask the model and print a line for each light."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("model", type=Path, help="folder of a model that answers fingers_0 to 5")
    parser.add_argument("--each", type=int, default=20, help="silhouettes of each count")
    parser.add_argument("--seed", type=int, default=11, help="of shapes, places, light and noise")
    parser.add_argument("--mesh", type=Path, help="binary glTF file of a rigged hand")
    asked = parser.parse_args()
    model = load_model(asked.model)
    mesh = None if asked.mesh is None else read_mesh(asked.mesh)
    for light, evenly in (("lit evenly", True), ("lit by the LED", False)):
        print(f"{light}: {ask(model, mesh, asked.each, asked.seed, evenly=evenly)}")


if __name__ == "__main__":
    main()
