"""The commands of enrolment, and the scores of one frame, as ONNX nodes; the law is `commands`.

Learning is one Loop, of no turns on a frame without its command.
"""

from __future__ import annotations

import numpy as np
from onnx import TensorProto, helper

from runtime.fixedpoint import INT32_MIN
from runtime.stages.contract.onnx_nodes import Nodes
from runtime.stages.teaching.lesson import (
    CHANCE_BITS,
    EXPONENTIALS,
    EXTRA_BITS,
    KEPT_LIMIT,
    PASSES,
    SMALLEST_BITS,
    Learner,
    row_limit,
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

_MOST_TAUGHT = 32767
_MOST_FRAMES = 1 << 20
Named = dict[str, str]


def onnx_enrol(stage: Learner, nodes: Nodes, x: str, base: str, state: Named) -> tuple[str, Named]:
    """Write the command that waits, the scores and the watching of one frame.

    Parameters
    ----------
    x : str
        The head's values, int32 (n_in,).
    base : str
        Its scores, int32 (n_known,).
    state : dict of str
        Names of the state's members.
    """
    shifted = nodes.cast(nodes.op("Sub", x, nodes.constant(stage.centre)), "int64")
    kept = nodes.clip(
        nodes.round_shift(shifted, stage.kept_shift), -KEPT_LIMIT, KEPT_LIMIT, "int64"
    )
    kept = nodes.cast(kept, "int32")
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


def _squared(nodes: Nodes, several: str, one: str, n_in: int) -> str:
    """Return squared distances of rows to one, int32 (n,)."""
    step = nodes.op("Sub", several, nodes.reshape(one, 1, n_in))
    return nodes.sum(nodes.op("Mul", step, step), 1)


def _refusal(stage: Learner, nodes: Nodes, state: Named) -> str:
    """Return why the open take is not kept, or 0, int32 (1,)."""
    sizes = stage.sizes
    n_known, most = sizes.n_known, 2**31 - 1
    slot = nodes.op("Sub", state["open"], nodes.int32(1))
    own = nodes.op("Equal", state["take_class"], state["open"])
    count = nodes.sum(nodes.cast(own, "int32"), 0)
    to_takes = _squared(nodes, state["takes"], state["best"], sizes.n_in)
    to_takes = nodes.op("Where", own, to_takes, nodes.int32(most))
    nearest = nodes.op("ReduceMin", to_takes, nodes.indices(0), keepdims=1)
    some = nodes.op("Greater", count, nodes.int32(0))
    far = nodes.op("And", some, nodes.op("Greater", nearest, nodes.int32(stage.apart)))

    known = nodes.op("Less", slot, nodes.int32(n_known))
    place = nodes.clip(slot, 0, n_known - 1)
    means = nodes.constant(stage.means.astype(np.int32))
    to_means = _squared(nodes, means, state["best"], sizes.n_in)
    to_mean = nodes.op("Gather", to_means, place)
    unlike = nodes.op("And", known, nodes.op("Greater", to_mean, nodes.int32(stage.unlike)))
    unlike = nodes.op("Or", far, unlike)

    scores = state["best_scores"]
    top = nodes.op("ReduceMax", scores, nodes.indices(0), keepdims=1)
    behind = nodes.op("Sub", top, nodes.op("Gather", scores, place))
    rival = nodes.op("Greater", behind, nodes.int32(stage.rival))
    close = nodes.op("LessOrEqual", to_means, nodes.constant(stage.near))
    n_close = nodes.op("ReduceMax", nodes.cast(close, "int32"), nodes.indices(0), keepdims=1)
    old = nodes.op("And", nodes.op("Not", known), nodes.op("Greater", n_close, nodes.int32(0)))
    like = nodes.op("Or", nodes.op("And", known, rival), old)

    reason = nodes.op("Where", like, nodes.int32(OTHER_CLASS), nodes.int32(0))
    reason = nodes.op("Where", unlike, nodes.int32(UNLIKE), reason)
    short = nodes.op("Less", state["frames"], nodes.int32(stage.least_frames))
    reason = nodes.op("Where", short, nodes.int32(SHORT), reason)
    full = nodes.op("GreaterOrEqual", count, nodes.int32(stage.n_takes))
    reason = nodes.op("Where", full, nodes.int32(FULL), reason)
    none = nodes.op("Less", slot, nodes.int32(0))
    return nodes.op("Where", none, nodes.int32(NO_TAKE), reason)


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
            "Where", rows, nodes.reshape(state["best"], 1, sizes.n_in), state["takes"]
        ),
        "take_scores": nodes.op(
            "Where",
            rows,
            nodes.reshape(state["best_scores"], 1, sizes.n_known),
            state["take_scores"],
        ),
        "take_class": take_class,
        "open": nodes.op("Where", now, zero, state["open"]),
        "answer": nodes.op("Where", now, answer, state["answer"]),
    }


def _finished(stage: Learner, nodes: Nodes, state: Named, now: str) -> Named:
    sizes, zero = stage.sizes, nodes.int32(0)
    slots = nodes.constant(np.arange(1, sizes.n_slots + 1, dtype=np.int32).reshape(-1, 1))
    of_slot = nodes.op("Equal", slots, nodes.reshape(state["take_class"], 1, sizes.n_places))
    session = nodes.sum(nodes.cast(of_slot, "int32"), 1)
    n_all = nodes.op("ReduceSum", session, nodes.indices(0), keepdims=1)
    learns = nodes.op("And", now, nodes.op("Greater", n_all, zero))
    added = nodes.op("Add", state["taught"], session)
    rows = _taught(stage, nodes, state, added, learns)
    taught = nodes.op("Min", added, nodes.int32(_MOST_TAUGHT))
    ended = {
        name: nodes.op("Where", now, zero, state[name])
        for name in (
            "takes", "take_scores", "take_class", "open", "best", "best_scores", "frames", "lead",
        )
    }  # fmt: skip
    return (
        state
        | ended
        | {
            "rows": rows,
            "taught": nodes.op("Where", learns, taught, state["taught"]),
            "answer": nodes.op("Where", now, n_all, state["answer"]),
        }
    )


def _taught(stage: Learner, nodes: Nodes, state: Named, taught: str, learns: str) -> str:
    """Write the loop over passes and examples; it does not turn unless something is learned."""
    sizes = stage.sizes
    anchors = nodes.constant(stage.anchors.astype(np.int32))
    examples = nodes.op("Concat", anchors, state["takes"], axis=0)
    scores = nodes.op("Concat", nodes.constant(stage.anchor_scores), state["take_scores"], axis=0)
    labels = nodes.op("Sub", state["take_class"], nodes.int32(1))
    labels = nodes.op("Concat", nodes.constant(stage.anchor_classes), labels, axis=0)
    known = np.arange(sizes.n_slots) < sizes.n_known
    always = nodes.constant(known.astype(np.int32))
    there = nodes.op("Greater", nodes.op("Add", taught, always), nodes.int32(0))
    n_examples = sizes.n_anchors + sizes.n_places
    turns = nodes.int64(PASSES * n_examples)

    body = Nodes()
    body.prefix = f"{nodes.prefix}step_"
    turn, going, rows_in, rows_out = (
        f"{body.prefix}{name}" for name in ("turn", "going", "rows", "rows_out")
    )
    stepped = _step(stage, body, turn, rows_in, (examples, scores, labels, there))
    body.nodes.append(helper.make_node("Identity", [stepped], [rows_out]))
    going_out = f"{going}_out"
    body.nodes.append(helper.make_node("Identity", [going], [going_out]))
    value, shape = helper.make_tensor_value_info, [sizes.n_slots, sizes.n_in]
    graph = helper.make_graph(
        body.nodes,
        f"{nodes.prefix}step",
        [
            value(turn, TensorProto.INT64, []),
            value(going, TensorProto.BOOL, []),
            value(rows_in, TensorProto.INT32, shape),
        ],
        [value(going_out, TensorProto.BOOL, []), value(rows_out, TensorProto.INT32, shape)],
        initializer=body.initializers,
    )
    return nodes.op("Loop", turns, nodes.op("Squeeze", learns), state["rows"], body=graph)


def _step(
    stage: Learner, nodes: Nodes, turn: str, rows: str, given: tuple[str, str, str, str]
) -> str:
    """Write one step of gradient descent; an empty place changes nothing."""
    sizes = stage.sizes
    examples, scores, labels, there = given
    which = nodes.op("Mod", turn, nodes.int64(sizes.n_anchors + sizes.n_places))
    which = nodes.reshape(which, 1)
    kept = nodes.reshape(nodes.op("Gather", examples, which, axis=0), sizes.n_in)
    base = nodes.reshape(nodes.op("Gather", scores, which, axis=0), sizes.n_known)
    label = nodes.op("Gather", labels, which, axis=0)
    if stage.n_own:
        level = nodes.constant(np.full(stage.n_own, stage.own_level, dtype=np.int32))
        base = nodes.op("Concat", base, level, axis=0)
    y = nodes.op("Add", base, _evidence(stage, nodes, rows, kept))
    absent = nodes.op("Where", there, y, nodes.int32(INT32_MIN))
    top = nodes.op("ReduceMax", absent, nodes.indices(0), keepdims=1)
    behind = nodes.cast(nodes.op("Sub", top, y), "int64")
    behind = nodes.op("Mul", behind, nodes.int64(stage.exp_multiplier))
    behind = nodes.clip(nodes.round_shift(behind, stage.exp_shift), 0, 255, "int64")
    weights = nodes.op("Gather", nodes.constant(EXPONENTIALS), behind)
    weights = nodes.op("Where", there, weights, nodes.int32(0))
    total = nodes.op("ReduceSum", weights, nodes.indices(0), keepdims=1)
    raised = nodes.op("Mul", weights, nodes.int32(1 << CHANCE_BITS))
    half = nodes.op("Div", total, nodes.int32(2))
    chances = nodes.op("Div", nodes.op("Add", raised, half), total)
    slots = nodes.constant(np.arange(sizes.n_slots, dtype=np.int32))
    right = nodes.op("Equal", slots, label)
    whole = nodes.op("Where", right, nodes.int32(1 << CHANCE_BITS), nodes.int32(0))
    wrong = nodes.op("Sub", whole, chances)
    size = nodes.op("Max", nodes.sum(nodes.op("Mul", kept, kept), 0),
                    nodes.int32(1 << (stage.row_bits - SMALLEST_BITS)))  # fmt: skip
    lift = 1 << (stage.row_bits + 1 + EXTRA_BITS - CHANCE_BITS)
    lifted = nodes.op("Mul", nodes.op("Abs", wrong), nodes.int32(lift))
    half = nodes.op("Div", size, nodes.int32(2))
    ratio = nodes.op("Div", nodes.op("Add", lifted, half), size)
    below = nodes.op("Less", wrong, nodes.int32(0))
    factor = nodes.op("Where", below, nodes.op("Neg", ratio), ratio)
    outer = nodes.op(
        "Mul", nodes.reshape(factor, sizes.n_slots, 1), nodes.reshape(kept, 1, sizes.n_in)
    )
    step = nodes.round_shift(nodes.cast(outer, "int64"), EXTRA_BITS)
    limit = row_limit(sizes.n_in)
    stepped = nodes.op("Add", rows, nodes.cast(step, "int32"))
    stepped = nodes.clip(stepped, -limit, limit)
    empty = nodes.op("Less", label, nodes.int32(0))
    return nodes.op("Where", empty, rows, stepped)


def _evidence(stage: Learner, nodes: Nodes, rows: str, kept: str) -> str:
    """Return what the rows add to each score, int32 (n_slots,)."""
    sizes, limit = stage.sizes, stage.evidence_limit
    sums = nodes.op("MatMul", rows, nodes.reshape(kept, sizes.n_in, 1))
    sums = nodes.clip(nodes.reshape(sums, sizes.n_slots), -limit, limit)
    return nodes.scale(sums, stage.multiplier, stage.shift, stage.most_evidence + 1)


def _scores(stage: Learner, nodes: Nodes, state: Named, base: str, kept: str) -> str:
    n_known, n_slots = stage.sizes.n_known, stage.sizes.n_slots
    evidence = _evidence(stage, nodes, state["rows"], kept)
    known = nodes.op("Add", base, nodes.slice(evidence, 0, n_known))
    if not stage.n_own:
        return known
    own = nodes.op("Add", nodes.slice(evidence, n_known, n_slots), nodes.int32(stage.own_level))
    lowest = nodes.op("ReduceMin", known, nodes.indices(0), keepdims=1)
    taught = nodes.op("Greater", nodes.slice(state["taught"], n_known, n_slots), nodes.int32(0))
    return nodes.op("Concat", known, nodes.op("Where", taught, own, lowest), axis=0)


def _watched(stage: Learner, nodes: Nodes, state: Named, frame: tuple[str, str, str]) -> Named:
    y, base, kept = frame
    zero, one = nodes.int32(0), nodes.int32(1)
    is_open = nodes.op("Greater", state["open"], zero)
    longer = nodes.op("Min", nodes.op("Add", state["frames"], one), nodes.int32(_MOST_FRAMES))
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
