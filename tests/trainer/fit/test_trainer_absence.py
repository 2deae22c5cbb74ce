"""Absence: a model is the same however long nobody was in view between takes."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trainer.corpus.reduced import Reduced, value_noise
from trainer.fit.candidates import reduce_for
from trainer.fit.held_out import FitJob
from trainer.recipe import Recipe, load_recipe
from trainer.work.jobs import LocalWorkers

TIMES_LONGER = 10


def left_alone(recording: Reduced, recipe: Recipe, noise: float) -> Reduced:
    """Return a recording that goes on without anybody in view, nine times as long as it is."""
    rng = np.random.default_rng(recording.n_frames)
    n_more = (TIMES_LONGER - 1) * recording.n_frames
    nobody = noise * rng.standard_normal((n_more, recording.values.shape[1]))
    signs = np.asarray(recording.stored_frames.read())  # type: ignore[union-attr]
    more = np.repeat(signs[-1:], n_more, axis=0)
    more[:, 0] += (1 + np.arange(n_more)) * np.median(np.diff(signs[:, 0]))
    longer = replace(
        recording,
        stored=np.concatenate([recording.values, np.rint(nobody).astype(np.int32)]),
        stored_frames=np.concatenate([signs, more]),
    )
    return longer.placed(recipe, recording.starts, recording.ends)


@pytest.mark.slow
def test_nine_tenths_of_empty_frames_change_no_more_than_a_take(
    recorded_once: Path, small_recipe_once: Path, tmp_path: Path
) -> None:
    """With 90 % of frames empty, the level stage is the same and the same takes are right."""
    data = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    recipe = load_recipe(small_recipe_once)
    (candidate,) = reduce_for(data, [recipe], LocalWorkers(), lambda _: None)
    recipe, fit = candidate.recipe, candidate.fit()
    noise = value_noise(fit.train, fit.sensor, fit.entry)
    alone: FitJob = replace(fit, train=tuple(left_alone(r, recipe, noise) for r in fit.train))
    levels, right = [], []
    for job in (fit, alone):
        fitted = job.run()
        levels.append(next(s for s in fitted.features.stages if s.kind == "level"))
        answers = []
        for recording in candidate.main:
            scores = fitted.whole.run(recording.values)
            frames = recording.judged_frames(scores, recipe)
            answers += (
                scores[frames].argmax(axis=1) == [c.label for c, _ in recording.takes]
            ).tolist()
        right.append(sum(answers))
    before, after = levels
    assert after.to_json() == before.to_json()
    assert abs(right[0] - right[1]) <= 2 and min(right) > 0.8 * len(answers)
