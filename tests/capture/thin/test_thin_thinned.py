"""Readouts at a weaker setting, from those at the recorded one."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rerecorded import EMULATED, SENSOR_OF, scene_of
from thin_moments import SETTINGS, STATED, moments

from capture.cues.script import load_script
from capture.frames import FrameBlock
from capture.thin.setting import Setting, least_bits, thinned_sensor
from capture.thin.thinned import thinned
from runtime.errors import FormatError, UsageError
from runtime.sensor import MOST_BITS, Sensor

SENSOR = Sensor(
    "bench", 8, 8, bit_depth=16, conversion_gain_dn_per_e=2.0, read_noise_e=6.0,
    dark_signal_e_per_s=0.0, full_well_e=30_000.0, black_level_counts=200,
)  # fmt: skip


def flat(
    sensor: Sensor, led_e: float, ambient_e: float, n_frames: int, seed: int = 1
) -> FrameBlock:
    """Return even light, with noise of Poisson and of the read-out, as a sensor would read it."""
    rng = np.random.default_rng(seed)
    shape = (n_frames, sensor.n_rows, sensor.n_cols)

    def read(mean_e: float) -> np.ndarray:
        electrons = rng.poisson(mean_e, shape) + sensor.read_noise_e * rng.standard_normal(shape)
        counts = sensor.conversion_gain_dn_per_e * electrons + sensor.black_level_counts
        return np.clip(np.rint(counts), 0, sensor.max_counts).astype(np.uint16)

    number = np.arange(n_frames, dtype=np.int64)
    time_us = np.rint(number * sensor.frame_period_us).astype(np.int64) + 5_000_000
    lit, dark = read(led_e + ambient_e), read(ambient_e)
    return FrameBlock(number, time_us, lit, dark, time_us + 300)


def thin(block: FrameBlock, sensor: Sensor, setting: Setting, seed: int = 2) -> FrameBlock:
    rng = np.random.default_rng(seed)
    return FrameBlock.concatenate(list(thinned([block], sensor, setting, rng)))


@given(
    st.floats(0.05, 1.0), st.floats(0.05, 1.0), st.floats(0.0, 2000.0), st.floats(0.0, 400.0),
    st.integers(0, 2**32 - 1),
)  # fmt: skip
def test_thinned_counts_have_the_moments_of_binomially_thinned_ones(
    led: float, exposure: float, led_e: float, ambient_e: float, seed: int
) -> None:
    """Electrons of a Poisson law kept with a probability are Poisson again, of the lesser mean."""
    # Textbook: a Poisson count of mean m, thinned with probability f, is Poisson with mean f m.
    block = flat(SENSOR, led_e, ambient_e, 96, seed)
    got = thin(block, SENSOR, Setting(led, exposure), seed)
    gain, read_dn2 = SENSOR.conversion_gain_dn_per_e, (2.0 * SENSOR.read_noise_e) ** 2 + 1 / 12
    n = got.lit.size
    for counts, mean_e in (
        (got.lit, exposure * (led * led_e + ambient_e)),
        (got.dark, exposure * ambient_e),
    ):
        variance = gain**2 * mean_e + read_dn2
        # What the recording's own ambient light was, and not its mean, is what thinning sees.
        own = gain**2 * ambient_e
        error = np.sqrt((variance + own) / n)
        assert counts.mean() - 200.0 == pytest.approx(gain * mean_e, abs=5.0 * error + 0.01)
        # The ambient light's patterns take a part of 64 pixels' noise: at most that of all.
        light = counts.astype(np.float64)
        spread = np.var(light - light.mean(axis=0), ddof=0) * 96 / 95
        assert spread > variance * (1.0 - 6.0 * np.sqrt(2.0 / n))
        most = variance + 2.0 * (1.0 - led) * (own + read_dn2)
        assert spread < most * (1.0 + 6.0 * np.sqrt(2.0 / n))
    light = got.lit.astype(np.float64) - got.dark
    spread = np.var(light - light.mean(axis=0)) * 96 / 95
    whole = gain**2 * exposure * (led * led_e + 2 * ambient_e) + 2 * read_dn2
    assert spread == pytest.approx(whole, rel=7.0 * np.sqrt(2.0 / n))


def test_the_added_noise_is_that_of_a_binomial_draw() -> None:
    """Of 400 electrons on each pixel, kept by chance, mean and variance are NumPy's binomial's."""
    sensor = replace(SENSOR, read_noise_e=0.0)
    electrons = np.full((600, 8, 8), 400)
    counts = (2.0 * electrons + 200).astype(np.uint16)
    dark = np.full_like(counts, 200)
    number = np.arange(600, dtype=np.int64)
    got = thin(FrameBlock(number, number * 33_333, counts, dark), sensor, Setting(1.0, 0.3))
    drawn = 2.0 * np.random.default_rng(3).binomial(electrons, 0.3)
    assert got.lit.mean() - 200 == pytest.approx(drawn.mean(), rel=1e-3)
    assert got.lit.var() == pytest.approx(drawn.var() + 1 / 12 - 0.09 / 12, rel=0.03)
    assert (got.dark == 200).all()


def test_nothing_weaker_gives_back_what_was_recorded() -> None:
    """Counts, numbers and times are the recorded ones, bit for bit."""
    block = flat(SENSOR, 500.0, 50.0, 300)
    got = thin(block, SENSOR, Setting())
    for name in ("sequence", "time_us", "lit", "dark", "dark_time_us"):
        assert np.array_equal(getattr(got, name), getattr(block, name))


@pytest.mark.parametrize("cut", [1, 37, 512, 700])
def test_how_a_stream_is_cut_changes_nothing(cut: int) -> None:
    """Blocks of one frame pair and of hundreds give the same bytes, from the same seed."""
    block = flat(SENSOR, 500.0, 50.0, 1400)
    cuts = [block[at : at + cut] for at in range(0, len(block), cut)]
    setting = Setting(0.3, 0.5, frame_rate_divisor=2)
    rng = np.random.default_rng(2)
    got = FrameBlock.concatenate(list(thinned(cuts, SENSOR, setting, rng)))
    whole = thin(block, SENSOR, setting)
    assert np.array_equal(got.lit, whole.lit)
    assert np.array_equal(got.dark, whole.dark)


def test_memory_is_that_of_a_stretch() -> None:
    """No more than 1,023 frame pairs are taken before some are given."""
    taken = 0

    def endless() -> FrameBlock:
        nonlocal taken
        while True:
            taken += 100
            yield flat(SENSOR, 100.0, 10.0, 100)

    stream = thinned(endless(), SENSOR, Setting(0.5), np.random.default_rng(1))
    assert len(next(stream)) <= 511
    assert taken <= 1100


def test_a_lower_rate_keeps_every_so_manieth_frame_pair() -> None:
    """Kept pairs have their own times; numbers are divided, so that gaps stay gaps."""
    block = flat(SENSOR, 100.0, 10.0, 40)
    gap = FrameBlock.concatenate([block[:12], block[20:]])
    got = thin(gap, SENSOR, Setting(frame_rate_divisor=3))
    assert got.sequence.tolist() == [0, 1, 2, 3, 7, 8, 9, 10, 11, 12, 13]
    assert np.array_equal(got.time_us, block.time_us[got.sequence * 3])
    assert np.array_equal(got.lit, block.lit[got.sequence * 3])


def test_rows_that_are_not_read_are_left_out() -> None:
    """Rows 2 to 5 are the recorded ones."""
    block = flat(SENSOR, 100.0, 10.0, 10)
    got = thin(block, SENSOR, Setting(rows=(2, 6)))
    assert np.array_equal(got.lit, block.lit[:, 2:6])
    assert np.array_equal(got.dark, block.dark[:, 2:6])


def test_a_shorter_exposure_brings_the_dark_one_closer() -> None:
    """The gap between the exposures stays: 200 us become 50, so that the dark one begins sooner."""
    block = flat(SENSOR, 100.0, 10.0, 10)
    got = thin(block, SENSOR, Setting(exposure_fraction=0.25))
    assert np.array_equal(got.dark_time_us, block.dark_time_us - 150)
    unknown = thin(replace(block, dark_time_us=np.zeros(10, np.int64)), SENSOR, Setting(1.0, 0.25))
    assert not unknown.dark_time_us.any()


def test_fewer_bits_fall_on_either_side_of_an_edge() -> None:
    """Twelve bits to ten: the mean stays, and no step is favoured where a count is on an edge."""
    sensor = replace(SENSOR, bit_depth=12, black_level_counts=64)
    counts = np.tile(np.arange(100, 164, dtype=np.uint16).reshape(8, 8), (400, 1, 1))
    number = np.arange(400, dtype=np.int64)
    block = FrameBlock(number, number * 33_333, counts, counts)
    got = thin(block, sensor, Setting(bit_depth=10))
    after = thinned_sensor(sensor, Setting(bit_depth=10))
    assert after.black_level_counts == 16
    exact = (counts - 64.0) / 4 + 16
    assert got.lit.mean() == pytest.approx(exact.mean(), abs=0.01)
    assert np.abs(got.lit - exact).max() <= 0.5


def test_noisier_readout_has_its_noise_in_both_exposures() -> None:
    """Ten electrons in the place of six: the variance of both is that of ten."""
    got = thin(flat(SENSOR, 300.0, 20.0, 800), SENSOR, Setting(read_noise_e=10.0))
    for counts, mean_e in ((got.lit, 320.0), (got.dark, 20.0)):
        assert counts.var(ddof=1) == pytest.approx(4 * (mean_e + 100.0) + 1 / 12, rel=0.03)


def test_noise_that_rows_share_is_given_back() -> None:
    """Rows that waver as one waver as much in a quarter of the exposure."""
    rng = np.random.default_rng(5)
    sensor = replace(SENSOR, n_rows=16, n_cols=32)
    block = flat(sensor, 0.0, 20.0, 1024)
    rows = np.rint(2.0 * rng.standard_normal((2, 1024, 16, 1))).astype(np.int64)
    block = replace(
        block,
        lit=(block.lit + rows[0]).astype(np.uint16),
        dark=(block.dark + rows[1]).astype(np.uint16),
    )
    got = thin(block, sensor, Setting(exposure_fraction=0.25))
    for counts in (got.lit, got.dark):
        means = counts.mean(axis=2)
        assert means.var() == pytest.approx(4.0 + (4 * (5.0 + 36.0)) / 32, rel=0.1)


@pytest.mark.parametrize("deep", [0.0, 0.3, 0.9])
def test_flicker_is_followed_to_the_lit_exposure(deep: float) -> None:
    """With a tenth of the LED's light, lit minus dark flickers as the lamps do, not a tenth."""
    sensor = replace(SENSOR, n_rows=16, n_cols=16, frame_rate_hz=30.0)
    rng = np.random.default_rng(6)
    number = np.arange(512, dtype=np.int64)
    time_us = np.rint(number * sensor.frame_period_us).astype(np.int64) + 1_000
    hz = 100.05  # mains are never quite what they should be
    scene_e = 200.0 + 100.0 * rng.random((16, 16))

    def read(later_us: int, led_e: float) -> np.ndarray:
        wave = 1.0 + deep * np.sin(2e-6 * np.pi * hz * (time_us + later_us))
        mean_e = wave[:, None, None] * scene_e + led_e
        electrons = rng.poisson(mean_e) + 6.0 * rng.standard_normal(mean_e.shape)
        return np.rint(2.0 * electrons + 200).astype(np.uint16)

    block = FrameBlock(number, time_us, read(0, 500.0), read(1500, 0.0), time_us + 1500)
    got = thin(block, sensor, Setting(0.1))
    lit_wave, dark_wave = (
        np.sin(2e-6 * np.pi * hz * (time_us + later_us)) for later_us in (0, 1500)
    )
    wanted = 2.0 * (50.0 + deep * (lit_wave - dark_wave) * scene_e.mean())
    light = (got.lit.astype(np.float64) - got.dark).mean(axis=(1, 2))
    # The mean over 256 pixels of 2 exposures of 250 electrons and more has this noise.
    noise = 2.0 * np.sqrt((2 * 250 + 50 + 72) / 256)
    assert np.sqrt(np.mean((light - wanted) ** 2)) < 1.25 * noise


@pytest.mark.parametrize("n_rows, n_cols", [(1, 1), (1, 4), (2, 2), (3, 5)])
@pytest.mark.parametrize("n_frames", [1, 2, 5, 140])
def test_sensors_of_few_pixels_and_recordings_of_few_frames_are_thinned(
    n_rows: int, n_cols: int, n_frames: int
) -> None:
    """One pixel or one frame pair is enough: as many come out as went in."""
    sensor = replace(SENSOR, n_rows=n_rows, n_cols=n_cols)
    block = flat(sensor, 300.0, 40.0, n_frames)
    for setting in (Setting(0.2), Setting(1.0, 0.5), Setting(0.2, 0.5, bit_depth=12)):
        got = thin(block, sensor, setting)
        assert got.lit.shape == got.dark.shape == (n_frames, n_rows, n_cols)


def test_a_quadrant_sensor_keeps_the_noise_of_lit_minus_dark() -> None:
    """Four pixels are all patterns of light: lit minus dark has the noise of the setting yet."""
    sensor = replace(SENSOR, n_rows=2, n_cols=2)
    got = thin(flat(sensor, 300.0, 100.0, 6000), sensor, Setting(0.2))
    light = got.lit.astype(np.float64) - got.dark
    assert light.mean() == pytest.approx(2 * 60.0, abs=1.0)
    assert light.var() == pytest.approx(4 * (60.0 + 2 * 100.0 + 2 * 36.0) + 2 / 12, rel=0.05)


FEW_FRAMES = {
    "mean": 0.005, "mean_in_bins": 0.03, "lit": 0.015, "dark": 0.008, "difference": 0.008,
    "bins": 0.03, "rows": 0.04, "whole": 0.2, "between": 0.01,
}  # fmt: skip
"""Standard errors over 256 frames of one person, rounded up; of the mean where light is least."""


FORETOLD = [
    (kind, setting)
    for kind in ("emulated", "diffuser", "mask")
    for setting, weaker in SETTINGS.items()
    if (weaker.bit_depth or MOST_BITS) >= least_bits(SENSOR_OF[kind])
]
"""Where a setting's steps are not too coarse to foretell."""


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "setting"), FORETOLD)
def test_thinned_readouts_are_those_of_the_scene_recorded_anew(kind: str, setting: str) -> None:
    """Mean, variance and covariance of pixels are those of a recording at each of ten settings."""
    weaker = SETTINGS[setting]
    seen = [scene_of(kind, load_script("dynamic"), 1, 256)]
    found = asdict(moments(seen, weaker, seed=list(SETTINGS).index(setting)))
    too_far = {
        key: value
        for key, value in found.items()
        if abs(value) > STATED[key] + 4.0 * FEW_FRAMES[key]
    }
    assert not too_far


def test_a_setting_that_asks_for_too_much_is_refused_at_once() -> None:
    """More bits than recorded are one line, before the first block is asked for."""
    with pytest.raises(UsageError, match="bit_depth is 16, expected at most 12"):
        thinned([], EMULATED, Setting(bit_depth=16), np.random.default_rng(1))


def test_readouts_of_another_sensor_are_refused() -> None:
    """A block of another shape is one line that names both shapes."""
    block = flat(SENSOR, 100.0, 10.0, 10)
    with pytest.raises(FormatError, match=r"shape is \(8, 8\), expected \(32, 32\)"):
        list(thinned([block], EMULATED, Setting(0.5), np.random.default_rng(1)))


def test_missing_dark_exposures_are_refused() -> None:
    """A weaker LED needs dark exposures: without them nobody knows what the LED gave."""
    block = flat(SENSOR, 100.0, 10.0, 200)
    blind = replace(block, dark=np.zeros_like(block.dark))
    with pytest.raises(FormatError, match=r"dark exposures is missing") as caught:
        list(thinned([blind], SENSOR, Setting(0.5), np.random.default_rng(1)))
    assert "\n" not in str(caught.value)


def test_the_sensors_of_the_proof_differ() -> None:
    """The proof is on three sensors of other sizes, bits and gains."""
    assert len({(s.n_rows, s.n_cols, s.bit_depth) for s in SENSOR_OF.values()}) == 3
