"""Whether a front keeps its promises: what is picked, recorded anew at its setting by other people.

Run as a script:

    python tests/bench/bench_promise.py [--people 24] [--others 12] [--first 51] [--picks 3]
        [--recipe dynamic] [--scripts dynamic everyday_short] [--knobs FILE] [--keep DIR] [--jobs 2]

Records people before the emulated sensor at 40 mA, which leaves headroom (an eighth of them locked,
two at least), searches, and makes models of the front's cheapest point,
its dearest and those between, as ``--pick`` does. Each one's ``sensor.toml`` is then given to an
emulated sensor, other people record before it, through its port, and the model in the folder is
asked about them. Prints event F1 beside what the point promises, and ends with 1 if one is broken:
if the two differ by more than both their intervals allow (roots of the summed squares). With
--keep, recordings, front and models stay in DIR, and what it holds is not made again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

import numpy as np  # noqa: E402  # after the arithmetic is held steady
from recorded_anew import Kept, ask, is_kept, record_anew  # noqa: E402

from trainer.choice.outcome import Request, make_picked, search  # noqa: E402
from trainer.choice.tried.knobs import load_knobs  # noqa: E402
from trainer.choice.worth.pick import parse_wish  # noqa: E402
from trainer.recipe import load_recipe  # noqa: E402
from trainer.work.jobs import LocalWorkers  # noqa: E402

HEADROOM_MA = 40.0


def _print(name: str, point: dict[str, Any], anew: Kept, right: bool) -> None:
    promise = point["promise"]
    print(
        f"{name}, {point['uw']:.1f} uW: promised {promise['value']:.3f} ({promise['low']:.3f} to "
        f"{promise['high']:.3f}), measured {point['score']:.3f}; recorded anew {anew.value:.3f} "
        f"({anew.low:.3f} to {anew.high:.3f}) of {anew.n_people} others: "
        f"{'kept' if right else 'BROKEN'}",
        flush=True,
    )


def main() -> int:
    """Record, search, pick, record anew, and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--people", type=int, default=24)
    parser.add_argument("--others", type=int, default=12)
    parser.add_argument("--first", type=int, default=51, help="number of the first of the others")
    parser.add_argument("--picks", type=int, default=3)
    parser.add_argument("--recipe", default="dynamic")
    parser.add_argument("--scripts", nargs="+", default=["dynamic", "everyday_short"])
    parser.add_argument("--knobs", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    recipe, workers, kept = load_recipe(asked.recipe), LocalWorkers(asked.jobs), True
    with tempfile.TemporaryDirectory() as scratch:
        place = asked.keep or Path(scratch)
        data, out = place / "data", place / "front"
        numbers = range(1, asked.people + 1)
        n_locked = max(2, asked.people // 8)
        record_anew(data, numbers, n_locked, asked.scripts, "lensless32", HEADROOM_MA)
        request = Request(data, (recipe,), load_knobs(asked.knobs), {})
        found, told = search(request, out, workers, lambda _: None)
        front = [next(p for p in told["points"] if p["name"] == name) for name in told["front"]]
        places = np.linspace(0, len(front) - 1, min(asked.picks, len(front))).round().astype(int)
        picked = [front[index] for index in sorted(set(places.tolist()))]
        for point in picked:
            wish = parse_wish(f"uw>={point['uw']:.6f} and uw<={point['uw']:.6f}")
            ((_, name, folder, _),) = make_picked(found, told, [wish], out, workers, lambda _: None)
            others = place / f"anew-{name}"
            again = range(asked.first, asked.first + asked.others)
            record_anew(others, again, 2, asked.scripts, str(folder / "sensor.toml"))
            option = next(p.tried.option for p in found.points if p.tried.name == name)
            anew, promise = ask(folder, others, option.recipe, workers), point["promise"]
            right = is_kept(promise, anew)
            kept &= right
            _print(name, point, anew, right)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
