"""Whether a front keeps its promises: what is picked, recorded anew at its setting by other people.

Run as a script:

    python tests/bench/bench_promise.py [--people 24] [--others 12] [--first 51] [--picks 3]
        [--wishes "f1>0.9" "uw<50"] [--world diffuser] [--recipe dynamic]
        [--scripts dynamic everyday_short] [--knobs FILE] [--keep DIR] [--jobs 2]

Records people before the emulated sensor at 40 mA, which leaves headroom (an eighth of them locked,
two at least), searches, and makes models of the front's cheapest point,
its dearest and those between, or of what is wished for, as ``--pick`` does. Each one's
``sensor.toml`` is then given to an emulated sensor, other people record before it, through its
port, and the model in the folder is asked about them. With --world, sensor, optic, light and people
are those of a world of `tests/worlds`, whose sensor is set to the same file. Prints event F1 beside
what the point promises, and ends with 1 if one is broken: if the two differ by more than both their
intervals allow (roots of the summed squares). With --keep, recordings, front and models stay in
DIR, and what it holds is not made again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

for _place in ("..", "../trainer"):
    sys.path.insert(0, str((Path(__file__).parent / _place).resolve()))

from runtime.reproducible_floats import hold_arithmetic_steady  # noqa: E402

hold_arithmetic_steady()

import numpy as np  # noqa: E402  # after the arithmetic is held steady
from recorded_anew import Kept, ask, is_kept, record_anew  # noqa: E402
from worlds.diffuser import DIFFUSER  # noqa: E402
from worlds.mask import MASK  # noqa: E402
from worlds.recording import People, conditions_at, record_world  # noqa: E402
from worlds.world import Conditions  # noqa: E402

from capture.cues.script import load_script  # noqa: E402
from runtime.firmware.sensor_file import read_sensor_file  # noqa: E402
from trainer.choice.outcome import Request, make_picked, search  # noqa: E402
from trainer.choice.tried.knobs import load_knobs  # noqa: E402
from trainer.choice.worth.pick import Wish, parse_wish  # noqa: E402
from trainer.recipe import load_recipe  # noqa: E402
from trainer.work.jobs import LocalWorkers  # noqa: E402

HEADROOM_MA = 40.0
WORLDS = {"diffuser": DIFFUSER, "mask": MASK}
WORLDS_HEADROOM = {"diffuser": 0.1, "mask": 0.15}
"""Share of a world's LED current at which hands that come close do not saturate."""


def _record(asked: argparse.Namespace, folder: Path, people: People, file: Path | None) -> None:
    """Record people with headroom, or at the setting of a ``sensor.toml``."""
    if asked.world is None:
        sensor, led_ma = (str(file), None) if file else ("lensless32", HEADROOM_MA)
        record_anew(folder, people.numbers, people.n_locked, asked.scripts, sensor, led_ma)
    elif not folder.exists():
        world = WORLDS[asked.world]
        conditions = Conditions(led=WORLDS_HEADROOM[asked.world], stamped=True)
        if file is not None:
            conditions = conditions_at(world, read_sensor_file(file))
        scripts = [load_script(name) for name in asked.scripts]
        record_world(folder, world, scripts, people, conditions)


def _wishes(asked: argparse.Namespace, told: dict[str, Any]) -> list[Wish]:
    """Return what is wished for: by default points from the front's cheapest to its dearest."""
    if asked.wishes:
        return [parse_wish(text) for text in asked.wishes]
    uw = [next(p for p in told["points"] if p["name"] == name)["uw"] for name in told["front"]]
    places = np.linspace(0, len(uw) - 1, min(asked.picks, len(uw))).round().astype(int)
    picked = [uw[index] for index in sorted(set(places.tolist()))]
    return [parse_wish(f"uw>={each:.6f} and uw<={each:.6f}") for each in picked]


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
    parser.add_argument("--wishes", nargs="+", help="such as uw<50, in the place of --picks")
    parser.add_argument("--world", choices=sorted(WORLDS), help="in the emulated sensor's place")
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
        _record(asked, data, People(asked.people, max(2, asked.people // 8)), None)
        request = Request(data, (recipe,), load_knobs(asked.knobs), {})
        found, told = search(request, out, workers, lambda _: None)
        for wish in _wishes(asked, told):
            ((_, name, folder, _),) = make_picked(found, told, [wish], out, workers, lambda _: None)
            point = next(one for one in told["points"] if one["name"] == name)
            others = place / f"anew-{name}"
            _record(asked, others, People(asked.others, 2, asked.first), folder / "sensor.toml")
            option = next(p.tried.option for p in found.points if p.tried.name == name)
            anew, promise = ask(folder, others, option.recipe, workers), point["promise"]
            right = is_kept(promise, anew)
            kept &= right
            _print(name, point, anew, right)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
