"""Enrol: a head whose scores move to its owner, by means of classes that the device learns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import (
    INT32_MAX,
    MAX_MULTIPLIER,
    MAX_SHIFT,
    SPLIT_SHIFT,
    fits_one_multiply,
)
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
    require,
)
from runtime.stages.dense import Dense
from runtime.stages.prototypes import Prototypes
from runtime.stages.teaching.commands import (
    after_command,
    first_state,
    kept_values,
    scores_of,
    watched,
)
from runtime.stages.teaching.graph import onnx_enrol
from runtime.stages.teaching.lesson import (
    KEPT_LIMIT,
    MAX_KEPT,
    MAX_LIMIT,
    SIXTEENTHS_BITS,
    Learner,
)
from runtime.stages.teaching.text import enrol_c
from runtime.stages.trees import Trees

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["HEADS", "Enrol"]

HEADS: Mapping[str, type[Stage]] = {"dense": Dense, "trees": Trees, "prototypes": Prototypes}
"""What a head can be: the last layer of a network, an ensemble of trees, or prototypes."""
_OF_HEAD, _OF_DIRECTIONS = "head_", "directions_"


@dataclass(frozen=True, eq=False)
class Enrol(Learner, Stage):
    """A head's scores, and what its owner's takes add to them; before any, the head's own.

    Its state is what was learned (``rows``, ``taught``), what is being learned (``takes`` and what
    goes with them), and a command (``ask``: which, and of which class), which is carried out before
    the next frame and answered in ``answer``: see `runtime.stages.teaching`. Places for gestures
    of the owner's own come behind the known classes; one that holds nothing scores as the lowest
    class, and so changes neither the best answer nor its margin.

    Cost per frame: the head's, n_kept * n_in multiply-accumulates, and n_kept subtractions and
    multiply-accumulates for each mean and anchor.

    Parameters
    ----------
    head : Dense, Trees or Prototypes
        What was trained, without a state.
    directions : Dense
        From the head's values to those that are kept: n_kept of them, 1 to 64, in 8 bits.
    means : int8 (n_known, n_kept)
        Mean of each class over training people, as kept.
    anchors : int8 (n_anchors, n_kept)
        Examples of classes that no mean describes, such as all that is no gesture; 0 to 64.
    anchor_classes : int32 (n_anchors,)
        Whose they are.
    near : int32 (n_known,)
        Squared distance to a mean within which a new gesture is too like that class; the least of
        those that are to be learned counts for another own gesture.
    learnable : tuple of bool
        One per known class: false for those that are no gesture.
    n_own, n_takes : int
        Places for own gestures, 0 to 4; takes of a class in a session, 1 to 8.
    moves : bool
        Whether a take is a movement, of which the frame with the surest gesture counts; otherwise
        it is a pose, of which the last frame counts.
    least_frames : int
        A take of fewer is too short.
    unlike : int
        Squared distance to a known class's shipped mean beyond which a take is too unlike.
    apart : int
        The same to the nearest of the takes of an own gesture.
    rival : int
        Lead of another known class over the one asked for, in scores as the takes kept so far would
        lead to, beyond which a take is too like that class.
    favour : int
        Squared distance by which an own gesture may be farther than a class that was taught; below
        zero, by which it must be nearer.
    guard : int
        Squared distance by which an own gesture must be nearer than half of that to a class that
        was not taught; below zero, by which it may be farther.
    reach : int
        Squared distance to an own gesture's mean beyond which it is none.
    limit : int
        Largest difference of squared distances that counts.
    multiplier, shift : int
        From squared distances to steps of the scores.
    sixteenths : int
        By how many of them a score counts once known classes were taught, 1 to 16.

    Raises
    ------
    FormatError
        A value is out of range or shapes disagree.
    """

    kind: ClassVar[str] = "enrol"

    def __post_init__(self) -> None:
        if type(self.head) not in HEADS.values():
            got = getattr(self.head, "kind", type(self.head).__name__)
            raise FormatError(self.kind, "head", got, " or ".join(HEADS))
        directions = self.directions
        if type(directions) is not Dense or directions.out_bits != 8:
            got = getattr(directions, "kind", type(directions).__name__)
            raise FormatError(self.kind, "directions", got, "a dense layer of 8 bits")
        if directions.n_in != self.head.n_in:
            wanted = f"{self.head.n_in}, as the head's"
            raise FormatError(self.kind, "values of directions", directions.n_in, wanted)
        n_kept, n_known = directions.n_out, self.head.n_out
        anchors = self.anchors
        n_anchors = len(anchors) if isinstance(anchors, np.ndarray) and anchors.ndim else 0
        for name, dtype, shape in (
            ("means", "int8", (n_known, n_kept)),
            ("anchors", "int8", (n_anchors, n_kept)),
            ("anchor_classes", "int32", (n_anchors,)),
            ("near", "int32", (n_known,)),
        ):
            value = frozen_array(self.kind, name, getattr(self, name), dtype, shape)
            object.__setattr__(self, name, value)
        self._check_numbers(n_kept, n_known, n_anchors)

    def _check_numbers(self, n_kept: int, n_known: int, n_anchors: int) -> None:
        for name, value, low, high in (
            ("directions", n_kept, 1, MAX_KEPT),
            ("values of the head", self.head.n_in, 1, 1024),
            ("classes of the head", n_known, 2, 63),
            ("anchors", n_anchors, 0, 64),
            ("n_own", self.n_own, 0, 4),
            ("n_takes", self.n_takes, 1, 8),
            ("least_frames", self.least_frames, 1, 10_000),
            ("unlike", self.unlike, 0, INT32_MAX),
            ("apart", self.apart, 0, INT32_MAX),
            ("rival", self.rival, 0, INT32_MAX),
            ("favour", self.favour, -MAX_LIMIT, MAX_LIMIT),
            ("guard", self.guard, -MAX_LIMIT, MAX_LIMIT),
            ("reach", self.reach, 0, MAX_LIMIT),
            ("limit", self.limit, 1, MAX_LIMIT),
            ("multiplier", self.multiplier, 1, MAX_MULTIPLIER),
            ("shift", self.shift, 0, MAX_SHIFT),
            ("sixteenths", self.sixteenths, 1, 1 << SIXTEENTHS_BITS),
        ):
            require(self.kind, name, value, low, high)
        if not isinstance(self.moves, bool):
            raise FormatError(self.kind, "moves", self.moves, "true or false")
        flags = self.learnable
        if (
            not isinstance(flags, tuple)
            or len(flags) != n_known
            or not all(isinstance(flag, bool) for flag in flags)
            or not any(flags)
        ):
            wanted = f"{n_known} of true or false, one of them true"
            raise FormatError(self.kind, "learnable", flags, wanted)
        classes = self.anchor_classes
        if n_anchors and (classes.min() < 0 or classes.max() >= n_known):
            raise FormatError(self.kind, "anchor_classes", classes.max(), f"0 to {n_known - 1}")
        for name, array in (("anchors", self.anchors), ("means", self.means)):
            if array.size and array.min() < -KEPT_LIMIT:
                raise FormatError(self.kind, name, int(array.min()), f"{-KEPT_LIMIT} and more")
        if self.near.min() < 0:
            raise FormatError(self.kind, "near", int(self.near.min()), "0 and more")

    @property
    def n_in(self) -> int:
        """The head's values."""
        return self.head.n_in

    @property
    def n_out(self) -> int:
        """A score for each known class and each place of an own gesture."""
        return self.head.n_out + self.n_own

    @property
    def n_operations(self) -> int:
        """The head's and the directions', and two for each value of means and anchors."""
        compared = (self.n_out + len(self.anchors)) * self.directions.n_out
        return self.head.n_operations + self.directions.n_operations + 2 * compared

    def initial_state(self) -> State:
        """Nothing learned, no take."""
        return first_state(self.sizes)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Carry out the command that waits, then score all frames and watch the open take."""
        if len(x) == 0:
            return np.zeros((0, self.n_out), dtype=np.int32), state
        state = after_command(self, state)
        base, _ = self.head.run(x, {})
        kept = kept_values(self, x)
        y = scores_of(self, state, base, kept)
        return y, watched(self, state, y, base, kept)

    def run_float(self, x: Float64) -> Float64:
        """Give the head's scores; own gestures are the lowest, as nothing was learned."""
        y = self.head.run_float(x)
        return np.hstack([y, np.repeat(y.min(axis=1, keepdims=True), self.n_own, axis=1)])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove every score with the most evidence, and every difference of two, within 32 bits."""
        self.directions.bounds(low, high)
        own_low, own_high = self.head.bounds(low, high)
        most = self.most_evidence
        least, best = int(own_low.min()) - most, int(own_high.max()) + most
        spread = np.array([best - least])
        prove_int32(self.kind, "difference of scores", -spread, spread)
        prove_int32(self.kind, "score of class", np.array([least]), np.array([best]))
        if self.sixteenths < 1 << SIXTEENTHS_BITS:
            half = (1 << SIXTEENTHS_BITS) >> 1  # is added before the shift
            widest = np.array([max(best, -least) * self.sixteenths + half])
            prove_int32(self.kind, "sixteenths of a score", -widest, widest)
        if self.shift < SPLIT_SHIFT and not fits_one_multiply(
            self.limit, self.multiplier, self.shift
        ):
            raise OverflowRisk(
                self.kind, f"distance times {self.multiplier}", "wider than 32 bits",
                f"a shift of {SPLIT_SHIFT} and more", "choose them with choose_multiplier",
            )  # fmt: skip
        own = self.n_own
        low = np.concatenate([own_low - most, np.repeat(least, own)])
        high = np.concatenate([own_high, np.repeat(best, own)])
        return np.minimum(low, self.counted(low)), np.maximum(high, self.counted(high))

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write the command, the scores and the open take of one frame."""
        base, _ = self.head.onnx(nodes, x, {})
        kept, _ = self.directions.onnx(nodes, x, {})
        return onnx_enrol(self, nodes, kept, base, state)

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Put the head's text before that of the means, and the functions of enrolment behind."""
        return enrol_c(self, prefix, x, y)

    def to_json(self) -> dict[str, Any]:
        """Return the fields that are no arrays, those of the stages within among them."""
        within = {"head": self.head.to_json(), "directions": self.directions.to_json()}
        return super().to_json() | within

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return the fields that are arrays, those of the stages within with a prefix."""
        # A model file holds no empty array.
        found = {name: array for name, array in super().arrays().items() if array.size}
        for prefix, stage in ((_OF_HEAD, self.head), (_OF_DIRECTIONS, self.directions)):
            found |= {f"{prefix}{name}": array for name, array in stage.arrays().items()}
        return found

    @classmethod
    def from_json(cls, data: dict[str, Any], arrays: dict[str, NDArray[Any]], where: str) -> Self:
        """Build stage and those within from untrusted fields; FormatError as of any stage."""
        rest = dict(arrays)
        within: dict[str, Stage] = {}
        for name, prefix, kinds in (
            ("head", _OF_HEAD, HEADS),
            ("directions", _OF_DIRECTIONS, {"dense": Dense}),
        ):
            inner = data.get(name)
            kind = inner.get("kind") if isinstance(inner, dict) else None
            if not isinstance(inner, dict) or not isinstance(kind, str) or kind not in kinds:
                raise FormatError(where, f"{name} of enrol", repr(kind), " or ".join(kinds))
            own = {key: rest.pop(key) for key in list(rest) if key.startswith(prefix)}
            bare = {key.removeprefix(prefix): array for key, array in own.items()}
            within[name] = kinds[kind].from_json(inner, bare, f"{where}, {name}")
        none: dict[str, NDArray[Any]] = {
            "anchors": np.zeros((0, within["directions"].n_out), np.int8),
            "anchor_classes": np.zeros(0, np.int32),
        }
        return super().from_json(data | within, none | rest, where)
