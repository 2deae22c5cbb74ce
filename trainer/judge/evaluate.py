"""Evaluation: figures that a stranger's test would confirm.

Whole participants (or sensor units) are held out; this file refuses anything else. Figures carry
an interval over participants, and every use of the locked participants is written down.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import confusion_matrix

from capture.tsv_tables import alone_in
from runtime.errors import FormatError, UsageError
from runtime.files import read_limited, write_whole
from trainer.judge.intervals import difference_over_participants, over_participants

__all__ = [
    "Conditions",
    "Takes",
    "confusion",
    "difference",
    "figures",
    "log_test_use",
    "majority",
    "refuse_shared_groups",
    "rounded_figure",
    "together",
]

_log = logging.getLogger(__name__)
MAX_LOG_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Takes:
    """Judged takes: who performed them, reference class and answer.

    Parameters
    ----------
    participants : tuple of str, length n_takes
    labels, answers : int64 (n_takes,)
        Reference class and class answered.
    """

    participants: tuple[str, ...]
    labels: NDArray[np.int64]
    answers: NDArray[np.int64]

    def select(self, chosen: NDArray[np.bool_]) -> Takes:
        """Return some of the takes: bool (n_takes,)."""
        names = tuple(n for n, wanted in zip(self.participants, chosen, strict=True) if wanted)
        return Takes(names, self.labels[chosen], self.answers[chosen])


@dataclass(frozen=True, slots=True)
class Conditions:
    """Under what each take was performed.

    Parameters
    ----------
    ambient : float64 (n_takes,)
        Mean of the dark exposure over the black level, as a share of the counts' range.
    returned : float64 (n_takes,)
        Most light that came back during the take: lit minus dark, in the units of the entry stage.
    distance_mm : float64 (n_takes,)
        As a collector noted it for the recording; NaN where nobody did.
    noted : tuple of (mapping of str to str), length n_takes, or empty
        What columns that somebody added to the tables of labels say of each take.
    """

    ambient: NDArray[np.float64]
    returned: NDArray[np.float64]
    distance_mm: NDArray[np.float64]
    noted: tuple[Mapping[str, str], ...] = ()


def refuse_shared_groups(train: Sequence[str], test: Sequence[str], what: str) -> None:
    """Refuse a split in which a participant (or unit) is on both sides.

    Raises
    ------
    UsageError
        One side is empty, or a group is on both.
    """
    for side, groups in (("training", train), ("test", test)):
        if not groups:
            do = "mark some participants as locked, and leave others for training"
            raise UsageError("split", f"{side} {what}", 0, "at least 1", do)
    shared = sorted(set(train) & set(test))
    if shared:
        raise UsageError(
            "split", f"{what} {shared[0]}", "in training and in test", "on one side only"
        )


def figures(takes: Takes) -> dict[str, dict[str, float | int]]:
    """Return accuracy and macro F1 of judged takes with intervals over participants.

    Macro F1 is the plain mean over classes of each class's F1 (classes that occur neither in the
    labels nor in the answers are left out); its interval is that of the participants' own macro F1.

    Returns
    -------
    dict
        ``accuracy`` and ``macro_f1``, each with value, low, high, n_participants, n_takes.

    Raises
    ------
    UsageError
        There is no take.
    """
    if not len(takes.labels):
        do = "check that the labels lie inside the recordings"
        raise UsageError("evaluation", "takes", 0, "at least 1", do)
    names, owner = np.unique(np.array(takes.participants), return_inverse=True)
    right = takes.labels == takes.answers
    shares = np.bincount(owner, right) / np.bincount(owner)
    result: dict[str, dict[str, float | int]] = {}
    for name, value, each in (
        ("accuracy", float(right.mean()), shares.tolist()),
        ("macro_f1", _macro_f1(takes, np.zeros_like(owner))[0], _macro_f1(takes, owner)),
    ):
        figure = rounded_figure(value, over_participants(each, len(right)))
        result[name] = {**figure, "n_participants": len(names), "n_takes": len(right)}
    return result


def _macro_f1(takes: Takes, owner: NDArray[np.intp]) -> list[float]:
    """Return each owner's macro F1; owners are numbered, and each has a take.

    ``2 TP / (2 TP + FP + FN)`` of a class is twice its hits over the labels and answers that name
    it. Counted for all owners at once: scikit-learn's, asked one by one, took a third of the time
    of training on 800 people.
    """
    classes, numbers = np.unique(np.stack([takes.labels, takes.answers]), return_inverse=True)
    size = int(owner.max()) + 1, len(classes)
    label, answer = (owner * size[1] + each for each in numbers.reshape(2, -1))
    named, hits = (
        np.bincount(each, minlength=size[0] * size[1]).reshape(size)
        for each in (np.concatenate([label, answer]), label[label == answer])
    )
    return [
        float((2.0 * hit[name > 0] / name[name > 0]).mean())
        for hit, name in zip(hits, named, strict=True)
    ]


def difference(first: Takes, second: Takes) -> dict[str, float | int]:
    """Return how much more often one pipeline is right than another about the same takes.

    Returns
    -------
    dict
        ``value`` (accuracy of the first minus that of the second), ``low`` and ``high`` (paired
        over participants), ``n_participants``, ``n_takes``.

    Raises
    ------
    UsageError
        There is no take, or the takes are not the same ones.
    """
    n_takes = len(first.labels)
    alike = first.participants == second.participants
    if not n_takes or not alike or not np.array_equal(first.labels, second.labels):
        raise UsageError(
            "difference", "takes", "other ones or none", "the same for both, 1 or more"
        )
    people = np.array(first.participants)
    names = sorted(set(first.participants))
    right = [(t.labels == t.answers).astype(np.float64) for t in (first, second)]
    one, other = ([float(r[people == name].mean()) for name in names] for r in right)
    interval = difference_over_participants(one, other, n_takes)
    figure = rounded_figure(float(right[0].mean() - right[1].mean()), interval)
    return {**figure, "n_participants": len(names), "n_takes": n_takes}


def rounded_figure(value: float, interval: tuple[float, float]) -> dict[str, float]:
    """Return a figure and its interval as evaluation.json holds them; the interval covers it."""
    low, high = interval
    return {
        "value": round(value, 6),
        "low": round(min(low, value), 6),
        "high": round(max(high, value), 6),
    }


def together(parts: Sequence[Takes]) -> Takes:
    """Join the takes of several recordings."""
    return Takes(
        tuple(name for part in parts for name in part.participants),
        np.concatenate([part.labels for part in parts]),
        np.concatenate([part.answers for part in parts]),
    )


def confusion(takes: Takes, n_classes: int) -> list[list[int]]:
    """Return counts of takes, one row per reference class, one column per class answered."""
    matrix = confusion_matrix(takes.labels, takes.answers, labels=np.arange(n_classes))
    return [[int(n) for n in row] for row in matrix]


def majority(takes: Takes, train_labels: NDArray[np.int64]) -> Takes:
    """Return the same takes answered with the class that training saw most often."""
    answer = int(np.bincount(train_labels).argmax())
    return Takes(takes.participants, takes.labels, np.full_like(takes.labels, answer))


def log_test_use(folder: Path, use: dict[str, Any]) -> list[dict[str, Any]]:
    """Write down in the data set that its locked participants were used.

    The log is ``derivatives/palmwatt/test_uses.json``. A use is told by its recipe and data:
    repeating it gives the same model and the same figures, so that it is logged once.

    Parameters
    ----------
    use : dict
        ``recipe``, ``data`` (digests), ``classes`` and ``participants``.

    Returns
    -------
    list of dict
        All uses for the same classes or of the same data, whatever the recipes were called: what
        wears the locked participants out. Where the data set cannot be written to, this use is
        among them all the same, and a warning says that it stays unlogged.

    Raises
    ------
    FormatError
        The log is not what this function writes.
    """
    path = folder / "derivatives" / "palmwatt" / "test_uses.json"
    uses: list[dict[str, Any]] = []
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with alone_in(path.parent):
            uses = _read_uses(path) if path.exists() else []
            if use not in uses:
                uses.append(use)
                text = json.dumps(uses, indent=2, sort_keys=True) + "\n"
                write_whole(path, text.encode())
    except (OSError, UsageError) as error:
        _log.warning("this use of the locked participants is not written down: %s", error)
        uses = uses or [use]
    alike = ("classes", "data")
    return [one for one in uses if any(one.get(key) == use[key] for key in alike)]


def _read_uses(path: Path) -> list[dict[str, Any]]:
    log = read_limited(path, MAX_LOG_BYTES)
    try:
        uses = json.loads(log.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise FormatError(str(path), "log of test uses", "not JSON", "a list") from error
    if not isinstance(uses, list) or not all(isinstance(u, dict) for u in uses):
        raise FormatError(str(path), "log of test uses", "another value", "a list of objects")
    return uses
