"""What a device keeps of its owner: taught, dumped and attacked."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from invented_people import record_people
from invented_takes import HELD, invented_takes, named
from two_poses import head, learner, model_of

from capture.cues.script import parse_script
from capture.store.session import read_session
from runtime.enrolment import carry_out, enrol_place, learned_arrays, own_state
from runtime.stages.closing.decision import Decision
from trainer.audit import owners
from trainer.audit.findings import LEAST_PEOPLE, Finding, strongest
from trainer.audit.owners import (
    IN_LESSON,
    LEARNED,
    SCENES,
    attack_owners,
    flat,
    lessons,
    owner_steps,
    read_back,
    taught,
    taught_devices,
)
from trainer.audit.page import audit_page
from trainer.audit.people.enrolled import ONE_SESSION, seen_at
from trainer.audit.people.identity import identify
from trainer.audit.people.membership import QUESTION as MEMBERSHIP
from trainer.audit.people.rates import cannot_tell
from trainer.audit.run_on import later_steps
from trainer.audit.steps import ChainTakes, chain_steps, taken
from trainer.audit.whole import Audit


@pytest.fixture(scope="module")
def takes(held_people: Path) -> ChainTakes:
    """Return the takes of a model that can learn its owner."""
    return chain_steps(model_of(learner()), held_people)


def test_every_take_of_a_class_teaches_a_device_of_its_own(takes: ChainTakes) -> None:
    """Of three takes of each class there are three devices a person, and no two are alike."""
    found = taught_devices(takes)
    assert list(found) == [step.name for step in owner_steps(takes.model)] == [IN_LESSON, LEARNED]
    for step in owner_steps(takes.model):
        devices = found[step.name]
        names, counts = np.unique(devices.people, return_counts=True)
        assert len(names) == LEAST_PEOPLE
        assert counts.tolist() == [3] * LEAST_PEOPLE
        assert len(np.unique(devices.values, axis=0)) == len(devices.values)
        assert devices.values.shape[1] == 2 * 8  # of each class the mean of its takes


@pytest.mark.parametrize(
    ("n_shown", "n_takes", "sizes"),
    [(3, 8, [1, 1, 1]), (5, 8, [2, 2, 1]), (8, 8, [3, 3, 2]), (8, 2, [2] * 4)],
)
def test_devices_are_taught_as_often_as_leaves_a_second_one(
    n_shown: int, n_takes: int, sizes: list[int]
) -> None:
    """Of so many takes of a class a device has three, fewer where there would be no second."""
    model = model_of(dataclasses.replace(learner(), n_takes=n_takes))
    spans = [(name, 10 * k, 10 * k + 5) for k in range(n_shown) for name in model.classes]
    parted = lessons(model, spans)
    assert [len(lesson) for lesson in parted] == [2 * size for size in sizes]
    assert sorted(span for lesson in parted for span in lesson) == sorted(
        (model.classes.index(name), first, stop) for name, first, stop in spans
    )


def test_a_device_has_learned_what_its_commands_teach(takes: ChainTakes) -> None:
    """The second device holds what begin, frames, add and finish of the second takes leave."""
    model, path = takes.model, next(iter(takes.paths.values()))
    frames, spans = taken(model, read_session(path))
    state, met = model.initial_state(), {"fingers_0": 0, "fingers_5": 0}
    for take, first, stop in spans:
        met[take.trial_type] += 1
        if met[take.trial_type] == 2:
            state = carry_out(model, state, "begin", model.classes.index(take.trial_type)).state
            state = model.run(frames.lit[first:stop], frames.dark[first:stop], state).state
            state, answer = carry_out(model, state, "add")
            assert answer > 0
    wanted = learned_arrays(model, carry_out(model, state, "finish").state)
    assert wanted["taught"].tolist() == [1, 1]
    devices = taught_devices(takes)[LEARNED]
    mine = devices.values[np.flatnonzero(devices.people == takes.participants[0])[1]]
    assert np.array_equal(mine, read_back(enrol_place(model)[1], wanted).ravel())


@pytest.mark.parametrize("n_each", [1, 3])
def test_the_takes_of_a_lesson_are_read_back_out_of_what_it_left(
    takes: ChainTakes, n_each: int
) -> None:
    """In a lesson their mean to the last bit, after it as far as a row is rounded, by the law.

    A row is the nearest integer to the mean of two times the shipped mean and the takes. Of a class
    without a take the shipped mean is read, of an own gesture without one nothing.
    """
    means = np.random.default_rng(3).integers(-40, 41, (2, 8)).astype(np.int8)
    stage = dataclasses.replace(learner(), means=means, n_own=1, n_takes=n_each)
    decision = Decision((False, False, False), threshold=10, hysteresis=5, persist=1, hold_off=2)
    bins, *_ = takes.model.stages
    classes = (*takes.model.classes, "own_1")
    model = dataclasses.replace(takes.model, classes=classes, stages=(bins, stage, decision))
    path = next(iter(takes.paths.values()))
    frames, takes_of = taken(model, read_session(path))
    spans = [(first, stop) for take, first, stop in takes_of if take.trial_type == "fingers_0"]
    lesson = [(0, first, stop) for first, stop in spans[:n_each]]
    device = taught(model, (frames.lit, frames.dark), lesson)
    assert device.kept == (True,) * n_each
    shown = np.mean([opened["best"] for opened in device.opened], axis=0)
    in_lesson = read_back(stage, device.opened[-1])
    after = read_back(stage, device.learned)
    assert np.allclose(in_lesson[0], shown, rtol=0, atol=1e-9)
    assert np.abs(after[0] - shown).max() <= 0.5 * (2 + n_each) / n_each + 1e-9
    for read in (in_lesson, after):
        assert np.array_equal(read[1:], [means[1], np.zeros(8)])


def test_a_device_in_a_lesson_is_dumped_with_every_word_while_each_take_is_open(
    takes: ChainTakes,
) -> None:
    """What is held then is the whole declared state, the takes before and the open one in it."""
    model, path = takes.model, next(iter(takes.paths.values()))
    frames, takes_of = taken(model, read_session(path))
    spans = [(take.trial_type, first, stop) for take, first, stop in takes_of]
    lesson = lessons(model, spans)[0]
    device = taught(model, (frames.lit, frames.dark), lesson)
    assert all(device.kept) and len(device.opened) == len(lesson) == 2
    first = model.initial_state()
    (slot, begin, stop), (other, begin_2, stop_2) = lesson
    state = carry_out(model, first, "begin", slot).state
    state = model.run(frames.lit[begin:stop], frames.dark[begin:stop], state).state
    assert np.array_equal(flat(device.opened[0]), flat(own_state(model, state)))
    shown = own_state(model, state)["best"]
    state = carry_out(model, carry_out(model, state, "add").state, "begin", other).state
    state = model.run(frames.lit[begin_2:stop_2], frames.dark[begin_2:stop_2], state).state
    own = own_state(model, state)
    assert np.array_equal(flat(device.opened[1]), flat(own))
    assert (own["takes"] == shown).all(axis=1).any() and own["open"][0]


def test_nothing_of_a_lesson_outlives_it_but_what_is_listed_as_learned(takes: ChainTakes) -> None:
    """After the last command only what `learned_arrays` lists, and the answer, tell of anybody."""
    model, path = takes.model, next(iter(takes.paths.values()))
    frames, takes_of = taken(model, read_session(path))
    state = model.initial_state()
    for take, first, stop in takes_of[:2]:
        state = carry_out(model, state, "begin", model.classes.index(take.trial_type)).state
        state = model.run(frames.lit[first:stop], frames.dark[first:stop], state).state
        state, answer = carry_out(model, state, "add")
        assert answer > 0
    after = own_state(model, carry_out(model, state, "finish").state)
    shipped = own_state(model, model.initial_state())
    listed = set(learned_arrays(model, model.initial_state()))
    left = {name for name, array in after.items() if not np.array_equal(array, shipped[name])}
    assert left == listed | {"answer"}


def test_devices_are_asked_whose_they_are(takes: ChainTakes, held_people: Path) -> None:
    """Identity, one person or two, and attributes are asked of the state, which is stored."""
    found = attack_owners(takes, held_people)
    questions = {finding.question for finding in found}
    assert {"identity", "same person", "hand_length_mm"} <= questions
    for step in owner_steps(takes.model):
        of_step = {finding.question for finding in found if finding.step == step.name}
        assert of_step == questions
        assert step.stored and not step.leaves_device
    assert {finding.scenes for finding in found} == {SCENES}


def names_trained(folder: Path, names: list[str]) -> Path:
    """Write who was trained on, as training does; return the model's folder."""
    folder.mkdir(exist_ok=True)
    (folder / "evaluation.json").write_text(json.dumps({"participants": {"train": names}}))
    return folder


def test_whether_the_owner_was_trained_on_is_asked_of_what_was_learned(
    takes: ChainTakes, held_people: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Directions that bring takes of those together tell of whom; of nobody's nothing is found.

    Where the model's folder names nobody, or too few are of one kind, nobody can tell.
    """
    seen = invented_takes(24, 0.5, 5, n_takes=2)
    half = named(24)[::2].tolist()
    few = names_trained(tmp_path / "few", half[:2])
    trained = names_trained(tmp_path / "half", half)
    near = np.where(np.isin(seen.people, half), 0.2, 1.0)[:, None] * seen.values
    asked = dataclasses.replace(takes, participants=seen.people)
    monkeypatch.setattr(owners, "columns_of_people", lambda _: [])
    for other in ("identify", "verify_people"):
        monkeypatch.setattr(owners, other, lambda *_, **__: [])

    def told_of(values: np.ndarray, folder: Path | None) -> Finding:
        devices = {LEARNED: dataclasses.replace(seen, values=values)}
        monkeypatch.setattr(owners, "taught_devices", lambda *_: devices)
        told = attack_owners(asked, held_people, model_dir=folder)
        [best] = [f for f in strongest(told) if f.question == MEMBERSHIP]
        assert best.step == LEARNED and best.n_people == 24
        return best

    assert told_of(near, trained).told == "leaks"
    assert told_of(seen.values, trained).told == "nothing found"
    for folder, why in ((None, "does not say who was trained on"), (few, "at least 6 people")):
        found = told_of(near, folder)
        assert found.told == "cannot tell" and why in found.why_not
    rows = [f"{name},fingers_9,0.0" for name in set(takes.sessions.tolist())]
    text = "\n".join(["session,reference,start_s", *rows])
    (trained / "predictions.csv").write_text(text)  # evaluated on others by the same names
    asked = dataclasses.replace(takes, participants=np.resize(seen.people, len(takes.sessions)))
    found = told_of(near, trained)
    assert found.told == "cannot tell" and "of somebody else" in found.why_not


def test_what_owners_are_like_is_learned_from_further_people_s_devices(
    tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    """They teach devices as well, and are not asked; nothing is warned of beside the findings."""
    folder, n_further = tmp_path / "data", 3
    record_people(folder, parse_script(HELD, "held"), LEAST_PEOPLE + n_further, 0)
    everybody = chain_steps(model_of(learner()), folder)
    paths = list(everybody.paths.items())
    asked = dataclasses.replace(everybody, paths=dict(paths[:LEAST_PEOPLE]))
    others = dataclasses.replace(everybody, paths=dict(paths[LEAST_PEOPLE:]))
    for further, n_known in ((None, LEAST_PEOPLE - 2), (others, LEAST_PEOPLE - 2 + n_further)):
        told = attack_owners(asked, folder, others=further)
        of_length = [f for f in told if f.question == "hand_length_mm"]
        assert {f.n_people for f in told} == {LEAST_PEOPLE}
        assert of_length and all(f"of {n_known} other people" in f.knows for f in of_length)
        named = [f.knows for f in told if f.question == "identity"]
        assert named and all("devices of everybody (by name)" in text for text in named)
        assert all(text.endswith(ONE_SESSION) for text in named)
    assert [str(each.message) for each in recwarn.list] == []


def test_devices_that_refused_every_take_clear_nothing(
    takes: ChainTakes, held_people: Path
) -> None:
    """Where nobody's device learned anything, nobody can tell, whatever is asked."""
    stage = dataclasses.replace(learner(), unlike=0)
    found = attack_owners(dataclasses.replace(takes, model=model_of(stage)), held_people)
    assert {finding.told for finding in found} == {"cannot tell"}
    assert {"identity", "same person", "hand_length_mm"} <= {f.question for f in found}
    assert all("0 people learned anything" in finding.why_not for finding in found)


def test_the_page_shows_what_was_learned_beside_what_takes_tell(
    takes: ChainTakes, held_people: Path
) -> None:
    """At a glance a device stands in a question's own column, and the state as shipped is named."""
    untaught = [step.name for step in takes.steps if "untaught" in step.name]
    assert untaught == ["scores state, untaught"]
    whole = dataclasses.replace(takes, steps=(*takes.steps, *owner_steps(takes.model)))
    of_takes = identify(seen_at(takes, untaught[0]), untaught[0])
    devices = attack_owners(takes, held_people)
    page = audit_page(Audit(takes.model, whole, (*of_takes, *devices), (), "", ()))
    glance = page[page.index("At a glance") : page.index("Step by step")]
    assert "identity: one take" in glance and "taught devices" not in glance
    row = glance[glance.index(f'<th scope="row">{LEARNED}') :]
    best = max(
        f.gain
        for f in devices
        if f.question == "identity" and f.step == LEARNED and f.gain is not None
    )
    assert f"{best:+.3f}".replace("-", "−") in row
    assert f"{LEAST_PEOPLE} people</td>" in page


def test_what_is_asked_of_devices_alone_has_a_column_at_a_glance(takes: ChainTakes) -> None:
    """Whether an owner was trained on is a question to devices, which no step of takes is asked."""
    whole = dataclasses.replace(takes, steps=(*takes.steps, *owner_steps(takes.model)))
    why = "too few"
    of_takes = cannot_tell(takes.steps[0].name, "identity", LEAST_PEOPLE, why)
    member = cannot_tell(LEARNED, "membership", LEAST_PEOPLE, why, "one taught device of a person")
    page = audit_page(Audit(takes.model, whole, (of_takes, member), (), "", ()))
    glance = page[page.index("At a glance") : page.index("Step by step")]
    assert '<th class="r">membership</th>' in glance
    row = glance[glance.index(f'<th scope="row">{LEARNED}') :]
    assert row.count("cannot tell") == 1


def test_a_page_that_can_tell_nothing_gives_no_all_clear(takes: ChainTakes) -> None:
    """Where nobody can tell anything, neither headline nor sentence speaks of nothing found."""
    found = tuple(
        cannot_tell(step.name, "identity", LEAST_PEOPLE, "too few") for step in takes.steps
    )
    page = audit_page(Audit(takes.model, takes, found, (), "", ()))
    assert "Nobody can tell yet what is given away." in page
    assert "0 of" not in page and "gives nothing away" not in page


def test_a_model_that_learns_nothing_has_no_such_step(takes: ChainTakes, held_people: Path) -> None:
    """Without enrolment there is nothing to dump."""
    plain = model_of(head())
    assert owner_steps(plain) == ()
    assert attack_owners(dataclasses.replace(takes, model=plain), held_people) == []


def test_what_a_model_that_learns_gives_follows_from_the_bins(takes: ChainTakes) -> None:
    """As it is shipped it has learned nothing: whoever listens before it works its scores out."""
    (keeps,) = [step.name for step in takes.steps if step.name.endswith(", untaught")]
    later = later_steps(takes)
    assert {keeps, "scores", "decision"} <= later["bins"].keys()
    assert not {IN_LESSON, LEARNED} & {name for others in later.values() for name in others}
