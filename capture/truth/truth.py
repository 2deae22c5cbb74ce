"""What is doubtful about labels, worst first, each with its reason in words.

Measured with planted errors in `tests/bench/bench_label_truth.py`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.cues.script import IDLE, RIG, Script, asks_to_move
from capture.store.session import Session, read_session
from capture.truth.opinions import MIN_PEOPLE, Opinions, second_opinions
from capture.truth.order import (
    CLEAR,
    Order,
    alike,
    better_order,
    nearest_takes,
    order_alike,
    orders,
)
from capture.truth.takes import Exposures, Takes, read_exposures, read_takes
from runtime.errors import FormatError

__all__ = [
    "MAX_DOUBTFUL",
    "Doubt",
    "Recorded",
    "doubts",
    "doubts_of_files",
    "label_faults",
    "read_recorded",
]

Floats = npt.NDArray[np.float64]

MAX_DOUBTFUL = 0.25
"""Share of a session's takes beyond which its labels are not fit: more than a second opinion errs
on sound labels of emulated people and of two worlds of the tests."""
STILL = 0.1
"""Light falls with the fourth power of the distance: a tenth of it is 2.5 % of the way to a hand,
3 mm at 120 mm, what a still hand moves by itself."""
_NOISE = 5.0
_TIMES_STILL = 2.0
"""Where idle time is shown, takes that move no more than twice as far are still."""
_QUARTER = 0.25
"""Of a person's usual movement or length: less is no way to do the same gesture. On sound labels
of emulated people and of the tests' two worlds, 1 take in 100 is below it."""
_TIMES = 2.0
"""Another label must be twice as likely."""
_LEAST_AGREEMENT = 0.7
"""Below, a second opinion errs in three of ten sound takes, and nothing is said of single ones."""
_MOST_TOLD = 0.1
"""The most takes that a second opinion speaks against: one that errs more says little of each."""
SHORTEST_S = 0.1
"""A hand needs longer for the shortest movement there and back (from memory)."""
_LITTLE_LIGHT = 0.1
_IN_BOTH = 0.1
"""Half of the least that lamps leave: of ones that go out with each half wave the dimmer of two
exposures of half a period holds (1 - 2/pi) / (1 + 2/pi), 0.22 of the brighter."""
_TIMES_DARK = 2.0
"""A light that makes lit exposures change less, as a multiple of the dark ones' noise, is lost in
it: noise alone gives 1, within some hundredths of a recording of seconds."""
_NO_PATTERN = 0.05
"""Share of shuffled labels that agree as well as those given."""
_FOR_A_PATTERN = 3
"""Takes a label on average, and takes of a session: with two, chance gives as much as likeness."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason to look at a take, or at a whole session, again.

    Parameters
    ----------
    session : str
        Name of its file.
    row : int or None
        Row of the events table, from 0; None for the session as a whole.
    about : str
        ``nothing moved``, ``nothing there``, ``other label``, ``length``, ``out of step`` or
        ``no pattern``.
    score : float
        The higher, the more doubtful; comparable among the takes of a data set.
    text : str
        The reason in words.
    """

    session: str
    row: int | None
    about: str
    score: float
    text: str

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return {
            "session": self.session,
            "row": self.row,
            "about": self.about,
            "score": round(self.score, 6),
            "text": self.text,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """A session as its truth is judged: its takes, and what was asked for."""

    takes: Takes
    session: Session
    of_rig: Exposures | None = None
    """Where a rig's own lights are recorded by a sensor without an LED."""

    @property
    def script(self) -> Script:
        """What the participant was asked to do."""
        return self.session.script


def read_recorded(session: Session) -> Recorded:
    """Read a session once.

    Raises
    ------
    FormatError
        The file is damaged.
    """
    takes = read_takes(session)
    of_rig = session.sensor.led_current_ma == 0.0 and set(takes.labels) <= set(RIG)
    return Recorded(takes, session, read_exposures(session) if of_rig else None)


def doubts(recorded: Sequence[Recorded], rng: np.random.Generator) -> list[Doubt]:
    """Judge the labels of several sessions of one task together.

    Parameters
    ----------
    recorded : sequence of Recorded
        Sessions of the same script.
    rng : Generator
        For the comparison with chance.

    Returns
    -------
    list of Doubt
        Whole sessions first, then takes, the most doubtful first; one for each take at most. None
        of a rig whose lamps shine in both exposures: lit minus dark holds nothing of them.
    """
    sessions = [each for each in recorded if each.takes.labels and not _shines_in_both(each)]
    if not sessions:
        return []
    first = second_opinions([each.takes for each in sessions])
    starts = np.cumsum([0, *(len(each.takes.labels) for each in sessions)])
    whole = [
        doubt
        for each, start in zip(sessions, starts[:-1], strict=True)
        if (doubt := _whole(each, first, int(start), rng)) is not None
    ]
    out = {doubt.session for doubt in whole}
    sound = [each.takes for each in sessions if each.takes.name not in out]
    # What is wrong as a whole must not speak about the others.
    opinions = first if not out else second_opinions(sound) if sound else None
    worst: dict[tuple[str, int | None], Doubt] = {}
    for doubt in [
        *_told_once(sound, [doubt for takes in sound for doubt in _by_itself(takes)]),
        *(doubt for takes in sound for doubt in _lengths(takes)),
        *_opposed(sound, opinions),
    ]:
        key = (doubt.session, doubt.row)
        if key not in worst or doubt.score > worst[key].score:
            worst[key] = doubt
    return [*whole, *sorted(worst.values(), key=lambda d: (-d.score, d.session, d.row or 0))]


def doubts_of_files(files: Iterable[Path], rng: np.random.Generator) -> list[Doubt]:
    """Judge the labels of sessions' files, those of each task together; unreadable ones not.

    Raises
    ------
    UsageError
        A file is being recorded.
    """
    tasks: dict[str, list[Recorded]] = {}
    for file in files:
        try:
            session = read_session(file)
            if session.events:
                tasks.setdefault(session.script.name, []).append(read_recorded(session))
        except FormatError:
            continue  # said where the data set is validated
    return [doubt for _, recorded in sorted(tasks.items()) for doubt in doubts(recorded, rng)]


def label_faults(name: str, n_takes: int, found: Sequence[Doubt]) -> tuple[str, ...]:
    """Return why a session's labels are not fit for training; empty if they are.

    Parameters
    ----------
    name : str
        Of its file.
    n_takes : int
        Its good takes.
    found : sequence of Doubt
        Of its whole data set.
    """
    own = [doubt for doubt in found if doubt.session == name]
    faults = [doubt.text for doubt in own if doubt.row is None]
    n_doubtful = sum(doubt.row is not None for doubt in own)
    if n_doubtful > MAX_DOUBTFUL * n_takes:
        faults.append(
            f"{n_doubtful} of {n_takes} takes are doubtful, at most {MAX_DOUBTFUL:.0%} is allowed"
        )
    return tuple(faults)


def _whole(
    one: Recorded, opinions: Opinions | None, start: int, rng: np.random.Generator
) -> Doubt | None:
    """Judge a session as a whole: whether anything is done in it, in the order of its labels."""
    takes = one.takes
    acted = _acted(takes)
    if acted.sum() >= _FOR_A_PATTERN and _empty(takes, acted, one.of_rig):
        what = "moved" if takes.movement else "there"
        text = f"in no take of it was anything {what}"
        return Doubt(takes.name, None, f"nothing {what}", np.inf, text)
    candidates = orders(takes.labels, one.session.events, one.script, one.session.header.seed)
    if opinions is not None and opinions.n_people >= MIN_PEOPLE:
        chances = opinions.of_others[start : start + len(takes.labels)]
        found = better_order(takes.labels, chances, opinions.labels, candidates)
        if found is not None:
            text = f"its takes are {found[0].text} ({found[1]:.0f} standard errors)"
            return Doubt(takes.name, None, "out of step", found[1], text)
    return _pattern(takes, candidates, rng)


def _shines_in_both(one: Recorded) -> bool:
    """Tell whether a session is of a rig's lamps that are on in dark exposures too."""
    return one.of_rig is not None and one.of_rig.dark_share > _IN_BOTH


def _pattern(takes: Takes, candidates: Sequence[Order], rng: np.random.Generator) -> Doubt | None:
    """Judge whether a session's takes of one label are alike at all."""
    n, n_labels = len(takes.labels), len(set(takes.labels))
    if n_labels < 2 or n < _FOR_A_PATTERN * n_labels:
        return None
    nearest = nearest_takes(takes.shapes)
    given = alike(nearest, takes.labels, rng)
    if given.share <= _NO_PATTERN:
        return None
    better = order_alike(nearest, candidates, given)
    if better is None and not takes.movement:
        return None  # held shapes of one person are alike too little for their labels to show
    if better is not None:
        text = f"its takes are {better.text}: takes of one label are alike only so"
        return Doubt(takes.name, None, "out of step", CLEAR, text)
    text = (
        f"its labels and its readouts have nothing to do with each other: {given.n} of {n} takes "
        f"are likest to one of their own label, {given.by_chance:.0f} by chance"
    )
    return Doubt(takes.name, None, "no pattern", 1.0 - given.share, text)


def _acted(takes: Takes) -> npt.NDArray[np.bool_]:
    """Takes in which something is to be done: all but idle time and hands that are away."""
    return np.array([asks_to_move(label) for label in takes.labels])


def _empty(takes: Takes, acted: npt.NDArray[np.bool_], of_rig: Exposures | None) -> bool:
    if of_rig is not None:  # which may stop too shortly for noise to be told from its lights
        return of_rig.times_dark < _TIMES_DARK
    if not takes.movement:
        return float(np.median(takes.lights[acted])) < _NOISE * takes.noise
    usual = float(np.median(takes.spans[acted]))
    still = takes.spans[~acted]
    calm = max(takes.noise, float(np.median(still))) if len(still) else np.inf
    return usual < min(STILL, _TIMES_STILL * calm)


def _by_itself(takes: Takes) -> list[Doubt]:
    """Takes in which nothing moved, or nothing was there."""
    acted = _acted(takes)
    if not acted.any():
        return []
    if not takes.movement:
        usual = float(np.median(takes.lights[acted]))
        return [
            Doubt(
                takes.name, takes.rows[i], "nothing there", 10.0,
                f"only {takes.lights[i] / usual:.0%} of the light of the other takes came back",
            )
            for i in np.flatnonzero(acted & (takes.lights < _LITTLE_LIGHT * usual))
        ]  # fmt: skip
    usual = float(np.median(takes.spans[acted]))
    least = max(_least_span(takes, acted, usual), takes.noise)
    return [
        Doubt(
            takes.name, takes.rows[i], "nothing moved", 10.0 * least / max(takes.spans[i], 1e-9),
            f"the readout moved {takes.spans[i] / usual:.0%} as far as in the person's usual take",
        )
        for i in np.flatnonzero(acted & (takes.spans < least))
    ]  # fmt: skip


def _told_once(sessions: Sequence[Takes], found: Sequence[Doubt]) -> list[Doubt]:
    """Tell in one doubt what is so of a quarter of a label's takes: it may mean nothing to do."""
    labels = {
        (s.name, row): lab for s in sessions for row, lab in zip(s.rows, s.labels, strict=True)
    }
    people: dict[str, set[str]] = {}
    for each in sessions:
        for label in each.labels:
            people.setdefault(label, set()).add(each.participant)
    left = list(found)
    for label, n_takes in Counter(labels.values()).items():
        own = [doubt for doubt in found if labels[doubt.session, doubt.row or 0] == label]
        if len(own) > MAX_DOUBTFUL * n_takes and len(people[label]) >= MIN_PEOPLE:
            worst = max(own, key=lambda doubt: doubt.score)
            text = (
                f"{worst.about} in {len(own)} of {n_takes} takes of {label}, this one first: "
                f"call it {IDLE}_{label} if it asks for nothing, else look at all of them"
            )
            left = [doubt for doubt in left if doubt not in own]
            left.append(replace(worst, text=text))
    return left


def _least_span(takes: Takes, acted: npt.NDArray[np.bool_], usual: float) -> float:
    """Return the span below which nothing moved: what idle time hardly passes."""
    still = takes.spans[~acted]
    calm = float(np.quantile(still, 0.9)) if len(still) >= _FOR_A_PATTERN else np.inf
    return min(calm, _QUARTER * usual)


def _lengths(takes: Takes) -> list[Doubt]:
    """Takes that are too short for a hand, or much shorter than the person's others."""
    found = []
    for i in np.flatnonzero(_acted(takes)) if takes.movement else ():
        length_s = takes.durations_s[i]
        same = takes.durations_s[np.array(takes.labels) == takes.labels[i]]
        usual_s = float(np.median(same[np.isfinite(same)])) if np.isfinite(same).any() else 0.0
        if length_s < SHORTEST_S:
            text = f"it lasts {1000 * length_s:.0f} ms, less than a hand needs"
        elif np.isfinite(same).sum() > _FOR_A_PATTERN and length_s < _QUARTER * usual_s:
            text = f"it lasts {length_s:.2f} s, the person's usual take of it {usual_s:.2f} s"
        else:
            continue
        found.append(Doubt(takes.name, takes.rows[i], "length", 5.0, text))
    return found


def _opposed(sessions: Sequence[Takes], opinions: Opinions | None) -> list[Doubt]:
    """Takes that look clearly more like those of another label."""
    if opinions is None or opinions.agreement() < _LEAST_AGREEMENT:
        return []
    chances = opinions.both
    n = len(chances)
    own = np.maximum(chances[np.arange(n), opinions.given], 0.005)
    others = chances.copy()
    others[np.arange(n), opinions.given] = -1.0
    rival = others.argmax(axis=1)
    times = others[np.arange(n), rival] / own
    told = np.flatnonzero(times > _TIMES)
    told = told[np.argsort(-times[told], kind="stable")][: max(1, round(_MOST_TOLD * n))]
    places = [(each, k) for each in sessions for k in range(len(each.labels))]
    found = []
    for i in told:
        each, k = places[i]
        label = opinions.labels[rival[i]]
        text = f"it looks more like {label} than {each.labels[k]} ({times[i]:.1f} times as likely)"
        found.append(Doubt(each.name, each.rows[k], "other label", float(times[i]), text))
    return found
