"""Enrol: a head whose scores move to its owner, by rows of weights that the device learns."""

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
from runtime.stages.teaching.lesson import KEPT_LIMIT, MAX_ROW_BITS, MIN_ROW_BITS, Learner
from runtime.stages.teaching.text import enrol_c
from runtime.stages.trees import Trees

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["HEADS", "Enrol"]

HEADS: Mapping[str, type[Stage]] = {"dense": Dense, "trees": Trees, "prototypes": Prototypes}
"""What a head can be: the last layer of a network, an ensemble of trees, or prototypes."""
_OF_HEAD = "head_"


@dataclass(frozen=True, eq=False)
class Enrol(Learner, Stage):
    """A head's scores, and what its owner's takes add to them; before any, the head's own.

    Its state is what was learned (``rows``, ``taught``), what is being learned (``takes`` and what
    goes with them), and a command (``ask``: which, and of which class), which is carried out before
    the next frame and answered in ``answer``: see `runtime.stages.teaching`. Places for gestures
    of the owner's own come behind the known classes; one that holds nothing scores as the lowest
    class, and so changes neither the best answer nor its margin.

    Cost per frame: the head's, and n_slots * n_in multiply-accumulates.

    Parameters
    ----------
    head : Dense, Trees or Prototypes
        What was trained, without a state.
    centre : int32 (n_in,)
        Taken from the head's inputs before they are kept.
    kept_shift : int
        By so many bits they are shortened, to 8.
    anchors : int8 (n_anchors, n_in)
        Examples of training people, as kept.
    anchor_scores : int32 (n_anchors, n_known)
        The head's scores of them.
    anchor_classes : int32 (n_anchors,)
    means : int8 (n_known, n_in)
        Mean of each class over training people, as kept.
    near : int32 (n_known,)
        Squared distance to a mean within which a new gesture is too like that class.
    learnable : tuple of bool
        One per known class: false for those that are no gesture.
    n_own, n_takes : int
        Places for own gestures, 0 to 4; takes of a class in a session, 1 to 8.
    own_level : int
        Score of an own gesture before its evidence.
    moves : bool
        Whether a take is a movement, of which the frame with the surest gesture counts; otherwise
        it is a pose, of which the last frame counts.
    least_frames : int
        A take of fewer is too short.
    unlike, apart : int
        Squared distance to the class's mean, and to the nearest of the person's own takes of it,
        beyond which a take is too unlike.
    rival : int
        Lead of another class over the one asked for, in the head's scores, beyond which a take is
        too like that class.
    row_bits : int
        A nat is 2**row_bits of the rows' sums.
    multiplier, shift : int
        From the rows' sums to steps of the scores.
    exp_multiplier, exp_shift : int
        From steps of the scores to sixteenths of a nat.

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
        n_in, n_known = self.head.n_in, self.head.n_out
        n_anchors = len(self.anchors) if isinstance(self.anchors, np.ndarray) else 1
        for name, dtype, shape in (
            ("centre", "int32", (n_in,)),
            ("anchors", "int8", (None, n_in)),
            ("anchor_scores", "int32", (n_anchors, n_known)),
            ("anchor_classes", "int32", (n_anchors,)),
            ("means", "int8", (n_known, n_in)),
            ("near", "int32", (n_known,)),
        ):
            value = frozen_array(self.kind, name, getattr(self, name), dtype, shape)
            object.__setattr__(self, name, value)
        self._check_numbers(n_in, n_known, n_anchors)

    def _check_numbers(self, n_in: int, n_known: int, n_anchors: int) -> None:
        for name, value, low, high in (
            ("values of the head", n_in, 1, 1024),
            ("classes of the head", n_known, 2, 63),
            ("anchors", n_anchors, 1, 256),
            ("kept_shift", self.kept_shift, 0, 24),
            ("n_own", self.n_own, 0, 4),
            ("n_takes", self.n_takes, 1, 8),
            ("own_level", self.own_level, -(2**30), 2**30),
            ("least_frames", self.least_frames, 1, 10_000),
            ("unlike", self.unlike, 0, INT32_MAX),
            ("apart", self.apart, 0, INT32_MAX),
            ("rival", self.rival, 0, INT32_MAX),
            ("row_bits", self.row_bits, MIN_ROW_BITS, MAX_ROW_BITS),
            ("multiplier", self.multiplier, 1, MAX_MULTIPLIER),
            ("shift", self.shift, 0, MAX_SHIFT),
            ("exp_multiplier", self.exp_multiplier, 1, MAX_MULTIPLIER),
            ("exp_shift", self.exp_shift, 0, MAX_SHIFT),
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
        if classes.min() < 0 or classes.max() >= n_known:
            raise FormatError(self.kind, "anchor_classes", classes.max(), f"0 to {n_known - 1}")
        for name, array in (("anchors", self.anchors), ("means", self.means)):
            if array.min() < -KEPT_LIMIT:
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
        """The head's, and a multiply-add for each weight of the rows."""
        return self.head.n_operations + self.n_out * self.n_in

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
        own_low, own_high = self.head.bounds(low, high)
        least = np.append(own_low, min(self.own_level, int(own_low.min())))
        most = np.append(own_high, self.own_level)
        for scores in self.anchor_scores.astype(np.int64):
            least, most = np.minimum(least, scores.min()), np.maximum(most, scores.max())
        least, most = least - self.most_evidence, most + self.most_evidence
        spread = np.array([most.max() - least.min()])
        prove_int32(self.kind, "difference of scores", -spread, spread)
        prove_int32(self.kind, "score of class", least, most)
        for name, widest, multiplier, shift in (
            ("evidence", self.evidence_limit, self.multiplier, self.shift),
            ("difference of scores", int(spread[0]), self.exp_multiplier, self.exp_shift),
        ):
            if shift < SPLIT_SHIFT and not fits_one_multiply(widest, multiplier, shift):
                raise OverflowRisk(
                    self.kind, f"{name} times {multiplier}", "wider than 32 bits",
                    f"a shift of {SPLIT_SHIFT} and more", "choose them with choose_multiplier",
                )  # fmt: skip
        shifted = np.concatenate([low - self.centre, high - self.centre])
        prove_int32(self.kind, "kept value", shifted, shifted + (1 << self.kept_shift))
        own = self.n_own
        return (
            np.concatenate([least[:-1], np.repeat(least.min(), own)]),
            np.concatenate([most[:-1], np.repeat(most.max(), own)]),
        )

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write the command, the scores and the open take of one frame."""
        base, _ = self.head.onnx(nodes, x, {})
        return onnx_enrol(self, nodes, x, base, state)

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Put the head's text before that of the rows, and the functions of enrolment behind."""
        return enrol_c(self, prefix, x, y)

    def to_json(self) -> dict[str, Any]:
        """Return the fields that are no arrays, the head's within."""
        found = super().to_json()
        return found | {"head": self.head.to_json()}

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return the fields that are arrays, the head's with a prefix."""
        own = super().arrays()
        return own | {f"{_OF_HEAD}{name}": array for name, array in self.head.arrays().items()}

    @classmethod
    def from_json(cls, data: dict[str, Any], arrays: dict[str, NDArray[Any]], where: str) -> Self:
        """Build head and stage from untrusted fields; raises FormatError as any stage does."""
        of_head = data.get("head")
        kind = of_head.get("kind") if isinstance(of_head, dict) else None
        if not isinstance(of_head, dict) or not isinstance(kind, str) or kind not in HEADS:
            raise FormatError(where, "head of enrol", repr(kind), " or ".join(HEADS))
        own = {name: array for name, array in arrays.items() if not name.startswith(_OF_HEAD)}
        heads = {
            name.removeprefix(_OF_HEAD): array
            for name, array in arrays.items()
            if name.startswith(_OF_HEAD)
        }
        head = HEADS[kind].from_json(of_head, heads, f"{where}, head")
        return super().from_json(data | {"head": head}, own, where)
