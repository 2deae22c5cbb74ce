"""Mitigations: what changes, what noise promises, what is left and what it costs."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from runtime.errors import UsageError
from runtime.stages.bins import Bins
from trainer.audit.people import mitigations
from trainer.audit.people.changes import changes_of, summed
from trainer.audit.people.mitigations import EPSILONS, weigh_mitigations
from trainer.audit.people.noise import chance_of_truth, noised_answers, noised_values
from trainer.corpus.recordings import reduce_recording
from trainer.fit.candidates import reduce_for
from trainer.recipe import Recipe, load_recipe
from trainer.work.jobs import LocalWorkers


@pytest.mark.parametrize("epsilon", [0.1, 1.0, 5.0, 800.0])
@pytest.mark.parametrize("n_answers", [2, 9])
def test_no_answer_is_more_than_exp_epsilon_likelier(n_answers: int, epsilon: float) -> None:
    """No true answer makes anything told more than exp(epsilon) times likelier than another."""
    truth = chance_of_truth(n_answers, epsilon)
    other = (1.0 - truth) / (n_answers - 1)
    assert truth + (n_answers - 1) * other == pytest.approx(1.0)
    assert math.log(truth) - epsilon <= math.log(other) + 1e-9 if other > 0 else epsilon > 30
    if n_answers == 2:
        # Source: S. Warner, J. Am. Stat. Assoc. 60, 1965 (from memory): p = e^eps / (1 + e^eps).
        assert truth == pytest.approx(1.0 / (1.0 + math.exp(-epsilon)))


def test_answers_are_told_as_often_as_promised() -> None:
    """Each answer is told truly as often as said, and every other one equally often."""
    rng = np.random.default_rng(1)
    told = noised_answers(np.full(60_000, 2), 4, 1.0, rng)
    truth = chance_of_truth(4, 1.0)
    wanted = np.array([(1 - truth) / 3, (1 - truth) / 3, truth, (1 - truth) / 3]) * len(told)
    assert stats.chisquare(np.bincount(told, minlength=4), wanted).pvalue > 0.001


def test_values_have_laplace_noise_of_their_range() -> None:
    """A value is clipped first, and its noise has the scale of the whole range over epsilon."""
    rng = np.random.default_rng(2)
    told = noised_values(np.full(20_000, 50.0), (0.0, 100.0), 10.0, rng)
    inside = told[(told > 0) & (told < 100)] - 50.0
    assert stats.kstest(inside, stats.laplace(0, 10).cdf).pvalue > 0.001
    assert told.min() >= 0.0 and told.max() <= 100.0
    # What is far outside is noised as the end of the range is: it cannot be told from it.
    ends = [noised_values(np.array([v]), (0.0, 100.0), 1.0, np.random.default_rng(3))
            for v in (100.0, 1e9)]  # fmt: skip
    assert ends[0] == ends[1]


def test_noise_without_a_promise_is_refused() -> None:
    """An epsilon that is not above 0, a single answer or an empty range promises nothing."""
    rng = np.random.default_rng(1)
    for n_answers, epsilon in ((1, 1.0), (3, 0.0), (3, -1.0), (3, math.nan), (3, math.inf)):
        with pytest.raises(UsageError):
            noised_answers(np.zeros(2, np.int64), n_answers, epsilon, rng)
    for ends, epsilon in (((1.0, 1.0), 1.0), ((0.0, math.inf), 1.0), ((0.0, 1.0), 0.0)):
        with pytest.raises(UsageError):
            noised_values(np.zeros(2), ends, epsilon, rng)


def with_features(recipe: Recipe, **features: object) -> Recipe:
    return recipe.model_copy(update={"features": recipe.features.model_copy(update=features)})


def test_a_recipe_is_changed_where_it_leaves_room() -> None:
    """Each change is one step down from the recipe; what cannot go down is not tried."""
    dynamic = load_recipe("dynamic")
    names = [(c.step, c.name) for c in changes_of(dynamic, Bins(32, 32, 4, 4))]
    assert names == [
        ("bins", "bins 2 x 2"), ("level", "levels of 8 bits"),
        ("directions", "6 drawn directions"), ("directions", "directions of 8 bits"),
        ("window", "forgets after 24 frames"),
    ]  # fmt: skip
    least = with_features(
        dynamic, level_bits=8, projection="random", direction_bits=8, segments=1, segment_frames=1
    )
    assert changes_of(least, Bins(32, 32, 2, 2)) == []
    assert changes_of(with_features(least, segments=8), Bins(32, 32, 2, 2))[0].name == (
        "forgets after 4 frames"
    )
    pixels = with_features(least, entry="pixels")
    assert changes_of(pixels, Bins(32, 32, 32, 32)) == []


def test_bins_are_summed_as_a_coarser_entry_stage_does(
    small_data: Path, small_recipe: Path
) -> None:
    """Fewer bins of a recording are those that fewer bins of its readouts give."""
    recipe = load_recipe(small_recipe)
    candidate = reduce_for(small_data, [recipe], LocalWorkers(), lambda _: None)[0]
    recording = candidate.main[0]
    coarse = replace(candidate.entry, bin_rows=2, bin_cols=2)
    (wanted,), _ = reduce_recording(recording.recording.path, [coarse])
    assert np.array_equal(summed(recording, candidate.entry, 2).values, wanted)


def test_as_many_people_are_asked_about_as_in_the_audit(
    small_data: Path, small_recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of more, so many are named, evenly among them: naming N costs as their square."""
    recipe = load_recipe(small_recipe)
    candidate = reduce_for(small_data.absolute(), [recipe], LocalWorkers(), lambda _: None)[0]
    people = list(dict.fromkeys(r.recording.participant for r in candidate.main))
    assert {r.recording.participant for r in mitigations._asked(candidate.main)} == set(people)
    monkeypatch.setattr(mitigations, "MOST_PEOPLE", 2)
    asked = {r.recording.participant for r in mitigations._asked(candidate.main)}
    assert asked == {people[0], people[-1]}


def test_every_mitigation_has_its_leak_and_its_price(small_data: Path, small_recipe: Path) -> None:
    """Each says what is left at its step, what accuracy and power change, and epsilon if any."""
    recipe = load_recipe(small_recipe)
    at_least = with_features(
        recipe, level_bits=8, projection="random", direction_bits=8, bins=(2, 4), motion=False
    )
    found = weigh_mitigations(small_data, at_least)
    window, *noised = found
    assert window.name.startswith("forgets after") and window.step == "window"
    assert window.change_uw is not None and abs(window.change_uw) < 20.0
    assert window.epsilon is None and window.accuracy["n_participants"] == 3
    for each in found:
        assert each.before.step == each.after.step == each.step
        # Four people are too few to say anything.
        assert each.before.told == each.after.told == "cannot tell"
        low, value, high = (each.accuracy[key] for key in ("low", "value", "high"))
        assert low <= value <= high
        assert each.to_json()["after"]["told"] == "cannot tell"
    assert [each.epsilon for each in noised] == list(EPSILONS)
    assert all(each.change_uw is None and "not counted" in each.note for each in noised)
    assert all("not of whether and when" in each.note for each in noised)
    assert noised[0].accuracy["value"] < noised[1].accuracy["value"] <= 0.0
