"""Acting: where a hand is, how it is turned and bent at every moment, as a score of movements.

A score is a row of movements from one posture to the next, and of round or to-and-fro movements on
top. How a movement gets from one posture to the next is the world's own law of motion.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["AXES", "Floats", "Score", "minimum_jerk", "skewed_cosine", "slow_unrest"]

Floats = NDArray[np.float64]
AXES = (
    *("x", "y", "z", "yaw", "pitch", "roll"),
    *("thumb", "index", "middle", "ring", "little"),
    "spread",
)
"""Middle of the hand in mm over the sensor (x right, y away, z up), turns in radians, how far each
finger is folded (0 straight, 1 folded fully), and how far the fingers are spread (radians)."""

Law = Callable[[Floats], Floats]
"""From the share of a movement's time, 0 to 1, to the share of its way."""


def minimum_jerk(share: Floats) -> Floats:
    """T. Flash and N. Hogan, J. Neurosci. 5, 1985, equation for a straight reach (from memory)."""
    return share**3 * (10 - 15 * share + 6 * share**2)


def skewed_cosine(skew: float) -> Law:
    """Return half a cosine whose time runs faster at first (skew < 1) or at last (skew > 1)."""

    def law(share: Floats) -> Floats:
        return 0.5 - 0.5 * np.cos(np.pi * share**skew)

    return law


def slow_unrest(rng: np.random.Generator, n_frames: int, period_s: float, seconds: float) -> Floats:
    """Return noise of unit spread whose memory is `seconds` long, float64 (n_frames,)."""
    keep = np.exp(-period_s / seconds)
    steps = rng.standard_normal(n_frames) * np.sqrt(1 - keep**2)
    start = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], steps, zi=[keep * start])[0])


@dataclass
class Score:
    """Movements by time.

    Parameters
    ----------
    start : dict of str to float
        First posture, one value for each of `AXES`.
    """

    start: dict[str, float]
    posture: dict[str, float] = field(init=False)
    moves: list[tuple[float, float, Floats]] = field(default_factory=list)
    rounds: list[tuple[float, float, Callable[[Floats], dict[str, Floats]]]] = field(
        default_factory=list
    )

    def __post_init__(self) -> None:
        self.posture = dict(self.start)

    def go(self, at_s: float, lasting_s: float, **targets: float) -> float:
        """Move to a posture; return when that is over. Axes not named stay as they are."""
        change = np.zeros(len(AXES))
        for name, value in targets.items():
            change[AXES.index(name)] = value - self.posture[name]
            self.posture[name] = value
        self.moves.append((at_s, lasting_s, change))
        return at_s + lasting_s

    def also(
        self, at_s: float, lasting_s: float, offsets: Callable[[Floats], dict[str, Floats]]
    ) -> float:
        """Add offsets that begin and end at nothing, by the share of the time; return the end."""
        self.rounds.append((at_s, lasting_s, offsets))
        return at_s + lasting_s

    def play(self, time_s: Floats, law: Law) -> Floats:
        """Return the posture of every frame, float64 (n_frames, n_axes)."""
        out = np.tile([self.start[name] for name in AXES], (len(time_s), 1))
        for at_s, lasting_s, change in self.moves:
            first, last = np.searchsorted(time_s, (at_s, at_s + lasting_s))
            share = (time_s[first:last] - at_s) / lasting_s
            out[first:last] += law(share)[:, None] * change
            out[last:] += change
        for at_s, lasting_s, offsets in self.rounds:
            first, last = np.searchsorted(time_s, (at_s, at_s + lasting_s))
            share = law((time_s[first:last] - at_s) / lasting_s)
            for name, values in offsets(share).items():
                out[first:last, AXES.index(name)] += values
        return out
