"""Hands that taught a device, drawn from what it holds."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from two_poses import head, learner, model_of

from capture.store.session import read_session
from trainer.audit import owner_pictures
from trainer.audit.findings import LEAST_PEOPLE
from trainer.audit.owner_pictures import attack_owner_pictures
from trainer.audit.owners import (
    IN_LESSON,
    LEARNED,
    SCENES,
    lessons,
)
from trainer.audit.pictures import learned
from trainer.audit.pictures.measures import MEASURES
from trainer.audit.questions import planned
from trainer.audit.steps import ChainTakes, chain_steps


@pytest.fixture(scope="module")
def takes(held_people: Path) -> ChainTakes:
    """Return the takes of a model that can learn its owner."""
    return chain_steps(model_of(learner()), held_people)


def test_the_hands_that_taught_devices_are_drawn_from_what_was_learned(
    takes: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every measure is told of what is stored, with hands to print; all of it was planned."""
    monkeypatch.setattr(owner_pictures, "N_FURTHER", 1)
    monkeypatch.setattr(learned, "_MOST_TURNS", 3)
    found, rows = attack_owner_pictures(takes)
    assert {f.measure for f in found} == set(MEASURES)
    places = {(f.question, f.step, f.scenes) for f in found}
    assert places == {("picture", step, SCENES) for step in (IN_LESSON, LEARNED)}
    assert {f.n_people for f in found} == {LEAST_PEOPLE}
    assert all("of 5 other people; which hand is of which class" in f.knows for f in found)
    assert all(set(row.shown) == {IN_LESSON, LEARNED} for row in rows)  # each hand once
    assert rows and all(row.truth.max() > 0 for row in rows)
    will = planned(takes, [])
    assert {(f.question, f.step, f.scenes, f.measure) for f in found} <= will


def test_a_hand_whose_take_was_refused_is_not_drawn(takes: ChainTakes) -> None:
    """Of two takes of a class one is too short: its hand is not in what the other has taught."""
    model = model_of(dataclasses.replace(learner(), n_takes=2))
    frames = read_session(next(iter(takes.paths.values()))).frames()
    spans = [
        (name, first, first + (1 if first == 8 else 4))
        for first, name in zip(range(0, 32, 4), model.classes * 4, strict=True)
    ]
    assert [len(lesson) for lesson in lessons(model, spans)] == [4, 4]
    held = owner_pictures._lessons(model, frames, spans)
    shown = held[IN_LESSON]
    assert shown.values.shape[1] == 2 + 8 + 2  # classes, directions kept, scores of the head
    assert shown.last.tolist() == [
        stop - 1 for lesson in lessons(model, spans) for _, _, stop in lesson
    ]
    found = held[LEARNED]
    assert found.last.tolist() == [stop - 1 for _, first, stop in spans if first != 8]
    assert found.classes.tolist() == [name for name, first, _ in spans if first != 8]


def test_hands_are_drawn_where_no_further_person_s_device_learned_anything(
    takes: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Attackers learn from the others recorded where nobody beside them taught a device."""
    monkeypatch.setattr(owner_pictures, "N_FURTHER", 0)
    monkeypatch.setattr(learned, "_MOST_TURNS", 3)
    found, _ = attack_owner_pictures(takes)
    assert {f.measure for f in found} == set(MEASURES)
    assert all("of 4 other people" in f.knows for f in found)


def test_hands_that_nobody_knows_are_not_cleared(
    takes: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of recorded people, or where all takes were refused, nobody can tell; elsewhere nothing."""
    monkeypatch.setattr(owner_pictures, "N_FURTHER", 0)
    monkeypatch.setattr(learned, "_MOST_TURNS", 3)
    stage = dataclasses.replace(learner(), unlike=0)
    refusing = dataclasses.replace(takes, model=model_of(stage))
    for given, why in (
        (dataclasses.replace(takes, kind="recorded"), "in front of the sensor"),
        (refusing, "only 0 people"),
    ):
        found, rows = attack_owner_pictures(given)
        untold = [f for f in found if f.step == LEARNED]
        assert [(f.told, f.question) for f in untold] == [("cannot tell", "picture")]
        assert why in untold[0].why_not
        assert {row_step for row in rows for row_step in row.shown} <= {IN_LESSON}
    assert attack_owner_pictures(dataclasses.replace(takes, model=model_of(head()))) == ([], [])
