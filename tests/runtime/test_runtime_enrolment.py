"""What a model learns of its owner, and what it keeps."""

from __future__ import annotations

import dataclasses
from contextlib import nullcontext

import numpy as np
import pytest
from enrol_models import LEFT, OTHER, OWN, RIGHT, corner_model, corners, shown, taught
from firmware_models import small_model

from runtime.enrolment import (
    can_enrol,
    carry_out,
    enrolment_bytes,
    learned_arrays,
    learned_bytes,
    with_learned,
)
from runtime.errors import FormatError, OverflowRisk, UsageError
from runtime.model import Model, load_model, save_model
from runtime.stages.contract.stage import State
from runtime.stages.teaching.commands import Compared, with_own
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import SHIPPED_TAKES
from runtime.stages.teaching.reasons import FULL, NO_TAKE


def scores(model: Model, where: str, state: State, seed: int = 9) -> np.ndarray:
    return model.run(*corners(where, 1, seed), state).evidence[0]


def test_without_a_take_every_score_is_the_head_s() -> None:
    """Scores of known classes are the head's own, and a place that is empty is the lowest."""
    model = corner_model()
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    for where in ("left", "right", "top", "none"):
        lit, dark = corners(where, 20)
        x = model.stages[1].run(model.entry.run_frames(lit, dark), {})[0]
        wanted, _ = learns.head.run(x, {})
        evidence = model.run(lit, dark).evidence
        assert np.array_equal(evidence[:, :3], wanted)
        assert np.array_equal(evidence[:, 3], wanted.min(axis=1))


def test_takes_of_a_class_that_was_not_found_make_it_found() -> None:
    """Light at the top is nobody's; shown as left three times, it is left, and right stays."""
    model = corner_model()
    assert scores(model, "top", model.initial_state()).argmax() == OTHER
    state = taught(model, "top", LEFT)
    assert scores(model, "top", state).argmax() == LEFT
    assert scores(model, "right", state).argmax() == RIGHT
    assert scores(model, "none", state).argmax() == OTHER


def test_a_gesture_of_one_s_own_is_told_from_all_others() -> None:
    """Three takes of light at the bottom are a class of their own; known ones stay."""
    model = corner_model()
    state = taught(model, "bottom", OWN)
    assert scores(model, "bottom", state).argmax() == OWN
    for where, number in (("left", LEFT), ("right", RIGHT), ("none", OTHER)):
        assert scores(model, where, state).argmax() == number


def test_a_class_moves_to_the_mean_of_its_takes_and_the_shipped_one() -> None:
    """Each take counts as one, the shipped mean as two; a later session goes on from there."""
    model = corner_model(n_own=1)
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    state, takes = model.initial_state(), []
    for number, n_takes in ((LEFT, 2), (LEFT, 3), (OWN, 2)):
        shipped = learns.means[number].astype(float) if number < 3 else None
        takes = [] if number == OWN else takes
        for seed in range(n_takes):
            where = "bottom" if number == OWN else "top"
            state, answer = shown(model, state, where, number, seed=n_takes + seed)
            assert answer == seed + 1
            takes.append(state["s2_takes"][seed].astype(float))
        state, _ = carry_out(model, state, "finish")
        counted = takes if shipped is None else [*[shipped] * SHIPPED_TAKES, *takes]
        off = state["s2_rows"][number] - np.mean(counted, axis=0)
        assert np.abs(off).max() <= (0.5 if len(takes) == n_takes else 1.0)
    assert state["s2_taught"].tolist() == [5, 0, 0, 2]


def test_scores_are_the_head_s_less_half_the_squared_distance() -> None:
    """What a class is behind the nearest is taken from its score, as log odds of a normal."""
    model = corner_model()
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    state = taught(model, "top", LEFT)
    lit, dark = corners("all", 3, 5)
    x = model.stages[1].run(model.entry.run_frames(lit, dark), {})[0]
    kept, head = x - 8.0, learns.head.run(x, {})[0]
    means = np.vstack([state["s2_rows"][:1], learns.means[1:]]).astype(float)
    far = ((kept[:, None] - means[None]) ** 2).sum(axis=2)
    for value in (-8.0, -4.0):  # the two examples of all that is no gesture
        far[:, OTHER] = np.minimum(far[:, OTHER], ((kept - value) ** 2).sum(axis=1))
    wanted = head - (far - far.min(axis=1, keepdims=True)) / (4 * 8**2) / 0.01
    assert np.abs(model.run(lit, dark, state).evidence[:, :3] - wanted).max() < 3


def test_taught_scores_count_by_sixteenths_and_others_whole() -> None:
    """Leads shrink by so many sixteenths once a known class was taught, and the order stays."""
    whole, half = corner_model(), corner_model(sixteenths=8)
    frames = corners("all", 3, 5)
    for number in (OWN, LEFT):
        state = taught(whole, "bottom" if number == OWN else "top", number)
        all_of_it = whole.run(*frames, state).evidence
        counted = half.run(*frames, state).evidence
        wanted = (all_of_it + 1) >> 1 if number == LEFT else all_of_it
        assert np.array_equal(counted, wanted)


@pytest.mark.parametrize(
    ("sixteenths", "most"), [(1, 2**31 - 9), (5, 429_496_727), (8, 268_435_454)]
)
def test_sixteenths_of_a_score_are_proved_with_what_rounds_them(sixteenths: int, most: int) -> None:
    """The largest score whose multiple fits 32 bits with half a step more passes, the next none."""
    learns = corner_model().stages[2]
    assert isinstance(learns, Enrol)
    assert most * sixteenths + 8 < 2**31 <= (most + 1) * sixteenths + 8
    low, high = np.full(16, -127), np.full(16, 127)
    for largest, fits in ((most, True), (most + 1, False)):
        head = dataclasses.replace(
            learns.head, weights=np.zeros((3, 16), np.int8),
            bias=np.array([largest, largest - 5, largest - 9], np.int32),
        )  # fmt: skip
        stage = dataclasses.replace(
            learns, head=head, limit=1, multiplier=1, shift=20, sixteenths=sixteenths
        )
        assert stage.most_evidence == 0
        with nullcontext() if fits else pytest.raises(OverflowRisk, match="sixteenths"):
            stage.bounds(low, high)


def test_a_gesture_of_one_s_own_keeps_its_distance_until_known_ones_were_shown() -> None:
    """Between an own gesture and a known class, whoever showed the known one is believed more."""
    model = corner_model()
    state = taught(model, "bottom", OWN)
    lit, dark = corners("bottom", 1, 7)
    lit[:, :4, :4] = 600  # half way to light on the left
    before = model.run(lit, dark, state).evidence[0]
    for seed in range(3):
        state, _ = shown(model, state, "left", LEFT, seed=seed)
    state, _ = carry_out(model, state, "finish")
    after = model.run(lit, dark, state).evidence[0]
    assert after[OWN] - after[:OWN].max() > before[OWN] - before[:OWN].max()


def test_what_is_far_from_everything_is_not_the_owner_s() -> None:
    """Beyond the reach of an own gesture no known class loses to it."""
    model = corner_model()
    state = taught(model, "bottom", OWN)
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    near = dataclasses.replace(learns, reach=0, guard=0)
    far = Model("corner", "corners", model.sensor, model.classes,
                (*model.stages[:2], near, model.stages[3]))  # fmt: skip
    assert scores(model, "bottom", state).argmax() == OWN
    assert scores(far, "bottom", state).argmax() != OWN


@pytest.mark.parametrize(
    ("taught_known", "changes", "ahead"),
    [
        ((True, False), {"favour": 100, "guard": 0}, 0),
        ((True, False), {"favour": 164, "guard": 0}, 25),
        ((True, False), {"favour": -28, "guard": 0}, -50),
        ((False, False), {"guard": 0}, 0),
        ((False, False), {"guard": 64}, -25),
        ((False, False), {"guard": -64}, 25),
        ((True, True), {"guard": 9_000, "favour": 100}, 0),
    ],
)
def test_a_favour_counts_beside_taught_classes_and_half_of_the_way_beside_others(
    taught_known: tuple[bool, bool], changes: dict[str, int], ahead: int
) -> None:
    """Against 500 to one's own: 400 to a taught class and the favour, 1000 / 2 less the guard.

    A step of squared distance is 25 / 64 of one of the scores.
    """
    stage = corner_model().stages[2]
    assert isinstance(stage, Enrol)
    stage = dataclasses.replace(stage, **changes)
    far = [400 if taught_known[0] else 1000, 3000, 5000]
    frame = Compared(*(np.array([row], dtype=np.int64) for row in ([7, 3, 0], far, [500])))
    state = stage.initial_state() | {"taught": np.array([*taught_known, all(taught_known), 1])}
    [found] = with_own(stage, state, frame)
    assert found[:3].tolist() == [7, 3, 0] and found[3] == 7 + ahead


def test_a_take_wants_a_beginning_and_a_class_ends_with_enough() -> None:
    """Nothing is added without a begun take, and no more than a session has room for."""
    model = corner_model()
    state = model.initial_state()
    assert carry_out(model, state, "add").answer == NO_TAKE
    for number in (1, 2, 3):
        state, answer = shown(model, state, "left", LEFT, seed=number)
        assert answer == number
    assert shown(model, state, "left", LEFT).answer == FULL


def test_takes_are_let_go_of_once_they_were_learned_from() -> None:
    """After learning no take and no frame of a take is left, only rows and counts."""
    model = corner_model()
    state = taught(model, "top", LEFT)
    held = learned_arrays(model, state, session=True)
    assert held["rows"].any() and held["taught"].tolist() == [3, 0, 0, 0]
    for name in ("takes", "take_class", "best", "best_scores"):
        assert not held[name].any(), name
    assert set(learned_arrays(model, state)) == {"rows", "taught"}


def test_forgetting_is_as_shipped() -> None:
    """The whole state after forgetting is that of a device that saw and learned nothing."""
    model = corner_model()
    before = taught(model, "top", LEFT)
    before = model.run(*corners("left", 3), before).state
    state, answer = carry_out(model, before, "forget")
    first = model.initial_state()
    others = [name for name in first if not name.startswith("s2_")]
    assert any(not np.array_equal(before[name], first[name]) for name in others)
    assert answer == 0 and state.keys() == first.keys()
    assert all(np.array_equal(state[name], first[name]) for name in first)


def test_loading_what_was_learned_touches_no_other_stage() -> None:
    """What windows hold of the last frames goes on; takes of an open session are dropped."""
    model = corner_model()
    data = learned_bytes(model, taught(model, "top", LEFT))
    state, _ = carry_out(model, model.initial_state(), "begin", LEFT)
    state = model.run(*corners("left", 3), state).state
    after = with_learned(model, state, data, "file")
    others = [name for name in state if not name.startswith("s2_")]
    assert others and all(np.array_equal(after[name], state[name]) for name in others)
    assert not after["s2_open"].any() and not after["s2_best"].any()
    assert learned_bytes(model, after) == data


def test_of_a_movement_the_surest_frame_counts() -> None:
    """A take of a movement is its frame with the clearest gesture, wherever that is."""
    model = corner_model(moves=True)
    state, _ = carry_out(model, model.initial_state(), "begin", LEFT)
    for where in ("none", "left", "none"):
        state = model.run(*corners(where, 2, 3), state).state
    assert state["s2_best"].reshape(4, 4)[:, :2].min() > 8
    still = corner_model()
    state, _ = carry_out(still, still.initial_state(), "begin", LEFT)
    for where in ("none", "left", "none"):
        state = still.run(*corners(where, 2, 3), state).state
    assert state["s2_best"].max() < 3


def test_what_was_learned_survives_as_bytes() -> None:
    """Saved and loaded, the answers are the same; the bytes are as many as is told."""
    model = corner_model()
    state = taught(model, "top", LEFT)
    data = learned_bytes(model, state)
    assert len(data) == enrolment_bytes(model)["kept"] == 8 + 32 + 4 * (2 + 16) + 4
    again = with_learned(model, model.initial_state(), data, "file")
    assert np.array_equal(scores(model, "top", again), scores(model, "top", state))
    assert learned_bytes(model, again) == data


def test_every_cut_and_every_flipped_bit_is_refused() -> None:
    """A damaged state is refused wherever the damage is."""
    model = corner_model()
    data = learned_bytes(model, taught(model, "top", LEFT))
    first = model.initial_state()
    for end in range(len(data)):
        with pytest.raises(FormatError):
            with_learned(model, first, data[:end], "file")
    for at in range(len(data)):
        with pytest.raises(FormatError):
            with_learned(model, first, data[:at] + bytes([data[at] ^ 16]) + data[at + 1 :], "file")
    with pytest.raises(FormatError):
        with_learned(model, first, data + b"\0", "file")


def test_anchors_that_are_no_table_are_refused() -> None:
    """A model file whose anchors are one number is refused as one of another shape."""
    stage = corner_model().stages[2]
    within = stage.arrays() | {"anchors": np.array(3, dtype=np.int8)}
    with pytest.raises(FormatError, match="shape of anchors"):
        type(stage).from_json(stage.to_json(), within, "file")


def test_another_model_s_state_is_refused() -> None:
    """What another model learned is told to be another's, not damaged."""
    data = learned_bytes(corner_model(name="one"), corner_model(name="one").initial_state())
    model = corner_model(name="two")
    with pytest.raises(FormatError, match="model of the enrolment"):
        with_learned(model, model.initial_state(), data, "file")


def test_a_model_without_enrolment_says_so() -> None:
    """Commands on a model that cannot learn are refused in a line."""
    model = small_model()
    assert not can_enrol(model)
    with pytest.raises(UsageError, match="enrol = true"):
        carry_out(model, model.initial_state(), "begin", 0)


def test_a_head_that_learns_is_read_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """The head within keeps its numbers and arrays."""
    folder = tmp_path_factory.mktemp("model")
    model = corner_model()
    save_model(model, folder)
    again = load_model(folder)
    lit, dark = corners("left", 5)
    assert np.array_equal(again.run(lit, dark).evidence, model.run(lit, dark).evidence)
    state = taught(model, "top", LEFT)
    assert learned_bytes(again, taught(again, "top", LEFT)) == learned_bytes(model, state)
