"""The watching stage over recordings: arrivals missed, false wakes, and the weaker light."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from runtime.budget.inputs.evaluation import WakeUp
from runtime.budget.price.wake_up_counts import (
    WakeUpCounts,
    WatchedSession,
    _at_rate,
    measure_wake_up,
    weaker_light,
)
from runtime.errors import FormatError, UsageError
from runtime.firmware.watching import Watching
from runtime.sensor import Sensor

SENSOR = Sensor("emulated 32x32", 32, 32)
RATE_HZ = 30.0


def _exposures(electrons: Any, rng: np.random.Generator) -> Any:
    read = rng.poisson(electrons) + rng.normal(0.0, SENSOR.read_noise_e, electrons.shape)
    counts = SENSOR.black_level_counts + SENSOR.conversion_gain_dn_per_e * read
    return np.clip(np.rint(counts), 0, SENSOR.max_counts).astype(np.uint16)


def _session(seconds: float, hand_e: float, spans: Any, empty: Any, seed: int = 0) -> Any:
    """A scene of 800 electrons; in `spans` a hand sweeps over it that adds up to `hand_e`."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    led = np.full((len(t_s), 32, 32), 200.0)
    for start, end in spans:
        for frame in np.flatnonzero((t_s >= start) & (t_s <= end)):
            column = int(32 * (t_s[frame] - start) / (end - start))
            led[frame, :, max(0, column - 8) : column + 8] += hand_e
    lit, dark = _exposures(600.0 + led, rng), _exposures(np.full(led.shape, 600.0), rng)
    return WatchedSession(lit, dark, t_s, tuple(spans), tuple(empty))


def test_weaker_light_has_the_mean_and_noise_of_weaker_light() -> None:
    """Light taken away afterwards leaves the mean and the variance that less light has at once."""
    rng = np.random.default_rng(1)
    dark_e, led_e, share = 900.0, 3000.0, 0.2
    shape = (400, 16, 16)
    lit, dark = (
        _exposures(np.full(shape, dark_e + led_e), rng),
        _exposures(np.full(shape, dark_e), rng),
    )
    small = Sensor("16x16", 16, 16)
    found = weaker_light(lit, dark, share, small, rng)[0].astype(float) - dark
    direct = _exposures(np.full(shape, dark_e + share * led_e), rng).astype(float) - dark
    assert found.mean() == pytest.approx(direct.mean(), rel=0.003)
    assert found.var() == pytest.approx(direct.var(), rel=0.03)


def test_shorter_exposure_has_less_of_all_light_and_its_noise() -> None:
    """A tenth of the exposure leaves a tenth of either light, and the variance of exposing so."""
    rng = np.random.default_rng(6)
    dark_e, led_e, part = 2000.0, 3000.0, 0.1
    shape, small = (400, 16, 16), Sensor("16x16", 16, 16)
    lit, dark = (
        _exposures(np.full(shape, dark_e + led_e), rng),
        _exposures(np.full(shape, dark_e), rng),
    )
    found = weaker_light(lit, dark, 1.0, small, rng, part)
    direct = (
        _exposures(np.full(shape, part * (dark_e + led_e)), rng),
        _exposures(np.full(shape, part * dark_e), rng),
    )
    assert found[1].mean() == pytest.approx(direct[1].mean(), rel=0.003)
    assert found[1].var() == pytest.approx(direct[1].var(), rel=0.03)
    apart, wanted = (lit.astype(float) - dark for lit, dark in (found, direct))
    assert apart.mean() == pytest.approx(wanted.mean(), rel=0.005)
    assert apart.var() == pytest.approx(wanted.var(), rel=0.03)
    with pytest.raises(UsageError, match="exposure share"):
        weaker_light(lit, dark, 1.0, small, rng, 0.0)


def test_full_light_is_left_as_it_is() -> None:
    """A share of one changes nothing, a share of none leaves the dark exposure's mean."""
    rng = np.random.default_rng(2)
    dark = _exposures(np.full((50, 32, 32), 500.0), rng)
    lit = _exposures(np.full((50, 32, 32), 1500.0), rng)
    assert np.array_equal(weaker_light(lit, dark, 1.0, SENSOR, rng)[0], lit)
    without = weaker_light(lit, dark, 0.0, SENSOR, rng)[0]
    assert without.mean() == pytest.approx(dark.mean(), rel=0.002)
    with pytest.raises(UsageError, match="share"):
        weaker_light(lit, dark, 1.5, SENSOR, rng)


def test_clear_arrivals_are_all_seen_and_empty_scenes_do_not_wake() -> None:
    """A bright sweeping hand is never missed; noise alone wakes nothing in a minute."""
    hands = [(5.0 + 4 * i, 6.0 + 4 * i) for i in range(5)]
    found = measure_wake_up(
        SENSOR, [_session(90.0, 4000.0, hands, [(27.0, 90.0)])], np.random.default_rng(3)
    )
    assert (found.n_arrivals, found.n_missed, found.n_false_wakes) == (5, 0, 0)
    assert found.empty_hours == pytest.approx(62.8 / 3600, rel=0.01)


def test_hand_too_faint_is_missed() -> None:
    """A hand that adds less than noise is missed, and counted so."""
    found = measure_wake_up(
        SENSOR, [_session(20.0, 2.0, [(5.0, 6.0)], [(10.0, 20.0)])], np.random.default_rng(3)
    )
    assert found.n_missed == found.n_arrivals == 1


def test_less_light_never_misses_less() -> None:
    """The weaker the light while watching, the more arrivals are missed."""
    hands = [(4.0 + 5 * i, 4.7 + 5 * i) for i in range(12)]
    session = _session(66.0, 60.0, hands, [(0.0, 3.9)])
    missed = [
        measure_wake_up(
            SENSOR, [session], np.random.default_rng(4), Watching(led_share=share)
        ).n_missed
        for share in (1.0, 0.3, 0.05)
    ]
    assert missed == sorted(missed)
    assert missed[0] < missed[-1]


def test_what_moves_in_an_empty_scene_is_a_false_wake_once_per_hold() -> None:
    """Movement where none should be counts once, and not again while awake."""
    sweep = [(10.0, 11.5), (20.0, 21.5)]
    swept = _session(30.0, 4000.0, sweep, [])
    session = WatchedSession(swept.lit, swept.dark, swept.t_s, (), ((1.0, 30.0),))
    found = measure_wake_up(SENSOR, [session], np.random.default_rng(5))
    assert found.n_false_wakes == 2
    assert found.empty_hours < 29 / 3600  # the sensor is awake after each


def test_hand_that_comes_while_awake_is_not_missed() -> None:
    """A second hand within the hold time of the first finds the sensor awake."""
    session = _session(12.0, 4000.0, [(4.0, 5.0), (6.0, 7.0)], [(9.5, 12.0)])
    faint = WatchedSession(session.lit, session.dark, session.t_s, ((4.0, 5.0), (6.5, 6.6)), ())
    found = measure_wake_up(SENSOR, [faint], np.random.default_rng(7))
    assert (found.n_arrivals, found.n_missed) == (2, 0)


def test_gap_is_no_watched_time() -> None:
    """Frames that the recording lost are neither watched nor counted as time."""
    whole = _session(60.0, 0.0, [], [(0.0, 60.0)])
    kept = (whole.t_s < 20.0) | (whole.t_s > 40.0)
    cut = WatchedSession(whole.lit[kept], whole.dark[kept], whole.t_s[kept], (), whole.empty)
    hours = [
        measure_wake_up(SENSOR, [s], np.random.default_rng(6)).empty_hours for s in (whole, cut)
    ]
    assert hours[0] - hours[1] == pytest.approx(20.0 / 3600, rel=0.03)


def test_intervals_are_the_exact_ones_of_the_textbooks() -> None:
    """Exact 90 % intervals of a share and of a rate.

    No event in n trials: upper bound 1 - 0.05^(1/n); no event in t hours: ln(20) / t, the "rule of
    three" (Hanley and Lippman-Hand, JAMA 249:1743, 1983). 10 events: 5.425 to 16.962 at 90 %
    (Garwood, Biometrika 28:437, table, 1936; from memory).
    """
    none = WakeUpCounts(60, 0, 0, 2.0)
    assert none.miss_rate.high == pytest.approx(1 - 0.05 ** (1 / 60))
    assert none.false_wakes_per_hour.high == pytest.approx(np.log(20) / 2.0)
    ten = WakeUpCounts(60, 3, 10, 1.0).false_wakes_per_hour
    assert (ten.low, ten.high) == (pytest.approx(5.425, abs=1e-3), pytest.approx(16.962, abs=1e-3))


def test_counts_of_two_recordings_are_those_of_both_together() -> None:
    """Arrivals, misses, false wakes, time and delays of two counts add up."""
    one = WakeUpCounts(3, 1, 2, 0.5, delays_s=(0.2, 0.4))
    both = one + WakeUpCounts(2, 1, 0, 0.25, delays_s=(0.6,))
    assert (both.n_arrivals, both.n_missed, both.n_false_wakes) == (5, 2, 2)
    assert (both.empty_hours, both.delay_s(0.5), both.delay_s(1.0)) == (0.75, 0.4, 0.6)


def test_how_soon_it_woke_is_counted_from_the_arrival() -> None:
    """A hand that comes between two watching frames is answered on the next, not before."""
    session = _session(30.0, 4000.0, [(5.1, 8.0), (15.1, 18.0)], [(25.0, 30.0)])
    found = measure_wake_up(SENSOR, [session], np.random.default_rng(3))
    assert found.n_missed == 0
    assert all(0.0 <= delay <= 0.7 for delay in found.delays_s)
    assert len(found.delays_s) == 2


def test_json_is_what_the_budget_reads() -> None:
    """The JSON form is valid under ``wake_up`` of an evaluation."""
    data = WakeUpCounts(480, 2, 1, 3.0).to_json()
    read = WakeUp.model_validate(data)
    assert read.miss_rate.value == pytest.approx(2 / 480)
    assert read.false_wakes_per_hour.value == pytest.approx(1 / 3)


def test_nothing_to_count_is_told() -> None:
    """Without arrivals or without an empty scene there is no rate."""
    for counts, missing in (
        (WakeUpCounts(0, 0, 0, 1.0), "arrivals"), (WakeUpCounts(3, 0, 0, 0.0), "empty scene"),
    ):  # fmt: skip
        with pytest.raises(UsageError, match=missing):
            counts.to_json()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"t_s": np.zeros(3)}, "frames of lit, dark, t_s"),
        ({"t_s": np.array([0.0, 2.0, 1.0, 3.0])}, "falling"),
        ({"hands": ((2.0, 1.0),)}, "span"),
    ],
)
def test_faulty_session_is_refused(change: dict[str, Any], reason: str) -> None:
    """Lengths that differ, a clock that runs back and a span without length are refused."""
    counts = np.zeros((4, 32, 32), dtype=np.uint16)
    fields: dict[str, Any] = {
        "lit": counts, "dark": counts, "t_s": np.arange(4.0), "hands": (), "empty": (),
    }  # fmt: skip
    with pytest.raises(FormatError, match=reason):
        WatchedSession(**fields | change)


def test_a_slower_clock_counts_from_the_first_frame() -> None:
    """Of 30 frames a second every third is one of 10, whenever the recording began."""
    for begin_s in (0.0, 0.13, 57.2):
        assert _at_rate(begin_s + np.arange(12) / 30.0, 10.0).tolist() == [0, 3, 6, 9]
    assert _at_rate(np.zeros(0), 10.0).tolist() == []
