"""What follows from a step, an attacker there finds as well: no step is safer than a later one."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from capture.store.session import read_session
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.closing.presence import Presence
from runtime.stages.dense import Dense
from runtime.stages.passive.ambient import Ambient
from trainer.audit.chain import DARK, MEMORY, RAW, overheard, places_of, steps_of
from trainer.audit.findings import Finding
from trainer.audit.limits import PrivacyLimits, held
from trainer.audit.run_on import EVERY_FRAME, SAME_FRAMES, Later, later_steps, run_on
from trainer.audit.steps import ChainTakes, taken
from trainer.audit.whole import Audit


@pytest.fixture(scope="module")
def later(heard: ChainTakes) -> Later:
    """Return what follows from each step of the model of movements."""
    return later_steps(heard)


def finding(step: str, gain: float, half: float = 0.05, **changed: object) -> Finding:
    """Return a finding about who it is, with an interval of a gain."""
    ends = 0.2 + gain, 0.2, gain, gain - half, gain + half, 20
    plain = Finding(step, "identity", "one take", "centroids", "takes", "accuracy", *ends)
    return dataclasses.replace(plain, **changed)  # type: ignore[arg-type]  # plain words


def test_whoever_listens_can_work_out_all_later_steps(dynamic: Model, later: Later) -> None:
    """From values that are heard frame by frame follows all that later stages give and keep."""
    places = places_of(dynamic)
    assert places.keys() == {step.name for step in steps_of(dynamic)} - {DARK}
    for step in steps_of(dynamic):
        after = {name for name, place in places.items() if place > places.get(step.name, 99)}
        if step.role == "values" or step.name == RAW:
            assert after <= later[step.name].keys(), step.name
    assert later[RAW].keys() == {step.name for step in steps_of(dynamic)} - {RAW, DARK}
    assert not later[DARK]
    assert not later[dynamic.closing.output_name]


def test_what_follows_is_worked_out_bit_for_bit(
    dynamic: Model, heard: ChainTakes, later: Later
) -> None:
    """Stages run on from a step's own values alone, and end in what the later step holds."""
    path = next(iter(heard.paths.values()))
    session = read_session(path)
    frames, spans = taken(dynamic, session)
    mine = heard.sessions == next(iter(heard.paths))
    at = np.array(
        [np.linspace(a, b - 1, heard.times_s.shape[1] + 1)[1:].round() for _, a, b in spans], int
    )
    x = dynamic.entry.run_frames(frames.lit, frames.dark)
    outputs = [x]
    for stage in dynamic.stages[1:]:
        x, _ = stage.run(x, stage.initial_state())
        outputs.append(x)
    names = [n for n in places_of(dynamic) if n != RAW and "state" not in n and n != MEMORY]
    asked = 0
    for (j, first), (k, last) in itertools.combinations(enumerate(names[:-1]), 2):
        real = heard.frames[last][mine]
        if later[first][last] == SAME_FRAMES:
            y = heard.frames[first][mine].reshape(-1, outputs[j].shape[1]).astype(np.int32)
            for stage in dynamic.stages[j + 1 : k + 1]:  # each frame as if it were the only one
                y = np.vstack([stage.run(row[None], stage.initial_state())[0] for row in y])
            assert np.array_equal(y.reshape(real.shape), real), (first, last)
            asked += 1
        else:
            y = outputs[j]
            for stage in dynamic.stages[j + 1 : k + 1]:
                y, _ = stage.run(y, stage.initial_state())
            assert np.array_equal(y[at], real), (first, last)
    assert asked > 5
    assert later["dense 5"]["window 6"] == EVERY_FRAME


def test_a_state_gives_what_lies_in_it_and_no_more(
    dynamic: Model, heard: ChainTakes, later: Later
) -> None:
    """A dump has no frames between: what a window sums up does not follow from one frame held."""
    kept = {step.name for step in steps_of(dynamic) if step.role == "state"} - {MEMORY}
    assert kept <= later[MEMORY].keys()
    assert "hold" in later["hold state"]
    assert "window 6" not in later["hold state"]
    assert all(besides == SAME_FRAMES for besides in later[MEMORY].values())
    assert list(later["window 6 state"]) == ["window 6", "dense 7", "dense 8", "dense 9"]
    kept, given = (heard.frames[name] for name in ("window 6 state", "window 6"))
    assert not np.array_equal(kept[:, :, -given.shape[-1] :], given)  # in full, and rounded
    for other in later["hold state"]:
        inner, outer = heard.frames[other], heard.frames["hold state"]
        assert set(inner[0, 0].tolist()) <= set(outer[0, 0].tolist())


def test_what_needs_both_exposures_does_not_follow_from_their_difference() -> None:
    """A stage that adds both exposures up is not worked out from what the light adds."""
    weights = np.ones((1, 4), np.int8)
    bias = np.zeros(1, np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    presence = Presence("things", (100, 900), hysteresis=10, persist=1)
    stages = (Ambient(4, 4, 2, 2, 0), dense, presence)
    model = Model("seen", "seen", Sensor("tiny", 4, 4), (), stages)
    rng = np.random.default_rng(1)
    lit, dark = rng.integers(60, 200, (2, 6, 4, 4)).astype(np.uint16)
    values = overheard(model, [(lit, dark)], [1, 3, 5], [0, 2, 4])
    frames = {name: array[:, None] for name, array in values.items()}
    who = np.array(["P1", "P2", "P3"])
    times = np.zeros((3, 1))
    takes = ChainTakes(model, steps_of(model), frames, who, who, who, times, {}, {}, "invented")
    later = later_steps(takes)
    assert not later[RAW]
    assert later["ambient"] == {
        "level": SAME_FRAMES, "presence": EVERY_FRAME, "presence state": EVERY_FRAME,
        MEMORY: EVERY_FRAME,
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
def test_no_step_is_told_to_be_safer_than_what_follows_from_it(
    dynamic: Model, heard: ChainTakes, later: Later, seed: int
) -> None:
    """Whatever attackers reach: where a later step leaks, so does this, and by no less."""
    rng = np.random.default_rng(seed)
    found = tuple(
        finding(step.name, float(rng.normal(0.05, 0.1)), float(rng.uniform(0.01, 0.2)),
                attacker=attacker)
        for step in steps_of(dynamic)
        for attacker in ("centroids", "trees")
    )  # fmt: skip
    audit = Audit(dynamic, heard, found, (), "", (), (), later)
    told = {each.step: each for each in audit.headline}
    assert told.keys() == {step.name for step in steps_of(dynamic)}
    own = {each.step: each for each in Audit(dynamic, heard, found, (), "", ()).headline}
    for step, others in later.items():
        for other in others:
            if own[other].told == "leaks":
                assert told[step].told == "leaks"
                assert (told[step].gain or 0.0) >= (own[other].gain or 0.0)
        origin = own[told[step].run_on_to or step]
        assert (told[step].gain, told[step].low) == (origin.gain, origin.low)
        assert (told[step].run_on_to in others) or told[step] == own[step]


def test_a_step_of_its_own_is_told_where_nothing_later_is_stronger() -> None:
    """Among equals it is what was found at the step itself."""
    later = {"bins": {"scores": SAME_FRAMES}, "scores": {}}
    (same,) = run_on([finding("scores", 0.3)], later)
    assert (same.step, same.run_on_to, same.knows) == ("bins", "scores", "takes; the model")
    untold = finding("scores", 0.3, low=None, high=None, why_not="only 2 people")
    assert run_on([untold], later) == []


def test_a_limit_on_a_step_is_broken_by_what_is_found_later() -> None:
    """Bins are not kept by weak attackers at the bins: the verdict follows what is worked out."""
    later = {"bins": {"scores": SAME_FRAMES}, "scores": {}}
    found = [finding("bins", 0.02), finding("scores", 0.3)]
    limits = PrivacyLimits.model_validate(
        {"limit": [{"question": "identity", "step": "bins", "most_gain": 0.1}]}
    )
    (kept,) = held(limits, found, ())
    (broken,) = held(limits, [*found, *run_on(found, later)], ())
    assert (kept.verdict, broken.verdict) == ("pass", "broken")
    assert broken.worst is not None
    assert (broken.worst.step, broken.worst.run_on_to) == ("bins", "scores")
