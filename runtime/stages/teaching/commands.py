"""What the commands of enrolment do: the integer reference, the law for ONNX and C.

A take is begun, watched while frames go by, and added; then all takes are learned from, and let
go of. Every function returns a new state and changes none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MIN, exact_matmul, round_shift, saturate, scale
from runtime.stages.contract.stage import Int32, Int64, State
from runtime.stages.teaching.lesson import (
    CHANCE_BITS,
    EXPONENTIALS,
    EXTRA_BITS,
    KEPT_LIMIT,
    PASSES,
    SMALLEST_BITS,
    Learner,
    Sizes,
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

__all__ = ["after_command", "first_state", "kept_values", "scores_of", "watched"]


def first_state(sizes: Sizes) -> State:
    """Return the state of a device that was just shipped: all zero."""
    shapes: dict[str, tuple[int, ...]] = {
        "ask": (2,),
        "answer": (1,),
        "open": (1,),
        "frames": (1,),
        "lead": (1,),
        "best_scores": (sizes.n_known,),
        "take_scores": (sizes.n_places, sizes.n_known),
        "rows": (sizes.n_slots, sizes.n_in),
        "taught": (sizes.n_slots,),
        "best": (sizes.n_in,),
        "takes": (sizes.n_places, sizes.n_in),
        "take_class": (sizes.n_places,),
    }
    return {name: np.zeros(shape, dtype=np.int32) for name, shape in shapes.items()}


def kept_values(stage: Learner, x: Int32) -> Int32:
    """Shorten the head's values to 8 bits, int32 (n_frames, n_in)."""
    shortened = round_shift(x.astype(np.int64) - stage.centre, stage.kept_shift)
    return saturate(shortened, -KEPT_LIMIT, KEPT_LIMIT)


def _evidence(stage: Learner, rows: Int32, kept: Int32) -> Int64:
    """Return what the rows add to each score, int64 (n, n_slots)."""
    sums = saturate(exact_matmul(kept, rows), -stage.evidence_limit, stage.evidence_limit)
    return scale(sums, stage.multiplier, stage.shift)


def scores_of(stage: Learner, state: State, base: Int32, kept: Int32) -> Int32:
    """Add the rows' evidence to the head's scores; an own gesture not learned is the lowest.

    Parameters
    ----------
    base : int32 (n, n_known)
        Scores of the head.
    kept : int32 (n, n_in)

    Returns
    -------
    int32 (n, n_slots)
    """
    n_known = base.shape[1]
    evidence = _evidence(stage, state["rows"], kept)
    known = base + evidence[:, :n_known]
    own = stage.own_level + evidence[:, n_known:]
    lowest = known.min(axis=1, keepdims=True)
    own = np.where(state["taught"][n_known:] > 0, own, lowest)
    return np.hstack([known, own]).astype(np.int32)


def watched(stage: Learner, state: State, y: Int32, base: Int32, kept: Int32) -> State:
    """Return the state after frames: an open take keeps its surest frame, or its last one."""
    if int(state["open"][0]) == 0:
        return state
    frames = min(int(state["frames"][0]) + len(y), 1 << 20)
    at, lead = len(y) - 1, int(state["lead"][0])
    if stage.moves:
        known = np.sort(y[:, : base.shape[1]].astype(np.int64), axis=1)
        leads = known[:, -1] - known[:, -2]
        best = y[:, : base.shape[1]].argmax(axis=1)
        leads = np.where(np.array(stage.learnable)[best], leads, -leads)
        at = int(leads.argmax())
        if int(state["frames"][0]) > 0 and int(leads[at]) <= lead:
            return state | {"frames": _one(frames)}
        lead = int(leads[at])
    return state | {
        "frames": _one(frames), "lead": _one(lead), "best": kept[at], "best_scores": base[at],
    }  # fmt: skip


def after_command(stage: Learner, state: State) -> State:
    """Carry out the command that waits, if any."""
    command, asked = (int(value) for value in state["ask"])
    state = state | {"ask": np.zeros(2, dtype=np.int32)}
    if command == BEGIN:
        return _begun(stage, state, asked)
    if command == ADD:
        return _added(stage, state)
    if command == FINISH:
        return _finished(stage, state)
    return first_state(stage.sizes) if command == FORGET else state


def _one(value: int) -> Int32:
    return np.array([value], dtype=np.int32)


def _begun(stage: Learner, state: State, asked: int) -> State:
    """Open a take of a class; one that is open is dropped."""
    n_known = stage.sizes.n_known
    may = 0 <= asked < stage.sizes.n_slots and (asked >= n_known or stage.learnable[asked])
    return state | {
        "open": _one(asked + 1 if may else 0),
        "frames": _one(0),
        "lead": _one(INT32_MIN),
        "answer": _one(0 if may else NO_CLASS),
    }


def _added(stage: Learner, state: State) -> State:
    """Close the open take, and keep it unless there is a reason not to."""
    slot = int(state["open"][0]) - 1
    reason = refusal(stage, state, slot)
    state = state | {"open": _one(0)}
    if reason:
        return state | {"answer": _one(reason)}
    place = int((state["take_class"] > 0).sum())
    found = {name: state[name].copy() for name in ("takes", "take_scores", "take_class")}
    found["takes"][place] = state["best"]
    found["take_scores"][place] = state["best_scores"]
    found["take_class"][place] = slot + 1
    count = int((found["take_class"] == slot + 1).sum())
    return state | found | {"answer": _one(count)}


def refusal(stage: Learner, state: State, slot: int) -> int:
    """Return why the open take is not kept, or 0."""
    if slot < 0:
        return NO_TAKE
    own = state["takes"][state["take_class"] == slot + 1]
    if len(own) >= stage.n_takes:
        return FULL
    if int(state["frames"][0]) < stage.least_frames:
        return SHORT
    best = state["best"].astype(np.int64)
    to_means = _squared(stage.means, best)
    known = slot < stage.sizes.n_known
    to_own = int(_squared(own, best).min()) if len(own) else 0
    if to_own > stage.apart or (known and int(to_means[slot]) > stage.unlike):
        return UNLIKE
    if known:
        scores = state["best_scores"].astype(np.int64)
        like = int(scores.max() - scores[slot]) > stage.rival
    else:
        like = bool((to_means <= stage.near).any())
    return OTHER_CLASS if like else 0


def _squared(several: NDArray[np.integer], one: Int64) -> Int64:
    """Return squared distances, int64 (n,)."""
    return np.asarray(((several.astype(np.int64) - one) ** 2).sum(axis=1), dtype=np.int64)


def _finished(stage: Learner, state: State) -> State:
    """Learn from the anchors and the takes, in turn and several times; let go of the takes."""
    sizes = stage.sizes
    classes = state["take_class"]
    session = np.bincount(classes[classes > 0] - 1, minlength=sizes.n_slots).astype(np.int32)
    empty = first_state(sizes)
    names = ("takes", "take_scores", "take_class", "open", "best", "best_scores", "frames", "lead")
    after = state | {name: empty[name] for name in names}
    if not session.any():
        return after | {"answer": _one(0)}
    rows = _taught(stage, state, state["taught"] + session)
    taught = np.minimum(state["taught"] + session, 32767)
    return after | {"rows": rows, "taught": taught, "answer": _one(int(session.sum()))}


def _taught(stage: Learner, state: State, taught: Int32) -> Int32:
    """Return the rows after all passes."""
    n_places = int((state["take_class"] > 0).sum())
    examples = np.vstack([stage.anchors.astype(np.int32), state["takes"][:n_places]])
    base = np.vstack([stage.anchor_scores, state["take_scores"][:n_places]])
    classes = np.concatenate([stage.anchor_classes, state["take_class"][:n_places] - 1])
    n_known = stage.sizes.n_known
    there = np.concatenate([np.ones(n_known, dtype=bool), taught[n_known:] > 0])
    own = np.full((len(base), stage.n_own), stage.own_level, dtype=np.int32)
    rows, base = state["rows"].astype(np.int64), np.hstack([base, own])
    for _ in range(PASSES):
        for kept, scores, label in zip(examples, base, classes, strict=True):
            rows = _step(stage, rows, kept, scores, int(label), there)
    return rows.astype(np.int32)


def _step(
    stage: Learner,
    rows: Int64,
    kept: Int32,
    base: Int32,
    label: int,
    there: NDArray[np.bool_],
) -> Int64:
    """Take one step of gradient descent for one example."""
    y = base + _evidence(stage, rows.astype(np.int32), kept[None])[0]
    behind = scale(y[there].max() - y, stage.exp_multiplier, stage.exp_shift)
    weights = np.where(there, EXPONENTIALS[np.clip(behind, 0, 255)], 0).astype(np.int64)
    total = int(weights.sum())
    chances = ((weights << CHANCE_BITS) + (total >> 1)) // total
    wrong = -chances
    wrong[label] += 1 << CHANCE_BITS
    # 2 / |kept|^2, of rows in 2^-row_bits nats; short values count as an eighth of what is usual.
    size = max(int((kept.astype(np.int64) ** 2).sum()), 1 << (stage.row_bits - SMALLEST_BITS))
    raised = wrong << (stage.row_bits + 1 + EXTRA_BITS - CHANCE_BITS)
    factors = np.sign(raised) * ((np.abs(raised) + (size >> 1)) // size)
    limit = row_limit(stage.sizes.n_in)
    stepped = rows + round_shift(factors[:, None] * kept[None], EXTRA_BITS)
    return np.asarray(np.clip(stepped, -limit, limit), dtype=np.int64)
