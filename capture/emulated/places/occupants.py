"""Who is where: from cues that say how many people there are to the paths of each of them.

Between two cues people come from an exit or go to one; whoever is asked for by both stays. Walking
speed is 1.3 m/s with a spread of 0.2 (from memory); how often somebody who sits or stands shifts is
assumed: once in 45 s and in 20 s on average, by a few centimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from capture.cues.script import Cue
from capture.emulated.places.bodies import BREATH_M, Body, body_blobs
from capture.emulated.places.kinds import Place, Seat
from capture.emulated.places.rays import Blobs

__all__ = ["MOST_MORE", "PEOPLE", "Visit", "people_asked", "play_out"]

Doubles = npt.NDArray[np.float64]

PEOPLE = tuple(f"people_{n}" for n in range(6))
"""Trial types: so many people are there; the last stands for that many and more."""
MOST_MORE = 7
_SPEED_M_S = (1.3, 0.2)
_APART_M = 0.55
_TOGETHER_M = 0.48
_COUPLES = 0.4
_PACING = 0.3
_SHIFTS_S = {"sit": 45.0, "stand": 20.0, "pace": 20.0}
_SHIFT_M, _SHIFT_RAD, _SHIFT_TAKES_S = 0.03, 0.35, 1.5
_SWAY_M = {"sit": 0.002, "stand": 0.008, "pace": 0.008}
_N_SWAYS = 5
_FIRST_COME_S = 10.0
"""How long before the first cue people come: a sensor is switched on where nobody is, given that
a script leads in for longer."""


@dataclass
class Visit:
    """One stay of one person, written down knot by knot.

    Parameters
    ----------
    body : Body
    begins_s : float
        When the person comes in sight; at 0 for one who is there already.
    ends_s : float
        When it leaves; infinite until then.
    """

    body: Body
    begins_s: float
    rng_key: tuple[int, ...]
    ends_s: float = np.inf
    activity: str = "stand"
    seat: int | None = None
    knots: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    """Time, x, y, heading, seated."""

    @property
    def place(self) -> tuple[float, float]:
        """Where it last was to be."""
        return self.knots[-1][1], self.knots[-1][2]

    def stay(self, time_s: float) -> None:
        """Stay as it is until a time."""
        _, *last = self.knots[-1]
        if time_s > self.knots[-1][0]:
            self.knots.append((time_s, *last))  # type: ignore[arg-type]  # four of them

    def walk(self, time_s: float, speed: float, to: tuple[float, float]) -> float:
        """Stand up if seated, walk to a point; return when it arrives."""
        self.stay(time_s)
        start, x, y, _, seated = self.knots[-1]
        heading = float(np.arctan2(to[1] - y, to[0] - x))
        if seated:
            start += 1.2
        begin = start + 0.3
        self.knots.append((begin, x, y, heading, 0.0))
        arrives = begin + float(np.hypot(to[0] - x, to[1] - y)) / speed
        self.knots.append((arrives, to[0], to[1], heading, 0.0))
        return arrives

    def turn(self, time_s: float, heading: float, seated: float) -> None:
        """Turn, and sit down or not."""
        _, x, y, *_ = self.knots[-1]
        self.knots.append((time_s + 1.0, x, y, heading, seated))

    def blobs(self, times_s: Doubles) -> Blobs:
        """Return the body at some times."""
        t, x, y, heading, seated = np.array(self.knots).T
        rng = np.random.default_rng(self.rng_key)
        at_x, at_y = np.interp(times_s, t, x), np.interp(times_s, t, y)
        sway = _sway(times_s, _SWAY_M[self.activity], rng)
        shift = _shifts(times_s, self.begins_s, _SHIFTS_S[self.activity], rng)
        walked = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        step_m = 0.41 * self.body.stature_m
        gone = np.interp(times_s, t, walked)
        moving = np.interp(times_s + 0.25, t, walked) - np.interp(times_s - 0.25, t, walked) > 0.1
        stride = np.where(moving, step_m * np.sin(np.pi * gone / step_m), 0.0)
        breath = BREATH_M * np.sin(2.0 * np.pi * 0.25 * times_s + rng.uniform(0, 6.28))
        there = (times_s >= self.begins_s) & (times_s < self.ends_s)
        return body_blobs(
            self.body,
            np.column_stack([at_x + sway[0] + shift[0], at_y + sway[1] + shift[1], breath]),
            np.interp(times_s, t, np.unwrap(heading)) + shift[2],
            np.interp(times_s, t, seated),
            stride,
            there.astype(np.float64),
        )


def _sway(times_s: Doubles, size_m: float, rng: np.random.Generator) -> Doubles:
    """Return how a body sways, two directions: slow waves, rms `size_m` each; (2, n_times)."""
    hz = rng.uniform(0.05, 0.5, (2, _N_SWAYS, 1))
    phase = rng.uniform(0.0, 2.0 * np.pi, (2, _N_SWAYS, 1))
    waves = np.sin(2.0 * np.pi * hz * times_s + phase).sum(axis=1)
    return np.asarray(waves * size_m * np.sqrt(2.0 / _N_SWAYS))


def _shifts(times_s: Doubles, begins_s: float, every_s: float, rng: np.random.Generator) -> Doubles:
    """Return by how much somebody has shifted, x, y and heading; (3, n_times)."""
    gaps = rng.exponential(every_s, 400)
    at = begins_s + np.cumsum(gaps)
    to = rng.standard_normal((3, 401)) * [[_SHIFT_M], [_SHIFT_M], [_SHIFT_RAD]]
    knots = np.stack([at, at + _SHIFT_TAKES_S], axis=1).ravel()
    order = np.maximum.accumulate(knots)  # a shift that begins before the last is over waits
    values = np.repeat(to, 2, axis=1)[:, 1:-1]
    return np.stack([np.interp(times_s, order, one) for one in values])


def people_asked(trial_type: str, rng: np.random.Generator) -> int:
    """Return how many people a cue asks for; the last of `PEOPLE` draws one of several."""
    n = PEOPLE.index(trial_type)
    return int(rng.integers(n, MOST_MORE + 1)) if n == len(PEOPLE) - 1 else n


class _Director:
    """Keeps who is there while the cues go by."""

    def __init__(self, place: Place, regulars: Sequence[Body], key: tuple[int, ...]) -> None:
        self.place, self.regulars, self.key = place, regulars, key
        self.rng = np.random.default_rng([*key, 11])
        self.present: list[Visit] = []
        self.all: list[Visit] = []

    def _free_spot(self) -> tuple[float, float]:
        """Return a point of the zone away from everybody; the best of some where it is crowded."""
        x0, x1, y0, y1 = self.place.zone
        others = np.array([v.place for v in self.present] or [(1e3, 1e3)])
        best, far = (0.0, 0.0), -1.0
        for _ in range(30):
            spot = float(self.rng.uniform(x0, x1)), float(self.rng.uniform(y0, y1))
            nearest = float(np.hypot(*(others - spot).T).min())
            if nearest >= _APART_M:
                return spot
            if nearest > far:
                best, far = spot, nearest
        return best

    def _beside(self, other: Visit) -> tuple[float, float]:
        """Return a point close beside somebody, inside the zone."""
        x0, x1, y0, y1 = self.place.zone
        angle = self.rng.uniform(0.0, 2.0 * np.pi)
        x, y = other.place
        x += _TOGETHER_M * np.cos(angle)
        y += _TOGETHER_M * np.sin(angle)
        return float(np.clip(x, x0, x1)), float(np.clip(y, y0, y1))

    def _exit(self) -> tuple[float, float]:
        return self.place.exits[int(self.rng.integers(len(self.place.exits)))]

    def _free_seat(self) -> int | None:
        taken = {v.seat for v in self.present}
        free = [i for i in range(len(self.place.seats)) if i not in taken]
        return int(self.rng.choice(free)) if free else None

    def enter(self, earliest_s: float, latest_s: float) -> None:
        """Let somebody come in and be at its place before a time."""
        used = {v.body.person for v in self.present}
        bodies = [b for b in self.regulars if b.person not in used]
        body = bodies[int(self.rng.integers(len(bodies)))]
        key = (*self.key, 12, len(self.all))
        visit = Visit(body, 0.0, key)
        seat = self._free_seat() if self.rng.random() < self.place.seated_share else None
        target: tuple[float, float]
        if seat is not None:
            target = self.place.seats[seat][:2]
        elif self.present and self.rng.random() < _COUPLES:
            target = self._beside(self.present[-1])
        else:
            target = self._free_spot()
        start = self._exit()
        speed = max(float(self.rng.normal(*_SPEED_M_S)), 0.8)
        way = float(np.hypot(target[0] - start[0], target[1] - start[1]))
        spare = latest_s - earliest_s - way / speed - 2.0
        begin = max(0.0, earliest_s + float(self.rng.uniform(0.0, max(spare, 0.0))))
        speed = max(speed, way / max(latest_s - begin - 2.0, 1.0))
        visit.begins_s = begin
        visit.knots.append((begin, *start, 0.0, 0.0))
        arrives = visit.walk(begin, speed, target)
        self._settle(visit, arrives, seat)
        self.present.append(visit)
        self.all.append(visit)

    def _settle(self, visit: Visit, time_s: float, seat: int | None) -> None:
        visit.seat = seat
        if seat is not None:
            spot: Seat = self.place.seats[seat]
            visit.activity = "sit"
            visit.turn(time_s, spot[2] + float(self.rng.normal(0, 0.2)), 1.0)
            return
        visit.activity = "pace" if self.rng.random() < _PACING else "stand"
        visit.turn(time_s, float(self.rng.uniform(-np.pi, np.pi)), 0.0)

    def leave(self, visit: Visit, earliest_s: float, latest_s: float) -> None:
        """Let somebody go out of sight before a time."""
        begin = float(self.rng.uniform(earliest_s, earliest_s + 0.25 * (latest_s - earliest_s)))
        out = self._exit()
        way = float(np.hypot(out[0] - visit.place[0], out[1] - visit.place[1]))
        speed = max(float(self.rng.normal(*_SPEED_M_S)), way / max(latest_s - begin - 2.0, 1.0))
        visit.ends_s = visit.walk(begin, speed, out)
        self.present.remove(visit)

    def pace(self, begin_s: float, end_s: float) -> None:
        """Let those who walk about do so, within the zone, during a cue."""
        for visit in self.present:
            if visit.activity != "pace":
                continue
            now = max(begin_s, visit.knots[-1][0])
            while now < end_s - 6.0:
                now = visit.walk(now, 0.9, self._free_spot())
                now += float(self.rng.exponential(4.0))


def play_out(
    place: Place, regulars: Sequence[Body], cues: Sequence[Cue], key: tuple[int, ...]
) -> list[Visit]:
    """Return everybody's stays, so that each cue has as many people as it says.

    Parameters
    ----------
    place : Place
    regulars : sequence of Body
        The people of the place; at least as many as are ever there at once.
    cues : sequence of Cue
        Of `PEOPLE`, in order of time.
    key : tuple of int
        Seeds everything drawn.
    """
    director = _Director(place, regulars, key)
    before_s = cues[0].onset_us * 1e-6 - _FIRST_COME_S
    for cue in cues:
        onset, end = cue.onset_us * 1e-6, cue.end_us * 1e-6
        wanted = people_asked(cue.trial_type, director.rng)
        while len(director.present) > wanted:
            who = int(director.rng.integers(len(director.present)))
            director.leave(director.present[who], before_s, onset)
        while len(director.present) < wanted:
            director.enter(before_s, onset)
        director.pace(onset, end)
        before_s = end
    return director.all
