"""What people do when a cue asks: the words of the built-in scripts, each in a person's own way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from worlds.people.acting import Floats, Score
from worlds.people.person import Person, shown_fingers
from worlds.product import Cue

__all__ = ["FINGERS", "Manner", "act", "rest_posture"]

FINGERS = ("thumb", "index", "middle", "ring", "little")
SWIPES = {
    "swipe_left": ("x", -1.0),
    "swipe_right": ("x", 1.0),
    "swipe_up": ("y", 1.0),
    "swipe_down": ("y", -1.0),
}
NEAREST_MM = 28.0
PINCH = 0.62, 0.5
"""How far thumb and index finger fold until their tips touch, in the hands of `bodies`; the others
are straight or folded, as people like."""
FINGERTIP_MM = 5.0
TIP_MM = {"index": 210.0, "thumb": 140.0}
"""A fingertip's way from straight to folded fully, were it to go on as it begins: each joint's bend
in radians times how far the tip is from it, for the hands of `worlds.people.bodies`."""
SUBTLE = {"subtle_tap": ("index", 0.3, 0.25), "subtle_slide": ("thumb", 0.6, 0.05)}
"""Which finger moves, and how long out and back and the pause take, seconds: two and one and a half
a second, as people tap who may choose (P. Fraisse, in The Psychology of Music, 1982: 1.6 a second;
from memory). The rest is invented."""


@dataclass(frozen=True)
class Manner:
    """How a world's people move from one thing to the next.

    Parameters
    ----------
    overlap : float
        A movement begins when this share of the one before it is still to come.
    always_away : bool or None
        Whether the hand leaves before and after every cue; None where people do as they like.
    travel_s : float
        How long coming and leaving takes.
    unrest : float
        How far a hand sways that is held in the air: 1 as ever, less on a propped-up elbow.
    """

    overlap: float = 0.0
    always_away: bool | None = None
    travel_s: float = 0.32
    unrest: float = 1.0


def rest_posture(person: Person) -> dict[str, float]:
    """Return how a person holds the hand when nothing is asked, one value for each axis."""
    posture = {"x": person.x, "y": person.y, "z": person.z}
    posture |= {"yaw": person.turn, "pitch": person.pitch, "roll": person.roll}
    bent = dict.fromkeys(FINGERS, person.bent)
    return posture | bent | {"spread": person.spread}


@dataclass
class _Actor:
    person: Person
    rng: np.random.Generator
    manner: Manner
    score: Score
    here: bool = True
    free_s: float = 0.0
    leaving: bool = False
    hurry: float = 1.0

    def about(self, value: float) -> float:
        """Return a value as it comes out this time."""
        return float(value * (1 + self.person.variation * self.rng.standard_normal()))

    def last(self, seconds: float) -> float:
        """Return how long something takes this person this time."""
        return max(0.12, self.hurry * self.about(seconds) / self.person.tempo)

    def then(self, end_s: float, lasting_s: float) -> float:
        """Return when the next movement begins after one that ends at a time."""
        return end_s - self.manner.overlap * lasting_s

    def come(self, at_s: float) -> float:
        """Bring the hand to its place if it is away; return when it is there."""
        if self.here:
            return at_s
        self.here = True
        home = rest_posture(self.person)
        if self.manner.always_away is None:
            home |= {axis: home[axis] + 6 * self.rng.standard_normal() for axis in ("x", "y", "z")}
        return self.score.go(at_s, self.manner.travel_s / self.person.tempo, **home)

    def leave(self, at_s: float) -> float:
        """Take the hand away; return when it is gone."""
        self.here = False
        x, y = self.person.leaves_to
        return self.score.go(at_s, self.manner.travel_s / self.person.tempo, x=x, y=y, z=60.0)

    def home(self, at_s: float, lasting_s: float) -> float:
        """Come back to rest, or go away at once."""
        if self.leaving:
            return self.leave(at_s)
        return self.score.go(at_s, lasting_s, **rest_posture(self.person))


def act(
    person: Person,
    rng: np.random.Generator,
    cues: Sequence[Cue],
    manner: Manner,
) -> tuple[Score, list[tuple[float, float]]]:
    """Answer cues one after another.

    Returns
    -------
    score : Score
    strokes : list of (float, float), one per cue
        When the movement or pose that the cue asks for began and ended, seconds.
    """
    actor = _Actor(person, rng, manner, Score(rest_posture(person)))
    strokes = []
    if manner.always_away:
        actor.leave(0.0)
    # A generator for each cue: whoever does more or less in between does the same inside it.
    for cue, own in zip(cues, rng.spawn(len(cues)), strict=True):
        actor.rng = own
        begin_s, end_s = cue.onset_us / 1e6, cue.end_us / 1e6
        kind = cue.trial_type
        moves = _MOVES.get(kind.partition("_")[0], _everyday)
        if manner.always_away:
            # There before the cue and gone after it: what happens inside is the same as ever.
            actor.come(max(actor.free_s, begin_s - manner.travel_s / person.tempo - 0.05))
        reaction_s = max(0.1, person.reaction_s + 0.04 * own.standard_normal())
        start_s = max(begin_s + reaction_s, actor.free_s)
        if kind != "idle":
            start_s = actor.come(start_s)
        leaves = own.random() < person.away
        actor.leaving = manner.always_away is None and actor.here and bool(leaves)
        # Who begins late is quick about it: half a second for it is common, and enough.
        actor.hurry = float(np.clip((end_s + 0.1 - start_s) * person.tempo / 0.75, 0.6, 1.0))
        stroke = moves(actor, kind, start_s, end_s)
        strokes.append(stroke)
        actor.free_s = max(actor.free_s, stroke[1])
        if manner.always_away:
            actor.free_s = actor.leave(max(actor.free_s, end_s + 0.03))
        elif actor.here and (actor.leaving or kind.startswith(("fingers", "shape"))):
            actor.free_s = actor.home(max(actor.free_s, stroke[1]), actor.last(0.25))
    return actor.score, strokes


def _swipe(actor: _Actor, kind: str, at_s: float, _: float) -> tuple[float, float]:
    person, score = actor.person, actor.score
    axis, sign = SWIPES[kind]
    middle = score.posture[axis]
    reach = actor.about(person.reach_mm) * (1 - 0.6 * person.wrist)
    turn, turned = ("yaw", -sign) if axis == "x" else ("pitch", sign)
    angle = actor.about(person.wrist) * (1.0 if axis == "x" else 0.6)
    rest = score.posture[turn]
    ready_s, stroke_s, back_s = actor.last(0.24), actor.last(0.30), actor.last(0.36)
    z = max(NEAREST_MM, score.posture["z"] - actor.about(person.arc_mm))
    back = 2 * person.before
    ready = {axis: middle - sign * back * reach, turn: rest - turned * back * angle, "z": z}
    begin_s = actor.then(score.go(at_s, ready_s, **ready), ready_s)
    over = (2 - back) * reach
    end_s = score.go(
        begin_s, stroke_s, **{axis: middle + sign * over, turn: rest + turned * (2 - back) * angle}
    )
    actor.free_s = actor.home(actor.then(end_s + 0.04, stroke_s), back_s)
    return begin_s, end_s


def _push_or_pull(actor: _Actor, kind: str, at_s: float, _: float) -> tuple[float, float]:
    person, score = actor.person, actor.score
    z, depth = score.posture["z"], actor.about(person.depth_mm)
    ready_s, stroke_s, back_s = actor.last(0.30), actor.last(0.27), actor.last(0.42)
    if kind == "push":
        high = z + (person.before - 0.2) * depth
        low = max(NEAREST_MM, z - (1.2 - person.before) * depth)
    else:
        low = max(NEAREST_MM, z - person.before * depth)
        high = z + (1.3 - person.before) * depth
    first, second = (high, low) if kind == "push" else (low, high)
    tilt = score.posture["pitch"] + 0.3 * person.wrist * (1 if kind == "push" else -1)
    begin_s = actor.then(score.go(at_s, ready_s, z=first), ready_s)
    end_s = score.go(begin_s, stroke_s, z=second, pitch=tilt)
    actor.free_s = actor.home(actor.then(end_s + 0.05, stroke_s), back_s)
    return begin_s, end_s


def _circle(actor: _Actor, kind: str, at_s: float, _: float) -> tuple[float, float]:
    person = actor.person
    radius, lasting_s = actor.about(person.radius_mm), actor.last(0.75)
    # Seen from above, as the person sees the hand.
    sign = -1.0 if kind == "circle_clockwise" else 1.0
    turns = 1.0 + 0.15 * person.style
    flat = 0.8 + 0.4 * person.style
    begin = person.phase + 0.2 * actor.rng.standard_normal()

    def offsets(share: Floats) -> dict[str, Floats]:
        angle = begin + sign * 2 * np.pi * turns * share
        # More than one turn would not end where it began: the rest is taken back smoothly.
        gone = share**4
        over = begin + sign * 2 * np.pi * turns
        return {
            "x": radius * (np.cos(angle) - np.cos(begin) - gone * (np.cos(over) - np.cos(begin))),
            "y": radius
            * flat
            * (np.sin(angle) - np.sin(begin) - gone * (np.sin(over) - np.sin(begin))),
        }

    end_s = actor.score.also(at_s, lasting_s, offsets)
    return at_s, end_s


def _fingers(actor: _Actor, kind: str, at_s: float, end_s: float) -> tuple[float, float]:
    shown = shown_fingers(actor.person, int(kind[-1]))
    return _hold(actor, [float(not straight) for straight in shown], at_s, end_s, 0.06)


def _shape(actor: _Actor, kind: str, at_s: float, end_s: float) -> tuple[float, float]:
    style = actor.person.style
    folds = {
        "shape_fist": (1.0, 1.0, 1.0, 1.0, 1.0),
        "shape_flat": (0.0, 0.0, 0.0, 0.0, 0.0),
        "shape_pinch": (*PINCH, *(3 * [round(style)])),
        "shape_point": (1.0 if style < 0.7 else 0.5, 0.0, 1.0, 1.0, 1.0),
        "shape_thumb": (0.0, 1.0, 1.0, 1.0, 1.0),
    }[kind]
    return _hold(actor, folds, at_s, end_s, -0.02)


def _hold(
    actor: _Actor, folds: Sequence[float], at_s: float, end_s: float, apart: float
) -> tuple[float, float]:
    """Hold the fingers folded by so much each, in a person's way, spread by a little more."""
    person, rng = actor.person, actor.rng
    bent = {}
    for finger, fold in zip(FINGERS, folds, strict=True):
        loose = abs(rng.standard_normal())
        straight, folded = person.looseness * loose, person.folded - 0.06 * loose
        bent[finger] = float(np.clip(straight + fold * (folded - straight), 0.0, 1.0))
    posture = rest_posture(person) | bent
    posture["spread"] = actor.about(person.spread + apart)
    for axis, spread in (("x", 4.0), ("y", 4.0), ("z", 4.0)):
        posture[axis] += spread * rng.standard_normal()
    for axis in ("yaw", "pitch", "roll"):
        posture[axis] += 0.05 * rng.standard_normal()
    there_s = actor.score.go(at_s, actor.last(0.28), **posture)
    actor.free_s = end_s
    return there_s, max(end_s, there_s)


def _subtle(actor: _Actor, kind: str, at_s: float, end_s: float) -> tuple[float, float]:
    """Hold still, or move one fingertip by 5 mm and back, again and again."""
    finger, lasting_s, pause_s = SUBTLE.get(kind, ("", 0.0, 0.0))
    actor.leaving = False  # "keep it there"
    actor.free_s = end_s
    if not finger:
        return at_s, end_s
    while at_s < end_s - lasting_s:
        bend = actor.about(FINGERTIP_MM / TIP_MM[finger])
        at_s = actor.score.also(at_s, actor.last(lasting_s), _out_and_back(finger, bend))
        at_s += actor.about(pause_s) / actor.person.tempo
    return at_s, end_s


def _out_and_back(axis: str, size: float) -> Callable[[Floats], dict[str, Floats]]:
    def offsets(share: Floats) -> dict[str, Floats]:
        return {axis: size * np.sin(np.pi * share) ** 2}

    return offsets


def _idle(actor: _Actor, _: str, at_s: float, end_s: float) -> tuple[float, float]:
    if actor.here and actor.rng.random() < 0.4:
        drift = {
            axis: actor.score.posture[axis] + 8 * actor.rng.standard_normal() for axis in "xyz"
        }
        actor.score.go(at_s, max(0.3, end_s - at_s), **drift)
        actor.free_s = end_s
    return at_s, max(at_s, end_s)


def _distract(actor: _Actor, kind: str, at_s: float, end_s: float) -> tuple[float, float]:
    person, score, rng = actor.person, actor.score, actor.rng
    side = 1.0 if rng.random() < 0.5 else -1.0
    lasting_s = max(0.4, 0.62 / person.tempo)
    if kind == "distract_wave":
        to = {"z": person.z + 45.0, "x": person.x + 30 * side, "pitch": person.pitch + 0.5}
        at_s = score.go(at_s, actor.last(0.25), **to)
        stop_s = score.also(at_s, lasting_s, _shaking("yaw", 0.35, rng.uniform(1.6, 2.6)))
    elif kind == "distract_scratch":
        to = {"z": person.z + 30.0, "y": person.y - 45.0, "index": 0.55, "middle": 0.6}
        at_s = score.go(at_s, actor.last(0.25), **to)
        stop_s = score.also(at_s, lasting_s, _shaking("y", 9.0, rng.uniform(3, 5)))
    elif kind == "distract_pass":
        height = actor.about(person.z + 15.0)
        at_s = score.go(at_s, actor.last(0.3), x=120.0 * side, z=height)
        stop_s = score.go(at_s, actor.last(0.6), x=-40.0 * side, y=110.0, yaw=person.turn + side)
    else:
        at_s = score.go(at_s, actor.last(0.4), z=NEAREST_MM + 8, x=38.0 * side, y=-12.0)
        stop_s = score.also(at_s, lasting_s * 0.7, _shaking("x", 6.0, rng.uniform(1, 2)))
    actor.free_s = actor.home(stop_s, actor.last(0.35))
    return at_s, stop_s


def _shaking(axis: str, size: float, n_times: float) -> Callable[[Floats], dict[str, Floats]]:
    def offsets(share: Floats) -> dict[str, Floats]:
        return {axis: size * np.sin(np.pi * share) * np.sin(2 * np.pi * n_times * share)}

    return offsets


def _everyday(actor: _Actor, kind: str, at_s: float, end_s: float) -> tuple[float, float]:
    """Be about the device without a gesture: come, linger somewhere, bend, leave."""
    person, score, rng = actor.person, actor.score, actor.rng
    begin_s = at_s
    if kind in ("everyday_empty", "everyday_light", "everyday_pocket"):
        return at_s, actor.leave(at_s) if actor.here else at_s
    actor.leaving = False
    while at_s < end_s - 0.8:
        lasting_s = float(rng.uniform(0.4, 1.6))
        if rng.random() < 0.2:
            at_s = actor.leave(at_s) + lasting_s
            continue
        actor.here = True
        to = {"x": 70 * rng.standard_normal(), "y": -30 + 70 * rng.standard_normal()}
        to["z"] = float(rng.uniform(NEAREST_MM + 5, 210))
        to |= {axis: 0.35 * rng.standard_normal() for axis in ("pitch", "roll")}
        to["yaw"] = person.turn + 0.35 * rng.standard_normal()
        bent = float(rng.uniform(0, 0.9))
        to |= dict.fromkeys(FINGERS, bent)
        at_s = score.go(at_s, lasting_s, **to) + float(rng.exponential(0.5))
    actor.free_s = actor.home(at_s, 0.4)
    return begin_s, max(at_s, end_s)


_MOVES = {
    "swipe": _swipe,
    "push": _push_or_pull,
    "pull": _push_or_pull,
    "circle": _circle,
    "fingers": _fingers,
    "shape": _shape,
    "subtle": _subtle,
    "idle": _idle,
    "distract": _distract,
}
