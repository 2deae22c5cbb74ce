"""How a participant moves: each cue acted as movements between attitudes of the hand.

Frame of the sensor: it lies face up, z upwards, +x to the participant's right, +y away from the
participant. Millimetres, radians.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from capture.cues.script import (
    ARRIVAL,
    DISTRACTORS,
    EVERYDAY,
    FINGER_COUNTS,
    GESTURES,
    IDLE,
    STATIC_SHAPES,
    SUBTLE,
    Cue,
)
from capture.emulated.body.habits import as_shown
from capture.emulated.body.joints import tip_travel_mm
from capture.emulated.body.people import Person
from capture.emulated.body.showing import count_pose, shape_pose
from capture.emulated.body.timeline import (
    CURL,
    N_POSE,
    PITCH,
    ROLL,
    SPREAD,
    YAW,
    Timeline,
    Track,
    X,
    Y,
    Z,
)
from runtime.errors import UsageError

__all__ = [
    "SUBTLE_MM",
    "Performer",
    "act",
    "check_acts",
    "holds_shapes",
    "is_subtle",
    "rest_pose",
]

Doubles = npt.NDArray[np.float64]

_HELD = (*FINGER_COUNTS, *STATIC_SHAPES)
ACTS = (*GESTURES, IDLE, *DISTRACTORS, *_HELD, *SUBTLE, *EVERYDAY, *ARRIVAL)
"""Trial types that an emulated participant can carry out."""

_NEAREST_MM, _FARTHEST_MM = 55.0, 330.0


SUBTLE_MM = 200.0
"""Distance at which people are asked to hold the hand for subtle motion."""


def rest_pose(
    person: Person, rng: np.random.Generator, distance_mm: float | None = None
) -> Doubles:
    """Return where this person's hand hovers in one session.

    Parameters
    ----------
    person : Person
        Who it is.
    rng : Generator
        For what differs from session to session.
    distance_mm : float, optional
        Distance asked for; the person's own usual one by default.
    """
    distance_mm = person.distance_mm if distance_mm is None else distance_mm
    pose = np.zeros(N_POSE)
    pose[X] = rng.normal(0.0, 4.0)
    pose[Y] = rng.normal(0.0, 5.0)
    pose[Z] = np.clip(distance_mm * rng.uniform(0.85, 1.2), 80.0, 300.0)
    pose[[ROLL, PITCH, YAW]] = [person.roll_rad, person.pitch_rad, person.yaw_rad]
    pose[CURL] = np.clip(person.curl + rng.normal(0.0, 0.05, 5), 0.0, 0.5)
    pose[SPREAD] = person.spread_rad
    return pose


def _clipped(pose: Doubles) -> Doubles:
    pose[Z] = np.clip(pose[Z], _NEAREST_MM, _FARTHEST_MM)
    pose[CURL] = np.clip(pose[CURL], 0.0, 1.05)
    return pose


def _varied(pose: Doubles, rng: np.random.Generator) -> Doubles:
    """Return the pose as it comes out one time: nobody repeats a movement exactly."""
    out = pose.copy()
    out[[X, Y]] += rng.normal(0.0, 4.0, 2)
    out[Z] *= rng.uniform(0.94, 1.06)
    out[[ROLL, PITCH, YAW]] += rng.normal(0.0, 0.03, 3)
    out[CURL] += rng.normal(0.0, 0.04, 5)
    return _clipped(out)


class Performer(Track):
    """Turns one cue after the other into movements of the hand."""

    def __init__(self, person: Person, rest: Doubles, rng: np.random.Generator) -> None:
        super().__init__(rest)
        self.person, self.rest, self.rng = person, rest, rng

    def home(self) -> None:
        """Return to rest, drawn back from the sensor as the person is used to."""
        lift = self.person.return_style * self.rng.uniform(20.0, 70.0)
        self.go(_varied(self.rest, self.rng), float(self.rng.uniform(0.45, 0.8)), lift_mm=lift)

    def cue(self, cue: Cue) -> None:
        """Act one cue after a human reaction time."""
        reaction = self.person.reaction_s + self.rng.normal(0.0, 0.04)
        begin_s = cue.onset_us * 1e-6 + float(np.clip(reaction, 0.12, 0.4))
        self.free_s = max(self.free_s, begin_s)
        kind = cue.trial_type
        if kind.startswith("swipe_"):
            self.swipe(kind.removeprefix("swipe_"))
        elif kind in ("push", "pull"):
            self.along_axis(kind)
        elif kind.startswith("circle_"):
            self.circle(1.0 if kind.endswith("_clockwise") else -1.0)
        elif kind in _HELD:
            self.hold(kind, shown=cue.pose_shown)
        elif kind.startswith("distract_"):
            self.distract(kind.removeprefix("distract_"))
        elif kind in SUBTLE:
            self.subtle(kind.removeprefix("subtle_"), cue.end_us * 1e-6)
        elif self.rng.uniform() < 0.4:  # at rest people still shift the hand now and then
            self.go(_varied(self.rest, self.rng), float(self.rng.uniform(0.4, 0.9)))

    def gesture_s(self) -> float:
        """Length of one gesture, 0.2 to 0.8 s."""
        return float(np.clip(self.person.gesture_s * self.rng.lognormal(0.0, 0.18), 0.2, 0.8))

    def swipe(self, heading: str) -> None:
        """Move aside, sweep across, come back."""
        axis, sign = {"left": (X, -1), "right": (X, 1), "up": (Y, 1), "down": (Y, -1)}[heading]
        reach = self.person.reach_mm * self.rng.uniform(0.85, 1.15)
        turn = self.person.wrist_share * np.radians(28.0)
        middle = _varied(self.rest, self.rng)
        ends = []
        for share in (-0.5 * sign, 0.5 * sign):
            end = middle.copy()
            end[axis] += share * reach
            end[X + Y - axis] += self.rng.normal(0.0, 0.07 * reach)
            if axis == X:
                end[ROLL] -= 2.0 * share * turn
                end[YAW] += 2.0 * share * turn * 0.5
            else:
                end[PITCH] += 2.0 * share * turn
            ends.append(end)
        before, after = ends
        self.go(before, float(self.rng.uniform(0.18, 0.26)), lift_mm=self.rng.uniform(10.0, 40.0))
        after[Z] *= self.rng.uniform(0.95, 1.1)
        self.go(_clipped(after), self.gesture_s())
        self.home()

    def along_axis(self, kind: str) -> None:
        """Push towards the sensor with a flat hand, or pull away from it with a closing one."""
        start, end = _varied(self.rest, self.rng), _varied(self.rest, self.rng)
        sign = 1.0 if kind == "push" else -1.0
        start[Z] *= 1.0 + sign * self.rng.uniform(0.08, 0.18)
        end[Z] = start[Z] * (
            self.rng.uniform(0.45, 0.62) if kind == "push" else self.rng.uniform(1.7, 2.2)
        )
        if kind == "pull":
            end[CURL] += self.rng.uniform(0.0, 0.4)
        self.go(_clipped(start), float(self.rng.uniform(0.16, 0.24)))
        self.go(_clipped(end), self.gesture_s())
        self.free_s += float(self.rng.uniform(0.05, 0.15))
        self.home()

    def circle(self, sign: float) -> None:
        """Draw one whole turn from near the top of the circle."""
        radius = sign * 0.32 * self.person.reach_mm * self.rng.uniform(0.85, 1.2)
        begin = np.pi / 2.0 + self.rng.normal(0.0, 0.4)
        duration = float(np.clip(1.5 * self.gesture_s(), 0.5, 0.8))
        self.go(_varied(self.rest, self.rng), duration, circle_mm=radius, circle_start_rad=begin)

    def hold(self, kind: str, *, shown: bool) -> None:
        """Show a number of fingers, or a shape, and hold it until the next cue."""
        showing = as_shown(self.person.showing) if shown else self.person.showing
        what, _, which = kind.partition("_")
        if what == "fingers":
            pose = count_pose(showing, self.rest, int(which), self.rng)
        else:
            pose = shape_pose(showing, self.rest, which, self.rng)
        self.go(_clipped(pose), float(self.rng.uniform(0.2, 0.35)))

    def distract(self, kind: str) -> None:
        """Move as people do near a device without meaning it."""
        rng = self.rng
        pose, swing = _varied(self.rest, rng), np.zeros(N_POSE)
        if kind == "wave":
            pose[Z] *= rng.uniform(1.1, 1.7)
            swing[[X, ROLL]] = rng.uniform(20.0, 50.0), rng.uniform(0.1, 0.3)
            self.go(_clipped(pose), 0.9, swing=swing, swings=rng.uniform(2.0, 3.2))
        elif kind == "scratch":
            pose[[X, Y]] += rng.uniform(40.0, 110.0) * np.array([rng.choice([-1, 1]), -0.5])
            pose[CURL] = rng.uniform(0.3, 0.7, 5)
            swing[[Y, PITCH]] = rng.uniform(5.0, 15.0), 0.1
            self.go(_clipped(pose), 0.35)
            self.go(pose, 0.65, swing=swing, swings=rng.uniform(2.5, 4.0))
        elif kind == "pass":
            away = rng.uniform(0.3, np.pi - 0.3)
            pose[[X, Y]] += rng.uniform(120.0, 260.0) * np.array([np.cos(away), np.sin(away)])
            pose[Z] *= rng.uniform(0.9, 1.5)
            pose[CURL] = rng.uniform(0.1, 0.5)
            self.go(_clipped(pose), float(rng.uniform(0.5, 0.8)), lift_mm=rng.uniform(0.0, 60.0))
            self.free_s += float(rng.uniform(0.1, 0.25))
        else:  # adjust: down to the device, a small turn, back
            pose[Z] = rng.uniform(45.0, 70.0)
            edge = rng.uniform(0.0, 2.0 * np.pi)  # people take a device by its edge
            pose[[X, Y]] += rng.uniform(50.0, 90.0) * np.array([np.cos(edge), np.sin(edge)])
            pose[CURL] = rng.uniform(0.3, 0.6, 5)
            swing[[ROLL, X]] = rng.uniform(0.1, 0.25), rng.uniform(3.0, 10.0)
            self.go(_clipped(pose), 0.4)
            self.go(pose, 0.5, swing=swing, swings=rng.uniform(1.0, 2.0))
        self.home()

    def subtle(self, kind: str, end_s: float) -> None:
        """Hold still but for one fingertip that goes to and fro by about 5 mm until the cue ends.

        A tap is the index finger's; a slide the thumb's, across the palm; a still hand has only
        its drift and tremor.
        """
        if kind != "still":
            finger, duration = 1 if kind == "tap" else 0, max(0.3, end_s - self.free_s)
            swing = np.zeros(N_POSE)
            amplitude_mm = 0.5 * 5.0 * self.rng.uniform(0.8, 1.2)
            swing[CURL.start + finger] = amplitude_mm / tip_travel_mm(
                self.person.hand_length_mm, finger
            )
            rate_hz = self.rng.uniform(1.5, 3.0)
            self.go(self.target, duration, swing=swing, swings=duration * rate_hz)
        self.wait(end_s)
        if self.rng.uniform() < 0.4:  # between cues people settle the hand anew
            self.go(_varied(self.rest, self.rng), float(self.rng.uniform(0.3, 0.5)))


def is_subtle(cues: Sequence[Cue]) -> bool:
    """Return whether a script asks for nothing but a hand held still, fingertips apart."""
    return all(cue.trial_type in SUBTLE for cue in cues)


def holds_shapes(cues: Sequence[Cue]) -> bool:
    """Return whether a script asks for nothing but shapes of the hand that are held."""
    return all(cue.trial_type in _HELD for cue in cues)


def check_acts(trial_types: Iterable[str]) -> None:
    """Refuse cues that no emulated participant knows how to carry out.

    Raises
    ------
    UsageError
        A trial type is not in ``ACTS``.
    """
    for trial_type in trial_types:
        if trial_type not in ACTS:
            raise UsageError(
                "emulated participant", "a cue", trial_type, f"one of {', '.join(ACTS)}"
            )


def act(person: Person, cues: Sequence[Cue], rest: Doubles, rng: np.random.Generator) -> Timeline:
    """Return how a person carries out the cues of a script; see `check_acts` for its errors."""
    check_acts(cue.trial_type for cue in cues)
    performer = Performer(person, rest, rng)
    for cue in cues:
        performer.cue(cue)
    return Timeline(rest, performer.movements, rng, held_still=is_subtle(cues))
