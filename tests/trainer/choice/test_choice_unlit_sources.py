"""A front of a light's place: what the bound foresees, what is held out, what is told of it."""

from __future__ import annotations

import collections
import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from capture.thin.setting import Setting
from runtime.firmware.setting import DeviceSetting
from runtime.stages.closing.quantity import Quantity
from trainer.choice.tried.asked import Asked
from trainer.choice.tried.knobs import Option, load_knobs, options_of
from trainer.choice.tried.pricing import BudgetJob, PriceJob
from trainer.choice.tried.settings import tried_of
from trainer.choice.unlit import sources
from trainer.choice.unlit.knob_rows import knob_rows
from trainer.choice.unlit.measures import MEASURES
from trainer.choice.unlit.page import unlit_page
from trainer.choice.unlit.search import _BudgetIfMade, find_unlit
from trainer.choice.unlit.sources import (
    Foreseen,
    NoCalibration,
    SourceTrial,
    _units_of,
    _without,
    judge_source,
)
from trainer.choice.unlit.tasks import SourceTask
from trainer.choice.unlit.told import _promise, unlit_csv, unlit_json
from trainer.choice.worth.pick import parse_wish, pick
from trainer.corpus.at_setting import AtSetting
from trainer.corpus.recordings import Corpus, open_corpus
from trainer.recipe import Recipe, load_recipe
from trainer.source.calibrated import samples_of
from trainer.source.examined import frame_errors, light_on
from trainer.source.fitted import FittedSource, fit_source
from trainer.source.readouts import SourceReadouts, apertures_of, read_sources
from trainer.work.jobs import LocalWorkers

KNOBS = """\
[active.exposure_share]
values = [1.0, 0.5]
pays_in = ["sensor bias", "waiting for pixels"]

[active.rate_divisor]
values = [1, 2]

[search]
tried_in_full = 4
"""


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    """Return the recipe range, narrowed to what the rig reached."""
    whole = load_recipe("range")
    assert whole.source is not None
    source = whole.source.model_copy(update={"half_field_deg": 12.0})
    return whole.model_copy(update={"source": source})


@pytest.fixture(scope="module")
def corpus(rig_once: Path, recipe: Recipe) -> Corpus:
    """Return the rig's recordings."""
    return open_corpus(rig_once, recipe)


@pytest.fixture(scope="module")
def readouts(corpus: Corpus, recipe: Recipe) -> list[SourceReadouts]:
    """Return the calibration, at the recorded setting."""
    box = apertures_of(corpus.sensor, recipe)
    return [read_sources(r, box) for r in corpus.select(locked=False)]


def test_a_weaker_setting_is_foreseen_by_its_bound(
    rig_fitted: FittedSource, corpus: Corpus, recipe: Recipe, readouts: list[SourceReadouts]
) -> None:
    """The recorded setting has the bound of its frames; less light and fewer rows have more."""
    made, box = rig_fitted.calibrated, apertures_of(corpus.sensor, recipe)
    samples = samples_of(readouts, recipe, box).take(60)
    light, electrons = light_on(made, samples, box)
    seen = Foreseen(light, electrons, samples, box, corpus.sensor, made.floor, 4)
    options = [Option(recipe, exposure_share=share) for share in (1.0, 0.25, 0.001, 0.0005)]
    options.append(Option(recipe, rows_share=0.5))
    whole, quarter, dim, dimmer, half = (seen.error(t) for t in tried_of(options, corpus.sensor))
    errors, _ = frame_errors(made, samples, box)
    bound = np.sqrt(np.mean((errors.bound[:, 3] / errors.truth[:, 3]) ** 2))
    assert whole == pytest.approx(bound, rel=1e-3)
    # By shot noise alone it goes with the root of the light, by read noise alone with the light.
    assert 2.0 < quarter / whole < 4.0
    assert dimmer / dim == pytest.approx(2.0, rel=0.1)
    assert half > whole


def test_what_is_held_out_has_no_part_in_its_calibration(
    rig_fitted: FittedSource, corpus: Corpus, recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each frame of one source is told once, by a calibration that saw no frame of its stop."""
    learned: list[set[float]] = []

    def given(train: list[SourceReadouts], *_: Any) -> Any:
        seen = [each.tangents[each.single(recipe), 0] for each in train]
        learned.append(set(np.concatenate(seen).tolist()))
        return rig_fitted.calibrated

    monkeypatch.setattr(sources, "_calibrated", given)
    (option,) = tried_of([Option(recipe)], corpus.sensor)
    task = SourceTask(corpus, recipe)
    outcome = task.trial(option).run()
    (recording,) = corpus.select(locked=False)
    readouts = read_sources(recording, apertures_of(corpus.sensor, recipe))
    (units,) = _units_of([readouts], recipe)
    assert task.units == "stretches of one session"
    assert len(outcome.scores[0]) == (units >= 0).sum() == len(readouts.single(recipe))
    assert np.unique(outcome.scores[0][:, 0]).tolist() == [0, 1, 2, 3]
    for unit, seen in enumerate(learned):
        own = set(readouts.tangents[units == unit, 0].tolist())
        assert own and not own & seen
    asked = task.trial(option, locked=True).run()
    assert learned[-1] == set(readouts.tangents[units >= 0, 0].tolist())
    assert 0 < len(asked.scores[0]) < len(outcome.scores[0])


def test_several_sessions_are_units_of_their_own(
    readouts: list[SourceReadouts], recipe: Recipe
) -> None:
    """With two sessions a frame's unit is its session; hidden frames are no calibration's."""
    both = [readouts[0], readouts[0]]
    units = _units_of(both, recipe)
    assert [np.unique(each).tolist() for each in units] == [[-1, 0], [-1, 1]]
    left = _without(both, [each == 0 for each in units])
    assert not len(left[0].single(recipe))
    assert len(left[1].single(recipe)) == len(readouts[0].single(recipe))
    dark = readouts[0].n_sources == 0
    assert (left[0].n_sources[dark] == 0).all()


def test_errors_are_those_of_valid_frames() -> None:
    """A range is judged by its relative error, a direction by that of both angles, each valid."""
    rows = np.array(
        [[0, 1, 30_000, 3_000, 100_000, 10_000], [1, 1, -40_000, -8_000, 200_000, 20_000],
         [1, 0, 900_000, 1, 1, 1]],
        dtype=np.int32,
    )  # fmt: skip
    found = judge_source(rows, "range")
    assert found is not None
    assert found.sums.tolist() == [[pytest.approx(9e-4), 1.0], [pytest.approx(16e-4), 1.0]]
    measure = MEASURES["range"]
    assert measure.value(found.sums.sum(axis=0)) == pytest.approx(np.sqrt(12.5e-4))
    assert measure.score(found.sums.sum(axis=0)) == pytest.approx(-np.sqrt(12.5e-4))
    assert found.valid == pytest.approx(2 / 3, abs=1e-6)
    assert found.figures["mm"] == pytest.approx(np.sqrt((9 + 64) / 2), abs=1e-6)
    assert [row["from_mm"] for row in found.figures["distances"]] == [100.0, 200.0]
    many = np.repeat(rows[:1], 40, axis=0)
    many[:, 4] = 1000 * np.arange(100, 140)
    classes = judge_source(many, "range")
    assert classes is not None
    assert [row["n_frames"] for row in classes.figures["distances"]] == [10] * 4
    turned = judge_source(rows[:1], "direction")
    assert turned is not None
    assert turned.sums[0, 0] == pytest.approx((0.03**2 + 0.003**2) / 2)
    assert judge_source(rows[2:], "range") is None
    assert judge_source(np.zeros((0, 6), np.int32), "range") is None
    assert measure.value(np.zeros(2)) == np.inf


def test_a_setting_without_a_calibration_has_no_rows(
    corpus: Corpus, recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where readouts do not follow their source the setting is left out, and nothing is raised."""

    def refuse(*_: Any) -> Any:
        raise NoCalibration("calibration", "light in a readout", "none", "some")

    monkeypatch.setattr(sources, "_calibrated", refuse)
    trial = SourceTrial("weak", recipe, corpus.sensor, corpus.select(locked=False))
    assert trial.run().scores[0].shape == (0, 6)


def test_a_setting_whose_model_cannot_be_made_of_all_readouts_has_no_budget(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Parts of the readouts may give a calibration where all of them give none: it is left out."""

    def refuse(_: BudgetJob) -> list[Any]:
        raise NoCalibration("calibration", "light in a readout", "none", "some")

    priced: Any = SimpleNamespace()
    monkeypatch.setattr(BudgetJob, "run", lambda _: ["a budget"])
    assert _BudgetIfMade(priced).run() == "a budget"  # type: ignore[comparison-overlap]
    monkeypatch.setattr(BudgetJob, "run", refuse)
    assert _BudgetIfMade(priced).run() is None


def test_frames_that_were_saturated_stay_left_out(
    corpus: Corpus, recipe: Recipe, readouts: list[SourceReadouts], monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a weaker setting a full pixel no longer looks full, and is known all the same."""
    (recording,) = corpus.select(locked=False)
    few = replace(recording, setting=Setting(exposure_fraction=0.12, frame_rate_divisor=2))
    thinned = read_sources(few, apertures_of(corpus.sensor, recipe))
    assert len(thinned.saturated) == len(readouts[0].saturated[::2])
    assert not thinned.saturated.any()
    full = int(readouts[0].values.max()) + corpus.sensor.black_level_counts
    monkeypatch.setattr(type(corpus.sensor), "saturation_counts", property(lambda _: full))
    again = read_sources(few, apertures_of(corpus.sensor, recipe)).saturated
    whole = read_sources(recording, apertures_of(corpus.sensor, recipe)).saturated
    assert whole.any()
    assert again.tolist() == whole[::2].tolist()


def test_a_model_is_calibrated_and_examined_at_its_setting(
    rig_once: Path, recipe: Recipe, rig_fitted: FittedSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Training for a weaker setting reads both sides as it would, and says so."""
    seen: list[float] = []

    def given(samples: Any, box: Any, sensor: Any, *_: Any) -> Any:
        seen.extend((sensor.exposure_us, float(samples.values.max())))
        return rig_fitted.calibrated

    monkeypatch.setattr("trainer.source.fitted.calibrate", given)
    setting = Setting(exposure_fraction=0.25)
    sensor = rig_fitted.calibrated.model.sensor
    device = DeviceSetting.of(replace(sensor, exposure_us=0.25 * sensor.exposure_us))
    fitted = fit_source(rig_once, recipe, lambda _: None, AtSetting(device, setting))
    fit_source(rig_once, recipe, lambda _: None)
    assert seen[::2] == [50.0, 200.0]
    assert 0.2 < seen[1] / seen[3] < 0.32
    assert fitted.evaluation["cautions"][0]["about"] == "foretold"


@pytest.fixture(scope="module")
def told(
    rig_once: Path,
    recipe: Recipe,
    rig_fitted: FittedSource,
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Any]:
    """Return a front of two exposures at two rates.

    The calibration at hand stands for those of every setting, once it takes dimmer lights than it
    has seen, and the power of one executed model for all, by rate and exposure: what is asked here
    is the order of it all.
    """
    model = rig_fitted.calibrated.model
    assert isinstance(model.closing, Quantity)
    at_any_light = replace(model.closing, low=(-(2**31) + 1,) * len(model.closing.low))
    dimmer = replace(model, stages=(*model.stages[:-1], at_any_light))
    calibrated = replace(rig_fitted.calibrated, model=dimmer)
    knobs = tmp_path_factory.mktemp("knobs") / "knobs.toml"
    knobs.write_text(KNOBS, "utf-8")
    asked = Asked(rig_once, (recipe,), load_knobs(knobs))
    kept: list[Any] = []
    price = BudgetJob.run

    def once(job: BudgetJob) -> list[Any]:
        if not kept:
            kept.extend(price(job))
        (one,) = job.priced.tried
        median = _power(one)
        average = replace(kept[0].average_uw, median=median)
        return [replace(kept[0], average_uw=average)]

    def powers(job: PriceJob) -> list[float]:
        return [_power(one) for one in job.priced.tried]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sources, "_calibrated", lambda *_: calibrated)
        patch.setattr(BudgetJob, "run", once)
        patch.setattr(PriceJob, "run", powers)
        return json.loads(json.dumps(unlit_json(find_unlit(asked, LocalWorkers(1), print))))


def _power(tried: Any) -> float:
    return float(20.0 + tried.sensor.frame_rate_hz + 0.01 * tried.sensor.exposure_us)


def test_settings_of_a_source_meet_those_that_tell_as_often(told: dict[str, Any]) -> None:
    """A slower setting costs less and errs no more, and pushes no faster one off the front."""
    assert len(told["front"]) == 4
    assert {p["hz"] for p in told["points"]} == {15.0, 30.0}
    knee = next(p for p in told["points"] if p["name"] == told["knee"])
    assert knee["hz"] == 30.0
    at_its_rate = [p for p in told["points"] if p["hz"] == 30.0]
    assert knee["uw"] * knee["error"] == min(p["uw"] * p["error"] for p in at_its_rate)
    for point in told["points"]:
        assert point["valid"] > 0.9
        assert point["interval"][0] <= point["value"] <= point["interval"][1]
        assert point["times_bound"] == pytest.approx(point["value"] / point["bound"], abs=1e-3)
        assert point["error"] == point["value"] == -point["score"]
        assert point["promise"]["value"] >= point["value"]
        assert point["promise"]["low"] == point["interval"][0]
    at = {(p["hz"], p["sensor"]["exposure_us"]): p for p in told["points"]}
    assert at[30.0, 100.0]["value"] > 1.2 * at[30.0, 200.0]["value"]
    assert at[30.0, 100.0]["bound"] > 1.3 * at[30.0, 200.0]["bound"]


def test_choosing_flatters_an_error_by_making_it_smaller() -> None:
    """What a point promises is its error and its larger end, each with the flattery added."""
    more = _promise(0.02, [0.015, 0.03], 0.004, is_error=True)
    assert more == {"value": 0.024, "low": 0.015, "high": 0.034}
    assert _promise(0.02, [0.015, None], 0.004, is_error=True)["high"] is None
    less = _promise(0.9, [0.01, 0.95], 0.02, is_error=False)
    assert less == {"value": 0.88, "low": 0.0, "high": 0.95}


def test_a_source_is_picked_by_error_distance_and_rate(told: dict[str, Any]) -> None:
    """A ceiling of power takes the least error below it; else the cheapest that keeps the wish."""
    named = {p["name"]: p for p in told["points"]}
    front = [named[name] for name in told["front"]]
    least = front[pick(parse_wish("uw<100"), front)]
    assert least["error"] == min(p["error"] for p in front)
    often = front[pick(parse_wish("hz>=30 and mm<20"), front)]
    assert often["hz"] == 30.0
    assert often["uw"] == min(p["uw"] for p in front if p["hz"] == 30.0 and p["mm"] < 20.0)


def test_the_page_of_a_source_shows_bound_rates_and_distances(told: dict[str, Any]) -> None:
    """Page and table say what is told, how often, how near the bound, and at which distances."""
    page = unlit_page(told)
    for said in ("ranges that are", "Cramér-Rao bound", "times the bound", "values/s",
                 "The knee at the distances that were recorded", "no LED lit while watching",
                 "parts of it are held out", "invented lights"):  # fmt: skip
        assert said in page
    assert page.count('<polyline class="line accent"') == 2
    assert page.count('<polyline class="bound"') == 2
    assert page == unlit_page(told)
    header, *rows = unlit_csv(told).splitlines()
    assert len(rows) == len(told["points"])
    assert {"valid", "bound", "mm", "hz"} <= set(header.split(","))


def test_a_value_without_a_model_is_no_step_of_a_knob(recipe: Recipe) -> None:
    """Where no model can be made of a weaker value, nothing is said of its price and its error."""
    knobs = load_knobs(None, "knobs_source.toml")
    options = [option for option in options_of(knobs, (recipe,)) if option.rows_share == 1.0]
    unmade = {0.25: (math.inf, -0.2), 0.12: (40.0, -math.inf)}
    cheap = [
        (SimpleNamespace(option=o), *unmade.get(o.exposure_share, (50.0 * o.exposure_share, -0.1)))
        for o in options
    ]
    terms, average = collections.defaultdict[Any, float](float), SimpleNamespace(typical=60.0)
    knee = SimpleNamespace(
        tried=SimpleNamespace(option=next(o for o in options if o.exposure_share == 0.5)),
        budget=SimpleNamespace(terms=terms, average_uw=average),
    )
    task = SimpleNamespace(rate_is_free=True, measure=MEASURES["range"])
    asked = SimpleNamespace(knobs=knobs)
    found = SimpleNamespace(asked=asked, task=task, cheap=cheap, on_front=[knee], knee=0)
    (row,) = (r for r in knob_rows(found) if r["name"] == "exposure_share")  # type: ignore[arg-type]
    assert [v["value"] for v in row["values"]] == [1.0, 0.5]
    assert row["why"] == "Stands at the weakest value of which a model can be made."
