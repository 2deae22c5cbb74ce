"""How often intervals over people cover the truth, and how wide they are, for invented people.

Run as a script:

    python tests/bench/bench_intervals.py [--draws 2000]

People's accuracies follow a beta distribution of a given mean and spread, their right answers a
binomial of 10 to 40 takes each (the beta-binomial model; J. Skellam, J. R. Stat. Soc. B 10, 1948,
from memory). For comparison: an interval of all takes as if they were independent, and Student's
interval of people's accuracies, which is what a linear model with errors clustered by person gives
when everybody has as many takes. Behind them stands the interval of what a lesson does to the worst
tenth of people (:mod:`trainer.fit.owner.worth`).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from runtime.intervals import wilson
from trainer.fit.owner.taught import KNOWN
from trainer.fit.owner.worth import Shown, figures_of_owners
from trainer.judge.intervals import difference_over_participants, over_participants

PEOPLE = (3, 9, 12, 24, 48)
MEANS = (0.6, 0.7, 0.8, 0.9, 0.95, 0.98)
SPREADS = (0.05, 0.1, 0.15, 0.2, 0.25)
LEAST_TAKES, MOST_TAKES = 10, 40
LEAST_COVERAGE = 0.93

TENTHS = (20, 36, 60, 100)
TAKES = 24
GAINS: dict[str, Callable[[NDArray[np.float64], np.random.Generator], NDArray[np.float64]]] = {
    "nobody gains": lambda able, rng: able,
    "all gain 8": lambda able, rng: able + 0.08,
    "those behind gain most": lambda able, rng: 0.75 + 0.6 * (able - 0.75) + 0.05,
    "gains differ by 8": lambda able, rng: able + rng.normal(0.08, 0.08, len(able)),
}
"""What lessons may do to people's accuracies."""

Method = Callable[[Sequence[float], int], tuple[float, float]]


def truths() -> list[tuple[float, float]]:
    """Return the means and spreads that a beta distribution can have together."""
    return [(m, s) for m in MEANS for s in SPREADS if s * s < 0.95 * m * (1 - m)]


def draw_people(
    mean: float, spread: float, n_people: int, n_draws: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return people's shares of right takes, and how many takes each made, (n_draws, n_people)."""
    both = mean * (1 - mean) / spread**2 - 1
    able = rng.beta(mean * both, (1 - mean) * both, (n_draws, n_people))
    n_takes = rng.integers(LEAST_TAKES, MOST_TAKES + 1, able.shape)
    return rng.binomial(n_takes, able) / n_takes, n_takes


def as_if_independent(values: Sequence[float], n_takes: int) -> tuple[float, float]:
    """Wilson's interval of all takes."""
    return wilson(float(np.mean(values)) * n_takes, n_takes)


def clustered(values: Sequence[float], n_takes: int) -> tuple[float, float]:
    """Student's interval of the people's values."""
    del n_takes
    half = special.stdtrit(len(values) - 1, 0.975) * np.std(values, ddof=1) / math.sqrt(len(values))
    middle = float(np.mean(values))
    return max(0.0, middle - half), min(1.0, middle + half)


METHODS: dict[str, Method] = {
    "over participants": over_participants,
    "takes as if independent": as_if_independent,
    "Student over people": clustered,
}


def covers(
    method: Method, mean: float, spread: float, n_people: int, n_draws: int, seed: int
) -> tuple[float, float]:
    """Return how often an interval covers the mean, and how wide it is on average."""
    rng = np.random.default_rng([seed, n_people])
    values, n_takes = draw_people(mean, spread, n_people, n_draws, rng)
    found = np.array(
        [method(v.tolist(), int(k.sum())) for v, k in zip(values, n_takes, strict=True)]
    )
    inside = (found[:, 0] <= mean) & (mean <= found[:, 1])
    return float(inside.mean()), float(np.diff(found, axis=1).mean())


def difference_covers(
    gap: float, mean: float, spread: float, n_people: int, n_draws: int, seed: int
) -> float:
    """Return how often the paired interval covers how much better a first pipeline is.

    Both are asked about the same takes; people are easy or hard for both, and the second misses a
    share of what the first has right, which differs from person to person.
    """
    rng = np.random.default_rng([seed, n_people, 7])
    right, n_takes = draw_people(mean, spread, n_people, n_draws, rng)
    lost = rng.beta(2.0, 2.0 / gap - 2.0, right.shape) if gap else np.zeros(right.shape)
    n_right = np.rint(right * n_takes).astype(np.int64)
    second = (n_right - rng.binomial(n_right, lost)) / n_takes
    inside = 0
    for a, b, k in zip(right, second, n_takes, strict=True):
        low, high = difference_over_participants(a.tolist(), b.tolist(), int(k.sum()))
        inside += low <= mean * gap <= high
    return inside / n_draws


def taught(gain: str, n_people: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return what of everybody's takes is right before and after a lesson, (2, n_people).

    The same takes are asked about, and seven in ten are right before and after alike or not.
    """
    before = rng.beta(6.0, 2.0, n_people)  # mean 0.75, spread 0.14
    after = GAINS[gain](before, rng).clip(0, 1)
    luck = rng.random((n_people, TAKES))
    other = np.where(rng.random(luck.shape) < 0.7, luck, rng.random(luck.shape))
    shares = (luck < before[:, None]).mean(axis=1), (other < after[:, None]).mean(axis=1)
    return np.stack(shares)


def tenth_covers(gain: str, n_people: int, n_draws: int, seed: int) -> tuple[float, float, float]:
    """Return how far a worst tenth moves, how far it seems to if followed, and the coverage.

    What the intervals are to hold is what as many takes of very many people show.
    """
    rng = np.random.default_rng([seed, n_people, 11])
    many = taught(gain, 200_000, rng)
    tenth = len(many[0]) // 10
    moved = float(np.diff(np.sort(many, axis=1)[:, :tenth].mean(axis=1))[0])
    followed = float(np.diff(many[:, np.argsort(many[0])[:tenth]].mean(axis=1))[0])
    inside = 0
    for _ in range(n_draws):
        counts = np.rint(TAKES * taught(gain, n_people, rng)).astype(int).tolist()
        people = [
            Shown(f"P{n}", KNOWN, 3, TAKES, before, after, 0, 0, 0, 3)
            for n, (before, after) in enumerate(zip(*counts, strict=True))
        ]
        low, high = figures_of_owners(people, {})["classes"][0]["worst_tenth"]["difference"]
        inside += low <= moved <= high
    return moved, followed, inside / n_draws


def main() -> None:
    """Print coverage, least over the truths and on average, and width, by method and people."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("coverage of nominal 95 %: least (mean, spread), average; width on average")
    failed = []
    for name, method in METHODS.items():
        for n_people in PEOPLE:
            by_truth = {
                truth: covers(method, *truth, n_people, asked.draws, asked.seed)
                for truth in truths()
            }
            worst = min(by_truth, key=lambda truth: by_truth[truth][0])
            average = np.mean(list(by_truth.values()), axis=0)
            print(
                f"  {name:24} {n_people:2} people: {by_truth[worst][0]:.3f} {worst},"
                f" {average[0]:.3f}; {average[1]:.3f}",
                flush=True,
            )
            if method is over_participants and by_truth[worst][0] < LEAST_COVERAGE:
                failed.append(n_people)
    print("coverage of the paired difference, of nominal 95 %: least, by people")
    for n_people in PEOPLE:
        least = min(
            difference_covers(gap, mean, spread, n_people, asked.draws, asked.seed)
            for gap in (0.0, 0.02, 0.1)
            for mean, spread in ((0.7, 0.15), (0.95, 0.05))
        )
        print(f"  {n_people:2} people: {least:.3f}", flush=True)
    print("a worst tenth taught: points that it moves, taken anew and followed; coverage by people")
    for gain in GAINS:
        found = [tenth_covers(gain, n, max(1, asked.draws // 10), asked.seed) for n in TENTHS]
        covered = ", ".join(f"{n}: {of[2]:.3f}" for n, of in zip(TENTHS, found, strict=True))
        print(
            f"  {gain}: {100 * found[0][0]:+.1f}, {100 * found[0][1]:+.1f}; {covered}", flush=True
        )
    if failed:
        raise SystemExit(f"covers less than {LEAST_COVERAGE} with {failed} people")


if __name__ == "__main__":
    main()
