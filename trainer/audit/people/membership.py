"""Membership: whether a person was among those that a model learned from.

The attacker holds the model's files as shipped and takes of a person, and looks at how well the
model does on them: better than on strangers where it has learned the person by heart. It is asked
person by person, since that is who is protected or not.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_softmax

from runtime.errors import FormatError
from runtime.files import read_limited
from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.people.rates import (
    area_under_roc,
    cannot_tell,
    jackknife,
    mean_of,
    told,
    widened,
)
from trainer.audit.steps import ChainTakes
from trainer.judge.calibration import calibrate
from trainer.judge.intervals import over_participants

__all__ = [
    "MODEL_FILES",
    "OF_A_PERSON",
    "QUESTION",
    "Members",
    "attack_membership",
    "by_threshold",
    "members_of",
    "of_people",
    "others_by_name",
]

MODEL_FILES = "model's files"
"""The step that is attacked: the model as it is shipped, run by whoever has it."""
QUESTION = "membership"
OF_A_PERSON = "takes of a person"
AREA, ADVANTAGE = "area under ROC", "advantage"
BLIND_AREA = 0.5
SEED = 1
_MAX_BYTES = 1 << 28
_MOST_ALIKE = 0.9
"""Of a session's takes, to be the one that was evaluated: a label or two may have been mended."""


@dataclass(frozen=True, slots=True)
class Members:
    """Who was learned from and who was not, of the people whose takes there are.

    Parameters
    ----------
    inside, outside : tuple of str
        Pseudonyms.
    """

    inside: tuple[str, ...]
    outside: tuple[str, ...]

    @property
    def why_not(self) -> str:
        """Why nothing can be told of so few; empty otherwise."""
        fewest = min(len(self.inside), len(self.outside))
        if fewest >= LEAST_PEOPLE:
            return ""
        return (
            f"only {len(self.inside)} people who were trained on and {len(self.outside)} who were "
            f"not, of at least {LEAST_PEOPLE} each"
        )


def members_of(model_dir: Path, people: Sequence[str]) -> Members | None:
    """Read who a model learned from, as its ``evaluation.json`` says; None where it does not.

    That file names pseudonyms outright: where it is shipped with the model, nobody need attack.

    Raises
    ------
    FormatError
        The file is not what training writes.
    """
    path = model_dir / "evaluation.json"
    if not path.is_file():
        return None
    try:
        content: Any = json.loads(read_limited(path))
        trained = content["participants"]["train"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise FormatError(str(path), "participants.train", "missing", "a list of people") from None
    if not isinstance(trained, list) or not all(isinstance(name, str) for name in trained):
        raise FormatError(str(path), "participants.train", "something else", "a list of people")
    names = sorted(set(people))
    return Members(
        tuple(n for n in names if n in set(trained)), tuple(n for n in names if n not in trained)
    )


def others_by_name(model_dir: Path, takes: ChainTakes) -> tuple[str, ...]:
    """Return who has takes under the name of somebody else who was evaluated; sorted.

    Pseudonyms are given anew in every data set, so that P01 is one person here and another there.
    Of a session that ``predictions.csv`` names, most takes have to be those evaluated: asked for
    the same, about the same time. A model without that file, or sessions that it does not name, are
    taken at their names.

    Raises
    ------
    FormatError
        The file is not what training writes.
    """
    evaluated = _evaluated(model_dir / "predictions.csv")
    found = set()
    for session in sorted(set(takes.sessions.tolist()) & evaluated.keys()):
        own = takes.sessions == session
        starts, labels = evaluated[session]
        last = np.searchsorted(starts, takes.times_s[own, -1], side="right") - 1
        same = (labels[np.maximum(last, 0)] == takes.trial_types[own]) & (last >= 0)
        if same.mean() < _MOST_ALIKE:
            found |= set(takes.participants[own].tolist())
    return tuple(sorted(found))


def _evaluated(path: Path) -> dict[str, tuple[Float64, NDArray[np.str_]]]:
    """Return when each session's takes began, rising, and what was asked for; none of no file."""
    if not path.is_file():
        return {}
    takes: dict[str, dict[float, str]] = {}
    content = read_limited(path, _MAX_BYTES)
    try:
        for row in csv.DictReader(io.StringIO(content.decode("utf-8"))):
            if row["start_s"]:  # not known of rows of a baseline
                takes.setdefault(row["session"], {})[float(row["start_s"])] = row["reference"]
    except (ValueError, KeyError, TypeError, csv.Error):
        raise FormatError(
            str(path), "session, reference and start_s", "not in every row", "a row for each take"
        ) from None
    return {
        session: (np.array(sorted(each)), np.array([each[start] for start in sorted(each)]))
        for session, each in takes.items()
    }


def of_people(
    scores: Float64, labels: Int64, people: Sequence[str] | NDArray[np.str_]
) -> dict[str, dict[str, float]]:
    """Return what a model's scores say of how well it knows each person.

    Parameters
    ----------
    scores : float64 (n_takes, n_classes)
        Of each take, in any unit: the attacker learns the temperature that makes them likeliest.
    labels : int64 (n_takes,)
    people : sequence of str (n_takes,)

    Returns
    -------
    dict
        By attacker: each person's mean, larger for who is known better. ``loss threshold`` is the
        logarithm of the chance of what was asked for, ``confidence threshold`` that of what was
        answered, for which nobody need know what was asked.
    """
    logs = log_softmax(scores / calibrate(scores, labels).temperature, axis=1)
    known = {
        "loss threshold": logs[np.arange(len(labels)), labels],
        "confidence threshold": logs.max(axis=1),
    }
    names, person = np.unique(np.asarray(people), return_inverse=True)
    count = np.bincount(person)
    return {
        attacker: dict(
            zip(names.tolist(), (np.bincount(person, each) / count).tolist(), strict=True)
        )
        for attacker, each in known.items()
    }


def by_threshold(takes: ChainTakes) -> dict[str, dict[str, float]]:
    """Return :func:`of_people` of the takes of a chain, each where it is told most surely."""
    closing = takes.model.closing
    frames = takes.frames[closing.evidence_name].astype(np.float64)
    two_best = np.sort(frames, axis=2)[:, :, -2:]
    surest = (two_best[:, :, 1] - two_best[:, :, 0]).argmax(axis=1)
    scores = frames[np.arange(len(frames)), surest]
    places = {name: index for index, name in enumerate(takes.model.classes)}
    labels = np.array([places[label] for label in takes.trial_types.tolist()], dtype=np.int64)
    return of_people(scores, labels, takes.participants)


def attack_membership(
    known: Mapping[str, Mapping[str, float]], members: Members, knows: Mapping[str, str]
) -> list[Finding]:
    """Return what every attacker tells of who was trained on.

    Parameters
    ----------
    known : mapping
        By attacker, each person's figure: larger for who is taken to have been trained on.
    members : Members
    knows : mapping of str to str
        By attacker: what it was given.

    Returns
    -------
    list of Finding
        The area under the ROC; and the advantage, how much oftener who was trained on is taken for
        it than who was not, by the threshold that parts another half of the people best.
    """
    n_people = len(members.inside) + len(members.outside)
    if members.why_not:
        return [cannot_tell(MODEL_FILES, QUESTION, n_people, members.why_not, OF_A_PERSON)]
    people = (*members.inside, *members.outside)
    inside = np.arange(n_people) < len(members.inside)
    figures = {name: np.array([each[p] for p in people]) for name, each in known.items()}
    rest = {"confidence": widened(len(figures))}
    return [
        attack(each, inside, name, knows[name], **rest)
        for attack in (_area, _advantage)
        for name, each in figures.items()
    ]


def _area(
    figures: Float64, inside: NDArray[np.bool_], attacker: str, knows: str, confidence: float
) -> Finding:
    def area(kept: NDArray[np.bool_]) -> float:
        return area_under_roc(figures[kept & inside], figures[kept & ~inside])

    fewest = int(min(inside.sum(), (~inside).sum()))
    value = area(np.ones(len(inside), dtype=bool))
    low, high = jackknife(area, len(inside), confidence, n_least=fewest)
    blind = BLIND_AREA
    return told(
        Finding(
            MODEL_FILES, QUESTION, OF_A_PERSON, attacker, knows, AREA, value, blind,
            value - blind, low - blind, high - blind, len(inside),
        )
    )  # fmt: skip


def _advantage(
    figures: Float64, inside: NDArray[np.bool_], attacker: str, knows: str, confidence: float
) -> Finding:
    taken = _taken_for_members(figures, inside)
    sides = [(taken[inside], 1.0), (taken[~inside], -1.0)]
    value, down, up = 0.0, 0.0, 0.0
    for side, sign in sides:
        mean = mean_of(side.astype(np.float64))
        low, high = over_participants(side.astype(np.float64).tolist(), len(side), confidence)
        below, above = (mean - low, high - mean) if sign > 0 else (high - mean, mean - low)
        value, down, up = value + sign * mean, np.hypot(down, below), np.hypot(up, above)
    ends = float(value), 0.0, float(value), float(value - down), float(value + up)
    return told(
        Finding(
            MODEL_FILES, QUESTION, OF_A_PERSON, attacker, knows, ADVANTAGE, *ends,
            len(inside),
        )
    )  # fmt: skip


def _taken_for_members(figures: Float64, inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell who is above the threshold that parts the other half of the people best.

    Halves have as many of each kind, and no person has a part in the threshold that judges it or
    any other of its half: what is found there is chance for each by itself.
    """
    taken = np.zeros(len(inside), dtype=bool)
    half = np.zeros(len(inside), dtype=bool)
    rng = np.random.default_rng([SEED, len(inside)])
    for side in (inside, ~inside):
        half[rng.permutation(np.flatnonzero(side))[::2]] = True
    for judged in (half, ~half):
        members, strangers = figures[~judged & inside], figures[~judged & ~inside]
        thresholds = np.unique(figures[~judged])
        caught = 1.0 - np.searchsorted(np.sort(members), thresholds) / len(members)
        wrong = 1.0 - np.searchsorted(np.sort(strangers), thresholds) / len(strangers)
        taken[judged] = figures[judged] >= thresholds[(caught - wrong).argmax()]
    return taken
