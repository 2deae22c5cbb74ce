"""One light before two apertures, thinned, against the same light recorded with that exposure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.cues.script import parse_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.points.scene import PointScene
from capture.emulated.points.session import PointSession
from capture.frames import FrameBlock
from capture.thin.setting import Setting
from capture.thin.thinned import thinned

SCRIPT = """name = "rig"
lead_in_s = 0.2
rest_s = [0.1, 0.1]
movement = false
[[cue]]
trial_type = "rig_hold"
repetitions = 6
duration_s = 2.0
"""


def _recorded(share: float) -> PointSession:
    """Return the rig before a sensor of a shorter exposure; a scene tells electrons of one."""
    sensor = replace(SENSORS["lensless32pair"], led_current_ma=0.0, exposure_us=200.0 * share)
    scene = PointScene(
        clutter=0, illuminance_lx=0.0, warming_k=0.0, auto_exposure=False,
        electrons=(5e5 * share, 1e6 * share), half_field_deg=12.0, distances_mm=(60.0, 200.0),
    )  # fmt: skip
    return PointSession(parse_script(SCRIPT.encode(), "rig"), 1, 4, sensor, scene=scene)


def _difference(blocks: FrameBlock) -> np.ndarray:
    return (blocks.lit.astype(np.float64) - blocks.dark).reshape(len(blocks), -1)


@pytest.mark.parametrize("share", [0.25, 0.06])
def test_a_lights_readouts_thin_to_those_of_a_shorter_exposure(share: float) -> None:
    """Mean and variance of lit minus dark agree with a re-recording, pixel by pixel, at each stop.

    The light is no LED's, so that both exposures shrink, and its part of the lit one with them.
    """
    whole, short = _recorded(1.0), _recorded(share)
    recorded = FrameBlock.concatenate(list(whole.blocks()))
    rng = np.random.default_rng(2)
    setting = Setting(exposure_fraction=share)
    foretold = FrameBlock.concatenate(list(thinned([recorded], whole.sensor, setting, rng)))
    again = FrameBlock.concatenate(list(short.blocks()))
    one, other = _difference(foretold), _difference(again)
    lit = one.sum(axis=1) > 0.5 * np.median(one.sum(axis=1))
    edges = np.flatnonzero(np.diff(lit.astype(int)))
    stops = [s for s in np.split(np.arange(len(lit)), edges + 1) if lit[s[0]] and len(s) > 40]
    assert len(stops) == 6
    ratios = []
    for stop in stops:
        inside = stop[2:-2]  # a light goes on or off within a frame pair
        means = [each[inside].mean(axis=0) for each in (one, other)]
        spreads = [each[inside].var(axis=0, ddof=1) for each in (one, other)]
        error = (spreads[0] + spreads[1]) / len(inside)
        # Both draw the same noise, so that they differ by less than two recordings would.
        assert 0.5 < np.mean((means[0] - means[1]) ** 2 / error) < 1.1
        ratios.append(spreads[0].mean() / spreads[1].mean())
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)
