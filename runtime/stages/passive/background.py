"""Background: what stands in front of the slow mean of each value, and how much moves at all.

What is always there becomes background, what comes stands out from it. While nothing stands out the
mean follows quickly, so that daylight may come and go; while something does and moves, it hardly
follows, so that people who sit still for a while stay in front of it; while something does and is
as still as the place ever is, it follows slowly, so that a bag that somebody left does not stay
there for ever. How still a place is at rest, the stage finds out by itself: the unrest falls to
that of noise, leaves and rain whenever nobody moves. Where lamps are switched and nothing stood in
front, everything begins anew: light that comes from elsewhere would stand in front for hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import round_shift, saturate, symmetric_limit
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    prove_int32,
    require,
    require_one_of,
)
from runtime.stages.kernels.background import (
    FAST_BITS,
    LOG_BITS,
    MEAN_BITS,
    UNREST_BITS,
    background_c,
)

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Background"]

SETTLE_FRAMES = 8
"""Frames at the start of which nothing is kept: a sensor that sets its exposure itself begins with
the longest, and what is saturated would stay in the background for as long as anything does."""
START_FRAMES = 16
"""Frames at the start, those among them, that are averaged alike."""
REST_FRAMES = 16
"""Frames at the start in which the unrest is taken for that of rest, whatever it is."""
COUNTED_FRAMES = SETTLE_FRAMES + (1 << 4)
"""Frames after which the quick mean's and the unrest's shifts are as large as they may be, 5."""


@dataclass(frozen=True, eq=False)
class Background(Stage):
    """Each value's distance from its slow mean, the unrest, and the unrest at rest.

    Frame n, from 0, with L the bit length of n - 8, or 0: the value's quick mean is ``q[i] +=
    round_shift(2**8 x[i] - q[i], min(quick_shift, L))``. With c the sum over the values of ``|x[i]
    - x[i] one frame before|``, 0 on the first frame, the unrest is ``u += round_shift(16 c - u,
    min(unrest_shift, L))``. The unrest at rest is u on the first 16 frames, then ``min(u, r + (r >>
    rest_shift) + 1)``. What stands in front is ``f[i] = round_shift(2**6 q[i] - m[i], 14)``, and
    e is the sum of ``|f[i]|``, both before the slow mean's step: ``m[i] += round_shift(2**14 x[i] -
    m[i], k)``, where k is L on the first 16 frames, then ``shifts[0]`` where ``e < max(r >> (4 +
    near_shift), near_least)``, else ``shifts[1]`` where ``u < r + (r >> still_shift)``, else
    ``shifts[2]``.

    The last value may be the logarithm of all light, ``2**octave_bits`` steps an octave. Where it
    changes between two frames by more than an eighth of an octave, besides whole octaves, which an
    exposure may be set by, and ``shifts[0]``'s condition held on the frame before, and 24 frames
    were counted, the frame is frame 0.

    Outputs are f, saturated, and with ``l(v) = 64 log2(max(v, 1))``, a straight line in each octave
    and rounded down: ``l(r)``, ``l(u) - l(r)`` and ``l(16 e) - l(r)``, how strong the noise of the
    place is, and how much moves and how much stands in front for that. Cost per frame: four
    multiply-adds and four additions a value, and three words of memory.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 1024; three more are given.
    quick_shift, unrest_shift : int
        Base-2 logarithms of the frames of the quick mean and of the unrest, 0 to 5.
    rest_shift : int
        The unrest at rest rises by one part in ``2**rest_shift`` a frame, 1 to 20.
    near_shift, still_shift : int
        What is close to the background, and what is as still as rest: see above; 0 to 8.
    near_least : int
        What is close to it in any noise, 0 to 2^24: less than anybody makes.
    octave_bits : int
        Of the last value, 0 to 12; with 0 nothing begins anew.
    shifts : tuple of three int
        Base-2 logarithms of the frames of the slow mean, 0 to 15, none above the next.
    n_bits : int
        8 or 16: outputs saturate at the largest such number.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "background"
    n_values: int
    quick_shift: int
    unrest_shift: int
    rest_shift: int
    near_shift: int
    still_shift: int
    near_least: int
    octave_bits: int
    shifts: tuple[int, ...]
    n_bits: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 1024)
        for name, low, high in (
            ("quick_shift", 0, 5),
            ("unrest_shift", 0, 5),
            ("rest_shift", 1, 20),
            ("near_shift", 0, 8),
            ("still_shift", 0, 8),
            ("near_least", 0, 1 << 24),
            ("octave_bits", 0, 12),
        ):
            require(self.kind, name, getattr(self, name), low, high)
        if not isinstance(self.shifts, tuple) or len(self.shifts) != 3:
            raise FormatError(self.kind, "shifts", repr(self.shifts), "three numbers")
        least = 0
        for value in self.shifts:
            require(self.kind, "shifts", value, least, 15)
            least = value
        require_one_of(self.kind, "n_bits", self.n_bits, (8, 16))

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """The distances, the noise, the unrest and how much is in front."""
        return self.n_values + 3

    @property
    def n_operations(self) -> int:
        """A change, two means, a distance and its magnitude for each value."""
        return 8 * self.n_values

    def initial_state(self) -> State:
        """Nothing seen."""
        flat = np.zeros(self.n_values, dtype=np.int32)
        one = np.zeros(1, dtype=np.int32)
        return {
            "quick": flat, "mean": flat, "previous": flat,
            "unrest": one, "rest": one, "frames": one, "near": one,
        }  # fmt: skip

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Walk the frames; the values of each at once."""
        quick, mean = state["quick"].astype(np.int64), state["mean"].astype(np.int64)
        unrest, rest, frames, near = (
            int(state[key][0]) for key in ("unrest", "rest", "frames", "near")
        )
        wide = x.astype(np.int64)
        steps = np.diff(wide, axis=0, prepend=state["previous"][None])
        change = np.abs(steps).sum(axis=1)
        switched = self._switched(steps[:, -1])
        limit = symmetric_limit(self.n_bits)
        y = np.empty((len(x), self.n_out), dtype=np.int32)
        for frame, one in enumerate(wide):
            if switched[frame] and near and frames == COUNTED_FRAMES:
                frames = 0
            length = max(frames - SETTLE_FRAMES, 0).bit_length()
            quick += round_shift((one << FAST_BITS) - quick, min(self.quick_shift, length))
            moved = int(change[frame]) if frames else 0
            unrest += _rounded((moved << UNREST_BITS) - unrest, min(self.unrest_shift, length))
            risen = rest + (rest >> self.rest_shift) + 1
            rest = min(unrest, risen) if frames >= REST_FRAMES else unrest
            front = round_shift((quick << (MEAN_BITS - FAST_BITS)) - mean, MEAN_BITS)
            much = int(np.abs(front).sum())
            near = int(much < max(rest >> (UNREST_BITS + self.near_shift), self.near_least))
            slow = self._slow(bool(near), unrest, rest)
            slow = slow if frames >= START_FRAMES else length
            mean += round_shift((one << MEAN_BITS) - mean, slow)
            logs = [_log2(v) for v in (rest, unrest, (much if frames else 0) << UNREST_BITS)]
            y[frame, :-3] = saturate(front, -limit, limit) if frames else 0
            y[frame, -3:] = saturate(np.array(logs) - [0, logs[0], logs[0]], -limit, limit)
            frames = min(frames + 1, COUNTED_FRAMES)
        last = x[-1] if len(x) else state["previous"]
        singles = {"unrest": unrest, "rest": rest, "frames": frames, "near": near}
        return y, {
            "quick": quick.astype(np.int32),
            "mean": mean.astype(np.int32),
            "previous": last.astype(np.int32),
        } | {key: np.array([value], dtype=np.int32) for key, value in singles.items()}

    def _switched(self, steps: Int64) -> NDArray[np.bool_]:
        """Return where steps of the last value are no whole octaves: more than an eighth off."""
        octave = 1 << self.octave_bits
        whole = octave * ((steps + (octave >> 1)) // octave)
        return np.asarray(8 * np.abs(steps - whole) > octave)

    def _slow(self, near: bool, unrest: int, rest: int) -> int:
        """Return the slow mean's shift."""
        if near:
            return self.shifts[0]
        return self.shifts[1 if unrest < rest + (rest >> self.still_shift) else 2]

    def run_float(self, x: Float64) -> Float64:
        """Take the same means of real values, in the units of the integers."""
        quick, mean = np.zeros(self.n_values), np.zeros(self.n_values)
        unrest = rest = 0.0
        moves = np.diff(x, axis=0, prepend=x[:1])
        change, switched = (
            np.abs(moves).sum(axis=1),
            self._switched(np.rint(moves[:, -1]).astype(np.int64)),
        )
        y = np.empty((len(x), self.n_out))
        frame, near = -1, False
        for number, one in enumerate(x):
            frame = 0 if switched[number] and near and frame >= COUNTED_FRAMES - 1 else frame + 1
            length = max(frame - SETTLE_FRAMES, 0).bit_length()
            quick += (one - quick) / 2.0 ** min(self.quick_shift, length)
            moved = change[number] if frame else 0.0
            unrest += (moved - unrest) / 2.0 ** min(self.unrest_shift, length)
            risen = rest * (1.0 + 2.0**-self.rest_shift) + 2.0**-UNREST_BITS
            rest = min(unrest, risen) if frame >= REST_FRAMES else unrest
            front = quick - mean
            near = bool(np.abs(front).sum() < max(rest / 2.0**self.near_shift, self.near_least))
            still = unrest < rest * (1.0 + 2.0**-self.still_shift)
            slow = self.shifts[0 if near else 1 if still else 2]
            mean += (one - mean) / 2.0 ** (slow if frame >= START_FRAMES else length)
            front = front if frame else np.zeros_like(front)
            steps = 2.0**UNREST_BITS * np.array([rest, unrest, np.abs(front).sum()])
            logs = (1 << LOG_BITS) * np.log2(np.maximum(steps, 1.0))
            y[number, :-3], y[number, -3:] = front, logs - [0.0, logs[0], logs[0]]
        return y

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove means, unrest and all their steps within 32 bits."""
        reach = np.maximum(np.abs(low), np.abs(high))
        prove_int32(self.kind, "value", -reach << 16, reach << 16)  # twice as far away as a mean is
        change = np.atleast_1d((np.maximum(high, 0) - np.minimum(low, 0) + 1).sum())
        unrest = change << (UNREST_BITS + 1)
        prove_int32(self.kind, "unrest", -unrest, unrest)
        limit = symmetric_limit(self.n_bits)
        # Means lie within what was seen, 0 among it, and are off by less than 1 for their rounding.
        front = np.minimum(np.maximum(high, 0) - np.minimum(low, 0) + 1, limit)
        most = min(_log2(int(unrest[0])), limit)
        return np.append(-front, [0, -most, -most]), np.append(front, [most] * 3)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Shift by numbers found while running: divide by a power of two from a table."""
        op = nodes.op
        zero, one = nodes.int64(0), nodes.int64(1)
        wide, frames = nodes.cast(x, "int64"), nodes.cast(state["frames"], "int64")
        steps = op("Sub", wide, nodes.cast(state["previous"], "int64"))
        frames = self._begun_anew(nodes, steps, frames, state["near"])
        powers = nodes.constant(np.int64(1) << np.arange(16, dtype=np.int64))
        kept = op("Sub", frames, nodes.int64(SETTLE_FRAMES))
        reached = nodes.cast(op("GreaterOrEqual", kept, powers), "int64")
        length = op("ReduceSum", reached, nodes.indices(0), keepdims=1)

        def stepped(mean: str, target: str, shift: str) -> str:
            divisor = op("Gather", powers, shift)
            raised = op("Add", op("Sub", target, mean), op("Div", divisor, nodes.int64(2)))
            return op("Add", mean, nodes.floor_divide(raised, divisor))

        def up_to(shift: int) -> str:
            return op("Min", length, nodes.int64(shift))

        quick = stepped(
            nodes.cast(state["quick"], "int64"),
            op("Mul", wide, nodes.int64(1 << FAST_BITS)), up_to(self.quick_shift),
        )  # fmt: skip
        begun = op("Greater", frames, zero)
        moved = nodes.sum(op("Abs", steps), 0)
        moved = op("Where", begun, nodes.reshape(moved, 1), zero)
        unrest = stepped(
            nodes.cast(state["unrest"], "int64"),
            op("Mul", moved, nodes.int64(1 << UNREST_BITS)), up_to(self.unrest_shift),
        )  # fmt: skip
        rest = nodes.cast(state["rest"], "int64")
        more = nodes.floor_divide(rest, nodes.int64(1 << self.rest_shift))
        risen = op("Min", unrest, op("Add", op("Add", rest, more), one))
        settled = op("GreaterOrEqual", frames, nodes.int64(REST_FRAMES))
        rest = op("Where", settled, risen, unrest)
        mean = nodes.cast(state["mean"], "int64")
        far = op("Sub", op("Mul", quick, nodes.int64(1 << (MEAN_BITS - FAST_BITS))), mean)
        front = nodes.round_shift(far, MEAN_BITS)
        much = nodes.reshape(nodes.sum(op("Abs", front), 0), 1)
        least = nodes.floor_divide(rest, nodes.int64(1 << (UNREST_BITS + self.near_shift)))
        least = op("Max", least, nodes.int64(self.near_least))
        still = op("Add", rest, nodes.floor_divide(rest, nodes.int64(1 << self.still_shift)))
        quickest, slower, slowest = (nodes.int64(shift) for shift in self.shifts)
        shift = op("Where", op("Less", unrest, still), slower, slowest)
        near = op("Less", much, least)
        shift = op("Where", near, quickest, shift)
        started = op("GreaterOrEqual", frames, nodes.int64(START_FRAMES))
        mean = stepped(
            mean, op("Mul", wide, nodes.int64(1 << MEAN_BITS)),
            op("Where", started, shift, length),
        )  # fmt: skip
        limit = symmetric_limit(self.n_bits)
        front = op("Where", begun, nodes.clip(front, -limit, limit, "int64"), zero)
        much = op("Where", begun, op("Mul", much, nodes.int64(1 << UNREST_BITS)), zero)
        octaves = nodes.constant(np.int64(1) << np.arange(1, 31, dtype=np.int64))
        all_powers = nodes.constant(np.int64(1) << np.arange(31, dtype=np.int64))

        def log2(value: str) -> str:
            value = op("Max", value, one)
            reached = nodes.cast(op("GreaterOrEqual", value, octaves), "int64")
            exponent = op("ReduceSum", reached, nodes.indices(0), keepdims=1)
            raised = op("Mul", value, nodes.int64(1 << LOG_BITS))
            raised = op("Div", raised, op("Gather", all_powers, exponent))
            whole = op("Mul", op("Sub", exponent, one), nodes.int64(1 << LOG_BITS))
            return op("Add", whole, raised)

        noise = log2(rest)
        told = [noise, op("Sub", log2(unrest), noise), op("Sub", log2(much), noise)]
        told = [nodes.clip(log, -limit, limit, "int64") for log in told]
        counted = op("Min", op("Add", frames, one), nodes.int64(COUNTED_FRAMES))
        new = {"quick": quick, "mean": mean, "unrest": unrest, "rest": rest, "frames": counted}
        new |= {"near": nodes.cast(near, "int64")}
        y = nodes.cast(op("Concat", front, *told, axis=0), "int32")
        return y, {key: nodes.cast(value, "int32") for key, value in new.items()} | {"previous": x}

    def _begun_anew(self, nodes: Nodes, steps: str, frames: str, near: str) -> str:
        """Return the frames seen, 0 where the light was switched with nothing in front."""
        if not self.octave_bits:
            return frames
        op, octave = nodes.op, 1 << self.octave_bits
        step = nodes.reshape(op("Gather", steps, nodes.int64(self.n_values - 1)), 1)
        raised = op("Add", step, nodes.int64(octave >> 1))
        whole = op("Mul", nodes.floor_divide(raised, nodes.int64(octave)), nodes.int64(octave))
        off = op("Mul", op("Abs", op("Sub", step, whole)), nodes.int64(8))
        ready = op("Equal", frames, nodes.int64(COUNTED_FRAMES))
        ready = op("And", ready, op("Greater", near, nodes.int32(0)))
        switched = op("And", ready, op("Greater", off, nodes.int64(octave)))
        return op("Where", switched, nodes.int64(0), frames)

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the values twice: how slow the mean is follows from all of them."""
        starts = (SETTLE_FRAMES, START_FRAMES, REST_FRAMES, COUNTED_FRAMES)
        return background_c(self, starts, prefix, x, y)


def _log2(value: int) -> int:
    """Return the base-2 logarithm of a positive integer, 1 at least, a line in each octave."""
    exponent = max(value, 1).bit_length() - 1
    mantissa = ((max(value, 1) << LOG_BITS) >> exponent) - (1 << LOG_BITS)
    return (exponent << LOG_BITS) + mantissa


def _rounded(value: int, shift: int) -> int:
    """Return `round_shift` of one number."""
    return (value + ((1 << shift) >> 1)) >> shift
