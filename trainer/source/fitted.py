"""Training of a point's direction or range: calibrate one unit, examine it on locked recordings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runtime.errors import UsageError
from trainer.align.learned import MOST_UNLEARNED
from trainer.corpus.at_setting import AtSetting, at_setting, foretold_unlit
from trainer.corpus.recordings import Corpus, Recording, open_corpus
from trainer.judge.evaluate import log_test_use
from trainer.recipe import Recipe
from trainer.source.above_bound import above_bound, falls_short
from trainer.source.calibrated import Calibrated, calibrate, samples_of
from trainer.source.entered import as_one_exposure, flicker_kept, read_calibration
from trainer.source.examined import (
    examine_source,
    frame_errors,
    refusals,
    refused_frames,
    unit_check,
    unit_errors,
)
from trainer.source.frame_rows import rows_of_errors, rows_of_refused, rows_of_unit
from trainer.source.pairs import calibrate_pair
from trainer.source.pairs_examined import examine_pair
from trainer.source.readouts import apertures_of, read_sources, without_source
from trainer.source.unlearned import too_sparse

__all__ = ["FittedSource", "calibrated_unit", "fit_source"]


_MUCH_FLICKER = 0.01
"""Of what lamps flicker by, which is up to the whole of their light: as little as noise of 1e4
electrons is of them."""


@dataclass(frozen=True, eq=False)
class FittedSource:
    """A calibrated model, its examination, the recordings it was examined on, and each frame."""

    calibrated: Calibrated
    evaluation: dict[str, Any]
    test: tuple[Recording, ...]
    frames: tuple[dict[str, Any], ...]


def fit_source(
    folder: Path, recipe: Recipe, tell: Callable[[str], None], at: AtSetting | None = None
) -> FittedSource:
    """Calibrate on recordings that are not locked, and examine on those that are.

    Where a weaker setting is asked for, both are read as it would have read them.

    Raises
    ------
    UsageError
        A side is empty, calibration has recordings of several units, or truth is missing.
    FormatError
        A recording or its truth is faulty.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    corpus = at_setting(open_corpus(folder, recipe, tell), at)
    box = apertures_of(corpus.sensor, recipe)
    train, test = corpus.select(locked=False), corpus.select(locked=True)
    unit = calibrated_unit(corpus)
    if not test:
        do = "lock the recordings that the calibration is to be held to"
        raise UsageError(str(folder), "locked recordings", 0, "at least 1", do)
    provenance = {name: recipe.digest() for name in ("recipe", "recipe_as_fitted")}
    provenance["data"] = corpus.digest
    box, learned_from = read_calibration(train, box, recipe, corpus.sensor)
    samples = samples_of(learned_from, recipe, box)
    calibrated = calibrate(
        samples, box, corpus.sensor,
        without_source(learned_from, as_one_exposure(corpus.sensor, box)), recipe, provenance, tell,
    )  # fmt: skip
    tell(f"{recipe.name}: examining")
    about = {"unit": unit, "integers": above_bound(calibrated, samples, box)}
    if box.ambient:
        about["flicker_kept"] = flicker_kept(corpus.sensor)
    readouts = [read_sources(r, box) for r in test]
    own = [r for r in readouts if r.recording.unit == unit]
    if not own:
        raise UsageError(
            str(folder), f"locked recordings of unit {unit}", 0, "at least 1",
            "record the calibrated unit once more, and lock that",
        )  # fmt: skip
    errors = frame_errors(calibrated, samples_of(own, recipe, box), box)
    found = examine_source(calibrated, errors, box)
    frames = rows_of_errors(found["names"], own, recipe, errors)
    found["calibration"] = calibrated.found | about
    found["units"] = {}
    for name in sorted({r.recording.unit for r in readouts}):
        of_unit = [r for r in readouts if r.recording.unit == name]
        of_one = samples_of(of_unit, recipe, box)
        off_by = unit_errors(calibrated, of_one)
        found["units"][name] = unit_check(calibrated, of_one, off_by, box)
        frames += rows_of_unit(found["names"], of_unit, recipe, off_by)
    if recipe.source is not None and recipe.source.sources == 2:
        tell(f"{recipe.name}: fitting two sources")
        calibrated = calibrate_pair(
            calibrated, samples, as_one_exposure(corpus.sensor, box), recipe
        )
        found["calibration"] = calibrated.found | about
        found["pair"] = examine_pair(calibrated, own, box, recipe)
    no_fault = "rig_two" if "pair" in found else ""
    refused = [each for each in refused_frames(calibrated, own, recipe) if each.cue != no_fault]
    found["refusals"] = refusals(refused)
    frames += rows_of_refused(found["names"], refused)
    evaluation = _evaluation(corpus, recipe, found, calibrated)
    evaluation["cautions"] = [
        *(caution.to_json() for caution in foretold_unlit(at)), *evaluation["cautions"],
    ]  # fmt: skip
    return FittedSource(calibrated, evaluation, test, tuple(frames))


def calibrated_unit(corpus: Corpus) -> str:
    """Return which physical sensor the recordings that are not locked were made with.

    Raises
    ------
    UsageError
        There is none, or there are several.
    """
    units = sorted({r.unit for r in corpus.select(locked=False)})
    if len(units) != 1:
        raise UsageError(
            str(corpus.folder), "units of recordings that are not locked", ", ".join(units) or 0,
            "one unit, as each is calibrated by itself",
            "lock the recordings that the calibration is to be held to",
        )  # fmt: skip
    return units[0]


def _evaluation(
    corpus: Corpus, recipe: Recipe, found: dict[str, Any], calibrated: Calibrated
) -> dict[str, Any]:
    people = [sorted({r.participant for r in corpus.select(locked)}) for locked in (False, True)]
    use = {
        "recipe": recipe.digest(), "data": corpus.digest, "classes": list(recipe.answers),
        "participants": people[1],
    }  # fmt: skip
    main = len(found["names"]) - 1 if recipe.source and recipe.source.measures == "range" else 0
    figures = [each[main] if each else {"rmse": 0.0} for each in (found["fixed"], found["float"])]
    rmse = [{"rmse": {"value": each["rmse"]}} for each in figures]
    return {
        "task": recipe.name,
        "classes": list(recipe.answers),
        "participants": {"train": people[0], "test": people[1]},
        "recorded_by": sorted({f"unit {r.unit}, firmware {r.firmware}" for r in corpus.recordings}),
        "test_uses": log_test_use(corpus.folder, use),
        "operations": {"model": calibrated.model.n_operations},
        "cautions": _cautions(found),
        "source": found,
        "quantity": {
            "name": found["names"][main], "unit": _units(calibrated)[main],
            "half_width": found["half_widths"][main], "fixed": rmse[0], "float": rmse[1],
        },
    }  # fmt: skip


def _cautions(found: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what is to be known of a calibration before its model is relied on."""
    calibration = found["calibration"]
    cautions = [
        {"sign": "too_sparse", "value": unseen,
         "text": too_sparse(aperture, unseen, calibration["n_directions"])}
        for aperture, unseen in enumerate(calibration["unlearned"]) if unseen > MOST_UNLEARNED
    ]  # fmt: skip
    kept = calibration.get("flicker_kept", {})
    if max(kept.values(), default=0.0) > _MUCH_FLICKER:
        said = " and ".join(f"{share:.0%} of a flicker of {hz} Hz" for hz, share in kept.items())
        cautions.append({"sign": "flicker", "value": max(kept.values()), "text":
            f"Two exposures hold {said} (lamps at 50 and 60 Hz mains). Where such lamps are, take "
            "exposures of a whole number of its half periods: 5 ms, 4.167 ms, or 25 ms for both."
        })  # fmt: skip
    short = falls_short(calibration)
    if short:
        cautions.append({"sign": "above_bound", "value": short[0], "text": short[1]})
    cautions += [
        {"sign": "uncalibrated", "value": max(check["unexplained"]), "text":
         f"Unit {name} does not fit the calibration of {calibration['unit']}: its "
         "readouts differ from it, or its directions are off by more than the interval. "
         "Calibrate it anew."}
        for name, check in found["units"].items() if not check["calibrated"]
    ]  # fmt: skip
    return cautions


def _units(calibrated: Calibrated) -> list[str]:
    n = calibrated.model.closing.n_out // 2
    return [o.unit for o in calibrated.model.closing.outputs()[1 : 1 + n]]
