"""A model whose integers are far above what its optic allows is not handed on without a word."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runtime.stages.alignment.registration import Registration
from trainer.recipe import load_recipe
from trainer.source import fitted
from trainer.source.above_bound import LEAST_VALID, MOST_ABOVE, falls_short
from trainer.source.calibrated import Calibrated
from trainer.source.fitted import FittedSource, fit_source
from trainer.tell.source import source_page


def _told(over_bound: list[float], valid: float = 0.99, allowed: float = 1.1) -> dict[str, Any]:
    held = {"over_bound": over_bound, "allowed": allowed, "valid": valid}
    return {"integers": held, "cells_fit": True}


def _of_other_apertures(calibrated: Calibrated) -> Calibrated:
    """Return a model each of whose apertures is read with the other's terms."""
    entry, stage, *rest = calibrated.model.stages
    assert isinstance(stage, Registration)
    wrong = replace(
        stage, fine_terms=stage.fine_terms[::-1], energy=(*stage.energy[:-1], 1 << 14),
        bin_energy=(stage.bin_energy[0], 1 << 29, *stage.bin_energy[2:]),
    )  # fmt: skip
    return replace(calibrated, model=replace(calibrated.model, stages=(entry, wrong, *rest)))


def test_integers_near_what_the_optic_allows_are_not_warned_of(rig_fitted: FittedSource) -> None:
    """A rig's calibration says how its integers do on its own readouts, and has no caution."""
    found = rig_fitted.evaluation["source"]["calibration"]
    held = found["integers"]
    assert len(held["over_bound"]) == 3
    assert max(held["over_bound"]) < MOST_ABOVE * held["allowed"]
    assert held["valid"] > LEAST_VALID
    assert found["cells_fit"]
    assert rig_fitted.evaluation["cautions"] == []


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (_told([19.2, 40.8, 25.8]), "off by 19.20, 40.80 and 25.80 times the least error"),
        (_told([1.1, 1.2], valid=0.52), "52% of calibration's own readouts have a value"),
        (_told([], valid=0.0), "0% of calibration's own readouts have a value; the optic"),
        (_told([1.6, 1.0, 1.0]) | {"cells_fit": False}, "No cells within the stage's limits"),
    ],
    ids=["directions lost", "values lost", "nothing valid", "no cells"],
)
def test_what_falls_short_is_said_in_one_line_with_its_figures(
    told: dict[str, Any], said: str
) -> None:
    """Errors, share of values, what the optic allows, and what to do stand in one line."""
    found = falls_short(told)
    assert found is not None
    assert said in found[1] and "the optic as learned allows 1.10" in found[1]
    assert "\n" not in found[1]


def test_a_calibration_of_too_few_places_is_a_caution_of_that_aperture() -> None:
    """What an optic leaves unknown above the limit stands among the cautions of its training."""
    calibration = _told([1.1] * 3) | {"unlearned": [0.05, 0.75], "n_directions": 80}
    (caution,) = fitted._cautions({"calibration": calibration, "units": {}})
    assert caution["sign"] == "too_sparse"
    assert caution["text"].startswith("Aperture 2: calibration too sparse: between its 80 places")


def test_half_of_the_light_may_seem_lost_and_no_more() -> None:
    """Up to the root of two over what the optic allows nothing is said."""
    assert falls_short(_told([1.1 * MOST_ABOVE - 0.01] * 3)) is None
    assert falls_short(_told([1.0, 1.1 * MOST_ABOVE + 0.01, 1.0])) is not None
    assert falls_short(_told([1.1] * 3, valid=LEAST_VALID)) is None


def test_train_says_that_integers_fall_short_on_the_page_and_among_its_cautions(
    rig_once: Path, rig_fitted: FittedSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A model whose cells are those of another optic is called so, with by how much it is off."""
    wrong = _of_other_apertures(rig_fitted.calibrated)
    monkeypatch.setattr(fitted, "calibrate", lambda *_: wrong)
    source = load_recipe("range").source
    assert source is not None
    recipe = load_recipe("range").model_copy(
        update={"source": source.model_copy(update={"half_field_deg": 12.0})}
    )
    evaluation = json.loads(json.dumps(fit_source(rig_once, recipe, lambda said: None).evaluation))
    (caution,) = [c for c in evaluation["cautions"] if c["sign"] == "above_bound"]
    held = evaluation["source"]["calibration"]["integers"]
    assert max(held["over_bound"], default=0.0) > 2.0 or held["valid"] < LEAST_VALID
    assert f"{held['valid']:.0%} of calibration's own readouts" in caution["text"]
    assert caution["text"].split(":")[0] in source_page(evaluation)
