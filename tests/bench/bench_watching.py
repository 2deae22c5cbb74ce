"""How many arrivals the watching stage misses, beside an ideal detector of the same light.

Run as a script:

    python tests/bench/bench_watching.py [--data DIR] [--people 16] [--first 1]

Records people with the emulated sensor (script arrival; sessions that the folder holds already are
kept) and prints for each light of the watching state: its charge over the recordings' in per cent,
arrivals that the stage misses, those that the ideal misses, false wakes an hour of empty scene, and
within how many seconds half and 95 % of the arrivals are answered.

The ideal sees the same pixels, as sums of the same columns, in as many frames. It knows what no
device knows: the empty scene's mean, the noise by photons and reading, and how each hand will look;
it wakes at 4.2 standard deviations, which noise alone reaches as seldom as it wakes the stage.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

import numpy as np
from invented_people import add_person, record_session

from capture.cues.script import load_script
from capture.store.dataset import open_dataset, session_path
from capture.store.session import read_session
from runtime.budget.price.wake_up_counts import WatchedSession, _at_rate, weaker_light
from runtime.firmware.watching import RECENT, Watching
from runtime.sensor import Sensor
from trainer.judge.wake_up import ARRIVALS, SEED, _stretches, count_wake_ups
from trainer.recipe import load_recipe

WAYS = (
    Watching(16, 5.0, 0.2, 1.0), Watching(16, 5.0, 0.1, 1.0), Watching(16, 5.0, 0.05, 1.0),
    Watching(16, 5.0, 1.0, 0.1), Watching(16, 5.0, 1.0, 0.05), Watching(16, 5.0, 1.0, 0.025),
    Watching(8, 5.0, 1.0, 0.1), Watching(8, 5.0, 1.0, 0.05), Watching(16, 3.0, 1.0, 0.1),
)  # fmt: skip
IDEAL_DEVIATIONS = 4.2
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


def main() -> None:
    """Record, count, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--people", type=int, default=16)
    parser.add_argument("--first", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        data = asked.data or Path(scratch) / "data"
        script = load_script("arrival")
        for number in range(asked.first, asked.first + asked.people):
            add_person(data, number, False)
            if not session_path(data, f"P{number:02d}", "01", script.name).exists():
                record_session(data, script, number)
        infos = open_dataset(data).sessions
        people = {info.participant_id for info in infos}
        sensor = read_session(infos[0].path).sensor
        counted = count_wake_ups(data, load_recipe("dynamic"), sensor, WAYS, people)
        ideal = np.zeros((len(WAYS), 2), dtype=int)
        for info in infos:
            session = read_session(info.path)
            if any(event.trial_type in ARRIVALS for event in session.events):
                for stretch in _stretches(session, ARRIVALS):
                    ideal += [_ideal_misses(stretch, sensor, way) for way in WAYS]
        for way, found, (n, missed) in zip(WAYS, counted or (), ideal, strict=True):
            false = found.false_wakes_per_hour
            print(
                f"{way.led_share * sensor.led_current_ma:5.1f} mA for "
                f"{way.exposure_share * sensor.exposure_us:5.1f} us, {way.n_rows:2d} rows, "
                f"{way.rate_hz:g} Hz, {100 * way.led_share * way.exposure_share:5.2f} % of the "
                f"charge: missed {100 * found.miss_rate.typical:4.1f} % of {found.n_arrivals}, "
                f"ideal {100 * missed / n:4.1f} %; false wakes {false.typical:.3g} an hour "
                f"({found.n_false_wakes} in {found.empty_hours:.2f} h); within "
                f"{found.delay_s(0.5):.2f} and {found.delay_s(0.95):.2f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
