"""Models and thinned readouts: the small size of what tests/bench/bench_thin.py shows."""

from __future__ import annotations

import pytest
from rerecorded import EMULATED, scene_of
from thin_accuracy import equivalence
from worlds.recording import few_takes

from capture.thin.setting import Setting


@pytest.mark.slow
def test_models_take_thinned_readouts_for_recorded_ones() -> None:
    """Learned from or asked about thinned readouts, models answer as with recorded ones."""
    n_frames = round(10.5 * EMULATED.frame_rate_hz)
    script = few_takes("finger_count", 1)
    scenes = [scene_of("emulated", script, person, n_frames) for person in range(1, 9)]
    found = equivalence(scenes, Setting(0.25), n_noises=3)
    assert found.anew > 2 / 6  # twice chance
    # Four standard errors of so few people, as each run of the proof tells them.
    assert abs(found.asked_anew - found.anew) < max(4.0 * found.errors[0], 0.02)
    assert abs(found.asked_thinned - found.anew) < max(4.0 * found.errors[1], 0.02)
    assert max(found.errors) < 0.04
