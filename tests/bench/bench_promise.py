"""Whether a front keeps its promises: what is picked, recorded anew at its setting by other people.

Run as a script:

    python tests/bench/bench_promise.py [--people 24] [--others 12] [--first 51] [--picks 3]
        [--knobs FILE] [--keep DIR] [--jobs 2]

Records people before the emulated sensor at 40 mA, which leaves headroom (scripts dynamic and
everyday_short; an eighth of them locked), searches, and makes models of the front's cheapest point,
its dearest and those between, as ``--pick`` does. Each one's ``sensor.toml`` is then given to an
emulated sensor, other people record before it, through its port, and the model in the folder is
asked about them. Prints event F1 beside what the point promises, and ends with 1 if one is broken:
if the two differ by more than both their intervals allow (roots of the summed squares). With
--keep, recordings, front and models stay in DIR, and what it holds is not made again.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()

import numpy as np  # noqa: E402  # after the arithmetic is held steady

from capture.cues.script import load_script  # noqa: E402
from capture.emulated.body.people import participant_row  # noqa: E402
from capture.emulated.port.device import DeviceSettings  # noqa: E402
from capture.emulated.port.forked import running_fork  # noqa: E402
from capture.lead.record import Operator, SessionNotes, record  # noqa: E402
from capture.store.dataset import session_path  # noqa: E402
from capture.wire.link import SerialLink  # noqa: E402
from runtime.model import load_model  # noqa: E402
from runtime.stages.contract.stage import Int32  # noqa: E402
from trainer.choice.outcome import Request, make_picked, search  # noqa: E402
from trainer.choice.tried.knobs import load_knobs  # noqa: E402
from trainer.choice.worth.pick import parse_wish  # noqa: E402
from trainer.choice.worth.resamples import scores_of  # noqa: E402
from trainer.corpus.at_setting import recorded_at  # noqa: E402
from trainer.corpus.recordings import Recording  # noqa: E402
from trainer.fit.candidates import reduce_for  # noqa: E402
from trainer.judge.event_figures import match_streams  # noqa: E402
from trainer.judge.events import Margins  # noqa: E402
from trainer.judge.examination import stream_of  # noqa: E402
from trainer.judge.intervals import over_participants  # noqa: E402
from trainer.recipe import Recipe, load_recipe  # noqa: E402
from trainer.work.jobs import LocalWorkers, Workers  # noqa: E402

SCRIPTS = ("dynamic", "everyday_short")
HEADROOM_MA = 40.0
SEED = 2000


@dataclass(frozen=True)
class Kept:
    """Event F1 of people recorded anew, with its interval over them."""

    value: float
    low: float
    high: float
    n_people: int


def record_people(
    folder: Path, numbers: Sequence[int], n_locked: int, sensor: str, led_ma: float | None = None
) -> None:
    """Record people through the port of an emulated sensor; what is there already stays."""
    locked = set(numbers[len(numbers) - n_locked :])
    for number in numbers:
        row = participant_row(number, locked=number in locked)
        for name in SCRIPTS:
            if session_path(folder, row.participant_id, "01", name).exists():
                continue
            settings = DeviceSettings(
                number, name, sensor, SEED + number, speed=0.0, led_current_ma=led_ma
            )
            with running_fork(settings) as port, SerialLink(port) as link:
                record(
                    link, row, load_script(name), SEED + number, folder,
                    notes=SessionNotes("01"), operator=Operator(still_s=math.inf),
                )  # fmt: skip


def _evidence(folder: Path, recording: Recording) -> Int32:
    """Return what the model's decision sees of every frame of a recording, int32."""
    model, state, found = load_model(folder), None, []
    for block in recording.readouts():
        run = model.run(block.lit, block.dark, state)
        found.append(run.evidence)
        state = run.state
    return np.concatenate(found)


def ask(folder: Path, data: Path, recipe: Recipe, workers: Workers) -> Kept:
    """Ask a picked model about people recorded at its setting, events by its own margins."""
    evaluation = json.loads((folder / "evaluation.json").read_text("utf-8"))
    events, unit = evaluation["events"], evaluation["calibration"]["score_unit"]
    more = tuple(events["more_margin"][name] for name in recipe.classes)
    at = recorded_at(folder / "sensor.toml", data)
    (candidate,) = reduce_for(data, [recipe], workers, lambda _: None, at)
    streams = [
        stream_of(r, _evidence(folder, r.recording), candidate.recipe, at_sensor, unit)
        for at_sensor in (candidate.corpus.sensor,)
        for r in candidate.main
    ]
    counts: dict[str, Any] = {}
    for one in match_streams(streams, candidate.recipe, Margins(events["margin"], more)):
        if one.stream.references:
            who = one.stream.participant
            counts[who] = counts.get(who, np.zeros(3, np.int64)) + np.array(one.counts)
    table = np.array([counts[who] for who in sorted(counts)])
    each, n_events = scores_of(table).tolist(), int(table[:, 2].sum())
    low, high = over_participants(each, n_events)
    return Kept(float(scores_of(table.sum(axis=0))), low, high, len(each))


def is_kept(promise: dict[str, float], found: Kept) -> bool:
    """Tell whether promise and finding are as near as both their intervals allow."""
    if found.value >= promise["value"]:
        below, above = promise["high"] - promise["value"], found.value - found.low
    else:
        below, above = promise["value"] - promise["low"], found.high - found.value
    return abs(found.value - promise["value"]) <= math.hypot(below, above)


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
    parser.add_argument("--knobs", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    recipe, workers, kept = load_recipe("dynamic"), LocalWorkers(asked.jobs), True
    with tempfile.TemporaryDirectory() as scratch:
        place = asked.keep or Path(scratch)
        data, out = place / "data", place / "front"
        numbers = range(1, asked.people + 1)
        record_people(data, numbers, max(2, asked.people // 8), "lensless32", HEADROOM_MA)
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
            record_people(others, again, 2, str(folder / "sensor.toml"))
            option = next(p.tried.option for p in found.points if p.tried.name == name)
            anew, promise = ask(folder, others, option.recipe, workers), point["promise"]
            right = is_kept(promise, anew)
            kept &= right
            _print(name, point, anew, right)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
