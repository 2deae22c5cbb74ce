"""Lessons are asked about where they were given and elsewhere, and favours are others' choice."""

from __future__ import annotations

from pathlib import Path

import lessons_elsewhere
import pytest
from invented_people import add_person, record_session
from lessons_elsewhere import Lessons, ask_both, favoured_by_others, rival_of
from small_script import RECIPE, SCRIPT

from capture.cues.script import parse_script
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.owner.person import Person
from trainer.fit.owner.taught import BESIDE, OFFSETS
from trainer.fit.owner.worth import Shown
from trainer.recipe import parse_recipe
from trainer.recipe_head import HeadRecipe
from trainer.work.jobs import LocalWorkers

N_TAKES = 11
"""In a session of the small script: four of each of two classes, three of neither."""


def small_set(folder: Path) -> Candidate:
    """Four people's recordings of the small script, of the locked one two."""
    script = parse_script(SCRIPT, "small")
    for number in (1, 2, 3, 4):
        add_person(folder, number, locked=number == 4)
        for session in (1, 2) if number == 4 else (1,):
            record_session(folder, script, number, session)
    recipe = parse_recipe(RECIPE, "small").model_copy(update={"head": HeadRecipe(enrol=True)})
    [candidate] = reduce_for(folder, [recipe], LocalWorkers(1), lambda _: None)
    return candidate


def test_who_teaches_is_asked_about_other_takes_of_both_sessions(tmp_path: Path) -> None:
    """Of the lesson's session all but those shown, of the other one all; both as shipped before."""
    candidate = small_set(tmp_path)
    owner = [r for r in candidate.main if r.recording.locked]
    fitted = candidate.fit().run()
    lessons = ask_both(fitted, owner[::-1], candidate.recipe)
    assert {s.n_shown for s in lessons.here} == {1, 3}  # five are more than there are
    for here, there in zip(lessons.here, lessons.elsewhere, strict=True):
        assert here.participant == "P04" and here.n_kept <= 2 * here.n_shown
        assert here.n_asked == N_TAKES - here.n_kept - here.n_refused
        assert there.n_asked == N_TAKES
        assert (there.n_kept, there.n_refused) == (here.n_kept, here.n_refused)
    assert len({there.before for there in lessons.elsewhere}) == 1  # no lesson moves that
    [own] = [{s.offset for s in ask_both(fitted, owner, candidate.recipe, 0).here}]
    assert own == set(OFFSETS)


def test_takes_are_refused_as_people_held_out_chose(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where they are right in all takes, as soon as another class is ahead at all."""
    candidate = small_set(tmp_path)
    chosen = rival_of(candidate.fit(), 3)
    assert chosen == 0.0
    stages = []
    monkeypatch.setattr(Person, "of", lambda taught, *_: stages.append(taught.stage) or taught)
    monkeypatch.setattr(lessons_elsewhere, "_ask", lambda *_: ())
    for rival in (None, chosen):
        ask_both(candidate.fit().run(), candidate.main[:1], candidate.recipe, rival=rival)
    assert stages[0].rival > stages[1].rival == 0


def gesture(loses_from: int) -> Lessons:
    """Four people, of whom known takes are lost where a gesture is favoured by so much and more."""
    rows = tuple(
        Shown(f"P{n}", BESIDE, 3, 100, 90, 90 if offset < loses_from else 50, 10,
              5 + (offset > 0), 0, 3, offset)
        for n in range(4)
        for offset in OFFSETS
    )  # fmt: skip
    return Lessons(rows, rows)


def test_a_gesture_is_favoured_as_others_chose() -> None:
    """The favour of each is the least with which most of the other is found, and nothing lost."""
    judged = favoured_by_others({0: gesture(1), 1: gesture(5)})
    assert {s.offset for s in judged[0].here} == {1}  # what its own takes forbid
    assert {s.offset for s in judged[1].elsewhere} == {min(OFFSETS)}
    assert len(judged[0].here) == 4  # each person once


def test_a_gesture_alone_is_favoured_as_the_other_half_of_people_chose() -> None:
    """Where one class alone was left out, its own takes by other people choose."""
    rows = [s for n, of in ((1, gesture(1)), (5, gesture(5))) for s in of.here
            if (int(s.participant[1:]) % 2 == 0) == (n == 1)]  # fmt: skip
    [judged] = favoured_by_others({0: Lessons(tuple(rows), tuple(rows))}).values()
    offsets = {s.participant: s.offset for s in judged.here}
    assert offsets["P0"] == offsets["P2"] == 1
    assert offsets["P1"] == offsets["P3"] == min(OFFSETS)
