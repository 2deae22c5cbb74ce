"""Is the data ready: empty, saturated, flickering, too little, or one recording under two names."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.cues.labels import Event
from capture.frames import FrameBlock
from capture.measure.readiness import few_of_a_class, few_of_a_person, judged_light
from capture.measure.signs import Signs, find_twins, read_signs
from runtime.sensor import Sensor

SENSOR = Sensor("bench", 8, 8, frame_rate_hz=30.0)
QUAD = Sensor("quad", 2, 2, bit_depth=10, black_level_counts=20)
N_FRAMES = 512


def block(
    seed: int, light: float | np.ndarray = 300.0, sensor: Sensor = SENSOR, n_frames: int = N_FRAMES
) -> FrameBlock:
    """Frame pairs with noise as the sensor states it, and a mean light a frame."""
    rng = np.random.default_rng(seed)
    shape = (n_frames, sensor.n_rows, sensor.n_cols)
    noise = sensor.conversion_gain_dn_per_e * sensor.read_noise_e
    mean = np.broadcast_to(np.asarray(light, dtype=float).reshape(-1, 1, 1), shape)
    lit = sensor.black_level_counts + mean + rng.normal(0, noise, shape)
    dark = sensor.black_level_counts + rng.normal(0, noise, shape)
    lit, dark = (np.clip(np.rint(a), 0, sensor.max_counts).astype(np.uint16) for a in (lit, dark))
    sequence = np.arange(n_frames, dtype=np.int64)
    return FrameBlock(
        sequence, np.rint(sequence * sensor.frame_period_us).astype(np.int64), lit, dark
    )


def signs(found: FrameBlock, sensor: Sensor = SENSOR) -> Signs:
    return read_signs([found[:100], found[100:]], sensor)


@given(share=st.sampled_from([0.0, 0.1, 0.5, 0.9]), seed=st.integers(0, 20))
def test_the_share_of_empty_frames_is_counted(share: float, seed: int) -> None:
    """Frames without light are found whatever their share, by the sensor's own noise."""
    rng = np.random.default_rng(seed)
    light = np.where(rng.uniform(size=N_FRAMES) < share, 0.0, rng.uniform(60, 900, N_FRAMES))
    found = signs(block(seed, light)).empty
    assert abs(found.mean() - (light == 0).mean()) < 0.01


def test_each_thing_that_is_not_ready_is_one_line_with_its_number() -> None:
    """Many empty or saturated frames and flicker in the difference are told, and only they."""
    assert judged_light([signs(block(1))])[1] == []
    empty = np.where(np.arange(N_FRAMES) % 10 < 6, 0.0, 400.0)
    (caution,) = judged_light([signs(block(1, empty))])[1]
    assert caution.about == "empty frames" and 0.58 < caution.value < 0.62
    assert "60% of the frames are empty" in caution.text
    (caution,) = judged_light([signs(block(1, np.full(N_FRAMES, 5000.0)))])[1]
    assert (caution.about, caution.value) == ("saturated frames", 1.0)
    waves = 300 + 90 * np.sin(2 * np.pi * 100.0 * np.arange(N_FRAMES) / 30.0)
    (caution,) = judged_light([signs(block(1, waves)), signs(block(2))])[1]
    assert caution.about == "flicker left" and 0.2 < caution.value < 0.26
    assert "100 Hz" in caution.text and "1 of 2 recordings" in caution.text


def test_few_takes_or_people_are_told_by_label() -> None:
    """A label with fewer than 20 takes or three people is named; rejected takes do not count."""
    enough = [(f"P{n % 3}", Event(float(n), 0.5, "push")) for n in range(20)]
    others = [(f"P{n % 3}", Event(float(n), 0.5, "idle")) for n in range(20, 40)]
    assert few_of_a_class(enough + others) == []
    (caution,) = few_of_a_class(
        [(f"P{n % 2}", event) for n, (_, event) in enumerate(enough)] + others
    )
    assert caution.text.startswith("push: 20 good takes of 2 people")
    rejected = [(who, dataclasses.replace(e, status="rejected")) for who, e in enough[:1]]
    (caution,) = few_of_a_class(enough[1:] + rejected + others)
    assert caution.value == 19.0
    twice = [(who, dataclasses.replace(e, trial_type=kind)) for who, e in enough[:9]
             for kind in ("pull", "push")]  # fmt: skip
    (both,) = few_of_a_class(twice)
    assert both.text.startswith("pull and push: each 9 good takes of 3 people")


def test_a_single_label_is_told() -> None:
    """With nothing to tell a label from there is no recognition; quantities have no classes."""
    takes = [(f"P{n % 4}", Event(float(n), 1.0, "push")) for n in range(40)]
    (caution,) = few_of_a_class(takes)
    assert "all 40 good takes are labelled push: there is no second label" in caution.text
    assert not few_of_a_class(takes + [(who, dataclasses.replace(e, trial_type="idle"))
                                       for who, e in takes])  # fmt: skip


def test_people_with_far_fewer_takes_than_others_are_named() -> None:
    """One take of a person who others gave forty of is a share of 0 or 1; five people are named."""
    many = [f"P{n % 4}" for n in range(160)]
    (caution,) = few_of_a_person([*many, "P9"])
    assert "P9 (1 take) gave less than a quarter of what people usually did (40)" in caution.text
    assert caution.value == 1.0
    assert not few_of_a_person([*many, *["P9"] * 10])
    (caution,) = few_of_a_person([*many, *[f"Q{n}" for n in range(4)], *["Q1"] * 2, *many[:3] * 9])
    assert "Q0 (1 take), Q1 (3 takes)" in caution.text
    several = [f"P{n % 9}" for n in range(360)]
    (caution,) = few_of_a_person([*several, *[f"Q{n}" for n in range(7)]])
    assert "Q4 (1 take) and 2 more gave" in caution.text
    assert not few_of_a_person([])


@pytest.mark.parametrize("sensor", [SENSOR, QUAD], ids=["8x8", "2x2"])
@pytest.mark.parametrize(
    "cut",
    [slice(None), slice(3, None), slice(None, -3), slice(100, 250), slice(None, None, -1)],
    ids=["whole", "three off its start", "three off its end", "a piece", "backwards"],
)
def test_a_copy_under_another_name_is_found(sensor: Sensor, cut: slice) -> None:
    """Cut off or turned about in time, a copy and its original are named."""
    original = block(1, sensor=sensor)
    copy = FrameBlock(
        original.sequence[: len(original.lit[cut])], original.time_us[: len(original.lit[cut])],
        original.lit[cut], original.dark[cut],
    )  # fmt: skip
    others = [signs(block(seed, sensor=sensor), sensor) for seed in (2, 3)]
    found = find_twins(["P1", "P2", "P3", "P4"], [signs(original, sensor), *others,
                                                  signs(copy, sensor)])  # fmt: skip
    assert [(t.first, t.second) for t in found] == [(0, 3)]
    assert found[0].share > 0.9


def test_a_copy_is_found_where_frames_were_taken_out_or_one_exposure_was_changed() -> None:
    """Three frames cut out of the middle, or noise over all lit exposures, hide nothing."""
    original = block(1)
    kept = np.r_[0:200, 203:N_FRAMES]
    shorter = FrameBlock(
        original.sequence[:-3], original.time_us[:-3], original.lit[kept], original.dark[kept]
    )
    noise = np.random.default_rng(5).integers(0, 2, original.lit.shape).astype(np.uint16)
    changed = dataclasses.replace(original, lit=original.lit + noise)
    for copy in (shorter, changed):
        (twins,) = find_twins(["P1", "P2"], [signs(original), signs(copy)])
        assert twins.share > 0.95


@pytest.mark.parametrize("turned", [np.s_[:, ::-1], np.s_[:, :, ::-1], np.s_[::-1, ::-1, ::-1]],
                         ids=["rows", "columns", "rows, columns and time"])  # fmt: skip
def test_a_copy_is_found_however_its_pixels_were_turned_about(turned: tuple[slice, ...]) -> None:
    """Mirrored frames are the same frames."""
    original = block(1)
    mirrored = dataclasses.replace(original, lit=original.lit[turned], dark=original.dark[turned])
    (twins,) = find_twins(["P1", "P2"], [signs(original), signs(mirrored)])
    assert twins.share == 1.0


@pytest.mark.parametrize("every", [2, 3, 4])
def test_a_copy_is_found_where_frames_were_left_out_all_over(every: int) -> None:
    """With no four frames on end left, single ones are more than chance gives, by far."""
    original, kept = block(1), np.flatnonzero(np.arange(N_FRAMES) % every != 0)
    thinner = FrameBlock(
        original.sequence[: len(kept)], original.time_us[: len(kept)],
        original.lit[kept], original.dark[kept],
    )  # fmt: skip
    (twins,) = find_twins(["P1", "P2"], [signs(original), signs(thinner)])
    assert twins.share > 0.95


def test_nothing_else_is_taken_for_a_copy() -> None:
    """One person's own copy, frames without a pattern, stuck or saturated ones are no twins."""
    one = signs(block(1))
    assert not find_twins(["P1", "P1"], [one, one])
    flat = dataclasses.replace(block(1), lit=np.full((N_FRAMES, 8, 8), 4095, np.uint16),
                               dark=np.zeros((N_FRAMES, 8, 8), np.uint16))  # fmt: skip
    assert not find_twins(["P1", "P2"], [signs(flat)] * 2)
    stuck = dataclasses.replace(block(1), lit=np.repeat(block(1).lit[:1], N_FRAMES, 0),
                                dark=np.repeat(block(1).dark[:1], N_FRAMES, 0))  # fmt: skip
    assert not find_twins(["P1", "P2"], [signs(stuck)] * 2)
    dim = Sensor("dim", 2, 2, bit_depth=8, black_level_counts=4, read_noise_e=4.0)
    people = [f"P{n}" for n in range(12)]
    assert not find_twins(people, [signs(block(n, 20.0, dim, 3000), dim) for n in range(12)])


def test_a_recording_without_an_led_is_judged_by_the_light_that_is_there() -> None:
    """With the LED off frames are not empty for lack of a difference, only for lack of light."""
    passive = dataclasses.replace(SENSOR, led_current_ma=0.0)
    lit = block(3, 300.0, passive)
    both = FrameBlock(lit.sequence, lit.time_us, lit.lit, lit.lit[::-1].copy())
    assert judged_light([signs(both, passive)])[1] == []
    dark = FrameBlock(lit.sequence, lit.time_us, lit.dark, lit.dark[::-1].copy())
    (caution,) = judged_light([signs(dark, passive)])[1]
    assert caution.about == "empty frames" and caution.value > 0.99
