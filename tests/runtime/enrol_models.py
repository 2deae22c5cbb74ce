"""Models that learn their owner, and takes for them; every draw takes an explicit generator."""

from __future__ import annotations

import dataclasses

import numpy as np

from runtime.enrolment import Answered, Command, carry_out
from runtime.fixedpoint import choose_multiplier
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Counts, State
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.window import Window

__all__ = [
    "LEFT", "OTHER", "OWN", "RIGHT", "SIDE", "corner_model", "corners", "shown", "take_of",
    "taught", "through_filters",
]  # fmt: skip

LEFT, RIGHT, OTHER, OWN = range(4)
"""Classes of the corners' model."""

SIDE = 4
"""Rows and columns of bins."""
_UNIT = 0.01
"""Nats of one step of a score."""
_SPREAD, _LIMIT = 8, 1 << 14
"""Steps of a standard deviation, and the largest difference of squared distances."""


def corner_model(
    *, moves: bool = False, n_own: int = 1, name: str = "corner", sixteenths: int = 16
) -> Model:
    """Tell in which of two halves light is: left, right, or in neither (other)."""
    entry = Bins(8, 8, SIDE, SIDE)
    n = SIDE * SIDE
    shorten = Dense(
        np.eye(n, dtype=np.int8), np.zeros(n, np.int32), 1, 7, False, 8, np.eye(n), np.zeros(n)
    )
    left = np.tile(np.repeat([1, -1], SIDE // 2), SIDE)
    weights = np.stack([left, -left, 0 * left]).astype(np.int8)
    bias = np.array([0, 0, 60], dtype=np.int32)
    head = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    examples = np.stack([np.where(left > 0, 30, 0), np.where(left < 0, 30, 0), 0 * left])
    scores = choose_multiplier(0.5 / (2 * _SPREAD**2 * _UNIT), _LIMIT)
    keep = Dense(
        np.eye(n, dtype=np.int8), np.full(n, -8, np.int32), 1, 0, False, 8, np.eye(n), np.zeros(n)
    )
    learns = Enrol(
        head=head, directions=keep, means=(examples - 8).astype(np.int8),
        anchors=np.full((2, n), [[-8], [-4]], dtype=np.int8),
        anchor_classes=np.full(2, 2, np.int32),
        near=np.full(3, 500, np.int32), learnable=(True, True, False), n_own=n_own, n_takes=3,
        moves=moves, least_frames=3, unlike=40_000, apart=20_000, rival=1_600,
        favour=300, guard=1_000, reach=4_000, limit=_LIMIT, multiplier=scores[0], shift=scores[1],
        sixteenths=sixteenths,
    )  # fmt: skip
    other = (False, False, True, *[False] * n_own)
    classes = ("left", "right", "other", *[f"own_{i + 1}" for i in range(n_own)])
    decision = Decision(other, 20, 0, 2, 0)
    sensor = Sensor(name, 8, 8, black_level_counts=0)
    return Model(name, "corners", sensor, classes, (entry, shorten, learns, decision), {})


def through_filters(model: Model) -> Model:
    """Return a :func:`corner_model` that sees a mean of its last four frames through filters.

    Two of them, one above the other, keep each bin as it is, so that what follows is as it was.
    """
    n, grid, one = SIDE * SIDE, PatchGrid(SIDE, SIDE, 1, 1, 1), np.ones((1, 1), np.int8)
    kept = Dense(one, np.zeros(1, np.int32), 1, 0, False, 16, one.astype(float), np.zeros(1))
    entry, *others = model.stages
    seen = (Window(n, 1, 4, 2), Filters.of(kept, n, grid), Filters.of(kept, n, grid))
    return dataclasses.replace(model, stages=(entry, *seen, *others))


def corners(where: str, n_frames: int, seed: int = 0) -> tuple[Counts, Counts]:
    """Return frames with light on one side, at the top, at the bottom, or nowhere."""
    rng = np.random.default_rng(seed)
    lit = np.zeros((n_frames, 8, 8))
    part = {
        "left": np.s_[:, :, :4], "right": np.s_[:, :, 4:], "top": np.s_[:, :4, :],
        "bottom": np.s_[:, 4:, :], "all": np.s_[:, :, :], "none": np.s_[:, :0, :],
    }[where]  # fmt: skip
    lit[part] = 900
    lit = np.clip(lit + rng.integers(0, 60, lit.shape), 0, 4095).astype(np.uint16)
    return lit, np.zeros_like(lit)


def take_of(class_number: int) -> list[tuple[Command, int]]:
    """Return the commands around the frames of one take."""
    return [("begin", class_number), ("add", 0)]


def shown(
    model: Model, state: State, where: str, number: int, n_frames: int = 4, seed: int = 0
) -> Answered:
    """Show a take of a class and add it."""
    state, answer = carry_out(model, state, "begin", number)
    if answer < 0:
        return Answered(state, answer)
    state = model.run(*corners(where, n_frames, seed), state).state
    return carry_out(model, state, "add")


def taught(model: Model, where: str, number: int, n_takes: int = 3) -> State:
    """Teach a class by takes, and learn."""
    state = model.initial_state()
    for seed in range(n_takes):
        state, answer = shown(model, state, where, number, seed=seed)
        assert answer == seed + 1
    state, n = carry_out(model, state, "finish")
    assert n == n_takes
    return state
