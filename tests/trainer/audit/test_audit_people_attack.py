"""All attacks on people together: every step is asked, and what was not tried is said."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from invented_takes import named

from capture.store.dataset import Participant
from runtime.errors import FormatError
from runtime.model import load_model
from trainer.audit.findings import Finding
from trainer.audit.people import attack
from trainer.audit.people.attack import Attacked, attack_people
from trainer.audit.people.shadows import RATIO
from trainer.audit.steps import ChainTakes, steps_of

MODELS = Path(__file__).parents[3] / "models"
N_PEOPLE, N_TAKES = 14, 4
TABLE = "participant_id\tconsent\tglove\n"


def invented(folder: Path, *, locked: int = 0) -> Attacked:
    """Takes of a model's chain with nothing in them, and a folder that says who was trained on."""
    model = load_model(MODELS / "dynamic")
    rng = np.random.default_rng(1)
    people = named(N_PEOPLE)
    person = np.repeat(people, N_TAKES)
    first = np.tile([True, True, False, False], N_PEOPLE)
    sessions = np.array(
        [f"sub-{p}_ses-0{1 if f else 2}_task-a" for p, f in zip(person, first, strict=True)]
    )
    steps = steps_of(model)[-2:]
    frames = {
        step.name: rng.standard_normal((len(person), 2, step.n_values)).astype(np.float32)
        for step in (*steps, *steps_of(model))
    }
    gestures = rng.choice(np.array(model.classes[:3]), len(person))
    times = np.tile(np.arange(N_TAKES, dtype=np.float64), N_PEOPLE)[:, None]
    known = {p: Participant(p, True, locked=n < locked) for n, p in enumerate(people.tolist())}
    takes = ChainTakes(
        model, steps, frames, person, sessions, gestures, times, {}, known, "invented"
    )
    rows = [f"sub-{p}\tyes\t{'yes' if n % 2 else 'no'}\n" for n, p in enumerate(people.tolist())]
    (folder / "participants.tsv").write_text(TABLE + "".join(rows), "utf-8")
    split = {"train": people[: N_PEOPLE // 2].tolist(), "test": people[N_PEOPLE // 2 :].tolist()}
    (folder / "evaluation.json").write_text(json.dumps({"participants": split}), "utf-8")
    return Attacked(takes, folder, folder)


def membership(found: list[Finding]) -> list[Finding]:
    return [finding for finding in found if finding.question == "membership"]


@pytest.fixture
def members_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out what is asked of each step."""
    for name in ("identify", "verify_people", "tell_attributes"):
        monkeypatch.setattr(attack, name, lambda *_: [])


def test_every_step_is_asked_everything(tmp_path: Path) -> None:
    """At each step who it is, whether it is one person, and each column; the files for members."""
    attacked = invented(tmp_path)
    found = attack_people(attacked, shadows=False)
    asked = {(finding.step, finding.question) for finding in found}
    steps = {step.name for step in attacked.takes.steps}
    wanted = {(step, q) for step in steps for q in ("identity", "same person", "glove")}
    assert asked == wanted | {("model's files", "membership")}
    assert all(finding.told != "leaks" for finding in found)
    assert all("nobody asked for shadow models" in f.knows for f in membership(found))


def test_shadow_models_that_cannot_be_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, members_alone: None
) -> None:
    """Without a recipe, or with nobody locked, thresholds alone are tried: no all-clear."""
    attacked = invented(tmp_path)
    unknown = dataclasses.replace(attacked.takes.model, provenance={})
    nameless = dataclasses.replace(
        attacked, takes=dataclasses.replace(attacked.takes, model=unknown)
    )
    for each, words in ((nameless, "recipe is not known"), (attacked, "people who are locked")):
        if words == "people who are locked":
            monkeypatch.setattr(attack, "recipe_of", lambda _: object())
        *told, untried = membership(attack_people(each))
        assert len(told) == 4 and all(words in finding.knows for finding in told)
        assert untried.told == "cannot tell" and words in untried.why_not
    both = invented(tmp_path, locked=3)
    everybody = named(N_PEOPLE + 6).tolist()  # more than are listened to
    attackers = ("loss threshold", "confidence threshold", "shadow models", RATIO)
    by_shadows = {name: dict.fromkeys(everybody, 0.0) for name in attackers}
    monkeypatch.setattr(attack, "shadow_attack", lambda *_: by_shadows)
    told = membership(attack_people(both))
    assert {finding.attacker for finding in told} == set(attackers)
    assert {finding.n_people for finding in told} == {N_PEOPLE + 6}
    refitted = {finding.attacker for finding in told if "its recipe" in finding.knows}
    assert refitted == {"shadow models", RATIO}


def test_nobody_can_tell_members_without_their_names(tmp_path: Path, members_alone: None) -> None:
    """A model that does not say who was trained on gives no finding about it, and no all-clear."""
    attacked = invented(tmp_path)
    (tmp_path / "evaluation.json").unlink()
    (finding,) = membership(attack_people(attacked, shadows=False))
    assert finding.told == "cannot tell" and "does not say who was trained on" in finding.why_not


@pytest.mark.parametrize("theirs", [False, True])
def test_people_of_another_data_set_are_not_taken_for_those_of_the_same_names(
    tmp_path: Path, members_alone: None, theirs: bool
) -> None:
    """Pseudonyms are anybody's: whose takes are not those that were evaluated is somebody else.

    Where a session of that name was evaluated with other takes, nobody can tell of members.
    """
    attacked = invented(tmp_path)
    takes = attacked.takes
    rows = ["participant,session,reference,start_s"]
    for who, session, label, times in zip(
        takes.participants, takes.sessions, takes.trial_types, takes.times_s, strict=True
    ):
        evaluated = label if theirs or who != "P003" else "another"
        rows.append(f"{who},{session},{evaluated},{times[-1] - 0.3:.6f}")
    (tmp_path / "predictions.csv").write_text("\n".join(rows) + "\n", "utf-8")
    found = membership(attack_people(attacked, shadows=False))
    if theirs:
        assert all(not finding.why_not for finding in found) and len(found) == 4
        return
    (finding,) = found
    assert finding.told == "cannot tell" and "P003" in finding.why_not
    assert "other takes than those evaluated under the same name" in finding.why_not
    (tmp_path / "predictions.csv").write_text("session\nsub-P001_ses-01_task-a\n", "utf-8")
    with pytest.raises(FormatError, match=r"predictions\.csv"):
        attack_people(attacked, shadows=False)
