"""Whether a front of a light's place keeps its word: foretold against recorded at the setting.

Run as a script:

    python tests/bench/bench_unlit.py [--recipe point] [--share 0.25] [--stops 90]

Records an emulated rig's one session at the usual exposure and at a share of it (the same stops),
and prints the error of either, stretches of the stops held out in turn, with its interval over
them: of readouts thinned to the shorter exposure, and of those recorded at it.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from recorded_rigs import record_rig

from capture.emulated.optic.optics import SENSORS
from capture.thin.setting import Setting
from trainer.choice.unlit.measures import MEASURES
from trainer.choice.unlit.sources import SourceTrial, judge_source
from trainer.choice.worth.resamples import resample
from trainer.corpus.recordings import Corpus, open_corpus
from trainer.recipe import Recipe, load_recipe


def _told(name: str, corpus: Corpus, recipe: Recipe) -> None:
    assert recipe.source is not None
    measures = recipe.source.measures
    train = corpus.select(locked=False)
    outcome = SourceTrial(name, recipe, corpus.sensor, train).run()
    judged = judge_source(outcome.scores[0], measures)
    if judged is None:
        print(f"{name}: nothing is told")
        return
    measure = MEASURES[measures]
    value = float(measure.value(judged.sums.sum(axis=0)))
    drawn = resample(
        judged.sums[None], np.ones(1), np.random.default_rng(1), score_of=measure.score
    )
    low, high = -float(drawn.high[0]), -float(drawn.low[0])
    bound = judged.figures["bound"]
    print(
        f"{name}: {measure.title} {value:.5g} ({low:.5g} to {high:.5g}) {measure.unit}, bound "
        f"{bound:.5g}, {judged.valid:.1%} of {judged.figures['n_frames']} frames valid",
        flush=True,
    )


def main() -> None:
    """Record twice, and print both."""
    asked = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    asked.add_argument("--recipe", choices=("point", "range"), default="point")
    asked.add_argument("--share", type=float, default=0.25)
    asked.add_argument("--stops", type=int, default=90)
    given = asked.parse_args()
    recipe = load_recipe(given.recipe)
    assert recipe.source is not None
    source = recipe.source.model_copy(update={"half_field_deg": 12.0})
    recipe = recipe.model_copy(update={"source": source})
    usual = SENSORS["lensless32pair"].exposure_us
    with tempfile.TemporaryDirectory() as place:
        for share in (1.0, given.share):
            (Path(place) / f"{share:g}").mkdir()
            record_rig(Path(place) / f"{share:g}", share, given.stops)
        whole = open_corpus(Path(place) / "1" / "set", recipe)
        setting = Setting(exposure_fraction=given.share)
        _told("as recorded", whole, recipe)
        _told(f"foretold at {usual * given.share:g} us", whole.at(setting), recipe)
        short = open_corpus(Path(place) / f"{given.share:g}" / "set", recipe)
        same = dataclasses.replace(short.sensor, exposure_us=whole.at(setting).sensor.exposure_us)
        assert same == whole.at(setting).sensor
        _told(f"recorded at {short.sensor.exposure_us:g} us", short, recipe)


if __name__ == "__main__":
    main()
