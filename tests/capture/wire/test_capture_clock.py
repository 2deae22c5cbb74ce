"""The device's clock against the host's, over links whose ways there and back differ."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.wire.clock import Exchange, fit_clock
from runtime.errors import FormatError

S = 1_000_000


def test_offset_and_round_trip_are_those_of_ntp() -> None:
    """Offset ((T2 - T1) + (T3 - T4)) / 2, round trip (T4 - T1) - (T3 - T2): RFC 5905, section 8.

    By hand: 3 ms there, held for 2 ms, 5 ms back, the device 1 s ahead. The offset is then off by
    half the difference of the two ways, 1 ms.
    """
    exchange = Exchange(sent_us=0, device_us=S + 3000, held_us=2000, arrived_us=10_000)
    assert (exchange.offset_us, exchange.round_trip_us) == (S - 1000, 8000)


@pytest.mark.parametrize(("held_us", "arrived_us"), [(-1, 100), (103, 100), (0, -1)])
def test_an_exchange_that_cannot_have_been_is_refused(held_us: int, arrived_us: int) -> None:
    """No answer comes before its request, and none was held for longer than it took."""
    with pytest.raises(FormatError, match="held_us"):
        Exchange(0, 5, held_us, arrived_us)


def simulated(
    rng: np.random.Generator, drift_ppm: float, minutes: float, start_us: float
) -> list[Exchange]:
    """Two exchanges a second; answers often wait behind an exposure, so that the ways differ."""
    exchanges = []
    for asked_us in np.arange(0.0, 60 * minutes * S, S / 2) + 1e9:
        there, back = 200.0 + rng.exponential([500.0, 3000.0])
        waits = rng.uniform(0, 17_000) * (rng.random() < 0.6)
        at = np.cumsum([asked_us, there, rng.exponential(50.0), back + waits])

        def device(host_us: float) -> int:
            return math.floor(start_us + host_us * (1 + drift_ppm * 1e-6))

        held_us = device(at[2]) - device(at[1])
        exchanges.append(Exchange(math.floor(at[0]), device(at[1]), held_us, math.floor(at[3])))
    return exchanges


@pytest.mark.parametrize("seed", range(4))
def test_fifty_millionths_of_drift_leave_the_offset_within_a_millisecond(seed: int) -> None:
    """After ten minutes of 50 ppm, which are 30 ms, the host's time is known to 1 ms, and bounded.

    The bounds of offset and drift hold what was planted.
    """
    rng = np.random.default_rng(seed)
    start_us = rng.uniform(-1e12, 1e12)
    fit = fit_clock(simulated(rng, 50.0, 10.0, start_us))
    assert fit is not None
    ends_us = 1e9 + np.array([0.0, 300.0, 600.0]) * S
    host_us, error_us = fit.host_us(np.floor(start_us + ends_us * (1 + 50e-6)).astype(np.int64))
    off_us = np.abs(host_us - ends_us)
    assert off_us.max() < 1000
    assert np.all(off_us <= error_us)
    assert error_us.max() < 1000
    assert abs(fit.drift_ppm - 50.0) <= fit.drift_error_ppm < 2.0
    assert fit.wander_us == 0.0


def test_beyond_its_exchanges_a_line_says_less() -> None:
    """A minute after the last exchange the error has grown by what the drift may be off."""
    fit = fit_clock(simulated(np.random.default_rng(1), 0.0, 1.0, 0.0))
    assert fit is not None
    _, (inside, beyond) = fit.host_us([fit.last_us, fit.last_us + 60 * S])
    assert beyond == pytest.approx(inside + 60 * fit.drift_error_ppm)


@given(
    ways=st.lists(
        st.tuples(st.integers(0, 50_000), st.integers(0, 5_000), st.integers(0, 50_000)),
        min_size=2,
        max_size=12,
    ),
    drift_ppm=st.floats(-200.0, 200.0),
    start_us=st.integers(-(10**12), 10**12),
)
def test_the_bounds_hold_for_any_ways(
    ways: list[tuple[int, int, int]], drift_ppm: float, start_us: int
) -> None:
    """Whatever the way there, the holding and the way back took: the truth is inside the bounds."""
    exchanges = []
    for number, (there, held, back) in enumerate(ways):
        sent = 5 * S * number
        came, went = (
            math.floor(start_us + at * (1 + drift_ppm * 1e-6))
            for at in (sent + there, sent + there + held)
        )
        exchanges.append(Exchange(sent, came, went - came, sent + there + held + back))
    fit = fit_clock(exchanges)
    assert fit is not None
    truth_us = np.linspace(0, 5 * S * (len(ways) - 1), 7)
    device_us = np.floor(start_us + truth_us * (1 + drift_ppm * 1e-6)).astype(np.int64)
    host_us, error_us = fit.host_us(device_us)
    slack_us = 2.0  # of rounding to whole microseconds
    assert np.all(np.abs(host_us - truth_us) <= error_us + slack_us)
    assert abs(fit.drift_ppm - drift_ppm) <= fit.drift_error_ppm + 0.5


def test_a_clock_that_was_set_is_told_by_what_no_line_reaches() -> None:
    """A device whose clock moved by 20 ms in between is 10 ms off every line, and says so."""
    exchanges = [Exchange(S * n, S * n + 100 + 20_000 * (n % 2), 0, S * n + 200) for n in range(10)]
    fit = fit_clock(exchanges)
    assert fit is not None
    assert fit.wander_us == pytest.approx(9900 - 1, rel=0.2)
    assert fit.offset_error_us >= fit.wander_us


def test_too_little_says_nothing() -> None:
    """One exchange, or several at one moment, give no line."""
    once = Exchange(0, 100, 0, 200)
    assert fit_clock([]) is None
    assert fit_clock([once]) is None
    assert fit_clock([once, once]) is None
