"""How much of a promise the quick rungs of a search flatter: simulated people and settings.

Run as a script:

    python tests/bench/bench_quick_rungs.py [--searches 150] [--people 21] [--settings 64]

A promise takes off what choosing among settings tried in full flatters (`trainer.choice.worth`).
Those few had been chosen by quick fits that the same people judged, which no promise takes off.
Here each setting has a true quality, each person an ease of their own and one at each setting; the
rungs and the bootstrap are the search's own. A quick fit repeats the outcome of the full one in no
take, in half of them, or in all (as if both were one), and settings differ with their price or not.
Prints by how much scores of the front exceed what other people would have, before and after what a
promise takes off, with the standard error over searches.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trainer.choice.tried.knobs import SearchRules
from trainer.choice.worth.halving import promoted
from trainer.choice.worth.pareto import on_front
from trainer.choice.worth.resamples import resample, scores_of

Doubles = npt.NDArray[np.float64]
N_TAKES = 40
PRICES_UW = 20.0, 90.0
EASE, RISE, APART, OWN = 2.6, 1.0, 0.4, 0.35
"""Logits: of the cheapest setting, how much the dearest has more, how settings of a price differ,
and how a person differs at each; people differ by 1."""
ASKED_FIRST = 3
"""Two folds of six are a third of the people."""
N_OTHERS, N_RESAMPLES = 4000, 200


@dataclass(frozen=True)
class Simulated:
    """Settings with their price, and what everybody does at each."""

    uw: Doubles
    truth: Doubles
    full: npt.NDArray[np.int64]
    quick: npt.NDArray[np.int64]


def simulated(
    rng: np.random.Generator, shape: tuple[int, int], shared: float, rise: float
) -> Simulated:
    """Draw settings and people; a quick fit repeats a share of the full one's outcomes."""
    n_settings, n_people = shape
    uw = np.sort(rng.uniform(*PRICES_UW, n_settings))
    ease = EASE + rise * (uw - PRICES_UW[0]) / (PRICES_UW[1] - PRICES_UW[0])
    ease += APART * rng.standard_normal(n_settings)
    people, others = rng.standard_normal(n_people), rng.standard_normal((2, N_OTHERS))
    right = 1.0 / (1.0 + np.exp(-(ease[:, None] + people + OWN * rng.standard_normal(shape))))
    anybody = 1.0 / (1.0 + np.exp(-(ease[:, None] + others[0] + OWN * others[1])))
    full = rng.binomial(N_TAKES, right)
    alike = rng.binomial(N_TAKES, shared, shape)
    quick = rng.hypergeometric(full, N_TAKES - full, alike) + rng.binomial(N_TAKES - alike, right)
    return Simulated(uw, anybody.mean(axis=1), full, quick)


def flattery(seen: Simulated) -> tuple[float, float]:
    """Return by how much a search's front exceeds the truth, before and after a promise's share."""
    rules, n_people = SearchRules(), seen.full.shape[1]
    few = seen.quick[:, : n_people // ASKED_FIRST].mean(axis=1)
    again = np.array(promoted(seen.uw, few, rules.tried_on_everybody, [0]))
    every = seen.quick[again].mean(axis=1)
    chosen = again[promoted(seen.uw[again], every, rules.tried_in_full, [0])]
    chosen = chosen[np.argsort(seen.uw[chosen])]
    takes = np.full_like(seen.full[chosen], N_TAKES)
    counts, uw = np.stack([seen.full[chosen], takes, takes], axis=2), seen.uw[chosen]
    band = resample(counts, uw, np.random.default_rng(1), N_RESAMPLES).band
    score = scores_of(counts.sum(axis=1))
    over = [
        (score[i] - seen.truth[chosen[i]], band.flatters(float(uw[i])))
        for i in np.flatnonzero(on_front(uw, score))
    ]
    before, taken_off = np.mean(over, axis=0).tolist()
    return before, before - taken_off


def main() -> None:
    """Search again and again, and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--searches", type=int, default=150)
    parser.add_argument("--people", type=int, default=21)
    parser.add_argument("--settings", type=int, default=64)
    asked = parser.parse_args()
    for rise, words in ((RISE, "better for more power"), (0.0, "no better for more power")):
        for shared in (0.0, 0.5, 1.0):
            found = np.array([
                flattery(simulated(np.random.default_rng([seed, round(10 * shared)]),
                                   (asked.settings, asked.people), shared, rise))
                for seed in range(asked.searches)
            ])  # fmt: skip
            means, errors = found.mean(axis=0), found.std(axis=0) / np.sqrt(len(found))
            print(
                f"{words}, {shared:.0%} of outcomes shared: flattered by {100 * means[0]:.2f} "
                f"points, after the promise {100 * means[1]:+.2f} +- {100 * errors[1]:.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
