"""What is fixed of enrolment when a model is trained, and the arithmetic that all forms share.

**What is learned.** Behind the head stand rows of weights, one a class, that are zero when a device
is shipped. They weigh the values that the head is given, in 8 bits, and what they give is added to
the head's scores. The takes of one person teach them by stochastic gradient descent on the log loss
of a softmax over the scores. One step is 2 / |values|^2: the log loss of a softmax bends by at most
a half (D. Bohning, Annals of the Institute of Statistical Mathematics 44, 1992), so that this is
the longest step which cannot make a take's own loss worse. Nothing is tuned to any data. Examples
of the training people, `anchors`, are learned from in between, so that what is learned of a person
does not undo what was known of everybody.

**Numbers.** A row counts in 2**-`row_bits` nats for one step of a value; evidence ends at +-16
nats, which is a chance of one in nine million. Chances are taken from a table of exp(-d / 16), d
in sixteenths of a nat, with 15 bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MAX, scale
from runtime.stages.contract.stage import Int32, Stage

__all__ = [
    "CHANCE_BITS",
    "EVIDENCE_NATS",
    "EXPONENTIALS",
    "EXTRA_BITS",
    "KEPT_LIMIT",
    "MAX_ROW_BITS",
    "MIN_ROW_BITS",
    "NATS_STEPS",
    "PASSES",
    "SMALLEST_BITS",
    "SPARE_BITS",
    "Learner",
    "Sizes",
    "row_limit",
]

KEPT_LIMIT = 127
"""Values are kept in 8 bits: half the memory of 16, and as much as hidden layers have anyway."""
PASSES = 10
"""Passes over all takes: of 5, 10 and 20, on invented people of two tasks, none was better than
another by more than the error; they are what a small core has time for."""
EVIDENCE_NATS = 16
NATS_STEPS = 16
"""Steps of a nat in the table of exponentials."""
CHANCE_BITS = 12
"""Of a chance: four times finer than a step of a score's table at its steepest."""
EXTRA_BITS = 6
"""Of a step's factor, below the least bit of a row."""
SPARE_BITS, SMALLEST_BITS = 3, 6
"""A row has so many bits more than the usual |values|^2, so that steps of small errors are not
rounded away; and values smaller than an eighth of that are taken for as much."""
MIN_ROW_BITS, MAX_ROW_BITS = 8, 22
EXPONENTIALS = np.floor(32768.0 * np.exp(-np.arange(256) / NATS_STEPS) + 0.5).astype(np.int32)
"""Table of exp(-d / 16) with 15 bits, int32 (256,)."""


def row_limit(n_in: int) -> int:
    """Return the largest magnitude of a row's weight: 16 bits, and a sum within 32."""
    return min(32767, INT32_MAX // (KEPT_LIMIT * n_in))


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much is kept.

    Parameters
    ----------
    n_in : int
        Values that the head is given.
    n_known, n_own : int
        Classes of the head, and places for gestures of the owner's own.
    n_takes : int
        Takes of one class in one session, at most.
    n_anchors : int
    """

    n_in: int
    n_known: int
    n_own: int
    n_takes: int
    n_anchors: int

    @property
    def n_slots(self) -> int:
        """Classes of both kinds."""
        return self.n_known + self.n_own

    @property
    def n_places(self) -> int:
        """Places for takes."""
        return self.n_slots * self.n_takes


@dataclass(frozen=True, eq=False)
class Learner:
    """What the commands rest on: a head, and all that training fixed of how it learns its owner.

    The fields are those of `runtime.stages.teaching.enrol.Enrol`, which checks them and says what
    each is.
    """

    head: Stage
    centre: Int32
    kept_shift: int
    anchors: NDArray[Any]
    anchor_scores: Int32
    anchor_classes: Int32
    means: NDArray[Any]
    near: Int32
    learnable: tuple[bool, ...]
    n_own: int
    n_takes: int
    own_level: int
    moves: bool
    least_frames: int
    unlike: int
    apart: int
    rival: int
    row_bits: int
    multiplier: int
    shift: int
    exp_multiplier: int
    exp_shift: int

    @property
    def sizes(self) -> Sizes:
        """How much is kept."""
        n_in, n_known = self.head.n_in, self.head.n_out
        return Sizes(n_in, n_known, self.n_own, self.n_takes, len(self.anchors))

    @property
    def evidence_limit(self) -> int:
        """Largest sum of a row that counts."""
        return EVIDENCE_NATS << self.row_bits

    @property
    def most_evidence(self) -> int:
        """Largest magnitude of a row's part in a score, in its steps."""
        largest = np.array([self.evidence_limit])
        return int(scale(largest, self.multiplier, self.shift)[0])
