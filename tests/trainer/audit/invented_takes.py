"""Takes with something of their people in them, or nothing, for attackers to be tried on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trainer.audit.people.enrolled import Seen

__all__ = ["HELD", "invented_takes", "named"]

HELD = b"""\
name = "held"
movement = false
lead_in_s = 0.5
rest_s = [0.2, 0.3]

[[cue]]
trial_type = "fingers_0"
repetitions = 3
duration_s = 0.7

[[cue]]
trial_type = "fingers_5"
repetitions = 3
duration_s = 0.7
"""
"""Of poses: a script that people are recorded by."""


def named(n_people: int) -> NDArray[np.str_]:
    """Return pseudonyms in the order of their names."""
    return np.array([f"P{number:03d}" for number in range(1, n_people + 1)])


def invented_takes(
    n_people: int,
    of_person: float,
    seed: int,
    *,
    n_takes: int = 8,
    n_sessions: int = 2,
    marks: NDArray[np.float64] | None = None,
) -> Seen:
    """Return takes with `of_person` standard deviations of each person in 6 of 12 values.

    Parameters
    ----------
    marks : float64 (n_people,), optional
        What is added to the seventh value of everybody.
    """
    rng = np.random.default_rng(seed)
    own = of_person * rng.standard_normal((n_people, 12))
    own[:, 6:] = 0.0
    if marks is not None:
        own[:, 6] = marks
    person = np.repeat(np.arange(n_people), n_sessions * n_takes)
    session = np.tile(np.repeat(np.arange(n_sessions), n_takes), n_people)
    gesture = rng.integers(0, 3, len(person))
    values = own[person] + rng.standard_normal((len(person), 12))
    values[:, -1] += 5.0 * gesture
    names = named(n_people)[person]
    sessions = np.array([f"sub-{p}_ses-{s:02d}" for p, s in zip(names, session, strict=True)])
    times = np.tile(np.arange(n_takes, dtype=np.float64), n_people * n_sessions)
    return Seen(values, names, sessions, gesture.astype(str), times)
