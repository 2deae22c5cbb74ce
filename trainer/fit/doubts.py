"""What a fit shows about itself: one answer for all, rounding that costs, levels too coarse.

Each doubt is one line with its number; what cannot be a meaningful model is refused.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from capture.measure.readiness import Caution
from runtime.errors import UsageError
from runtime.stages.contract.stage import Int32
from runtime.stages.level import Level
from trainer.learn.features import StageChain

__all__ = ["doubts", "level_bits", "refuse_one_answer"]

MOST_ROUNDING_LOSS = 0.01
"""A point: what more people are worth recording for, so that rounding must not cost it."""
FEWEST_LEVEL_BITS = 5.0
"""Of 2^5 steps rounding is off by 0.29 rms, 1 % of a frame's largest share: as much as pixels of
one array differ in their response (common practice, no source)."""
MOST_IN_ONE = 0.9
"""Of all answers; where the class was cued as often as that, it is only right."""


def level_bits(chain: StageChain, recordings: Sequence[Int32]) -> float | None:
    """Return how many bits of the level stage's outputs the usual frame uses.

    Parameters
    ----------
    chain : StageChain
        Fitted; with a level stage in it.
    recordings : sequence of int32 (n_frames, n_values)
        What the chain is run over: frames in which light came back, since noise divided by next to
        nothing uses all bits.

    Returns
    -------
    float or None
        Base-2 logarithm of the median frame's largest share, in steps; None without a level stage
        or without a frame.
    """
    for place, stage in enumerate(chain.stages):
        if isinstance(stage, Level):
            upto = dataclasses.replace(chain, stages=chain.stages[: place + 1])
            shares = [upto.run(values)[:, :-1] for values in recordings]
            largest = np.concatenate([np.abs(each).max(axis=1) for each in shares])
            if not len(largest):
                return None
            return float(np.log2(max(1.0, float(np.median(largest)))))
    return None


def refuse_one_answer(name: str, in_turn: Sequence[int] | Any, classes: Sequence[str]) -> None:
    """Refuse a fit that answers one class for every take of training people held out in turn.

    Parameters
    ----------
    in_turn : int64 (n_takes,)
        Classes answered.

    Raises
    ------
    UsageError
        There is one answer for all, and more than one class.
    """
    answers = np.unique(np.asarray(in_turn))
    if len(answers) == 1 and len(classes) > 1:
        raise UsageError(
            name, "answers to all takes of people held out in turn",
            f"{classes[int(answers[0])]}, nothing else", "one for each class",
            "run palmwatt inspect on the data, and look at labels and light",
        )  # fmt: skip


def doubts(evaluation: Mapping[str, Any], bits: float | None) -> list[Caution]:
    """Return what is to be known of a fit before its figures are believed.

    Parameters
    ----------
    evaluation : mapping
        Content of evaluation.json.
    bits : float or None
        As :func:`level_bits` returns it.
    """
    found = []
    if bits is not None and bits < FEWEST_LEVEL_BITS:
        found.append(
            Caution(
                "level resolution", round(bits, 3),
                f"The usual frame uses {bits:.1f} bits after the level stage, below "
                f"{FEWEST_LEVEL_BITS:g}: its values are rounded to almost nothing.",
            )
        )  # fmt: skip
    for name, real, fixed in (
        ("this model", "float", "fixed"),
        ("the four-quadrant baseline", "four_quadrant_float", "four_quadrant"),
    ):
        if real in evaluation and fixed in evaluation:
            loss = evaluation[real]["accuracy"]["value"] - evaluation[fixed]["accuracy"]["value"]
            if loss > MOST_ROUNDING_LOSS:
                found.append(
                    Caution(
                        "rounding", round(loss, 6),
                        f"Fixed point costs {name} {100 * loss:.1f} points of accuracy, more than "
                        f"{100 * MOST_ROUNDING_LOSS:g}: give its stages more bits (level_bits, "
                        "direction_bits, hidden_bits or weight_bits of the recipe).",
                    )
                )  # fmt: skip
    return found + _answers(evaluation)


def _answers(evaluation: Mapping[str, Any]) -> list[Caution]:
    found = []
    matrix = np.array(evaluation["confusion"])
    given = matrix.sum(axis=0) / max(1, matrix.sum())
    cued = matrix.sum(axis=1) / max(1, matrix.sum())
    most = int(given.argmax())
    if given[most] > MOST_IN_ONE and cued[most] < MOST_IN_ONE:
        name = evaluation["classes"][most].replace("_", " ")
        found.append(
            Caution(
                "one answer", round(float(given[most]), 6),
                f"“{name}” is answered to {given[most]:.0%} of the locked people's takes.",
            )
        )  # fmt: skip
    accuracy, usual = (evaluation[key]["accuracy"] for key in ("cross_validation", "majority"))
    if accuracy["low"] <= usual["value"]:
        found.append(
            Caution(
                "no better than chance", accuracy["value"],
                f"On training people held out in turn {100 * accuracy['value']:.1f} % of takes are "
                f"right: within its interval no better than one answer for all "
                f"({100 * usual['value']:.1f} %).",
            )
        )  # fmt: skip
    return found
