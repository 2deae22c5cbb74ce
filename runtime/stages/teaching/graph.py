"""The commands of enrolment, and the scores of one frame, as ONNX nodes; the law is `commands`."""

from __future__ import annotations

import numpy as np

from runtime.fixedpoint import INT32_MAX, INT32_MIN
from runtime.stages.contract.onnx_nodes import Nodes
from runtime.stages.teaching.lesson import (
    LIFT,
    MAX_FRAMES,
    MAX_TAUGHT,
    SHIPPED_TAKES,
    SIXTEENTHS_BITS,
    Learner,
)
from runtime.stages.teaching.reasons import (
    ADD,
    BEGIN,
    FINISH,
    FORGET,
    FULL,
    NO_CLASS,
    NO_TAKE,
    OTHER_CLASS,
    SHORT,
    UNLIKE,
)

__all__ = ["onnx_enrol"]

Named = dict[str, str]


def onnx_enrol(
    stage: Learner, nodes: Nodes, kept: str, base: str, state: Named
) -> tuple[str, Named]:
    """Write the command that waits, the scores and the watching of one frame.

    Parameters
    ----------
    kept : str
        The frame in the directions, int32 (n_kept,).
    base : str
        The head's scores, int32 (n_known,).
    state : dict of str
        Names of the state's members.
    """
    state = _commanded(stage, nodes, state)
    y = _scores(stage, nodes, state, base, kept)
    return y, _watched(stage, nodes, state, (y, base, kept))


def _commanded(stage: Learner, nodes: Nodes, state: Named) -> Named:
    """Write all commands one after another; those that do not wait change nothing."""
    command = nodes.slice(state["ask"], 0, 1)
    asked = nodes.slice(state["ask"], 1, 2)
    is_one = {
        number: nodes.op("Equal", command, nodes.int32(number))
        for number in (BEGIN, ADD, FINISH, FORGET)
    }
    added = _added(stage, nodes, state, is_one[ADD])
    begun = _begun(stage, nodes, added, asked, is_one[BEGIN])
    done = _finished(stage, nodes, begun, is_one[FINISH])
    return {
        name: nodes.constant(np.zeros(2, dtype=np.int32))
        if name == "ask"
        else nodes.op("Where", is_one[FORGET], nodes.int32(0), value)
        for name, value in done.items()
    }


def _begun(stage: Learner, nodes: Nodes, state: Named, asked: str, now: str) -> Named:
    n_slots = stage.sizes.n_slots
    may = np.array([*stage.learnable, *[True] * stage.n_own], dtype=np.int32)
    inside = nodes.clip(asked, 0, n_slots - 1)
    same = nodes.op("Equal", asked, inside)
    learnable = nodes.op("Gather", nodes.constant(may), inside)
    fine = nodes.op("And", same, nodes.op("Equal", learnable, nodes.int32(1)))
    zero = nodes.int32(0)
    opened = nodes.op("Where", fine, nodes.op("Add", inside, nodes.int32(1)), zero)
    answer = nodes.op("Where", fine, zero, nodes.int32(NO_CLASS))
    return state | {
        "open": nodes.op("Where", now, opened, state["open"]),
        "frames": nodes.op("Where", now, zero, state["frames"]),
        "lead": nodes.op("Where", now, nodes.int32(INT32_MIN), state["lead"]),
        "answer": nodes.op("Where", now, answer, state["answer"]),
    }


def _squared(nodes: Nodes, several: str, one: str, n_kept: int) -> str:
    """Return squared distances of rows to one, int32 (n,)."""
    step = nodes.op("Sub", several, nodes.reshape(one, 1, n_kept))
    return nodes.sum(nodes.op("Mul", step, step), 1)


def _refusal(stage: Learner, nodes: Nodes, state: Named) -> str:
    """Return why the open take is not kept, or 0, int32 (1,)."""
    sizes = stage.sizes
    n_known = sizes.n_known
    slot = nodes.op("Sub", state["open"], nodes.int32(1))
    own = nodes.op("Equal", state["take_class"], state["open"])
    count = nodes.sum(nodes.cast(own, "int32"), 0)
    known = nodes.op("Less", slot, nodes.int32(n_known))
    place = nodes.clip(slot, 0, n_known - 1)
    means = nodes.constant(stage.means.astype(np.int32))
    to_means = _squared(nodes, means, state["best"], sizes.n_kept)

    distant = nodes.op("Greater", nodes.op("Gather", to_means, place), nodes.int32(stage.unlike))
    rival = nodes.op(
        "Greater", _behind_another(stage, nodes, state, place), nodes.int32(stage.rival)
    )
    unlike, like = distant, rival
    if stage.n_own:
        new = nodes.op("Not", known)
        to_takes = _squared(nodes, state["takes"], state["best"], sizes.n_kept)
        to_takes = nodes.op("Where", own, to_takes, nodes.int32(INT32_MAX))
        nearest = nodes.op("ReduceMin", to_takes, nodes.indices(0), keepdims=1)
        some = nodes.op("Greater", count, nodes.int32(0))
        apart = nodes.op("And", some, nodes.op("Greater", nearest, nodes.int32(stage.apart)))
        close = nodes.op("LessOrEqual", to_means, nodes.constant(stage.near))
        if stage.n_own > 1:
            close = nodes.op("Concat", close, _close_to_own(stage, nodes, state, slot), axis=0)
        n_close = nodes.op("ReduceMax", nodes.cast(close, "int32"), nodes.indices(0), keepdims=1)
        old = nodes.op("Greater", n_close, nodes.int32(0))
        unlike, like = (
            # ONNX Runtime has no Where of truth values.
            nodes.op("Or", nodes.op("And", known, of_known), nodes.op("And", new, of_new))
            for of_known, of_new in ((distant, apart), (rival, old))
        )

    reason = nodes.op("Where", like, nodes.int32(OTHER_CLASS), nodes.int32(0))
    reason = nodes.op("Where", unlike, nodes.int32(UNLIKE), reason)
    short = nodes.op("Less", state["frames"], nodes.int32(stage.least_frames))
    reason = nodes.op("Where", short, nodes.int32(SHORT), reason)
    full = nodes.op("GreaterOrEqual", count, nodes.int32(stage.n_takes))
    reason = nodes.op("Where", full, nodes.int32(FULL), reason)
    none = nodes.op("Less", slot, nodes.int32(0))
    return nodes.op("Where", none, nodes.int32(NO_TAKE), reason)


def _close_to_own(stage: Learner, nodes: Nodes, state: Named, slot: str) -> str:
    """Return which other own gestures the open take is too near to, bool (n_own,)."""
    n_known, n_slots = stage.sizes.n_known, stage.sizes.n_slots
    of_slot, session = _session(stage, nodes, state)
    moved = nodes.slice(_moved(stage, nodes, state, of_slot, session), n_known, n_slots)
    to_own = _squared(nodes, moved, state["best"], stage.sizes.n_kept)
    takes = nodes.slice(nodes.op("Add", state["taught"], session), n_known, n_slots)
    slots = nodes.constant(np.arange(n_known, n_slots, dtype=np.int32))
    others = nodes.op("Not", nodes.op("Equal", slots, slot))
    there = nodes.op("And", others, nodes.op("Greater", takes, nodes.int32(0)))
    return nodes.op("And", there, nodes.op("LessOrEqual", to_own, nodes.int32(stage.near_own)))


def _behind_another(stage: Learner, nodes: Nodes, state: Named, place: str) -> str:
    """Return how far the class at a place is behind the best other one, int32 (1,)."""
    n_known = stage.sizes.n_known
    of_slot, session = _session(stage, nodes, state)
    shown = nodes.op("Greater", nodes.slice(session, 0, n_known), nodes.int32(0))
    moved = nodes.slice(_moved(stage, nodes, state, of_slot, session), 0, n_known)
    means = nodes.op(
        "Where", nodes.reshape(shown, n_known, 1), moved, _class_means(stage, nodes, state)
    )
    far = _distances(stage, nodes, means, state["best"])
    taken = nodes.op("Add", state["taught"], session)
    parts = nodes.op("Add", nodes.slice(taken, 0, n_known), nodes.int32(SHIPPED_TAKES + 1))
    lifted = nodes.op("Add", far, nodes.op("Div", parts, nodes.int32(2)))
    far = nodes.op("Sub", far, nodes.op("Div", lifted, parts))
    least = nodes.op("ReduceMin", far, nodes.indices(0), keepdims=1)
    answers = nodes.op(
        "Sub", state["best_scores"], _scaled(stage, nodes, nodes.op("Sub", far, least))
    )
    places = nodes.constant(np.arange(n_known, dtype=np.int32))
    others = nodes.op("Where", nodes.op("Equal", places, place), nodes.int32(INT32_MIN), answers)
    top = nodes.op("ReduceMax", others, nodes.indices(0), keepdims=1)
    return nodes.op("Sub", top, nodes.op("Gather", answers, place))


def _added(stage: Learner, nodes: Nodes, state: Named, now: str) -> Named:
    sizes, zero = stage.sizes, nodes.int32(0)
    reason = _refusal(stage, nodes, state)
    kept = nodes.op("And", now, nodes.op("Equal", reason, zero))
    filled = nodes.op("Greater", state["take_class"], zero)
    place = nodes.op("ReduceSum", nodes.cast(filled, "int32"), nodes.indices(0), keepdims=1)
    every = nodes.constant(np.arange(sizes.n_places, dtype=np.int32))
    here = nodes.op("And", kept, nodes.op("Equal", every, place))
    rows = nodes.reshape(here, sizes.n_places, 1)
    take_class = nodes.op("Where", here, state["open"], state["take_class"])
    own = nodes.cast(nodes.op("Equal", take_class, state["open"]), "int32")
    count = nodes.op("ReduceSum", own, nodes.indices(0), keepdims=1)
    answer = nodes.op("Where", nodes.op("Equal", reason, zero), count, reason)
    return state | {
        "takes": nodes.op(
            "Where", rows, nodes.reshape(state["best"], 1, sizes.n_kept), state["takes"]
        ),
        "take_class": take_class,
        "open": nodes.op("Where", now, zero, state["open"]),
        "answer": nodes.op("Where", now, answer, state["answer"]),
    }


def _session(stage: Learner, nodes: Nodes, state: Named) -> tuple[str, str]:
    """Return which place holds a take of which class, and how many each has, int32 (n_slots,)."""
    sizes = stage.sizes
    slots = nodes.constant(np.arange(1, sizes.n_slots + 1, dtype=np.int32).reshape(-1, 1))
    of_slot = nodes.op("Equal", slots, nodes.reshape(state["take_class"], 1, sizes.n_places))
    return of_slot, nodes.sum(nodes.cast(of_slot, "int32"), 1)


def _finished(stage: Learner, nodes: Nodes, state: Named, now: str) -> Named:
    zero = nodes.int32(0)
    of_slot, session = _session(stage, nodes, state)
    n_all = nodes.op("ReduceSum", session, nodes.indices(0), keepdims=1)
    added = nodes.op("Min", nodes.op("Add", state["taught"], session), nodes.int32(MAX_TAUGHT))
    ended = {
        name: nodes.op("Where", now, zero, state[name])
        for name in ("takes", "take_class", "open", "best", "best_scores", "frames", "lead")
    }
    learned = {
        "rows": _moved(stage, nodes, state, of_slot, session),
        "taught": added,
        "answer": n_all,
    }
    return (
        state
        | ended
        | {name: nodes.op("Where", now, value, state[name]) for name, value in learned.items()}
    )


def _class_means(stage: Learner, nodes: Nodes, state: Named) -> str:
    """Return where each known class is, int32 (n_known, n_kept)."""
    n_known = stage.sizes.n_known
    taught = nodes.reshape(nodes.slice(state["taught"], 0, n_known), n_known, 1)
    own = nodes.op("Greater", taught, nodes.int32(0))
    shipped = nodes.constant(stage.means.astype(np.int32))
    return nodes.op("Where", own, nodes.slice(state["rows"], 0, n_known), shipped)


def _moved(stage: Learner, nodes: Nodes, state: Named, of_slot: str, session: str) -> str:
    """Return the means after a session, int32 (n_slots, n_kept)."""
    sizes = stage.sizes
    n_known, n_slots = sizes.n_known, sizes.n_slots
    before = _class_means(stage, nodes, state)
    if stage.n_own:
        before = nodes.op("Concat", before, nodes.slice(state["rows"], n_known, n_slots), axis=0)
    shipped = (SHIPPED_TAKES * (np.arange(n_slots) < n_known)).astype(np.int32)
    weight = nodes.op("Add", state["taught"], nodes.constant(shipped))
    sums = nodes.op("MatMul", nodes.cast(of_slot, "int32"), state["takes"])
    total = nodes.op("Add", nodes.op("Mul", before, nodes.reshape(weight, n_slots, 1)), sums)
    n = nodes.op("Max", nodes.op("Add", weight, session), nodes.int32(1))
    n = nodes.reshape(n, n_slots, 1)
    half = nodes.op("Div", n, nodes.int32(2))
    lifted = nodes.op("Add", total, nodes.op("Mul", n, nodes.int32(LIFT)))
    means = nodes.op("Sub", nodes.op("Div", nodes.op("Add", lifted, half), n), nodes.int32(LIFT))
    shown = nodes.op("Greater", nodes.reshape(session, n_slots, 1), nodes.int32(0))
    return nodes.op("Where", shown, means, state["rows"])


def _scaled(stage: Learner, nodes: Nodes, distance: str) -> str:
    """Bring differences of squared distances to steps of the scores."""
    held = nodes.clip(distance, -stage.limit, stage.limit)
    return nodes.scale(held, stage.multiplier, stage.shift, stage.most_evidence + 1)


def _distances(stage: Learner, nodes: Nodes, means: str, kept: str) -> str:
    """Return squared distances to known classes, int32 (n_known,)."""
    n_known, n_kept = stage.sizes.n_known, stage.sizes.n_kept
    far = _squared(nodes, means, kept, n_kept)
    if not len(stage.anchors):
        return far
    anchors = nodes.constant(stage.anchors.astype(np.int32))
    to_anchors = nodes.reshape(_squared(nodes, anchors, kept, n_kept), 1, len(stage.anchors))
    theirs = np.arange(n_known)[:, None] == stage.anchor_classes[None]
    away = nodes.constant(np.where(theirs, 0, INT32_MAX >> 1).astype(np.int32))
    nearest = nodes.op("ReduceMin", nodes.op("Add", to_anchors, away), nodes.indices(1), keepdims=0)
    return nodes.op("Min", far, nearest)


def _scores(stage: Learner, nodes: Nodes, state: Named, base: str, kept: str) -> str:
    n_known, n_slots = stage.sizes.n_known, stage.sizes.n_slots
    zero, first = nodes.int32(0), nodes.indices(0)
    far = _distances(stage, nodes, _class_means(stage, nodes, state), kept)
    least = nodes.op("ReduceMin", far, first, keepdims=1)
    behind = _scaled(stage, nodes, nodes.op("Sub", far, least))
    shown = nodes.op("Greater", nodes.slice(state["taught"], 0, n_known), zero)
    number = nodes.op("ReduceMax", nodes.cast(shown, "int32"), first, keepdims=1)
    some = nodes.op("Greater", number, zero)
    known = nodes.op("Where", some, nodes.op("Sub", base, behind), base)
    if not stage.n_own:
        return _counted(stage, nodes, some, known)
    favoured = nodes.op("Add", far, nodes.int32(stage.favour))
    guarded = nodes.op("Sub", nodes.op("Div", far, nodes.int32(2)), nodes.int32(stage.guard))
    asked = nodes.op("Where", shown, favoured, guarded)
    nearest = nodes.op("ReduceMin", asked, first, keepdims=1)
    nearest = nodes.op("Min", nearest, nodes.int32(stage.reach))
    rows = nodes.slice(state["rows"], n_known, n_slots)
    to_own = _squared(nodes, rows, kept, stage.sizes.n_kept)
    ahead = _scaled(stage, nodes, nodes.op("Sub", nearest, to_own))
    own = nodes.op("Add", nodes.op("ReduceMax", known, first, keepdims=1), ahead)
    lowest = nodes.op("ReduceMin", known, first, keepdims=1)
    taught = nodes.op("Greater", nodes.slice(state["taught"], n_known, n_slots), zero)
    y = nodes.op("Concat", known, nodes.op("Where", taught, own, lowest), axis=0)
    return _counted(stage, nodes, some, y)


def _counted(stage: Learner, nodes: Nodes, some: str, y: str) -> str:
    """Return what scores count: fewer sixteenths once known classes were taught."""
    if stage.sixteenths == 1 << SIXTEENTHS_BITS:
        return y
    fewer = nodes.scale(y, stage.sixteenths, SIXTEENTHS_BITS, INT32_MAX)
    return nodes.op("Where", some, fewer, y)


def _watched(stage: Learner, nodes: Nodes, state: Named, frame: tuple[str, str, str]) -> Named:
    y, base, kept = frame
    zero, one = nodes.int32(0), nodes.int32(1)
    is_open = nodes.op("Greater", state["open"], zero)
    longer = nodes.op("Min", nodes.op("Add", state["frames"], one), nodes.int32(MAX_FRAMES))
    better, lead = is_open, state["lead"]
    if stage.moves:
        known = nodes.slice(y, 0, stage.sizes.n_known)
        best = nodes.cast(nodes.op("ArgMax", known, axis=0, keepdims=1), "int32")
        places = nodes.constant(np.arange(stage.sizes.n_known, dtype=np.int32))
        rest = nodes.op("Where", nodes.op("Equal", places, best), nodes.int32(INT32_MIN), known)
        top = nodes.op("ReduceMax", known, nodes.indices(0), keepdims=1)
        lead = nodes.op("Sub", top, nodes.op("ReduceMax", rest, nodes.indices(0), keepdims=1))
        flags = nodes.constant(np.array(stage.learnable, dtype=np.int32))
        gesture = nodes.op("Equal", nodes.op("Gather", flags, best), one)
        lead = nodes.op("Where", gesture, lead, nodes.op("Neg", lead))
        first = nodes.op("Equal", state["frames"], zero)
        surer = nodes.op("Or", first, nodes.op("Greater", lead, state["lead"]))
        better = nodes.op("And", is_open, surer)
    return state | {
        "frames": nodes.op("Where", is_open, longer, state["frames"]),
        "lead": nodes.op("Where", better, lead, state["lead"]),
        "best": nodes.op("Where", better, kept, state["best"]),
        "best_scores": nodes.op("Where", better, base, state["best_scores"]),
    }
