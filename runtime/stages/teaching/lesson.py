"""What is fixed of enrolment when a model is trained, and the arithmetic that all forms share.

**What is learned.** A dense layer brings the head's values into directions in which takes of one
person and class spread alike, by a standard deviation of one, 8 bits a direction. There each class
has a mean over training people, and the device learns its owner's: the mean of the takes, and of
the training people's mean as two takes more. That is the posterior mean of a normal class mean by
which owners differ with half the variance of one owner's takes (C. Bishop, Pattern Recognition and
Machine Learning, 2006, section 2.3.6). The nearest mean in such directions is linear discriminant
analysis; its log odds are taken together with the head's own. Nothing is iterated, and later
sessions go on with the mean where it is.

**A gesture of one's own** has no score of the head. It is nearer or farther than the nearest
known class, by so much it is ahead of or behind the best one. What of it owners want found, and how
much of their known classes they may lose by it, no distance says: `favour`, which training chooses
on held-out people, is how much farther it may be. Of a class that the owner has not shown, nobody
knows how it looks on this owner: about the shipped mean owners differ as much as one owner's takes
do, so that its takes spread by twice the variance, and half the squared distance counts, less
`guard`. Whoever shows the known classes as well has them told apart more finely. What is farther
than `reach` is none of either.

**Wrong takes.** Whoever shows two fingers where three were asked for would move the wrong mean. A
take of a known class is refused where another class is ahead of it by more than `rival` in what the
device would answer if the takes kept so far had been learned from; of a first take, before any was
kept or learned, shipped means count as well, by which no device answers yet. A mean of n takes is
known to an n-th of what takes spread by, so that n parts of n + 1 of a squared distance count. One
wrong take that is kept moves a mean little, beside the shipped one, and costs no good one after it.
Of an own gesture there is nothing but its takes: a further one must not be too far from the
nearest. Nor may it be so near to where another own gesture would be that it were too near to the
narrowest known one: two names would be of one gesture.

**Margins.** What is learned adds to the head's scores, so that leads grow, and an event's margin,
which was chosen for the head's, would hold back less. Once known classes were taught all scores
count by so many sixteenths as keep it: the order of the classes stays, and margins their meaning.

**Numbers.** Squared distances are at most `MAX_KEPT` * 254**2; what a class is behind by ends at
`EVIDENCE_NATS`, a chance of one in nine million.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import scale
from runtime.stages.contract.stage import Int32, Int64, Stage
from runtime.stages.dense import Dense

__all__ = [
    "EVIDENCE_NATS",
    "KEPT_LIMIT",
    "LIFT",
    "MAX_FRAMES",
    "MAX_KEPT",
    "MAX_LIMIT",
    "MAX_TAUGHT",
    "SHIPPED_TAKES",
    "SIXTEENTHS_BITS",
    "Learner",
    "Sizes",
]

KEPT_LIMIT = 127
"""Directions are kept in 8 bits: with eight steps to a standard deviation, sixteen of them."""
MAX_KEPT = 64
EVIDENCE_NATS = 16
MAX_LIMIT = 1 << 24
"""Of a squared distance that still counts: more than any two takes can have."""
MAX_FRAMES = 1 << 20
"""Of a take, at which counting stops."""
SHIPPED_TAKES = 2
"""For so many takes the shipped mean counts. Takes of one lesson are alike in more than the owner,
the place of the hand and its light: counted as one, a lesson of a take of each class changed
finger counts by +1.2 points in its own session and -3.3 in others (emulated, 80 people), counted as
two by +4.2 and -0.9; lessons of three by +5.4 and -1.2, and by +6.9 and 0.0. Counted as more it
gives other sessions more and the lesson's own less."""
MAX_TAUGHT = 32767
"""Of the takes that a class's mean is of, as it is kept in 16 bits."""
SIXTEENTHS_BITS = 4
LIFT = 128
"""Makes a mean positive, so that a division rounds alike everywhere."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much is kept.

    Parameters
    ----------
    n_kept : int
        Directions that a take is kept in.
    n_known, n_own : int
        Classes of the head, and places for gestures of the owner's own.
    n_takes : int
        Takes of one class in one session, at most.
    """

    n_kept: int
    n_known: int
    n_own: int
    n_takes: int

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
    directions: Dense
    means: NDArray[Any]
    anchors: NDArray[Any]
    anchor_classes: Int32
    near: Int32
    learnable: tuple[bool, ...]
    n_own: int
    n_takes: int
    moves: bool
    least_frames: int
    unlike: int
    apart: int
    rival: int
    favour: int
    guard: int
    reach: int
    limit: int
    multiplier: int
    shift: int
    sixteenths: int = 1 << SIXTEENTHS_BITS

    @property
    def sizes(self) -> Sizes:
        """How much is kept."""
        return Sizes(self.directions.n_out, self.head.n_out, self.n_own, self.n_takes)

    def counted(self, scores: Int64) -> Int64:
        """Return what scores count once known classes were taught."""
        return scale(scores, self.sixteenths, SIXTEENTHS_BITS)

    @property
    def near_own(self) -> int:
        """Squared distance to another own gesture within which one is too like it."""
        return min(int(self.near[list(self.learnable)].min()), MAX_LIMIT)

    @property
    def most_evidence(self) -> int:
        """Largest magnitude of what learning adds to a score, in its steps."""
        return int(scale(np.array([self.limit]), self.multiplier, self.shift)[0])
