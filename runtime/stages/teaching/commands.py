"""What the commands of enrolment do: the integer reference, the law for ONNX and C.

A take is begun, watched while frames go by, and added; then all takes are learned from, and let
go of. Every function returns a new state and changes none.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MAX, INT32_MIN, saturate, scale
from runtime.stages.contract.stage import Int32, Int64, State
from runtime.stages.teaching.lesson import (
    LIFT,
    MAX_FRAMES,
    MAX_TAUGHT,
    SHIPPED_TAKES,
    Learner,
    Sizes,
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

__all__ = [
    "Compared", "after_command", "answers_to_take", "behind_another", "compared", "far_from_own",
    "first_state", "kept_values", "scores_of", "watched", "with_own",
]  # fmt: skip


class Compared(NamedTuple):
    """Frames against all that is known, before any own gesture has its say.

    Parameters
    ----------
    known : int64 (n, n_known)
        Scores of known classes.
    far : int64 (n, n_known)
        Squared distances to them.
    to_own : int64 (n, n_own)
        Squared distances to own gestures.
    """

    known: Int64
    far: Int64
    to_own: Int64


def first_state(sizes: Sizes) -> State:
    """Return the state of a device that was just shipped: all zero."""
    shapes: dict[str, tuple[int, ...]] = {
        "ask": (2,),
        "answer": (1,),
        "open": (1,),
        "frames": (1,),
        "lead": (1,),
        "best_scores": (sizes.n_known,),
        "taught": (sizes.n_slots,),
        "rows": (sizes.n_slots, sizes.n_kept),
        "best": (sizes.n_kept,),
        "takes": (sizes.n_places, sizes.n_kept),
        "take_class": (sizes.n_places,),
    }
    return {name: np.zeros(shape, dtype=np.int32) for name, shape in shapes.items()}


def kept_values(stage: Learner, x: Int32) -> Int32:
    """Bring the head's values into the directions, int32 (n_frames, n_kept)."""
    return stage.directions.run(x, {})[0]


def scores_of(stage: Learner, state: State, base: Int32, kept: Int32) -> Int32:
    """Take together what the head says and how near each class's mean is.

    Where no known class was taught, known scores are the head's; an own gesture that was not
    taught is the lowest.

    Parameters
    ----------
    base : int32 (n, n_known)
        Scores of the head.
    kept : int32 (n, n_kept)

    Returns
    -------
    int32 (n, n_slots)
    """
    return with_own(stage, state, compared(stage, state, base, kept))


def compared(stage: Learner, state: State, base: Int32, kept: Int32) -> Compared:
    """Take together what the head says of known classes and how near each one's mean is."""
    n_known = base.shape[1]
    far = _distances(stage, _class_means(stage, state), kept)
    known = base.astype(np.int64)
    if state["taught"][:n_known].any():
        known = known - _scaled(stage, far - far.min(axis=1, keepdims=True))
    return Compared(known, far, _to_rows(state["rows"][n_known:], kept))


def with_own(stage: Learner, state: State, frames: Compared) -> Int32:
    """Score own gestures beside known classes, int32 (n, n_slots)."""
    known, far, to_own = frames
    n_known = known.shape[1]
    shown, own_shown = np.split(state["taught"] > 0, [n_known])
    asked = np.where(shown, far + stage.favour, (far >> 1) - stage.guard)
    nearest = np.minimum(asked.min(axis=1, keepdims=True), stage.reach)
    own = np.where(
        own_shown,
        known.max(axis=1, keepdims=True) + _scaled(stage, nearest - to_own),
        known.min(axis=1, keepdims=True),
    )
    scores = np.hstack([known, own])
    return (stage.counted(scores) if shown.any() else scores).astype(np.int32)


def _scaled(stage: Learner, distance: Int64) -> Int64:
    """Bring differences of squared distances to steps of the scores."""
    return scale(saturate(distance, -stage.limit, stage.limit), stage.multiplier, stage.shift)


def _to_rows(rows: NDArray[np.integer], kept: Int32) -> Int64:
    """Return squared distances, int64 (n, n_rows)."""
    step = kept[:, None, :].astype(np.int64) - rows[None].astype(np.int64)
    return np.asarray((step**2).sum(axis=2), dtype=np.int64)


def _class_means(stage: Learner, state: State) -> Int32:
    """Return where each known class is: the owner's mean, or the shipped one, (n_known, n_kept)."""
    n_known = stage.sizes.n_known
    own = state["taught"][:n_known, None] > 0
    return np.where(own, state["rows"][:n_known], stage.means).astype(np.int32)


def _distances(stage: Learner, means: Int32, kept: Int32) -> Int64:
    """Return squared distances to known classes: their mean, or an example of them if nearer."""
    far = _to_rows(means, kept)
    if len(stage.anchors):
        to_anchors = _to_rows(stage.anchors, kept)
        for number, at in enumerate(stage.anchor_classes.tolist()):
            far[:, at] = np.minimum(far[:, at], to_anchors[:, number])
    return far


def watched(stage: Learner, state: State, y: Int32, base: Int32, kept: Int32) -> State:
    """Return the state after frames: an open take keeps its surest frame, or its last one."""
    if int(state["open"][0]) == 0:
        return state
    frames = min(int(state["frames"][0]) + len(y), MAX_FRAMES)
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
    found = {name: state[name].copy() for name in ("takes", "take_class")}
    found["takes"][place] = state["best"]
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
    if slot < stage.sizes.n_known:
        unlike = int(to_means[slot]) > stage.unlike
        like = behind_another(stage, state, slot) > stage.rival
    else:
        unlike = len(own) > 0 and int(_squared(own, best).min()) > stage.apart
        to_own = far_from_own(stage, state, slot)
        like = bool((to_means <= stage.near).any() or (to_own <= stage.near_own).any())
    if unlike:
        return UNLIKE
    return OTHER_CLASS if like else 0


def answers_to_take(stage: Learner, state: State) -> Int64:
    """Score known classes as if the takes kept so far had been learned from, int64 (n_known,).

    Of the last take's frame that counts. Distances to shipped means count before any take is kept
    as well, where the device's answers are the head's alone. A mean of n takes is itself known to a
    part in n of what takes spread by, so that of a squared distance n parts of n + 1 count (the
    predictive normal: C. Bishop, Pattern Recognition and Machine Learning, 2006, section 2.3.6,
    without its logarithm, which differs little between classes).
    """
    n_known = stage.sizes.n_known
    session = _session(stage, state)
    rows = _moved(stage, state, session)[:n_known]
    means = np.where(session[:n_known, None] > 0, rows, _class_means(stage, state))
    [far] = _distances(stage, means.astype(np.int32), state["best"][None])
    parts = (state["taught"] + session)[:n_known].astype(np.int64) + SHIPPED_TAKES + 1
    far = far - (far + (parts >> 1)) // parts
    return state["best_scores"].astype(np.int64) - _scaled(stage, far - far.min())


def behind_another(stage: Learner, state: State, known: int) -> int:
    """Return how far a known class is behind the best of all others; below 0, ahead of it."""
    answers = answers_to_take(stage, state)
    return int(np.delete(answers, known).max() - answers[known])


def far_from_own(stage: Learner, state: State, slot: int) -> Int64:
    """Return squared distances of the last take to other own gestures, int64 (n_own,).

    Each is where it would be if the takes kept so far had been learned from; one that there is
    not, and the one asked for, are as far away as can be.
    """
    n_known, session = stage.sizes.n_known, _session(stage, state)
    rows = _moved(stage, state, session)[n_known:]
    there = (state["taught"] + session)[n_known:] > 0
    there[slot - n_known] = False
    return np.where(there, _squared(rows, state["best"].astype(np.int64)), INT32_MAX)


def _session(stage: Learner, state: State) -> Int32:
    """Return how many takes of each class were kept, int32 (n_slots,)."""
    classes = state["take_class"]
    return np.bincount(classes[classes > 0] - 1, minlength=stage.sizes.n_slots).astype(np.int32)


def _squared(several: NDArray[np.integer], one: Int64) -> Int64:
    """Return squared distances, int64 (n,)."""
    return np.asarray(((several.astype(np.int64) - one) ** 2).sum(axis=1), dtype=np.int64)


def _finished(stage: Learner, state: State) -> State:
    """Move the means of the classes shown, and let go of the takes."""
    sizes = stage.sizes
    session = _session(stage, state)
    empty = first_state(sizes)
    names = ("takes", "take_class", "open", "best", "best_scores", "frames", "lead")
    after = state | {name: empty[name] for name in names}
    rows = _moved(stage, state, session)
    taught = np.minimum(state["taught"] + session, MAX_TAUGHT)
    return after | {"rows": rows, "taught": taught, "answer": _one(int(session.sum()))}


def _moved(stage: Learner, state: State, session: Int32) -> Int32:
    """Return the means after a session: each take counts as one, the shipped mean as some."""
    n_known = stage.sizes.n_known
    before = np.vstack([_class_means(stage, state), state["rows"][n_known:]]).astype(np.int64)
    shipped = SHIPPED_TAKES * (np.arange(len(session)) < n_known)
    weight = state["taught"].astype(np.int64) + shipped
    total = before * weight[:, None]
    for place, slot in enumerate(state["take_class"].tolist()):
        if slot > 0:
            total[slot - 1] += state["takes"][place]
    n = np.maximum(weight + session, 1)[:, None]
    means = (total + LIFT * n + (n >> 1)) // n - LIFT
    return np.where(session[:, None] > 0, means, state["rows"]).astype(np.int32)
