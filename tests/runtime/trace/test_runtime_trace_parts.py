"""The pieces of a measurement by hand: change points, sums, charges, envelope, prediction."""

from __future__ import annotations

import itertools
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from budget_models import library_inputs
from hypothesis import given, settings
from hypothesis import strategies as st
from trace_bench import Bench, Synthesis, device, of_inputs

from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.price.power import average_power, busy_us, frame_energy, frame_time_us
from runtime.errors import Error
from runtime.trace import measurement
from runtime.trace.charges import N_DRAWS, Grid, block_length, bootstrap_means, figures, zeros_ua
from runtime.trace.cutting.change_points import change_points
from runtime.trace.cutting.phases import PHASES
from runtime.trace.cutting.segments import lowest_plateau, weighted_median
from runtime.trace.cutting.sums import FrameRows, RunningRows, range_of
from runtime.trace.envelope import Envelope
from runtime.trace.health import Clipping
from runtime.trace.measurement import Expected, measure_trace
from runtime.trace.page import measurement_lines, measurement_page
from runtime.trace.parts_file import measured_parts
from runtime.trace.predicted import frame_steps, sleep_power_uw
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import SampleBlock, Trace


def cost(values: np.ndarray, errors: np.ndarray, begins: list[int], penalty: float) -> float:
    total = -penalty
    for a, b in zip(begins, [*begins[1:], len(values)], strict=True):
        mean = np.average(values[a:b], weights=errors[a:b] ** -2)
        total += float((((values[a:b] - mean) / errors[a:b]) ** 2).sum()) + penalty
    return total


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.integers(1, 9), st.floats(0.1, 30.0))
def test_change_points_cost_least_of_all_partitions(seed: int, n: int, penalty: float) -> None:
    """No other partition costs less: every one of up to 256 is tried."""
    rng = np.random.default_rng(seed)
    values, errors = rng.normal(0.0, 3.0, n), rng.uniform(0.2, 2.0, n)
    found = cost(values, errors, change_points(values, errors, penalty), penalty)
    every = (
        [0, *inner]
        for k in range(n)
        for inner in itertools.combinations(range(1, n), k)
    )  # fmt: skip
    least = min(cost(values, errors, begins, penalty) for begins in every)
    assert found == pytest.approx(least, abs=1e-9 * max(1.0, abs(least)))


def test_steps_are_found_where_they_are() -> None:
    """Levels 0, 10, 4 of unlike lengths under noise of 1 begin where they begin."""
    rng = np.random.default_rng(0)
    values = np.repeat([0.0, 10.0, 4.0], [40, 7, 120]) + rng.standard_normal(167)
    assert change_points(values, np.ones(167)) == [0, 40, 47]


def test_noise_alone_has_no_change_points() -> None:
    """By the default penalty at most one of 40 series of noise is cut."""
    rng = np.random.default_rng(3)
    cut = sum(len(change_points(rng.standard_normal(300), np.ones(300))) > 1 for _ in range(40))
    assert cut <= 1


@pytest.mark.parametrize("share", [0.25, 0.6, 0.97])
def test_the_lowest_plateau_is_sleep(share: float) -> None:
    """Level and noise of sleep are found whether it takes a quarter of the time or nearly all."""
    rng = np.random.default_rng(1)
    n = round(1000 * share)
    frame = np.concatenate((np.full(n, 5.0), np.full(1000 - n, 300.0)))
    values = np.tile(frame, 30) + 0.5 * rng.standard_normal(30_000)
    level, noise = lowest_plateau(values)
    assert level == pytest.approx(5.0, abs=0.05)
    assert noise == pytest.approx(0.5, rel=0.1)


def test_a_weighted_median_has_half_the_weight_on_either_side() -> None:
    """With weights 1, 1, 5 of 1, 2, 9 it is 9; with equal ones the middle."""
    values = np.array([9.0, 1.0, 2.0])
    assert weighted_median(values, np.array([5.0, 1.0, 1.0])) == 9.0
    assert weighted_median(values, np.ones(3)) == 2.0


def test_the_range_of_a_reading_is_the_narrowest_or_one_held_before() -> None:
    """After a reading above 10 the wider range stays for two readings more."""
    current, tops = np.array([1.0, 50.0, 2.0, 3.0, 4.0, -20.0, 500.0]), np.array([10.0, 100.0])
    assert range_of(current, tops, 0).tolist() == [0, 1, 0, 0, 0, 1, 1]
    assert range_of(current, tops, 2).tolist() == [0, 1, 1, 1, 0, 1, 1]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 5_000), min_size=1, max_size=12), st.integers(0, 1000))
def test_rows_keep_every_sum_however_many_frames_come(sizes: list[int], seed: int) -> None:
    """Rows stay few, and their sums and numbers of frames are those of all frames."""
    rng = np.random.default_rng(seed)
    running, total = RunningRows(2), np.zeros((len(PHASES), 2))
    for n in sizes:
        values = rng.integers(0, 100, (n, len(PHASES), 2)).astype(float)
        running.add(values)
        total += values.sum(axis=0)
    rows = running.rows()
    assert len(rows) <= 8_193
    np.testing.assert_array_equal(rows.values.sum(axis=0), total)
    assert rows.n_frames.sum() == sum(sizes)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 40_000), min_size=1, max_size=8), st.integers(0, 1000))
def test_the_envelope_holds_every_sample(sizes: list[int], seed: int) -> None:
    """Each cell's bounds are those of its samples, however they came; cells stay few."""
    rng = np.random.default_rng(seed)
    parts = [rng.normal(0.0, 5.0, n) for n in sizes]
    envelope, whole = Envelope(), np.concatenate(parts)
    for part in parts:
        envelope.take(part)
    low, high = envelope.cells()
    step = envelope.samples_a_cell
    assert len(low) == -(-len(whole) // step) <= 1_025
    for i in range(len(low)):
        assert low[i] == whole[i * step : (i + 1) * step].min()
        assert high[i] == whole[i * step : (i + 1) * step].max()


def bench_file(**changed: float) -> BenchFile:
    made = Synthesis(device(), Bench()).bench_file()
    only = made.current.range[0].model_copy(update={"offset_error_ua": 0.0, **changed})
    return made.model_copy(
        update={
            "current": made.current.model_copy(update={"range": (only,)}),
            "time": made.time.model_copy(update={"error_ppm": 0.0}),
        }
    )


def rows_of(charge: np.ndarray, n_samples: float = 100.0) -> FrameRows:
    """Frames whose every phase has `charge` in uA samples over `n_samples`, at 2 V."""
    n = len(charge)
    values = np.empty((n, len(PHASES), 3))
    values[:, :, 0] = charge[:, None]
    values[:, :, 1] = n_samples
    values[:, :, 2] = 2.0 * charge[:, None]
    return FrameRows(values, np.ones(n))


def no_grid(step_s: float = 1e-5) -> Grid:
    zero = dict.fromkeys(PHASES, 0.0)
    return Grid(step_s, zero, zero, 0.0)


def test_units_of_charge_time_and_energy_by_hand() -> None:
    """5,000 uA samples at 10 us are 50 nC; at 2 V 0.1 uJ; 100 samples are 1 ms at 50 uA."""
    rows = rows_of(np.full(200, 5_000.0))
    one = figures(
        rows, bench_file(gain_error_percent=0.0), no_grid(), {}, np.random.default_rng(0)
    )[0]
    assert one.charge_nc.mean == pytest.approx(50.0)
    assert one.energy_uj.mean == pytest.approx(0.1)
    assert one.time_us.mean == pytest.approx(1_000.0)
    assert one.current_ua.mean == pytest.approx(50.0)
    assert one.charge_nc.both.low == pytest.approx(50.0) == one.charge_nc.both.high


def test_frames_and_instrument_are_kept_apart_and_combined() -> None:
    """Independent frames give 1.645 s / sqrt(n); a gain of 1 % gives 0.9 % of it, both their sum.

    A uniform error within 1 % has its 5 % points at 0.9 %; the sum of both is wider than either.
    """
    rng = np.random.default_rng(2)
    rows = rows_of(5_000.0 + 400.0 * rng.standard_normal(900))
    exact, rough = bench_file(gain_error_percent=0.0), bench_file(gain_error_percent=1.0)
    one = figures(rows, exact, no_grid(), {}, np.random.default_rng(3))[0].charge_nc
    expected = 1.645 * 4.0 / 30.0
    assert (one.frames.high - one.frames.low) / 2.0 == pytest.approx(expected, rel=0.15)
    assert one.instrument.high - one.instrument.low == pytest.approx(0.0, abs=1e-9)
    two = figures(rows, rough, no_grid(), {}, np.random.default_rng(3))[0].charge_nc
    assert (two.instrument.high - two.instrument.low) / 2.0 == pytest.approx(0.45, rel=0.05)
    assert two.both.high - two.both.low > two.instrument.high - two.instrument.low
    assert two.both.high - two.both.low < 2.0 * (0.45 + expected)


def test_an_offset_of_the_instrument_weighs_by_time() -> None:
    """Bounds of 2 uA over 100 samples of 10 us are 2 nC either way, 1.8 at the 5 % points."""
    rows = rows_of(np.full(100, 5_000.0))
    bench = bench_file(gain_error_percent=0.0, offset_error_ua=2.0)
    one = figures(rows, bench, no_grid(), {}, np.random.default_rng(4))[0].charge_nc
    assert (one.instrument.high - one.instrument.low) / 2.0 == pytest.approx(1.8, rel=0.04)


def test_frames_that_are_alike_in_a_row_widen_the_interval() -> None:
    """Where a frame is as the one before but for a tenth, blocks see what single frames would not.

    For a first-order correlation r the variance of the mean is (1 + r) / (1 - r) times that of
    independent frames: 19 times at r = 0.9, so an interval 4.4 times as wide. Blocks give most.
    """
    rng = np.random.default_rng(5)
    noise = rng.standard_normal(4_000)
    alike = np.empty(4_000)
    alike[0] = noise[0]
    for i in range(1, 4_000):
        alike[i] = 0.9 * alike[i - 1] + np.sqrt(1 - 0.81) * noise[i]

    def width(values: np.ndarray) -> float:
        drawn = bootstrap_means(rows_of(5_000.0 + 100.0 * values), np.random.default_rng(6))
        assert drawn.shape == (N_DRAWS, len(PHASES), 3)
        return float(np.diff(np.quantile(drawn[:, 0, 0], [0.05, 0.95]))[0])

    assert block_length(noise[:, None]) < block_length(alike[:, None])
    assert 3.0 < width(alike) / width(noise) < 5.5


def test_a_wider_range_takes_the_zero_of_the_narrowest() -> None:
    """Sleep seen 3 uA higher in the held range is that range's zero, within its bounds only."""
    made = Synthesis(device(), Bench(ranges=((1e3, 0.1, 0.0, 1.0), (1e5, 1.0, 0.0, 1.0))))
    bench = made.bench_file()
    wide = bench.current.range[1].model_copy(update={"offset_error_ua": 4.0})
    narrow = bench.current.range[0]
    sleep = PHASES.index("sleep")

    def zeros(wide_ua: float, held: float) -> float:
        values = np.zeros((10, len(PHASES), 5))
        values[:, sleep] = (5.0 * 900.0, wide_ua * held, 900.0, held, 0.0)
        changed = bench.model_copy(
            update={"current": bench.current.model_copy(update={"range": (narrow, wide)})}
        )
        return float(zeros_ua(FrameRows(values, np.ones(10)), changed)[1])

    assert zeros(8.0, 100.0) == pytest.approx(3.0)
    assert zeros(9.5, 100.0) == 0.0
    assert zeros(8.0, 5.0) == 0.0


def test_readings_at_a_range_s_end_count_only_on_the_way_up() -> None:
    """A plateau at the end of a range is no switching; a stop on the way above it is."""
    bench = Synthesis(
        device(), Bench(ranges=((1e3, 0.1, 0.0, 1.0), (1e5, 1.0, 0.0, 1.0)))
    ).bench_file()
    counted = Clipping(bench)
    counted.take(np.array([5.0, 1_000.0, 1_000.0, 4_000.0, 1_000.0, 5.0, 999.9, 1_000.1, 990.0]))
    assert counted.n_held == 2


@pytest.mark.parametrize("start_us", [7.0, 0.0])
@pytest.mark.parametrize(("state", "sleeps"), [("active", 0), ("watching", 0), ("active", 2)])
def test_steps_hold_all_that_the_budget_spends_on_a_frame(
    state: str, sleeps: int, start_us: float
) -> None:
    """Energies and times of the steps add up to the budget's own, with the regulator's loss.

    Rate times steps, and sleep, are the state's power all day, but for messages and cold starts.
    That holds of a controller that needs no time to wake, too.
    """
    v = typical_values(library_inputs()) | {"mcu.start_change_time": start_us}
    v["mcu.start_time"] *= start_us > 0.0
    v[f"{state}.sleeps"] = float(sleeps)
    steps = frame_steps(v, state)
    energy = frame_energy(v, state)
    rail = sum(e for term, e in energy.items() if term not in ("LED", "LED driver"))
    total = energy["LED"] + energy["LED driver"] + rail / v["regulator.efficiency"]
    assert sum(s.energy_uj for s in steps) == pytest.approx(total, rel=1e-12)
    on = sum(s.time_us for s in steps if s.phase in ("led", "readout"))
    assert on == pytest.approx(frame_time_us(v, state), rel=1e-12)
    assert sum(s.name == "wake up" for s in steps) == 1 + sleeps
    assert sum(s.time_us for s in steps) == pytest.approx(float(busy_us(v, state)), rel=1e-12)
    seldom = v | {"usage.gestures": 0.0, "usage.cold_starts": 0.0}
    power = average_power(seldom)
    always = sum(power[part, "always"] for part in {part for part, _ in power})
    assert sleep_power_uw(v) == pytest.approx(float(always), rel=1e-9)


def test_memory_does_not_grow_with_the_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three times as long a trace takes no more memory, once the shape is learned."""
    monkeypatch.setattr(measurement, "sha256_of", lambda path: "0" * 64)
    monkeypatch.setattr(measurement, "_LEARN", 1 << 19)
    largest = []
    for seconds in (15.0, 45.0):
        synthesis = Synthesis(of_inputs("active", {}), Bench(duration_s=seconds), seed=2)
        trace, bench = synthesis.trace()
        pieces = replace(trace, blocks=synthesis.trace()[0].blocks)
        tracemalloc.start()
        found = measure_trace(pieces, bench, Expected(205.0), np.random.default_rng(1))
        largest.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert found.n_samples == seconds * 1e5
    assert largest[1] < 1.1 * largest[0]


SHAPES = ("noise", "steps", "spikes", "ramp", "square", "constant", "huge")


def any_current(shape: str, rng: np.random.Generator, n: int) -> np.ndarray:
    """A current of no device: what a loose wire, a wrong channel or a joke may give."""
    scale = 10.0 ** rng.uniform(-6, 9)
    at = np.arange(n)
    period = int(rng.integers(2, n // 4))
    made = {
        "noise": rng.normal(0.0, scale, n),
        "steps": np.repeat(rng.normal(0.0, scale, n // 97 + 1), 97)[:n],
        "spikes": np.where(rng.random(n) < rng.uniform(0.0, 0.1), scale, 0.0),
        "ramp": scale * at / n - rng.uniform(0.0, scale),
        "square": np.where(at % period < max(1, period // int(rng.integers(2, 50))), scale, 0.0),
        "constant": np.full(n, scale),
        "huge": 1e12 * np.sign(np.sin(at / period)),
    }[shape]
    return made + rng.choice([0.0, 1e-9, 0.01]) * scale * rng.standard_normal(n)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SHAPES), st.integers(0, 2**31), st.booleans())
def test_any_current_is_measured_or_refused_in_one_line(
    shape: str, seed: int, pinned: bool
) -> None:
    """Currents of no device end in figures that are finite, or in one line, and in nothing else."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 30_000))
    made = Synthesis(device(), Bench(marked=("led",) if pinned else ()))
    bench = made.bench_file()
    marks = {"led": rng.random(n) < rng.uniform(0.0, 0.5)} if pinned else {}
    block = SampleBlock(any_current(shape, rng, max(n, 8))[:n], None, marks)
    trace = Trace(Path("none"), lambda: iter([block]), lambda: 1e5)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(measurement, "sha256_of", lambda path: "0" * 64)
        try:
            found = measure_trace(trace, bench, Expected(205.0), np.random.default_rng(1))
        except Error as fault:
            assert "\n" not in str(fault)
            return
    assert all(np.isfinite(f.charge_nc.mean) for f in found.phases)
    assert "Phases of a frame" in measurement_page(found, None, None)
    assert len(list(measurement_lines(found, device()))) >= 6
    measured_parts(found, device())
