"""Near copies: recordings under two names that move together, whatever was done to the counts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.frames import FrameBlock
from capture.measure.readiness import near_copies
from capture.measure.rhythm import RUN, find_alike, rhythm_of
from capture.measure.signs import Signs, Twins, read_signs
from runtime.sensor import Sensor

SENSOR = Sensor("bench", 8, 8, frame_rate_hz=30.0)
N_FRAMES = 1500


def moving(seed: int) -> np.ndarray:
    """Light of a hand that comes near and goes in its own time, counts a frame."""
    rng = np.random.default_rng(seed)
    places = np.cumsum(rng.integers(8, 40, 120))
    heights = np.where(np.arange(120) % 2, rng.uniform(400, 900, 120), rng.uniform(50, 250, 120))
    return np.interp(np.arange(N_FRAMES), places, heights)


def seen(light: np.ndarray, seed: int, gain: float = 1.0, sensor: Sensor = SENSOR) -> FrameBlock:
    """Frame pairs of a light, with noise of their own."""
    rng = np.random.default_rng(seed)
    shape = (len(light), sensor.n_rows, sensor.n_cols)
    lit, dark = (
        np.rint(sensor.black_level_counts + gain * part + rng.normal(0, 3, shape))
        for part in (np.broadcast_to(light.reshape(-1, 1, 1), shape), np.zeros(shape))
    )
    number = np.arange(len(light), dtype=np.int64)
    time_us = np.rint(number * sensor.frame_period_us).astype(np.int64)
    return FrameBlock(number, time_us, lit.astype(np.uint16), dark.astype(np.uint16))


def signs(light: np.ndarray, seed: int, gain: float = 1.0) -> Signs:
    return read_signs([seen(light, seed, gain)], SENSOR)


@pytest.mark.parametrize(
    ("cut", "gain"), [(slice(3, None), 1.0), (slice(0, 900), 0.7), (slice(450, None), 1.2)]
)
def test_a_near_copy_is_found_by_its_rhythm(cut: slice, gain: float) -> None:
    """Other noise, another gain and frames cut off do not hide who moved."""
    first, again = signs(moving(1), 1), signs(moving(1)[cut], 2, gain)
    others = [signs(moving(seed), seed) for seed in (3, 4)]
    (found,) = find_alike(["P01", "P02", "P03", "P04"], [first, *others, again])
    assert (found.first, found.second) == (0, 3)
    assert found.share > 0.6
    assert find_alike(["P01", "P02", "P03", "P01"], [first, *others, again]) == []
    names = ["a", "b", "c", "d"]
    (caution,) = near_copies(["P01", "P02", "P03", "P04"], names, [first, *others, again])
    assert caution.about == "near copies" and caution.value == pytest.approx(found.share, abs=1e-6)
    assert f"a and d go up and down together ({found.share:.0%} of" in caution.text
    told = [Twins(0, 3, 1.0)]
    assert not near_copies(["P01", "P02", "P03", "P04"], names, [first, *others, again], told)


def test_what_repeats_itself_is_no_rhythm() -> None:
    """A flicker, a hand held still and an empty view make nobody alike."""
    beat = 300 + 100 * np.sin(2 * np.pi * np.arange(N_FRAMES) / 9)
    for light in (beat, np.full(N_FRAMES, 300.0), np.zeros(N_FRAMES)):
        both = [signs(light, 1), signs(light, 2)]
        assert find_alike(["P01", "P02"], both) == []
    empty = Signs(SENSOR, np.zeros((0, 5)), np.zeros(0))
    assert len(rhythm_of(empty)) == 0
    assert len(rhythm_of(signs(moving(1)[: RUN - 1], 1))) == 0


def test_many_people_who_are_seen_seldom_are_not_alike_by_chance() -> None:
    """At three frames a second a rhythm has two or three lengths: others have the same by turns."""
    slow = replace(SENSOR, frame_rate_hz=3.0)
    seldom, rng = [], np.random.default_rng(4)
    for _ in range(200):
        high = np.repeat(np.arange(60) % 2, rng.choice((1, 1, 1, 2), 60))[:60]
        values = np.column_stack([np.zeros(60), 100.0 + 500.0 * high, np.zeros((60, 3))])
        seldom.append(Signs(slow, values, np.arange(60) / 3.0))
    assert find_alike([f"P{n:03d}" for n in range(200)], seldom) == []


def test_lost_frames_keep_the_rhythm() -> None:
    """Turns are timed by the sensor's clock: lost frames do not move them."""
    block = seen(moving(1), 1)
    kept = np.delete(np.arange(N_FRAMES), [101, 102, 103, 500, 900])
    thinner = FrameBlock(
        block.sequence[kept], block.time_us[kept], block.lit[kept], block.dark[kept]
    )
    whole, thinned = (rhythm_of(read_signs([each], SENSOR)) for each in (block, thinner))
    assert whole.sum() == thinned.sum()
    assert (np.abs(whole - thinned) <= 1).mean() > 0.9
