"""Decision: from scores to events, with a threshold, hysteresis, persistence and a hold-off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import INT32_MAX, INT32_MIN
from runtime.stages.contract.c_text import CStage, CState, fill
from runtime.stages.contract.closing import (
    NO_EVENT,
    ClosingStage,
    CWords,
    Output,
    Told,
    c_constant,
)
from runtime.stages.contract.stage import Float64, Int32, Int64, State, prove_int32, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["NO_EVENT", "Decision"]

_C_TEXT = """\
/* Margin of the best score over the next one decides; an event is told on its first frame only. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, int32_t *y)
{
    int32_t best = 0;
    PW_UNROLL
    for (int32_t i = 1; i < @N_CLASSES@; i++) {
        if (x[i] > x[best]) {
            best = i;
        }
    }
    int32_t next = INT32_MIN;
    PW_UNROLL
    for (int32_t i = 0; i < @N_CLASSES@; i++) {
        if (i != best && x[i] > next) {
            next = x[i];
        }
    }
    const int32_t margin = x[best] - next;
    int32_t wanted = -1;
    if (margin >= @PREFIX@_asked[best] && @PREFIX@_gesture[best] != 0u) {
        wanted = best;
    }
    if (wanted == -1) {
        s->@PREFIX@_count[0] = 0;
    } else if (wanted != s->@PREFIX@_candidate[0]) {
        s->@PREFIX@_count[0] = 1;
    } else if (s->@PREFIX@_count[0] < @PERSIST@) {
        s->@PREFIX@_count[0] += 1;
    } else {
        /* long enough already */
    }
    s->@PREFIX@_candidate[0] = wanted;
    if (best != s->@PREFIX@_active[0] || margin < @PREFIX@_asked[best] - @HYSTERESIS@) {
        s->@PREFIX@_active[0] = -1;
    }
    if (s->@PREFIX@_hold[0] > 0) {
        s->@PREFIX@_hold[0] -= 1;
    }
    y[0] = -1;
    if (wanted != -1 && wanted != s->@PREFIX@_active[0] && s->@PREFIX@_count[0] >= @PERSIST@
        && s->@PREFIX@_hold[0] == 0) {
        y[0] = wanted;
        s->@PREFIX@_active[0] = wanted;
        s->@PREFIX@_hold[0] = @HOLD_OFF@;
    }
}
"""

_ACCESSORS = """\
const int32_t *pw_scores(const pw_state *s)
{
    return @EVIDENCE@;
}
"""

_USAGE = """\
        int32_t decision = pw_step(&state, lit, dark);
        if (decision != PW_NONE) { /* one of the PW_CLASS_ constants */ }"""


@dataclass(frozen=True, eq=False)
class Decision(ClosingStage):
    """Turn the scores of classes into events.

    On each frame the *best* class is the one with the highest score (the first of equals) and its
    *margin* the distance to the next score. It is *wanted* when it is no other-class and its margin
    reaches what is *required* of its class: `threshold`, and `extra` on top of it (a threshold for
    each class: G. Fumera, F. Roli and G. Giacinto, Pattern Recognition 33, 2000). An event is
    detected when the same class was wanted for `persist` consecutive frames, is not active already,
    and `hold_off` frames have passed since the last event. The class detected stays *active* until
    another class is best or the margin falls by more than `hysteresis` below that. The output is
    the class's index on the event's frame, else -1.

    Parameters
    ----------
    other : tuple of bool
        One per class, at least two: true for classes that are no gesture.
    threshold : int
        Margin needed, in units of the scores, 0 to 2**31 - 1.
    hysteresis : int
        How far the margin may fall before a class is released, 0 to `threshold`.
    persist : int
        Consecutive frames, 1 to 1000.
    hold_off : int
        Frames from one event to the earliest next one, 0 to 10000.
    extra : tuple of int
        One per class, at least 0: how much more margin than `threshold` it needs; none where empty.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "decision"
    tells: ClassVar[Literal["event", "values", "level"]] = "event"
    evidence_name: ClassVar[str] = "scores"
    output_name: ClassVar[str] = "decision"
    agreement: ClassVar[str] = "float and fixed point put the same class first"
    other: tuple[bool, ...]
    threshold: int
    hysteresis: int
    persist: int
    hold_off: int
    extra: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        flags = self.other
        if not isinstance(flags, tuple) or not all(isinstance(flag, bool) for flag in flags):
            raise FormatError(self.kind, "other", flags, "one true or false per class")
        require(self.kind, "number of classes", len(flags), 2, 1000)
        require(self.kind, "threshold", self.threshold, 0, INT32_MAX)
        require(self.kind, "hysteresis", self.hysteresis, 0, self.threshold)
        require(self.kind, "persist", self.persist, 1, 1000)
        require(self.kind, "hold_off", self.hold_off, 0, 10_000)
        if not isinstance(self.extra, tuple) or len(self.extra) not in (0, len(flags)):
            raise FormatError(self.kind, "extra", self.extra, "one margin per class, or none")
        for extra in self.extra:
            require(self.kind, "extra", extra, 0, INT32_MAX - self.threshold)

    @property
    def required(self) -> Int32:
        """The margin that each class needs, int32 (n_classes,)."""
        return np.array(self.extra or [0] * self.n_in, dtype=np.int32) + np.int32(self.threshold)

    @property
    def n_in(self) -> int:
        """Classes."""
        return len(self.other)

    @property
    def n_classes(self) -> int:
        """One for each score."""
        return self.n_in

    @property
    def n_out(self) -> int:
        """One decision."""
        return 1

    @property
    def n_operations(self) -> int:
        """Two comparisons for each score: with the best, and with the next."""
        return 2 * self.n_in

    def initial_state(self) -> State:
        """No class active or wanted, nothing held off."""
        return {
            "active": np.array([NO_EVENT], dtype=np.int32),
            "candidate": np.array([NO_EVENT], dtype=np.int32),
            "count": np.zeros(1, dtype=np.int32),
            "hold": np.zeros(1, dtype=np.int32),
        }

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Find best and margin of all frames at once, then walk the frames."""
        best = x.argmax(axis=1)
        top = np.partition(x.astype(np.int64), -2, axis=1)
        margin = top[:, -1] - top[:, -2]
        required = self.required[best]
        wanted = np.where((margin >= required) & ~np.array(self.other)[best], best, NO_EVENT)
        kept = margin >= required - self.hysteresis
        active, candidate, count, hold = (int(state[key][0]) for key in self.initial_state())
        events = np.full((len(x), 1), NO_EVENT, dtype=np.int32)
        walk = zip(best.tolist(), wanted.tolist(), kept.tolist(), strict=True)
        for frame, (top_class, want, keep) in enumerate(walk):
            count = 0 if want == NO_EVENT else min(count + 1, self.persist)
            if want not in (NO_EVENT, candidate):
                count = 1
            candidate = want
            if top_class != active or not keep:
                active = NO_EVENT
            hold = max(hold - 1, 0)
            if want not in (NO_EVENT, active) and count >= self.persist and hold == 0:
                events[frame, 0] = active = want
                hold = self.hold_off
        values = {"active": active, "candidate": candidate, "count": count, "hold": hold}
        return events, {key: np.array([value], dtype=np.int32) for key, value in values.items()}

    def lack(self, evidence: Int32) -> float:
        """Return what the margin lacks on the worst of the best frames that persist, 0 at least."""
        wide, best = evidence.astype(np.int64), []
        n = min(self.persist, len(wide))
        for index in np.flatnonzero(~np.array(self.other)):
            others = np.delete(wide, index, axis=1).max(axis=1)
            above = wide[:, index] - others - int(self.required[index])
            best.append(sliding_window_view(above, n).min(axis=1).max())
        return float(max(0, -max(best, default=0)))

    def run_float(self, x: Float64) -> Float64:
        """Return the best class of each frame, (n_frames, 1): the decision before any memory."""
        return np.asarray(x.argmax(axis=1)[:, None], dtype=np.float64)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove every margin within 32 bits."""
        widest = np.atleast_1d(high.max() - low.min())
        prove_int32(self.kind, "margin", np.zeros(1, dtype=np.int64), widest)
        return np.array([NO_EVENT], dtype=np.int64), np.array([self.n_in - 1], dtype=np.int64)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write the walk of one frame with Where."""
        none, zero, one = nodes.int32(NO_EVENT), nodes.int32(0), nodes.int32(1)
        best = nodes.cast(nodes.op("ArgMax", x, axis=0, keepdims=1), "int32")
        is_best = nodes.op("Equal", nodes.constant(np.arange(self.n_in, dtype=np.int32)), best)
        rest = nodes.op("Where", is_best, nodes.int32(INT32_MIN), x)
        top = nodes.op("ReduceMax", x, nodes.indices(0), keepdims=1)
        margin = nodes.op("Sub", top, nodes.op("ReduceMax", rest, nodes.indices(0), keepdims=1))

        gesture = nodes.constant(1 - np.array(self.other, dtype=np.int32))
        is_gesture = nodes.op("Equal", nodes.op("Gather", gesture, best), one)
        required = nodes.op("Gather", nodes.constant(self.required), best)
        reached = nodes.op("GreaterOrEqual", margin, required)
        wanted = nodes.op("Where", nodes.op("And", reached, is_gesture), best, none)
        nothing = nodes.op("Equal", wanted, none)

        same = nodes.op("Equal", wanted, state["candidate"])
        longer = nodes.op("Min", nodes.op("Add", state["count"], one), nodes.int32(self.persist))
        count = nodes.op("Where", same, longer, one)
        count = nodes.op("Where", nothing, zero, count)

        least = nodes.op("Sub", required, nodes.int32(self.hysteresis))
        kept = nodes.op("GreaterOrEqual", margin, least)
        still = nodes.op("And", kept, nodes.op("Equal", best, state["active"]))
        active = nodes.op("Where", still, state["active"], none)
        hold = nodes.op("Max", nodes.op("Sub", state["hold"], one), zero)

        fresh = nodes.op("Not", nodes.op("Or", nothing, nodes.op("Equal", wanted, active)))
        ripe = nodes.op("GreaterOrEqual", count, nodes.int32(self.persist))
        ready = nodes.op("And", ripe, nodes.op("Equal", hold, zero))
        detected = nodes.op("And", fresh, ready)
        new_state = {
            "active": nodes.op("Where", detected, wanted, active),
            "candidate": wanted,
            "count": count,
            "hold": nodes.op("Where", detected, nodes.int32(self.hold_off), hold),
        }
        return nodes.op("Where", detected, wanted, none), new_state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk one frame; the gestures are a table of flags, beside that of their margins."""
        flags = ", ".join("0u" if other else "1u" for other in self.other)
        required = ", ".join(str(margin) for margin in self.required.tolist())
        tables = (
            f"/* ({self.n_in},) 1 where the class is a gesture */\n"
            f"static const uint8_t {prefix}_gesture[{self.n_in}] = {{{flags}}};\n"
            f"/* ({self.n_in},) margin that the class needs, in steps of the scores */\n"
            f"static const int32_t {prefix}_asked[{self.n_in}] = {{{required}}};\n"
        )
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            N_CLASSES=self.n_in,
            HYSTERESIS=self.hysteresis,
            PERSIST=self.persist,
            HOLD_OFF=self.hold_off,
        )
        state = (
            CState("active", "int32_t", 1, "class told and not yet released, or -1"),
            CState("candidate", "int32_t", 1, "class wanted on the last frame, or -1"),
            CState("count", "int32_t", 1, "consecutive frames that wanted it"),
            CState("hold", "int32_t", 1, "frames until the next event may be told"),
        )
        init = f"    s->{prefix}_active[0] = -1;\n    s->{prefix}_candidate[0] = -1;\n"
        return CStage(tables=tables, state=state, init=init, functions=functions)

    def outputs(self) -> tuple[Output, ...]:
        """Return the decision alone."""
        return (Output("decision"),)

    def agrees(self, real: Float64, whole: Int32) -> NDArray[np.bool_]:
        """Return where both put the same class first."""
        return np.asarray(real.argmax(axis=1) == whole.argmax(axis=1))

    def tell(self, outputs: Int32, evidence: Int32, classes: Sequence[str]) -> Told:
        """Return the class of an event, and the scores of all."""
        event = "" if outputs[0] == NO_EVENT else classes[outputs[0]]
        return Told(event, values={"scores": evidence.tolist()})

    def c_words(self, classes: Sequence[str]) -> CWords:
        """Speak of classes and scores."""
        constants = "\n".join(
            f"#define PW_CLASS_{c_constant(name)} {index}" for index, name in enumerate(classes)
        )
        return CWords(
            event="decision",
            evidence="scores",
            item="score",
            about=" * Output: a decision, one of the PW_CLASS_ constants on the frame of an event, "
            "else PW_NONE;\n * and a score for each class, in fixed point.",
            names=f"Classes: {', '.join(classes)}.",
            constants=f"#define PW_N_SCORES {self.n_in}\n#define PW_NONE (-1)\n{constants}",
            declarations="/* PW_N_SCORES scores of the last frame, valid until the next. */\n"
            "const int32_t *pw_scores(const pw_state *s);",
            accessors=_ACCESSORS,
            usage=_USAGE,
            there="event != PW_NONE",
        )
