"""Takes as an attacker has them: some to enrol people from, others that it is asked about."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64
from trainer.audit.steps import ChainTakes

__all__ = ["HALVES", "ONE_SESSION", "SESSIONS", "Parted", "Seen", "part", "seen_at"]

SESSIONS, HALVES = "sessions", "halves"
ONE_SESSION = "so that light and place of the session help it"


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What can be seen of takes at one step of the chain.

    Parameters
    ----------
    values : float64 (n_takes, n_values)
    people, sessions, labels : str array (n_takes,)
        Who, in which session of theirs, and what was asked for.
    times_s : float64 (n_takes,)
        When, from the beginning of the session's recording.
    """

    values: Float64
    people: NDArray[np.str_]
    sessions: NDArray[np.str_]
    labels: NDArray[np.str_]
    times_s: Float64

    @property
    def names(self) -> NDArray[np.str_]:
        """Everybody who has a take, sorted."""
        return np.unique(self.people)

    def only(self, chosen: NDArray[np.bool_]) -> Seen:
        """Return some of the takes: bool (n_takes,)."""
        return Seen(
            self.values[chosen], self.people[chosen], self.sessions[chosen], self.labels[chosen],
            self.times_s[chosen],
        )  # fmt: skip

    def joined(self, other: Seen) -> Seen:
        """Return these takes and then those of other people."""
        pairs = ((getattr(self, f.name), getattr(other, f.name)) for f in dataclasses.fields(self))
        return Seen(*(np.concatenate(pair) for pair in pairs))

    def through(self, ready: Callable[[Float64], Float64]) -> Seen:
        """Return the same takes with their values transformed."""
        return dataclasses.replace(self, values=ready(self.values))

    def of_no_gesture(self) -> Seen:
        """Return the same takes without the mean of all that were asked for the same."""
        _, label = np.unique(self.labels, return_inverse=True)
        sums = np.zeros((int(label.max(initial=-1)) + 1, self.values.shape[1]))
        np.add.at(sums, label, self.values)
        means = sums / np.bincount(label)[:, None]
        return dataclasses.replace(self, values=self.values - means[label])


def seen_at(takes: ChainTakes, step: str) -> Seen:
    """Return what can be seen at one step: each take's last frame, and the mean of its frames.

    Recordings of one visit of a person, of several scripts, are one session.
    """
    frames = takes.frames[step].astype(np.float64)
    values = np.concatenate([frames[:, -1], frames.mean(axis=1)], axis=1)
    visits = np.array([name.partition("_task-")[0] for name in takes.sessions])
    times_s = np.asarray(takes.times_s[:, -1])
    return Seen(values, takes.participants, visits, takes.trial_types, times_s)


@dataclass(frozen=True, slots=True, eq=False)
class Parted:
    """Takes to enrol from, and takes to be asked about, of the same people.

    Parameters
    ----------
    enrolled, probes : Seen
    by : str
        ``sessions``, or ``halves`` of a session in time.
    """

    enrolled: Seen
    probes: Seen
    by: str

    @property
    def names(self) -> NDArray[np.str_]:
        """Everybody who is enrolled, sorted."""
        return self.enrolled.names

    @property
    def knows(self) -> str:
        """What the attacker has, in words."""
        if self.by == SESSIONS:
            return "named takes of everybody from a session before"
        return f"named takes of everybody from the first half of the same session, {ONE_SESSION}"


def part(seen: Seen) -> Parted:
    """Part takes into those enrolled from and those asked about.

    Nobody's session is on both sides where people have several: the first, by its name, is enrolled
    from and all others are asked about; those with a single one are then left out. Where fewer than
    half of the people have several, everybody's first session is halved in time instead.
    """
    first = {name: np.unique(seen.sessions[seen.people == name])[0] for name in seen.names}
    in_first = np.array([s == first[p] for s, p in zip(seen.sessions, seen.people, strict=True)])
    several = np.unique(seen.people[~in_first])
    if 2 * len(several) >= len(seen.names) and len(several) > 1:
        chosen = np.isin(seen.people, several)
        return Parted(seen.only(in_first & chosen), seen.only(~in_first & chosen), SESSIONS)
    early = np.zeros(len(seen.times_s), dtype=bool)
    late = np.zeros(len(seen.times_s), dtype=bool)
    for name in seen.names:
        own = np.flatnonzero(in_first & (seen.people == name))
        own = own[np.argsort(seen.times_s[own], kind="stable")]
        if len(own) > 1:
            early[own[: len(own) // 2]] = True
            late[own[len(own) // 2 :]] = True
    return Parted(seen.only(early), seen.only(late), HALVES)
