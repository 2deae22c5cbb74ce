"""Membership: a model that learned people by heart gives them away, one that met none does not."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.neighbors import KNeighborsClassifier

from runtime.errors import FormatError, UsageError
from runtime.model import Model, load_model
from runtime.reproducible_floats import hold_arithmetic_steady
from trainer.audit.people import shadows
from trainer.audit.people.membership import (
    Members,
    attack_membership,
    by_threshold,
    members_of,
    of_people,
)
from trainer.audit.people.shadows import SHADOWS, likelihood_ratios, recipe_of, shadow_attack
from trainer.audit.steps import chain_steps
from trainer.fit.candidates import reduce_for
from trainer.fit.pipeline import assemble_model
from trainer.judge.events import Margins
from trainer.recipe import Recipe, load_recipe
from trainer.recipe_head import HeadRecipe
from trainer.work.jobs import LocalWorkers, run_jobs

N_PEOPLE, N_TAKES, N_CLASSES = 30, 12, 3
NAMES = tuple(f"P{n:02d}" for n in range(N_PEOPLE))
HALF = Members(NAMES[: N_PEOPLE // 2], NAMES[N_PEOPLE // 2 :])


def invented(seed: int) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.str_]]:
    """Takes whose class is hard to tell from their values, and whose they are."""
    rng = np.random.default_rng(seed)
    labels = rng.integers(0, N_CLASSES, N_PEOPLE * N_TAKES)
    values = rng.standard_normal((len(labels), 10))
    values[np.arange(len(labels)), labels] += 0.7
    return values, labels, np.repeat(np.array(NAMES), N_TAKES)


def asked(learned_from: NDArray[np.bool_], seed: int, n_neighbours: int) -> dict[str, float]:
    """Fit to some takes and return each person's mean log chance of what was asked for."""
    values, labels, people = invented(seed)
    model = KNeighborsClassifier(
        n_neighbours, weights="distance" if n_neighbours < 9 else "uniform"
    )
    chances = model.fit(values[learned_from], labels[learned_from]).predict_proba(values)
    return of_people(np.log(np.maximum(chances, 1e-3)), labels, people)["loss threshold"]


def test_a_model_that_learned_by_heart_is_caught() -> None:
    """Who was learned by heart is told from strangers, by area and by advantage alike."""
    _, _, people = invented(1)
    known = asked(np.isin(people, HALF.inside), 1, n_neighbours=3)
    area, advantage = attack_membership({"loss": known}, HALF, {"loss": "files"})
    assert area.told == advantage.told == "leaks"
    assert area.value is not None and area.value > 0.9 and area.blind == 0.5
    assert advantage.value is not None and advantage.value > 0.7 and advantage.blind == 0.0
    assert area.step == "model's files" and area.n_people == N_PEOPLE


@pytest.mark.parametrize("seed", range(2, 8))
def test_a_model_that_met_none_of_them_gives_nobody_away(seed: int) -> None:
    """A model that was fitted to other people tells nobody from anybody."""
    values, labels, people = invented(seed)
    others, other_labels, _ = invented(seed + 100)
    model = KNeighborsClassifier(3, weights="distance").fit(others, other_labels)
    scores = np.log(np.maximum(model.predict_proba(values), 1e-3))
    known = of_people(scores, labels, people)
    for finding in attack_membership(known, HALF, dict.fromkeys(known, "files")):
        assert finding.told == "nothing found", finding


def test_too_few_on_a_side_tell_nothing() -> None:
    """With five strangers nothing is said, however plainly everybody is known."""
    members = Members(NAMES[:20], NAMES[20:25])
    known = {name: float(n < 20) for n, name in enumerate(NAMES)}
    (finding,) = attack_membership({"loss": known}, members, {"loss": "files"})
    assert finding.told == "cannot tell"
    assert "20 people who were trained on and 5 who were not" in finding.why_not


def test_a_threshold_is_never_chosen_on_who_is_judged_by_it() -> None:
    """Of figures that say nothing there is no advantage, whatever the best threshold gives."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(200):
        known = dict(zip(NAMES, rng.standard_normal(N_PEOPLE).tolist(), strict=True))
        found.append(attack_membership({"loss": known}, HALF, {"loss": ""}))
    gains = np.array([advantage.gain for _, advantage in found], dtype=np.float64)
    assert abs(gains.mean()) < 3 * gains.std() / np.sqrt(len(gains))
    for each in zip(*found, strict=True):
        # One in forty is owed; of 200 a binomial number is above 11 once in 100 times.
        assert sum(finding.told == "leaks" for finding in each) <= 11


def test_members_are_those_that_the_evaluation_names(tmp_path: Path) -> None:
    """Who was trained on is read from evaluation.json; without it nobody knows."""
    assert members_of(tmp_path, ["P01"]) is None
    path = tmp_path / "evaluation.json"
    path.write_text(json.dumps({"participants": {"train": ["P01", "P03"], "test": ["P02"]}}))
    assert members_of(tmp_path, ["P02", "P01", "P01", "P04"]) == Members(("P01",), ("P02", "P04"))
    for wrong in ("[]", "{}", '{"participants": {"train": 3}}', '{"participants": {"train": [1]}}',
                  "{", '{"participants": {"train": null}}'):  # fmt: skip
        path.write_text(wrong)
        with pytest.raises(FormatError, match=r"participants\.train"):
            members_of(tmp_path, ["P01"])


def fitted_to_small(data: Path, recipe: Recipe) -> Model:
    """Return the recipe's model of the small data set's training people."""
    hold_arithmetic_steady()
    candidate = reduce_for(data, [recipe], LocalWorkers(), lambda _: None)[0]
    fitted = candidate.fit().run()
    nothing = Margins(0.0, (0.0,) * len(recipe.classes))
    sensor = candidate.corpus.sensor
    return assemble_model(candidate.recipe, sensor, fitted, nothing, candidate.provenance)


def test_shadow_models_say_who_is_known_better_than_a_stranger(
    small_data: Path, small_recipe: Path
) -> None:
    """Everybody is compared with models that left them out, of the model's own recipe only."""
    recipe = load_recipe(small_recipe)
    model = fitted_to_small(small_data, recipe)
    attackers = shadow_attack(model, small_data, recipe, n_splits=2)
    found = attackers[SHADOWS]
    assert sorted(found) == ["P01", "P02", "P03", "P04"]
    assert np.isfinite(list(found.values())).all() and len(set(found.values())) > 1
    assert attackers == shadow_attack(model, small_data, recipe, n_splits=2)
    for each in attackers.values():
        assert sorted(each) == sorted(found) and np.isfinite(list(each.values())).all()
    assert np.mean([found[p] for p in ("P01", "P02", "P03")]) > 0.0
    assert recipe_of(model) is None
    other = recipe.model_copy(
        update={"features": recipe.features.model_copy(update={"bins": (2, 2)})}
    )
    with pytest.raises(UsageError, match="another than the model's"):
        shadow_attack(model, small_data, other)
    thresholds = by_threshold(chain_steps(model, small_data))
    assert all(sorted(of) == sorted(found) for of in thresholds.values())
    # Untaught, one that can learn its owner knows of everybody what the same without it knows.
    learning = recipe.model_copy(update={"head": HeadRecipe(enrol=True)})
    taught = fitted_to_small(small_data, learning)
    assert taught.classes == (*model.classes, "own_1")
    assert shadow_attack(taught, small_data, learning, n_splits=2) == attackers


def test_shadow_models_have_the_classifier_that_training_chose(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two that a recipe leaves to choose from, that which made the model is refitted."""
    usual = load_recipe(small_recipe)
    shy = usual.classifier.model_copy(update={"penalty": 30.0})
    either = usual.model_copy(update={"or_classifier": shy})
    model = fitted_to_small(small_data, either)
    refitted: list[Recipe] = []

    def asked(jobs: Sequence[Any], _: object) -> list[Any]:
        refitted.append(jobs[0].fit.recipe)
        return run_jobs(jobs, LocalWorkers())

    monkeypatch.setattr(shadows, "run_jobs", asked)
    for form in reduce_for(small_data, [either], LocalWorkers(), lambda _: None)[0].recipe.forms:
        said = model.provenance | {"recipe_as_fitted": form.digest()}
        shadow_attack(replace(model, provenance=said), small_data, either, n_splits=2)
    assert [each.classifier for each in refitted] == [usual.classifier, shy]


def test_likelihood_ratios_tell_takes_that_were_met() -> None:
    """With as many answers of either kind as one likes it is the ratio of two Gaussians.

    The closed form (x m - m^2 / 2) / v is of means 0 and m and a variance v. Where everybody is
    known better by less than takes differ in how hard they are, it still tells who was met.
    """
    rng = np.random.default_rng(6)
    hard = rng.standard_normal(40) * 5.0
    met = np.arange(20_000)[:, None] % 2 == (np.arange(40) >= 20)
    shadows = hard + 1.5 * met + 0.8 * rng.standard_normal(met.shape)
    was_met = np.arange(40) % 2 == 0
    asked = hard + 1.5 * was_met + 0.8 * rng.standard_normal(40)
    found = likelihood_ratios(asked, shadows, met)
    expected = (1.5 * (asked - hard) - 1.5**2 / 2) / 0.8**2
    assert found == pytest.approx(expected, abs=0.15)
    few = likelihood_ratios(asked, shadows[:8], met[:8])
    assert np.mean((few > 0) == was_met) > 0.75 > np.mean((asked > asked.mean()) == was_met)


def test_recipes_are_told_by_their_digest() -> None:
    """A model is known to be of a built-in recipe by the digest it carries, and by nothing else."""
    model = load_model(Path(__file__).parents[3] / "models" / "dynamic")
    for name in ("finger_count", "dynamic"):
        for form in load_recipe(name).forms:  # whichever of two classifiers was taken
            made = replace(model, provenance={"recipe": form.digest()})
            assert recipe_of(made) == load_recipe(name)
    assert recipe_of(replace(model, provenance={"recipe": "0" * 64})) is None
    assert recipe_of(replace(model, provenance={})) is None
