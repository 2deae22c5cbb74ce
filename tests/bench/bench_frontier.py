"""How long a search of settings takes, on invented people.

Run as a script:

    python tests/bench/bench_frontier.py [--data DIR] [--people 24] [--jobs 2] [--knobs FILE]

Records the people with the emulated sensor at 40 mA, which leaves headroom (scripts dynamic,
everyday_short and arrival; the last eighth is locked), unless DIR is there already, searches with
the built-in knobs or others, and prints the wall clock and the processor time of it, of all
processes: 24 people and 60 settings are to take less than 15 minutes on two idle cores. Whether the
front keeps its word is for ``bench_promise.py`` to say.
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
from joblib.externals.loky import get_reusable_executor

from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from trainer.choice.frontier import find_frontier
from trainer.choice.told import frontier_json
from trainer.choice.tried.asked import Asked
from trainer.choice.tried.knobs import load_knobs
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers

SCRIPTS = ("dynamic", "everyday_short", "arrival")
SENSOR = dataclasses.replace(SENSORS["lensless32"], led_current_ma=40.0)


def _record(folder: Path, people: int) -> None:
    for number in range(1, people + 1):
        add_person(folder, number, number > people - max(1, people // 8))
        for name in SCRIPTS:
            record_session(folder, load_script(name), number, sensor=SENSOR)


def _processor_s() -> float:
    """Return what this process and its children took; workers count once they have ended."""
    get_reusable_executor().shutdown(wait=True)
    own, below = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + below.ru_utime + below.ru_stime


def main() -> None:
    """Record, search, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--people", type=int, default=24)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--knobs", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        data = asked.data or Path(scratch) / "data"
        if not data.exists():
            _record(data, asked.people)
        began_s, used_s = time.monotonic(), _processor_s()
        wish = Asked(data, (load_recipe("dynamic"),), load_knobs(asked.knobs))
        found = find_frontier(wish, LocalWorkers(asked.jobs), lambda words: None)
        wall_s, used_s = time.monotonic() - began_s, _processor_s() - used_s
        told = frontier_json(found)
        people = len(found.readings.base.corpus.participants)
        print(f"{people} people, {len(found.cheap)} settings, {asked.jobs} processes: "
              f"{wall_s:.0f} s by the clock, {used_s:.0f} s of processor time")  # fmt: skip
        for name in told["front"]:
            point = next(p for p in told["points"] if p["name"] == name)
            print(f"{point['uw']:7.1f} uW  {point['score']:.3f}  misses {point['misses']}  {name}")


if __name__ == "__main__":
    main()
