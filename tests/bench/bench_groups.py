"""How often a group is called worse where none is, and found where one is, for invented people.

Run as a script:

    python tests/bench/bench_groups.py [--draws 200]

Everybody is right in a share of takes drawn from a beta distribution, whatever their hands, skin,
light and distance (the beta-binomial model; J. Skellam, J. R. Stat. Soc. B 10, 1948, from memory).
Then left-handed people, one in eight, are right less often by some points. Printed is the share of
tables that call any group below the others, and that call left-handed people so.
"""

from __future__ import annotations

import argparse

import numpy as np

from capture.store.dataset import Participant
from trainer.judge.evaluate import Conditions, Takes
from trainer.judge.groups import Distances, distance_bands, group_figures

PEOPLE = (30, 120, 480)
MEAN, SPREAD = 0.75, 0.15
N_TAKES = 12
SHARE_LEFT = 0.125
LOST = (0.0, 0.1, 0.2, 0.3)
"""Of the mean, by left-handed people."""


def drawn_people(n_people: int, rng: np.random.Generator) -> dict[str, Participant]:
    """Return people by pseudonym, each with hands, handedness and skin of their own."""
    lengths, breadths = rng.uniform(165, 215, n_people), rng.uniform(70, 100, n_people)
    skins, left = rng.uniform(0.15, 0.68, n_people), rng.random(n_people) < SHARE_LEFT
    return {
        f"P{n}": Participant(
            f"P{n}", True, lengths[n], breadths[n], "left" if left[n] else "right", skins[n]
        )
        for n in range(n_people)
    }


def drawn_takes(
    people: dict[str, Participant], lost: float, rng: np.random.Generator
) -> tuple[Takes, Conditions]:
    """Return answers by people's own chances, and lights and distances that change nothing."""
    both = MEAN * (1 - MEAN) / SPREAD**2 - 1
    able = rng.beta(MEAN * both, (1 - MEAN) * both, len(people))
    able -= np.where([p.handedness == "left" for p in people.values()], lost, 0.0)
    chance = np.repeat(np.clip(able, 0.0, 1.0), N_TAKES)
    names = tuple(name for name in people for _ in range(N_TAKES))
    answers = (rng.random(len(names)) > chance).astype(np.int64)
    ambient = np.repeat(10 ** rng.uniform(-4, -1, len(people)), N_TAKES)
    distance_mm = rng.uniform(80, 220, len(names))
    takes = Takes(names, np.zeros(len(names), np.int64), answers)
    return takes, Conditions(ambient, np.ones(len(names)), distance_mm)


def told_worse(n_people: int, lost: float, rng: np.random.Generator) -> tuple[int, bool, bool]:
    """Return how many groups were compared, whether any is below, and whether the left-handed."""
    people = drawn_people(n_people, rng)
    takes, conditions = drawn_takes(people, lost, rng)
    distances: Distances = distance_bands(takes, conditions, people)
    groups = group_figures(takes, conditions, people, distances)
    rows = [(row, name) for name, rows in groups.items() for row in rows]
    below = [(name, row["name"]) for row, name in rows if row["below_others"]]
    compared = sum(row["enough_people"] for row, _ in rows)
    return compared, bool(below), ("handedness", "left") in below


def main() -> None:
    """Print a row for each number of people and each loss."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=200)
    n_draws = parser.parse_args().draws
    rng = np.random.default_rng(1)
    print("people  left lose  groups  any below  left below  (shares of tables, standard error)")
    for n_people in PEOPLE:
        for lost in LOST:
            found = np.array([told_worse(n_people, lost, rng) for _ in range(n_draws)], float)
            mean = found.mean(axis=0)
            error = np.sqrt(mean[1:] * (1 - mean[1:]) / n_draws)
            shares = "  ".join(f"{m:.3f} ({e:.3f})" for m, e in zip(mean[1:], error, strict=True))
            print(f"{n_people:6} {100 * lost:6.0f} pts {mean[0]:7.1f}   {shares}", flush=True)


if __name__ == "__main__":
    main()
