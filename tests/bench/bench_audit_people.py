"""How often attacks on people call a leak what is none, and find one that is there.

    python tests/bench/bench_audit_people.py [--seeds N] [--people N]

Takes are invented, with nothing of their people in them or so many standard deviations of each
person in half of the values (`tests/trainer/audit/invented_takes.py`). Of a question that is asked
in several ways, one take and ten, each is counted; the strongest attacker is told, as in an audit.
Of takes with nothing in them one in forty may be called a leak, and fewer are, as an interval for
the strongest of three attackers holds for all of them.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from runtime.reproducible_floats import hold_arithmetic_steady

hold_arithmetic_steady()
sys.path.insert(0, str(Path(__file__).parents[1] / "trainer" / "audit"))

from invented_takes import invented_takes, named  # noqa: E402

from trainer.audit.findings import Finding, strongest  # noqa: E402
from trainer.audit.people.attributes import tell_attributes  # noqa: E402
from trainer.audit.people.identity import identify  # noqa: E402
from trainer.audit.people.same_person import verify_people  # noqa: E402
from trainer.corpus.noted import Column, column_of  # noqa: E402


def columns(n_people: int, rng: np.random.Generator, marks: np.ndarray) -> list[Column]:
    """Return columns that know nothing of the takes, and two that say what is in them."""
    kinds = np.array(["right"] * (n_people - n_people // 3) + ["left"] * (n_people // 3))
    values = {
        "a word": rng.permutation(kinds),
        "a number": rng.normal(size=n_people),
        "a word that is there": np.where(marks > 0, "big", "small"),
        "a number that is there": marks,
    }
    found = []
    for name, column in values.items():
        texts = dict(zip(named(n_people).tolist(), map(str, column.tolist()), strict=True))
        made = column_of(name, texts)
        found += [] if made is None else [made]
    return found


def asked(n_people: int, of_person: float, seed: int) -> list[Finding]:
    """Return what the strongest attackers say of one draw."""
    rng = np.random.default_rng([seed, 7])
    marks = of_person * rng.standard_normal(n_people)
    seen = invented_takes(n_people, of_person, seed, marks=marks)
    noted = columns(n_people, rng, marks)
    kept = [c for c in noted if of_person or "that is there" not in c.name]
    every = [*identify(seen, "x"), *verify_people(seen, "x"), *tell_attributes(seen, kept, "x")]
    return list(strongest(every))


def main() -> None:
    """Print the share of draws that are called a leak, by question."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--people", type=int, default=20)
    given = parser.parse_args()
    for of_person in (0.0, 0.5):
        print(f"\n{of_person:g} standard deviations of a person, {given.people} people, "
              f"{given.seeds} draws")  # fmt: skip
        leaks: Counter[str] = Counter()
        for seed in range(given.seeds):
            for finding in asked(given.people, of_person, seed):
                question = f"{finding.question}, {finding.scenes}"
                leaks[question] += finding.told == "leaks"
        for question, n_leaks in leaks.items():
            print(f"  {question:32} {n_leaks / given.seeds:6.3f}", flush=True)


if __name__ == "__main__":
    main()
