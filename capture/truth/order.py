"""Whole sessions whose labels are out of step with what was done: shifted cues, a wrong seed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.cues.labels import Event
from capture.cues.script import Script, schedule

__all__ = ["Alike", "Order", "alike", "better_order", "nearest_takes", "order_alike", "orders"]

Floats = npt.NDArray[np.float64]

_FURTHEST = 3
"""Cues by which what was done may lag behind or run ahead."""
_SEEDS = 256
"""Seeds that are tried: people type small ones."""
CLEAR = 5.0
"""Standard errors by which another order must fit better: noise passes that in 1 of 3 million, and
a few hundred orders are tried."""
_MOST_AGREE = 0.5
"""Share of takes that must be likest what another order calls them: where takes tell little of
their labels, no order is better than another. By other people's takes, also twice as many as are
likest what they are called."""
_SHUFFLES = 400


@dataclass(frozen=True, slots=True)
class Order:
    """Another order of a session's labels.

    Parameters
    ----------
    text : str
        What it would mean: ``one cue behind``.
    labels : tuple of (str or None)
        What each take would be called, in order of time; None where nothing is known.
    """

    text: str
    labels: tuple[str | None, ...]


def orders(
    labels: Sequence[str], events: Sequence[Event], script: Script, seed: int
) -> list[Order]:
    """Return other orders in which the cues may have been done.

    Parameters
    ----------
    labels : sequence of str
        Of the takes, in order of time.
    events : sequence of Event
        The session's events table, all rows.
    script : Script
    seed : int
        With which the session was recorded.
    """
    return [*_shifted(labels), *_other_seeds(labels, events, script, seed)]


def _shifted(labels: Sequence[str]) -> Iterator[Order]:
    n = len(labels)
    for lag in range(1, min(_FURTHEST, n - 1) + 1):
        cues = "one cue" if lag == 1 else f"{lag} cues"
        yield Order(f"{cues} behind what was asked", (*(None,) * lag, *labels[: n - lag]))
        yield Order(f"{cues} ahead of what was asked", (*labels[lag:], *(None,) * lag))


def _other_seeds(
    labels: Sequence[str], events: Sequence[Event], script: Script, seed: int
) -> Iterator[Order]:
    # Cues given again, or takes added, move all behind them: then seeds say nothing.
    asked = [cue.trial_type for cue in schedule(script, seed)]
    if not script.shuffle or list(labels) != asked or len(events) != len(asked):
        return
    for other in range(_SEEDS):
        if other != seed:
            cues = tuple(cue.trial_type for cue in schedule(script, other))
            yield Order(f"in the order of seed {other}, not of {seed}", cues)


def better_order(
    labels: Sequence[str], chances: Floats, names: Sequence[str], candidates: Sequence[Order]
) -> tuple[Order, float] | None:
    """Return the order that other people's takes speak for clearly more than for the labels given.

    Parameters
    ----------
    labels : sequence of str
        As given, in order of time.
    chances : float64 array, shape (n_takes, n_names)
        Opinion of other people's takes.
    names : sequence of str
        The labels that the columns stand for.
    candidates : sequence of Order

    Returns
    -------
    (Order, float) or None
        It and by how many standard errors its mean log chance is higher.
    """
    place = {name: column for column, name in enumerate(names)}
    logs = np.log(np.maximum(chances, 1.0 / (2 * 100)))  # half a tree's vote
    given = np.array([logs[i, place[label]] for i, label in enumerate(labels)])
    best: tuple[Order, float] | None = None
    for order in candidates:
        known = [i for i, label in enumerate(order.labels) if label in place]
        gain = np.array([logs[i, place[str(order.labels[i])]] - given[i] for i in known])
        if len(gain) < 8:
            continue
        told = chances[known].argmax(axis=1)
        hits = sum(place[str(order.labels[i])] == told[k] for k, i in enumerate(known))
        by_given = sum(place[labels[i]] == told[k] for k, i in enumerate(known))
        if hits < max(_MOST_AGREE * len(known), 2 * by_given):
            continue
        error = float(gain.std(ddof=1)) / np.sqrt(len(gain))
        score = float(gain.mean()) / max(error, 1e-9)
        if score > CLEAR and (best is None or score > best[1]):
            best = (order, score)
    return best


@dataclass(frozen=True, slots=True)
class Alike:
    """How many takes of a session are likest to one of their own label.

    Parameters
    ----------
    n : int
        Takes whose nearest neighbour bears their label.
    by_chance, spread : float
        Mean and standard deviation of that with shuffled labels.
    share : float
        Share of shuffles that give as many.
    """

    n: int
    by_chance: float
    spread: float
    share: float


def nearest_takes(shapes: Floats) -> npt.NDArray[np.int64]:
    """Return each take's nearest neighbour in its session, each feature by its own spread.

    Parameters
    ----------
    shapes : float64 array, shape (n_takes, n_features)
        At least two takes.
    """
    spread = shapes.std(axis=0)
    scaled = shapes[:, spread > 0] / spread[spread > 0]
    squares = (scaled**2).sum(axis=1)
    distances = squares[:, None] + squares[None, :] - 2.0 * scaled @ scaled.T
    np.fill_diagonal(distances, np.inf)
    return np.asarray(distances.argmin(axis=1), np.int64)


def alike(
    nearest: npt.NDArray[np.int64], labels: Sequence[str | None], rng: np.random.Generator
) -> Alike:
    """Ask whether takes of one label are alike within one session, whoever else there is."""
    marks = np.unique([label or "" for label in labels], return_inverse=True)[1]
    found = int((marks[nearest] == marks).sum())
    chance = np.empty(_SHUFFLES)
    for k in range(_SHUFFLES):
        mixed = rng.permutation(marks)
        chance[k] = (mixed[nearest] == mixed).sum()
    share = float(((chance >= found).sum() + 1) / (_SHUFFLES + 1))
    return Alike(found, float(chance.mean()), float(chance.std()), share)


def order_alike(
    nearest: npt.NDArray[np.int64], candidates: Sequence[Order], chance: Alike
) -> Order | None:
    """Return the order in which takes of one label are clearly alike, if there is one."""
    least = chance.by_chance + CLEAR * chance.spread
    best, most = None, max(least, _MOST_AGREE * len(nearest))
    for order in candidates:
        marks = np.unique([label or "" for label in order.labels], return_inverse=True)[1]
        found = int((marks[nearest] == marks).sum())
        if found > most:
            best, most = order, float(found)
    return best
