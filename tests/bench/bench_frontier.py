"""How long a search of settings takes, and whether what it foretells is kept: on invented people.

Run as a script:

    python tests/bench/bench_frontier.py [--data DIR] [--people 24] [--jobs 2] [--again]

Records the people with the emulated sensor (scripts dynamic, everyday_short and arrival; the last
eighth is locked; sessions that the folder holds already are kept), searches with the built-in
knobs (or --knobs FILE; settings of weaker light are tried however many takes are saturated: else
most would be left out of the time), and prints the wall clock and the processor time of it, of all
processes: 24 people and 60 settings are to take less than 15 minutes on two idle cores. With
--again the knee is recorded anew at its setting, by the same people, trained there, and its event
F1 printed beside the one foretold.
"""

from __future__ import annotations

import argparse
import dataclasses
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from invented_people import add_person, record_session

import capture.emulated.optic.optics as optics
from capture.cues.script import load_script
from capture.store.dataset import session_path
from trainer.choice.frontier import Frontier, find_frontier
from trainer.choice.told import frontier_json
from trainer.choice.tried.asked import Asked
from trainer.choice.tried.knobs import load_knobs
from trainer.corpus.at_setting import AtSetting
from trainer.fit.training import fit_model
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers

SCRIPTS = ("dynamic", "everyday_short", "arrival")


def _record(folder: Path, people: int, scripts: tuple[str, ...] = SCRIPTS) -> None:
    for number in range(1, people + 1):
        add_person(folder, number, number > people - max(1, people // 8))
        for name in scripts:
            if not session_path(folder, f"P{number:02d}", "01", name).exists():
                record_session(folder, load_script(name), number)


def _processor_s() -> float:
    own, below = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + below.ru_utime + below.ru_stime


def _again(found: Frontier, folder: Path, people: int, jobs: int) -> None:
    """Record everybody anew at the knee's setting, train there, and print both figures."""
    knee = found.on_front[found.knee]
    usual = optics.SENSORS["lensless32"]
    # Rows are those of the middle, which the emulated sensor reads of its whole array: a setting
    # that reads fewer is trained on the same rows by the recipe.
    sensor = dataclasses.replace(knee.tried.sensor, n_rows=usual.n_rows)
    rows = knee.tried.setting.rows
    recipe = knee.tried.option.recipe
    if rows is not None:
        features = recipe.features.model_copy(update={"rows": rows})
        recipe = recipe.model_copy(update={"features": features})
    optics.SENSORS["lensless32"] = sensor
    try:
        _record(folder, people, SCRIPTS[:2])
    finally:
        optics.SENSORS["lensless32"] = usual
    trained = fit_model(
        folder, recipe, None, LocalWorkers(jobs), ("learning-curve", "quadrants"),
        AtSetting(knee.device),
    )  # fmt: skip
    f1 = trained.evaluation["events"]["in_turn"]["f1"]
    index = found.points.index(knee)
    low, high = found.resampled.low[index], found.resampled.high[index]
    print(f"knee {knee.tried.name}: event F1 foretold {knee.score:.3f} [{low:.3f}, {high:.3f}], "
          f"recorded anew {f1:.3f}")  # fmt: skip


def main() -> None:
    """Record, search, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--people", type=int, default=24)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--knobs", type=Path)
    parser.add_argument("--again", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        data = asked.data or Path(scratch) / "data"
        _record(data, asked.people)
        began_s, used_s = time.monotonic(), _processor_s()
        knobs = load_knobs(asked.knobs)
        search = knobs.search.model_copy(update={"max_saturated_takes": 1.0})
        knobs = knobs.model_copy(update={"search": search})
        wish = Asked(data, (load_recipe("dynamic"),), knobs)
        found = find_frontier(wish, LocalWorkers(asked.jobs), lambda words: None)
        wall_s, used_s = time.monotonic() - began_s, _processor_s() - used_s
        told = frontier_json(found)
        print(f"{asked.people} people, {len(found.cheap)} settings, {asked.jobs} processes: "
              f"{wall_s:.0f} s by the clock, {used_s:.0f} s of processor time")  # fmt: skip
        for name in told["front"]:
            point = next(p for p in told["points"] if p["name"] == name)
            print(f"{point['uw']:7.1f} uW  {point['score']:.3f}  misses {point['misses']}  {name}")
        if asked.again:
            _again(found, Path(scratch) / "again", asked.people, asked.jobs)


if __name__ == "__main__":
    main()
