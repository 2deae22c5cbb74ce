"""How often presence is told of places where nobody is, hour after hour, with its bound.

Run as a script:

    python tests/bench/bench_nobody.py --model DIR [--hours 4] [--first 101]

Plays places that no model was trained on (numbers from ``--first`` on): stops, corridors, rooms and
lobbies in turn, each for 20 minutes with nobody at any time of day or night, with whatever their
seeds bring: shadows of clouds and traffic, trees, rain, doors, lamps that are switched, and bags.
Somewhere in between two people come for a minute, so that they may leave a ghost or a bag behind.
Prints for each place how often somebody was told of while there was nobody, and of all hours the
rate an hour with its one-sided 95 % bound of a Poisson rate (F. Garwood, 1936); and on how many of
the frames with two people somebody was told of, or a model that never tells would be the best.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.cues.script import Script, parse_script
from capture.emulated.places.kinds import KINDS
from capture.emulated.session import BLOCK_FRAMES, EmulatedSession
from runtime.intervals import garwood, garwood_upper
from runtime.model import Model, load_model
from trainer.occupancy.figures import Counted

SETTLE_S = 3.0
"""Frames at the begin of a cue that say nothing, as in training."""
EMPTY_S, SOMEBODY_S = 600.0, 60.0


@dataclass(frozen=True)
class Watched:
    """What a model told in one place."""

    counted: Counted
    kind: str
    seen: int
    with_people: int


def script_of(empty_s: float = EMPTY_S, somebody_s: float = SOMEBODY_S) -> Script:
    """Return twice nobody and once two people, in an order that the seed draws."""
    text = f"""
name = "nobody"
lead_in_s = 20.0
rest_s = [9.0, 12.0]
shuffle = true
movement = false

[[cue]]
trial_type = "people_0"
repetitions = 2
duration_s = {empty_s}

[[cue]]
trial_type = "people_2"
repetitions = 1
duration_s = {somebody_s}
"""
    return parse_script(text.encode(), "nobody")


def watch(model: Model, number: int, script: Script) -> Watched:
    """Play one place, and let the integer reference tell how many are there."""
    kind = sorted(KINDS)[number % len(KINDS)]
    session = EmulatedSession(script, number, number, model.sensor, scene=kind)
    rate = model.sensor.frame_rate_hz
    n_frames = int(np.ceil(session.script_end_s * rate))
    told, state = [], None
    for begin in range(0, n_frames, BLOCK_FRAMES):
        block = session.next_block()[: n_frames - begin]
        run = model.run(block.lit, block.dark, state)
        state = run.state
        told.append(run.outputs[:, 1])
    time_s = np.arange(n_frames) / rate
    truth = np.full(n_frames, -1)
    for cue in session.cues:
        stands = (time_s >= cue.onset_us * 1e-6 + SETTLE_S) & (time_s < cue.end_us * 1e-6)
        truth[stands] = int(cue.trial_type[-1])
    counted = Counted(f"{kind} {number}", truth, np.concatenate(told).astype(np.int64), 1.0 / rate)
    there = truth > 0
    return Watched(counted, kind, int((counted.told[there] > 0).sum()), int(there.sum()))


def lines(watched: list[Watched]) -> Iterator[str]:
    """Yield a line a place, and what all of them make."""
    for each in watched:
        c = each.counted
        yield f"{c.place}: {c.n_false} in {60 * c.empty_hours:.1f} min with nobody"
    n = sum(each.counted.n_false for each in watched)
    hours = sum(each.counted.empty_hours for each in watched)
    false_s = sum(
        float((each.counted.told[each.counted.truth == 0] > 0).sum()) * each.counted.frame_s
        for each in watched
    )
    low, high = garwood(n, hours)
    yield (
        f"false presences: {n} in {hours:.2f} h, {n / hours:.2f} an hour [{low:.2f}, {high:.2f}], "
        f"at most {garwood_upper(n, hours):.2f} (one-sided 95 %); told {false_s / 36 / hours:.2f} "
        "% of that time"
    )
    seen, people = (sum(getattr(w, key) for w in watched) for key in ("seen", "with_people"))
    yield f"somebody told of on {100 * seen / people:.2f} % of {people} frames with two people"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--first", type=int, default=101)
    asked = parser.parse_args()
    model, script = load_model(asked.model), script_of()
    watched: list[Watched] = []
    while sum(each.counted.empty_hours for each in watched) < asked.hours:
        watched.append(watch(model, asked.first + len(watched), script))
        print(next(lines(watched[-1:])), flush=True)
    print("\n".join(list(lines(watched))[-2:]))


if __name__ == "__main__":
    main()
