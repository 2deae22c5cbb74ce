"""A range through optics that nothing in the repository was made with, from a rig's recording."""

from __future__ import annotations

import numpy as np
import pytest
from foreign_optics import Lobes
from foreign_rig import Fault, ForeignRig, pair_of

from trainer.source.calibrated import Calibrated, truth_of
from trainer.source.fitted import fit_source
from trainer.source.readouts import apertures_of

MOVED = 0.64
"""Pixels that 5 um are."""


@pytest.fixture(scope="module")
def rig() -> ForeignRig:
    """Return two apertures of lobes that each move by a travel of their own."""
    both = [Lobes((12, 12), seed) for seed in (4, 5)]
    return ForeignRig(pair_of((12, 12)), both, half_field_deg=9.0, electrons=2e5)


@pytest.fixture(scope="module")
def calibrated(rig: ForeignRig, tmp_path_factory: pytest.TempPathFactory) -> Calibrated:
    """Return the recipe range calibrated before it."""
    folder = rig.record(tmp_path_factory.mktemp("foreign") / "set", 80)
    return fit_source(folder, rig.recipe, lambda said: None).calibrated


def test_a_range_through_a_foreign_optic_is_near_the_bound(
    rig: ForeignRig, calibrated: Calibrated
) -> None:
    """Directions and inverse distance are told within 1.5 of the bound, intervals hold in 0.8."""
    drawn = rig.samples("rig_hold", 40, 9, rig.electrons, (60.0, 150.0))
    outputs = calibrated.run(drawn.values.astype(np.int32))[1]
    valid = outputs[:, 5:].all(axis=1)
    assert valid.mean() > 0.9
    scales = np.array([o.value(1) for o in calibrated.model.closing.outputs()[1:5]])
    errors = (outputs[:, 1:5] * scales - truth_of(drawn, 4))[valid, :3]
    least = rig.bounds(drawn, apertures_of(rig.sensor, rig.recipe))[valid, :3]
    assert (np.sqrt((errors**2).mean(axis=0) / (least**2).mean(axis=0)) < 1.5).all()
    halves = np.array(calibrated.model.closing.half_widths)[:3] * scales[:3]  # type: ignore[attr-defined]
    assert ((np.abs(errors) <= halves).mean(axis=0) > 0.8).all()


@pytest.mark.parametrize(
    "fault",
    [
        Fault(passes=0.0),
        Fault(smear_pixels=1.0),
        Fault(shift_pixels=(MOVED, 0.0)),
        Fault(shift_pixels=(-MOVED, 0.0)),
        Fault(shift_pixels=(0.0, MOVED)),
    ],
    ids=["covered", "smeared", "moved along", "moved against", "moved across"],
)
def test_a_changed_aperture_of_a_foreign_optic_gives_no_value(
    rig: ForeignRig, calibrated: Calibrated, fault: Fault
) -> None:
    """With the second aperture covered, smeared or moved by 5 um no value is valid."""
    drawn = rig.samples("rig_hold", 8, 3, rig.electrons, (150.0,), fault)
    assert not calibrated.run(drawn.values.astype(np.int32))[1][:, 5:].any()
