"""How many arrivals the watching stage misses, beside an ideal detector of the same light.

Run as a script:

    python tests/bench/bench_watching.py [--data DIR] [--people 16] [--first 1] [--arrivals 24]
        [--rate-hz 30] [--ways 1 5]

Records people with the emulated sensor (script arrival; sessions that the folder holds already are
kept) and prints for each light of the watching state, or those numbered: its charge over the
recordings' in per cent, arrivals that the stage misses, those that the ideal misses, false wakes an
hour of empty scene, and within how many seconds half and 95 % of the arrivals are answered. Misses
come in few people, so that their interval is over people (95 %, `over_participants`), with the
upper end of a bootstrap over them (97.5 %) beside it. Fewer arrivals of more people tell more of
others, and frames between those that are watched tell nothing: with --arrivals and --rate-hz as
much is learned in less time.

The ideal sees the same pixels, as sums of the same columns, in as many frames. It knows what no
device knows: the empty scene's mean, the noise by photons and reading, and how each hand will look;
it wakes at 4.2 standard deviations, which noise alone reaches as seldom as it wakes the stage.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from operator import add
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

import numpy as np
from invented_people import add_person, record_session

from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from capture.store.dataset import open_dataset, session_path
from capture.store.session import read_session
from runtime.budget.price.wake_up_counts import (
    WakeUpCounts,
    WatchedSession,
    _at_rate,
    weaker_light,
)
from runtime.firmware.watching import RECENT, Watching
from runtime.sensor import Sensor
from trainer.judge.intervals import over_participants
from trainer.judge.wake_up import ARRIVALS, SEED, _stretches, count_wake_ups
from trainer.recipe import load_recipe

WAYS = (
    Watching(16, 5.0, 0.2, 1.0), Watching(16, 5.0, 0.1, 1.0), Watching(16, 5.0, 0.05, 1.0),
    Watching(16, 5.0, 1.0, 0.1), Watching(16, 5.0, 1.0, 0.05), Watching(16, 5.0, 1.0, 0.025),
    Watching(8, 5.0, 1.0, 0.1), Watching(8, 5.0, 1.0, 0.05), Watching(16, 3.0, 1.0, 0.1),
)  # fmt: skip
IDEAL_DEVIATIONS = 4.2
RESAMPLES = 10_000
COLUMNS = 8
SETTLES_S = 0.4
"""After its first movement a hand is taken to be where it stays."""


def _ideal_misses(session: WatchedSession, sensor: Sensor, way: Watching) -> tuple[int, int]:
    """Return how many arrivals of a stretch there were, and how many the ideal missed."""
    rng, gain = np.random.default_rng(SEED), sensor.conversion_gain_dn_per_e
    kept = _at_rate(session.t_s, way.rate_hz)
    first = (sensor.n_rows - way.n_rows) // 2
    rows = slice(first, first + way.n_rows)
    lit, dark = session.lit[kept, rows], session.dark[kept, rows]
    t_s, left = session.t_s[kept], way.led_share * way.exposure_share
    seen = weaker_light(lit, dark, way.led_share, sensor, rng, way.exposure_share)
    full, weak = _columns(lit, dark), _columns(*seen)
    other = _columns(dark, np.full_like(dark, sensor.black_level_counts))
    n_pixels = way.n_rows * sensor.n_cols // COLUMNS
    missed = 0
    for start, end in session.hands:
        there = (t_s >= start) & (t_s <= end)
        settled, before = there & (t_s >= start + SETTLES_S), (t_s < start) & (t_s > start - 1.0)
        empty = full[before].mean(axis=0)
        hand = left * (full[settled if settled.any() else there].mean(axis=0) - empty)
        noise = gain * (hand.clip(0.0) + left * empty.clip(0.0))
        noise += 2.0 * gain * way.exposure_share * other[before].mean(axis=0).clip(0.0)
        noise += 2.0 * n_pixels * ((gain * sensor.read_noise_e) ** 2 + 1.0 / 12.0)
        answers = (weak - left * empty) @ (hand / noise) / np.sqrt((hand**2 / noise).sum())
        summed = np.convolve(answers, np.ones(RECENT) / np.sqrt(RECENT))[: len(answers)]
        missed += not np.any(summed[there] >= IDEAL_DEVIATIONS)
    return len(session.hands), missed


def _columns(lit: np.ndarray, dark: np.ndarray) -> np.ndarray:
    apart = (lit.astype(np.int64) - dark).sum(axis=1)
    return apart.reshape(len(apart), COLUMNS, -1).sum(axis=2).astype(np.float64)


def _over_people(counted: Sequence[WakeUpCounts]) -> str:
    """Return the interval of a way's misses over people, of whom each was counted alone."""
    arrivals = np.array([each.n_arrivals for each in counted])
    missed = np.array([each.n_missed for each in counted])
    low, high = over_participants((missed / arrivals).tolist(), int(arrivals.sum()))
    drawn = np.random.default_rng(SEED).integers(0, len(missed), (RESAMPLES, len(missed)))
    most = np.quantile(missed[drawn].sum(axis=1) / arrivals[drawn].sum(axis=1), 0.975)
    return (
        f"{100 * low:.1f} to {100 * high:.1f} % over {len(missed)} people, bootstrap at most "
        f"{100 * most:.1f} %; of {np.count_nonzero(missed)} people, the most of one "
        f"{missed.max()} of {arrivals[missed.argmax()]}"
    )


def _recorded(asked: argparse.Namespace, data: Path) -> list[str]:
    """Record who is not there yet; return everybody's names."""
    built_in = load_script("arrival")
    shares = asked.arrivals / built_in.cues[0].repetitions
    cues = tuple(
        cue.model_copy(update={"repetitions": max(1, round(shares * cue.repetitions))})
        for cue in built_in.cues
    )
    script = built_in.model_copy(update={"cues": cues})
    sensor = replace(SENSORS["lensless32"], frame_rate_hz=asked.rate_hz)
    numbers = range(asked.first, asked.first + asked.people)
    for number in numbers:
        add_person(data, number, False)
        if not session_path(data, f"P{number:02d}", "01", script.name).exists():
            record_session(data, script, number, sensor=sensor)
    return [f"P{number:02d}" for number in numbers]


def main() -> None:
    """Record, count, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--people", type=int, default=16)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--arrivals", type=int, default=24, help="of each person")
    parser.add_argument("--rate-hz", type=float, default=30.0, help="of the recordings")
    parser.add_argument("--ways", type=int, nargs="+", help="numbers of lights, from 1")
    asked = parser.parse_args()
    ways = [WAYS[number - 1] for number in asked.ways] if asked.ways else list(WAYS)
    with tempfile.TemporaryDirectory() as scratch:
        data = asked.data or Path(scratch) / "data"
        people, recipe = _recorded(asked, data), load_recipe("dynamic")
        infos = [each for each in open_dataset(data).sessions if each.participant_id in people]
        sensor = read_session(infos[0].path).sensor
        each = [count_wake_ups(data, recipe, sensor, ways, {person}) for person in people]
        told = [counts for counts in each if counts is not None]
        ideal = np.zeros((len(ways), 2), dtype=int)
        for info in infos:
            session = read_session(info.path)
            if any(event.trial_type in ARRIVALS for event in session.events):
                for stretch in _stretches(session, ARRIVALS):
                    ideal += [_ideal_misses(stretch, sensor, way) for way in ways]
        for place, (way, (n, missed)) in enumerate(zip(ways, ideal, strict=True)):
            of_way = [counts[place] for counts in told]
            found = reduce(add, of_way)
            false = found.false_wakes_per_hour
            print(
                f"{way.led_share * sensor.led_current_ma:5.1f} mA for "
                f"{way.exposure_share * sensor.exposure_us:5.1f} us, {way.n_rows:2d} rows, "
                f"{way.rate_hz:g} Hz, {100 * way.led_share * way.exposure_share:5.2f} % of the "
                f"charge: missed {100 * found.miss_rate.typical:4.2f} % of {found.n_arrivals} "
                f"({_over_people(of_way)}), "
                f"ideal {100 * missed / n:4.1f} %; false wakes {false.typical:.3g} an hour "
                f"({found.n_false_wakes} in {found.empty_hours:.2f} h); within "
                f"{found.delay_s(0.5):.2f} and {found.delay_s(0.95):.2f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
