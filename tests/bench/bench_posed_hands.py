"""What a finger model says to flat silhouettes of a measured hand that no invented one is made of.

Run as a script:

    python tests/bench/bench_posed_hands.py MODEL_FOLDER [--each 20] [--seed 11]
        [--mesh left.glb | --tracked hands.txt] [--turn 40] [--resize 0.25] [--aside 20]
        [--cut-out | --pictured]

Prints accuracy, by count as well, how often one finger too many or too few is told, and which
count is told most often in the place of which; once for silhouettes that are lit evenly, as in a
picture, and once as a wall by the LED. With a mesh (see `mesh_hand.py` for which) the silhouettes
are those of the mesh, with tracked hands (see `tracked_hand.py`) of one of those; else those of a
hand's measured joints (see `tests/capture/emulated/posed_hands.py`). The angles of all are assumed:
it says how a model takes shapes and light that it has never met, not how many real people it is
right for. All may be turned, made larger or smaller, held aside, and cut out at the wrist and
placed by the middle of their box, as somebody places a picture who knows nothing of hands, to see
what breaks first.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "capture" / "emulated"))

from mesh_hand import polygon_coverage, read_mesh
from pictured_hands import pictured_coverage
from posed_hands import coverage, draw_silhouette, expose_covered
from tracked_hand import draw_tracked, read_tracked

from capture.emulated.optic.optics import AngularGrid
from capture.emulated.session import Bench
from runtime.model import Model, load_model

N_FRAMES = 14
NEAREST_MM, FARTHEST_MM = 100.0, 200.0


@dataclass(frozen=True, slots=True)
class Hands:
    """Where silhouettes come from, and what is done to each.

    Parameters
    ----------
    draw : callable
        Makes one of a count: polygons of (x, y), or chains of (x, y, radius), millimetres.
    fill : callable
        How much of each cell it covers at a distance.
    turn_deg, resize, aside_mm : float
        Turned and resized by anything up to so much either way; held aside by so much, rms.
    cut_out : bool
        Whether the arm, the last of the shapes, is left out, and the box of the others placed by
        its middle.
    pictured : bool
        Whether it is cut, cropped and scaled as a picture instead of all that.
    """

    draw: Callable[[int, np.random.Generator], list[np.ndarray]]
    fill: Callable[[list[np.ndarray], float, AngularGrid], np.ndarray]
    turn_deg: float = 0.0
    resize: float = 0.0
    aside_mm: float = 0.0
    cut_out: bool = False
    pictured: bool = False

    def cover(
        self,
        shapes: list[np.ndarray],
        distance_mm: float,
        grid: AngularGrid,
        rng: np.random.Generator,
    ) -> np.ndarray:
        """Return how much of each cell a silhouette fills when it is moved."""
        if self.pictured:
            return pictured_coverage(shapes, distance_mm, grid, rng)
        angle = np.radians(rng.uniform(-self.turn_deg, self.turn_deg))
        size = 1.0 + rng.uniform(-self.resize, self.resize)
        shift = rng.normal(0.0, self.aside_mm, 2)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        placed = _cut_out(shapes) if self.cut_out else shapes
        moved = [np.hstack([s[:, :2] @ turn * size + shift, s[:, 2:] * size]) for s in placed]
        return self.fill(moved, distance_mm, grid)


def _cut_out(shapes: list[np.ndarray]) -> list[np.ndarray]:
    """Return all shapes but the last, the middle of their box at the origin."""
    hand = np.vstack(shapes[:-1])
    radii = hand[:, 2:] if hand.shape[1] > 2 else 0.0
    ends = (hand[:, :2] - radii).min(axis=0), (hand[:, :2] + radii).max(axis=0)
    middle = np.mean(ends, axis=0)
    return [np.hstack([s[:, :2] - middle, s[:, 2:]]) for s in shapes[:-1]]


def ask(model: Model, hands: Hands, n_each: int, seed: int, *, evenly: bool) -> str:
    """Return what the model is right in, of so many silhouettes of each count."""
    bench, rng = Bench(model.sensor, "unit-a"), np.random.default_rng(seed)
    moves = np.random.default_rng([seed, 1])  # shapes and noise are the same, moved or not
    grid = bench.optic.grid
    counts = np.arange(6 * n_each) % 6
    told = np.empty_like(counts)
    for index, count in enumerate(counts):
        distance_mm = float(np.exp(rng.uniform(np.log(NEAREST_MM), np.log(FARTHEST_MM))))
        cover = hands.cover(hands.draw(int(count), rng), distance_mm, grid, moves)
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
    whose = parser.add_mutually_exclusive_group()
    whose.add_argument("--mesh", type=Path, help="binary glTF file of a rigged hand")
    whose.add_argument("--tracked", type=Path, help="hands.txt of geomstats")
    parser.add_argument("--turn", type=float, default=0.0, help="degrees either way, at most")
    parser.add_argument("--resize", type=float, default=0.0, help="share either way, at most")
    parser.add_argument("--aside", type=float, default=0.0, help="millimetres, rms")
    placed = parser.add_mutually_exclusive_group()
    placed.add_argument("--cut-out", action="store_true", help="no arm, and the box in the middle")
    placed.add_argument("--pictured", action="store_true", help="cropped and cut as photographs")
    asked = parser.parse_args()
    model = load_model(asked.model)
    changes = asked.turn, asked.resize, asked.aside, asked.cut_out, asked.pictured
    hands = Hands(draw_silhouette, coverage, *changes)
    if asked.mesh is not None:
        hands = Hands(read_mesh(asked.mesh).outline, polygon_coverage, *changes)
    elif asked.tracked is not None:
        tracked = read_tracked(asked.tracked)
        hands = Hands(partial(draw_tracked, tracked), coverage, *changes)
    for light, evenly in (("lit evenly", True), ("lit by the LED", False)):
        print(f"{light}: {ask(model, hands, asked.each, asked.seed, evenly=evenly)}")


if __name__ == "__main__":
    main()
