"""What is read without a source, and which frames a calibration may use."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest

from runtime.sensor import Sensor
from trainer.align.learned import unexplained_share
from trainer.recipe import load_recipe
from trainer.source.readouts import SourceReadouts, without_source

SENSOR = Sensor(
    "plain", 20, 20, conversion_gain_dn_per_e=0.1, read_noise_e=8.0, dark_signal_e_per_s=0.0
)
STATED_E2 = 2.0 * (8.0**2 + 1.0 / 12.0 / 0.1**2)


def seen(spread_dn: float, n_frames: int = 60, lit_from: int = 40) -> SourceReadouts:
    """Return frames of noise around a standing pattern; a source is on from some frame on."""
    rng = np.random.default_rng(8)
    pattern = rng.normal(0.0, 30.0, 400)
    values = np.round(pattern + rng.normal(0.0, spread_dn, (n_frames, 400))).astype(np.int16)
    on = np.arange(n_frames) >= lit_from
    values[on] += 500
    tangents = np.where(on[:, None], 0.1, np.nan) * np.ones(2)
    return SourceReadouts(
        cast(Any, None), values, ("rig_hold",) * n_frames, on.astype(np.int64), tangents,
        np.full(n_frames, np.nan), np.zeros(n_frames, bool), np.full((n_frames, 2, 3), np.nan),
    )  # fmt: skip


@pytest.mark.parametrize(("spread_dn", "expected"), [(4.0, 4.0**2 / 0.1**2), (0.5, STATED_E2)])
def test_the_floor_is_what_dark_frames_show_and_at_least_what_is_stated(
    spread_dn: float, expected: float
) -> None:
    """Light that is always there adds its noise to the floor; what stands still does not."""
    found = without_source([seen(spread_dn)], SENSOR)
    assert found.floor == pytest.approx(expected, rel=0.1)
    assert found.values.shape == (37, 400)
    assert found.values.max() < 400


def test_without_dark_frames_the_floor_is_the_stated_one() -> None:
    """A rig that never stands dark leaves what the sensor states, and no frames."""
    found = without_source([seen(4.0, lit_from=5)], SENSOR)
    assert found.floor == pytest.approx(STATED_E2)


def test_saturated_frames_are_not_calibrated_on() -> None:
    """A frame whose pixels were full is none of one source that could be measured."""
    whole = seen(1.0)
    saturated = np.arange(60) < 45
    frames = replace(whole, saturated=saturated).single(load_recipe("point"))
    assert whole.single(load_recipe("point")).tolist() == list(range(40, 60))
    assert frames.tolist() == list(range(45, 60))


def test_noise_alone_leaves_nothing_unexplained() -> None:
    """What readouts of an optic differ by is told apart from the noise of single frames."""

    class Optic:
        def at(self, slopes: np.ndarray, along: int | None = None) -> np.ndarray:
            return np.tile(np.random.default_rng(2).uniform(0.0, 1.0, 400), (len(slopes), 1))

    slopes = np.zeros((50, 2))
    clean = 1e3 * Optic().at(slopes)
    noisy = clean + np.random.default_rng(3).normal(0.0, 100.0, clean.shape)
    optic = cast(Any, Optic())
    assert unexplained_share(optic, slopes, noisy) > 0.3
    assert unexplained_share(optic, slopes, noisy, 400 * 100.0**2) < 0.12
    other = np.roll(clean, 7, axis=1)
    assert unexplained_share(optic, slopes, other, 400 * 100.0**2) > 0.9
