"""Movements in time: minimum-jerk ways between poses, and the unrest of a living hand over them.

Each movement follows the minimum-jerk profile 10 s^3 - 15 s^4 + 6 s^5 (Flash and Hogan, "The
Coordination of Arm Movements", J. Neurosci. 5(7), 1985). Millimetres, radians, seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = [
    "CURL",
    "EVENNESS",
    "FAN",
    "FLATNESS",
    "FOLD",
    "GONE_MM",
    "N_POSE",
    "N_SHAPE",
    "PITCH",
    "ROLL",
    "SHAPE",
    "SPREAD",
    "THUMB",
    "YAW",
    "Fader",
    "Gait",
    "Movement",
    "Timeline",
    "Track",
    "X",
    "Y",
    "Z",
    "minimum_jerk",
]

Doubles = npt.NDArray[np.float64]

X, Y, Z, ROLL, PITCH, YAW = range(6)
CURL = slice(6, 11)
SPREAD = 11
FOLD, THUMB, FAN = slice(0, 3), slice(3, 6), slice(6, 10)
"""Within a pose's shape, all radians, 0 by default: what a folded finger's three joints bend more
than at full curl; how much farther out, towards the palm's front and bent the thumb is; by how much
each of the four fingers leans to the thumb's side."""
N_SHAPE = 10
SHAPE = slice(12, 12 + N_SHAPE)
FLATNESS, EVENNESS, GONE_MM = range(SHAPE.stop, SHAPE.stop + 3)
"""What makes a hand an outline, all 0 by default: its flatness, 0 for one in the round to 1 for one
without depth; how evenly it is lit, 0 as the LED does to 1 everywhere the same; how much of its arm
is not there, from the elbow."""
N_POSE = GONE_MM + 1
"""A pose: centre of the hand x, y, z (mm); turns about z, x, y (rad); five curls; spread (rad);
shape; outline."""


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """One movement, from the end of the one before it to a target.

    Parameters
    ----------
    start_s, end_s : float
        When it moves; before and after it the hand holds.
    target : float64 array, shape (n_pose,)
        Pose at its end.
    lift_mm : float
        How much farther from the sensor its middle is than the straight path.
    circle_mm, circle_start_rad : float
        Radius of one whole turn laid over the path, > 0 clockwise as the participant sees it,
        and where on the circle it begins.
    swing : float64 array, shape (n_pose,), optional
        Amplitude of an oscillation laid over the path.
    swings : float
        Whole oscillations.
    """

    start_s: float
    end_s: float
    target: Doubles
    lift_mm: float = 0.0
    circle_mm: float = 0.0
    circle_start_rad: float = 0.0
    swing: Doubles | None = None
    swings: float = 0.0


_TREMOR_G = 0.0015, 0.035
_BETWEEN_HZ = np.array([0.8, 1.3, 2.5, 4.0, 7.0])


def minimum_jerk(share: Doubles) -> Doubles:
    """Return the share of the way covered at a share of the time, both 0 to 1."""
    s = np.clip(share, 0.0, 1.0)
    return np.asarray(s**3 * (10.0 - 15.0 * s + 6.0 * s**2))


class Fader:
    """A value that is held, and now and then goes over to another in a straight line.

    Parameters
    ----------
    value : float
        What it is at first.
    """

    def __init__(self, value: float) -> None:
        self._times, self._values = [0.0], [value]

    @property
    def value(self) -> float:
        """What it is after all that was added."""
        return self._values[-1]

    def go(self, begin_s: float, duration_s: float, value: float) -> None:
        """Hold until `begin_s` (at least the end of the last change), then go to `value`."""
        begin_s = max(begin_s, self._times[-1])
        self._times += [begin_s, begin_s + duration_s]
        self._values += [self._values[-1], value]

    def at(self, times_s: Doubles) -> Doubles:
        """Return the value at each time."""
        return np.interp(times_s, self._times, self._values)


class Timeline:
    """Movements in order, with the unrest of a living hand laid over them.

    Parameters
    ----------
    start : float64 array, shape (n_pose,)
        Pose before the first movement.
    movements : sequence of Movement
        In order of time, not overlapping.
    rng : Generator
        Draws the drift (a few millimetres below 0.7 Hz) and the tremor (8 to 11 Hz; physiological
        tremor, amplitude assumed).
    unrest : Fader, optional
        How much of both there is: 1 for a hand in the air, which is the default, 0 for a thing
        that lies on a table.
    held_still : bool
        A hand that somebody takes pains to hold still. Its tremor is drawn from the range that
        Wade, Gresty and Findley measured (Arch. Neurol. 39(6), 1982, abstract: 0.0015 to 0.035 g),
        and the drift goes on between 0.8 and 7 Hz, falling as the square of the frequency from the
        slower drift (assumed), so that no band is free of unrest.
    """

    def __init__(
        self,
        start: Doubles,
        movements: Sequence[Movement],
        rng: np.random.Generator,
        unrest: Fader | None = None,
        *,
        held_still: bool = False,
    ) -> None:
        self._unrest = unrest
        self.movements = tuple(movements)
        self._starts = np.array([m.start_s for m in self.movements])
        self._poses = np.stack([start, *(m.target for m in self.movements)])
        self._drift_hz = rng.uniform([0.05, 0.15, 0.4, 8.0], [0.15, 0.4, 0.7, 11.0], (6, 4))
        self._drift_phase = rng.uniform(0.0, 2.0 * np.pi, (6, 4))
        millimetres, radians = np.array([3.0, 2.5, 1.2, 0.2]), np.array([0.02, 0.015, 0.006, 0.002])
        self._drift = np.stack([millimetres] * 3 + [radians] * 3)
        if held_still:
            self._hold_still(rng)

    def _hold_still(self, rng: np.random.Generator) -> None:
        """Draw the tremor's strength, and the unrest between the drift and the tremor."""
        tremor_hz = self._drift_hz[:, -1]
        peak_mm_per_s2 = 9806.65 * np.exp(rng.uniform(*np.log(_TREMOR_G)))
        share = peak_mm_per_s2 / (2.0 * np.pi * tremor_hz) ** 2 / self._drift[0, -1]
        self._drift[:, -1] *= share
        n_bands = len(_BETWEEN_HZ) - 1
        between_hz = rng.uniform(_BETWEEN_HZ[:-1], _BETWEEN_HZ[1:], (6, n_bands))
        phases = rng.uniform(0.0, 2.0 * np.pi, (6, n_bands))
        slower = self._drift_hz[:, -2, None], self._drift[:, -2, None]
        self._drift = np.hstack([self._drift, slower[1] * (slower[0] / between_hz) ** 2])
        self._drift_hz = np.hstack([self._drift_hz, between_hz])
        self._drift_phase = np.hstack([self._drift_phase, phases])

    def poses(self, times_s: Doubles) -> Doubles:
        """Return the pose at each time, shape (n_times, n_pose)."""
        index = np.searchsorted(self._starts, times_s, side="right") - 1
        poses = self._poses[index + 1].copy()
        for k in np.unique(index[index >= 0]):
            movement, rows = self.movements[k], index == k
            poses[rows] = self._during(movement, self._poses[k], times_s[rows])
        unrest = None if self._unrest is None else self._unrest.at(times_s)[:, None]
        if unrest is None or unrest.any():
            angle = 2.0 * np.pi * times_s[:, None, None] * self._drift_hz + self._drift_phase
            drift = np.sum(self._drift * np.sin(angle), axis=2)
            poses[:, :6] += drift if unrest is None else drift * unrest
        return poses

    @staticmethod
    def _during(movement: Movement, start: Doubles, times_s: Doubles) -> Doubles:
        share = (times_s - movement.start_s) / (movement.end_s - movement.start_s)
        s = minimum_jerk(share)
        poses = np.asarray(start + s[:, None] * (movement.target - start))
        poses[:, Z] += movement.lift_mm * 16.0 * s**2 * (1.0 - s) ** 2
        if movement.circle_mm:
            begin = movement.circle_start_rad
            at = begin - np.sign(movement.circle_mm) * 2.0 * np.pi * s
            radius = abs(movement.circle_mm)
            poses[:, X] += radius * (np.cos(at) - np.cos(begin))
            poses[:, Y] += radius * (np.sin(at) - np.sin(begin))
        if movement.swing is not None:
            inside = np.clip(share, 0.0, 1.0)
            fade = np.sin(np.pi * inside) ** 0.5
            wave = fade * np.sin(2.0 * np.pi * movement.swings * inside)
            poses += wave[:, None] * movement.swing
        return poses


@dataclass(frozen=True, slots=True, eq=False)
class Gait:
    """What walking adds to a pose: harmonics of the stride, which is two steps long.

    Parameters
    ----------
    begin_s, end_s : float
        When it is there; it swells and dies away within 0.8 s.
    stride_hz : float
        Strides a second: half the steps.
    amplitudes, phases_rad : float64 array, shape (n_harmonics, n_pose)
        Of the oscillation of each value of the pose.
    """

    begin_s: float
    end_s: float
    stride_hz: float
    amplitudes: Doubles
    phases_rad: Doubles

    def poses(self, times_s: Doubles) -> Doubles:
        """Return what is added at each time, shape (n_times, n_pose)."""
        swell = minimum_jerk((times_s - self.begin_s) / 0.8)
        swell = swell * minimum_jerk((self.end_s - times_s) / 0.8)
        harmonics = np.arange(1, len(self.amplitudes) + 1)
        turn = 2.0 * np.pi * self.stride_hz * times_s[:, None] * harmonics
        wave = np.sin(turn[:, :, None] + self.phases_rad) * self.amplitudes
        return np.asarray(swell[:, None] * wave.sum(axis=1))


class Track:
    """Movements of one body, added one after the other.

    Parameters
    ----------
    start : float64 array, shape (n_pose,)
        Pose before the first movement.

    Attributes
    ----------
    movements : list of Movement
        What was added.
    free_s : float
        When the last movement ends.
    """

    def __init__(self, start: Doubles) -> None:
        self.start = start
        self.movements: list[Movement] = []
        self.free_s = 0.0

    @property
    def target(self) -> Doubles:
        """Pose at the end of what was added so far; a copy."""
        return (self.movements[-1].target if self.movements else self.start).copy()

    def wait(self, until_s: float) -> None:
        """Begin nothing before a time."""
        self.free_s = max(self.free_s, until_s)

    def go(
        self,
        target: Doubles,
        duration_s: float,
        *,
        lift_mm: float = 0.0,
        circle_mm: float = 0.0,
        circle_start_rad: float = 0.0,
        swing: Doubles | None = None,
        swings: float = 0.0,
    ) -> None:
        """Add a movement that begins as soon as the hand is free."""
        begin_s, self.free_s = self.free_s, self.free_s + duration_s
        self.movements.append(
            Movement(
                begin_s, self.free_s, target, lift_mm, circle_mm, circle_start_rad, swing, swings
            )
        )
