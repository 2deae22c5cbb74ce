"""Two sources at once: both directions near their bound, and none where there are not two."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from band_limited import MovingPattern, readouts
from firmware_models import EXECUTED_ONCE
from scipy.ndimage import gaussian_filter

from runtime.errors import ArgumentError, FormatError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.alignment.registration import Registration
from runtime.stages.bins import Bins
from runtime.stages.closing.quantity import Quantity
from runtime.stages.pair.joint import FOLLOWED, LOOKED
from runtime.stages.pair.pair import Pair
from runtime.stages.pair.solving import solved
from runtime.verification.verify import compare, reference_records
from trainer.align.bound import PixelNoise, direction_bound, pair_bound
from trainer.align.cells import Design
from trainer.align.lowered import Lowering, lower_registration, with_tolerance
from trainer.align.pair import lower_pair, with_pair_tolerance

GAIN, READ_E, N = 0.25, 11.0, 24
OPTIC = MovingPattern(N)
FLOOR = READ_E**2 + 2 / 12 / GAIN**2
STEP = 2.0**18


def _places(apart_deg: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return the slopes (n, 2, 2) of two sources in the field, so far apart."""
    first = rng.uniform(-0.3, 0.3, (n, 2))
    heading = rng.uniform(0, 2 * np.pi, n)
    away = np.tan(np.radians(apart_deg)) * np.stack([np.cos(heading), np.sin(heading)], axis=1)
    second = np.where((np.abs(first + away) > 0.4).any(axis=1, keepdims=True), first - away,
                      first + away)  # fmt: skip
    kept = (np.abs(second) <= 0.42).all(axis=1)
    return np.stack([first, second], axis=1)[kept]


def _seen(
    places: np.ndarray, ratio: float, electrons: float, rng: np.random.Generator
) -> np.ndarray:
    light = OPTIC.at(places[:, 0]) + ratio * OPTIC.at(places[:, 1])
    return readouts(light, electrons, rng, READ_E, GAIN)


@pytest.fixture(scope="module")
def stage() -> Pair:
    """Return the stage of a known optic, its tolerances from readouts of one and of two."""
    design, rng = Design(2e5, 1e6, FLOOR), np.random.default_rng(9)
    one, _ = lower_registration([OPTIC], Lowering(N, N, N, N * N, (0,), 4095, GAIN, design, 0.0))
    some = readouts(OPTIC.at(rng.uniform(-0.42, 0.42, (300, 2))), 3e5, rng, READ_E, GAIN)
    made = lower_pair(with_tolerance(one, some, 1.5), OPTIC, 4095, GAIN, FLOOR)
    both = _places(9.0, 120, rng)
    return with_pair_tolerance(made, _seen(both, 0.7, 4e5, rng), both, 1.5)


@pytest.mark.parametrize(
    ("apart_deg", "ratio", "electrons", "told", "most"),
    [(4, 1.0, 1e6, 0.6, 7), (6, 0.5, 1e6, 0.9, 3.5), (10, 0.2, 1e5, 0.9, 2.2),
     (20, 1.0, 1e5, 0.95, 2.2)],
)  # fmt: skip
def test_both_directions_are_told_near_their_bound(
    stage: Pair, apart_deg: float, ratio: float, electrons: float, told: float, most: float
) -> None:
    """From 4 degrees on two sources are told apart, each within a few times its joint bound."""
    rng = np.random.default_rng([int(apart_deg), int(10 * ratio)])
    places = _places(apart_deg, 50, rng)
    y = stage.run(_seen(places, ratio, electrons, rng), {})[0]
    two = y[:, 7] <= 0
    assert two.mean() >= told
    found = y[:, [0, 1, 4, 5]].reshape(-1, 2, 2)[two] / STEP
    ways = [np.abs(found - way).max(axis=(1, 2)) for way in (places[two], places[two, ::-1])]
    errors = np.where(
        (ways[0] <= ways[1])[:, None, None], found - places[two], found[:, ::-1] - places[two]
    )
    noise, each = PixelNoise(float(np.sqrt(FLOOR))), electrons * np.array([1.0, ratio])
    bounds = np.mean(
        [np.diag(pair_bound(*(OPTIC.at(p, k) for k in (None, 0, 1)), each, noise))
         for p in places[two][:12]], axis=0,
    ).reshape(2, 2)  # fmt: skip
    assert np.abs(errors).max() < 0.06  # none of them somewhere else
    assert (np.sqrt((errors**2).mean(axis=0)) < most * np.sqrt(bounds)).all()
    if ratio < 0.6:
        assert (ways[0] <= ways[1]).mean() > 0.95  # the brighter is the first


@pytest.mark.parametrize("electrons", [3e4, 1e6])
def test_one_source_is_the_first_and_there_is_no_second(stage: Pair, electrons: float) -> None:
    """Of one source the first is what registration gives, bit for bit, and the second is none."""
    rng = np.random.default_rng(4)
    values = readouts(OPTIC.at(rng.uniform(-0.38, 0.38, (80, 2))), electrons, rng, READ_E, GAIN)
    y = stage.run(values, {})[0]
    assert (y[:, 3] <= 0).mean() > 0.95
    assert (y[y[:, 3] <= 0, 7] > 0).all()


def test_two_sources_are_found_over_frames_and_followed(stage: Pair) -> None:
    """No frame makes more than its part: none of both until they are found, then both in each."""
    rng, n, gone = np.random.default_rng(6), 24, 8
    step = np.array([[0.002, -0.001], [-0.001, 0.003]])
    places = np.array([[-0.12, 0.05], [0.12, -0.04]]) + np.arange(n)[:, None, None] * step
    values = np.concatenate([
        _seen(places, 0.5, 3e5, rng),
        readouts(OPTIC.at(places[:gone, 0]), 3e5, rng, READ_E, GAIN),
    ])  # fmt: skip
    alone, same = stage.run(values, {})
    assert same == {}
    state, followed, counts = stage.initial_state(), [], []
    for i in range(len(values)):
        y, state = stage.run(values[i : i + 1], state)
        followed.append(y[0])
        counts.append(int(state["track"][0]))
    y = np.stack(followed)
    two, one = y[:, 7] <= 0, y[:, 3] <= 0
    first = int(two.argmax())
    assert 4 <= first <= 9 and counts[0] == LOOKED
    assert not one[:first].any()  # until then there is no number of either
    assert two[first:n].mean() > 0.9
    assert one[n:].any() and not two[n:].any()  # the one that is left is told again, and alone
    assert one[n + FOLLOWED :].all() and not state["track"].any()
    off = y[:n][two[:n]][:, [0, 1, 4, 5]].reshape(-1, 2, 2) / STEP - places[two[:n]]
    assert np.abs(off).max() < 0.006
    seen = alone[:n][alone[:n, 7] <= 0][:, [0, 1, 4, 5]].reshape(-1, 2, 2) / STEP
    seen = seen - places[alone[:n, 7] <= 0]
    assert np.sqrt((off**2).mean()) < 1.3 * np.sqrt((seen**2).mean())


def test_a_frame_by_itself_is_one_that_is_shown_until_two_are_told(stage: Pair) -> None:
    """Without a state each frame gives what the stage gives when it sees it again and again."""
    rng = np.random.default_rng(8)
    places = _places(9.0, 12, rng)
    values = _seen(places, 0.6, 3e5, rng)
    alone = stage.run(values, {})[0]
    assert (alone[:, 7] <= 0).mean() > 0.7
    for own, wanted in zip(values, alone, strict=True):
        shown = stage.run(np.tile(own, (LOOKED + 1, 1)), stage.initial_state())[0]
        told = np.flatnonzero(shown[:, 7] <= 0)
        assert bool(len(told)) == bool(wanted[7] <= 0)
        if len(told):
            np.testing.assert_array_equal(shown[told[0]], wanted)


FORMS = "cortex-m0plus", "cortex-m4", "cortex-m55"
"""Cores for which the text has forms of its own: plain, with the DSP extension, with vectors."""


@pytest.mark.parametrize("core", ["host", *(core for core in EXECUTED_ONCE if core in FORMS)])
def test_two_lights_that_come_and_go_give_the_same_bits_on_every_core(
    stage: Pair, tmp_path: Path, core: str
) -> None:
    """What the stage gives, its excess too, from one light to two that move and back again."""
    rng, n = np.random.default_rng(10), 16
    step = np.array([[0.003, -0.001], [-0.002, 0.002]])
    places = np.array([[-0.12, 0.05], [0.12, -0.04]]) + np.arange(n)[:, None, None] * step
    values = np.concatenate([
        readouts(OPTIC.at(places[:2, 0]), 3e5, rng, READ_E, GAIN), _seen(places, 0.6, 4e5, rng),
        readouts(OPTIC.at(places[:5, 0]), 3e5, rng, READ_E, GAIN),
    ])  # fmt: skip
    ends = stage.bounds(*(np.full(N * N, sign * 4095, dtype=np.int64) for sign in (-1, 1)))
    closing = Quantity(
        tuple("abcdefgh"), ("steps",) * 8, (1,) * 8, (1,) * 8, (0,) * 8,
        tuple(ends[0].tolist()), tuple(ends[1].tolist()), 1,
    )  # fmt: skip
    sensor = Sensor("t", N, N, 12, black_level_counts=0)
    model = Model("two", "points", sensor, (), (Bins(N, N, N, N), stage, closing))
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    lit, dark = (
        np.clip(sign * values, 0, 4095).reshape(-1, N, N).astype(np.uint16) for sign in (1, -1)
    )
    wanted = reference_records(model, lit, dark)
    counts = wanted.state["s1_track"][:, 0]
    assert (counts == LOOKED).any() and (counts == FOLLOWED).sum() > 3 and counts[-1] == 0
    assert compare(wanted, execute(compile_for(tmp_path, core), lit, dark)) == ""


def test_lights_that_stand_are_told_as_well_as_in_one_whole_fit(stage: Pair) -> None:
    """A round a frame, begun where frames before led, gives what all rounds in one frame give."""
    rng = np.random.default_rng(3)
    for place in _places(10.0, 6, rng):
        places = np.tile(place, (24, 1, 1))
        values = _seen(places, 0.6, 3e5, rng)
        y = stage.run(values, stage.initial_state())[0]
        two = y[:, 7] <= 0
        assert two[10:].mean() > 0.8
        one = Registration.run(stage, values, {})[0].astype(np.int64)
        whole = stage.joint(values.astype(np.int64), one[:, :2])[0].slopes[two] / STEP
        found = y[two][:, [0, 1, 4, 5]].reshape(-1, 2, 2) / STEP
        rms = np.sqrt(((found - places[two]) ** 2).mean())
        assert rms < 1.2 * np.sqrt(((whole - places[two]) ** 2).mean())


@pytest.mark.parametrize("what", ["three", "smeared", "half covered", "saturated", "two too near"])
def test_what_is_not_two_sources_has_no_directions(stage: Pair, what: str) -> None:
    """Three sources, an aperture that has changed and full pixels leave something: no value."""
    rng = np.random.default_rng(7)
    places = _places(12.0, 60, rng)
    light = OPTIC.at(places[:, 0]) + 0.8 * OPTIC.at(places[:, 1])
    if what == "three":
        third = rng.uniform(-0.38, 0.38, (len(places), 2))
        away = np.hypot(*(places - third[:, None]).transpose(2, 0, 1)).min(axis=1)
        light = (light + 0.7 * OPTIC.at(third))[away > np.tan(np.radians(4.0))]
    elif what == "smeared":
        light = gaussian_filter(light.reshape(-1, N, N), (0, 0.8, 0.8)).reshape(len(light), -1)
    elif what == "half covered":
        light.reshape(-1, N, N)[:, :, : N // 2] = 0.0
    elif what == "two too near":
        light = OPTIC.at(places[:, 0]) + OPTIC.at(places[:, 0] + [0.0524, 0.0])
    values = readouts(light, 5e5, rng, READ_E, GAIN)
    if what == "saturated":
        values = np.minimum(3 * values, int(2.2 * values.mean()))
    y = stage.run(values, {})[0]
    assert ((y[:, 3] <= 0) | (y[:, 7] <= 0)).mean() <= 0.02


def _of_three(dim: float, electrons: float) -> np.ndarray:
    """Return counts of two sources 12 degrees apart and a third one from 4 degrees beside both."""
    rng = np.random.default_rng(23)
    places = np.concatenate([_places(12.0, 60, rng) for _ in range(2)])
    third = rng.uniform(-0.38, 0.38, (len(places), 2))
    away = np.hypot(*(places - third[:, None]).transpose(2, 0, 1)).min(axis=1)
    light = OPTIC.at(places[:, 0]) + 0.6 * OPTIC.at(places[:, 1]) + dim * OPTIC.at(third)
    return readouts(light[away > np.tan(np.radians(4.0))], electrons, rng, READ_E, GAIN)


@pytest.mark.parametrize(("dim", "electrons"), [(0.1, 1e5), (0.05, 6e5)])
def test_a_dim_third_source_is_seen_by_the_light_that_it_brings(
    stage: Pair, dim: float, electrons: float
) -> None:
    """It hides in what bins may leave, not in the sum of counts that two amounts stand for."""
    values = _of_three(dim, electrons)
    silent = replace(stage, pair_light=(*stage.pair_light[:5], 1 << 29, 32767))
    told, without = ((s.run(values, {})[0][:, 3] <= 0).mean() for s in (stage, silent))
    assert told < 0.4 and told < 0.5 * without
    both = _of_three(0.0, electrons)
    assert (stage.run(both, {})[0][:, 3] <= 0).mean() > 0.97


def test_where_two_are_not_found_the_second_is_searched_for_near_the_first(stage: Pair) -> None:
    """Searches of all cells and of those near the one alternate while nothing comes of either."""
    values = _of_three(0.7, 4e5)[:1]
    track, began = stage.initial_state()["track"][None].astype(np.int64), []
    for _ in range(80):
        looks = track[0, 0] == LOOKED
        _, track = stage.stepped(values, track)
        if looks:
            cells = stage.coarse_grid.cell_of(track[:, 1:5].reshape(-1, 2))
            apart = np.abs(np.diff(np.stack(np.divmod(cells, stage.coarse_grid.n_x)), axis=1))
            began.append((int(track[0, 12]), int(apart.max())))
    assert len(began) > 3
    assert [near for near, _ in began] == [0, 1] * (len(began) // 2) + [0] * (len(began) % 2)
    assert all(apart <= max(stage.reach) for near, apart in began if near)


def test_the_float_twin_tells_the_same(stage: Pair) -> None:
    """With nothing rounded the same sources are found, within a fifth of what noise allows."""
    rng = np.random.default_rng(5)
    places = _places(9.0, 40, rng)
    values = _seen(places, 0.5, 3e5, rng)
    y, real = stage.run(values, {})[0], stage.run_float(values.astype(np.float64))
    both = (y[:, 7] <= 0) & (real[:, 7] <= 0)
    assert both.mean() > 0.9
    off = np.abs(y[both] - real[both])
    assert np.quantile(off[:, [0, 1, 4, 5]], 0.95) / STEP < 2e-4
    assert np.median(off[:, [2, 6]]) <= 6.0  # logarithms that are straight in each octave


def test_far_apart_the_bound_is_that_of_one_source_under_more_light() -> None:
    """Where patterns do not overlap, each source has the bound that it has alone."""
    rng = np.random.default_rng(1)
    pattern, slope = rng.uniform(0.5, 1.5, 400), rng.normal(0, 1, (2, 400))
    left = (np.arange(400) < 200) / 200.0
    templates = np.stack([pattern * left, pattern * (1 / 200 - left)])
    along = [np.stack([s * left, s * (1 / 200 - left)]) for s in slope]
    noise, electrons = PixelNoise(40.0), np.array([3e4, 1e4])
    found = pair_bound(templates, along[0], along[1], electrons, noise)
    assert np.abs(found[:2, 2:]).max() < 0.05 * np.diag(found).max()
    for k in (0, 1):
        alone = direction_bound(templates[k], along[0][k], along[1][k], electrons[k], noise)
        own = np.diag(found)[2 * k : 2 * k + 2]
        np.testing.assert_allclose(own, np.diag(alone), rtol=0.05)
    with pytest.raises(ArgumentError, match="pair_bound: the readout"):
        pair_bound(templates[[0, 0]], *(a[[0, 0]] for a in along), electrons, noise)
    with pytest.raises(ArgumentError, match="electrons"):
        pair_bound(templates, along[0], along[1], np.array([1e4, 0.0]), noise)


def test_six_equations_are_solved_in_integers() -> None:
    """Of columns that differ the solution is that of real numbers, to a thousandth of its size."""
    rng = np.random.default_rng(3)
    columns = rng.normal(0, 1, (200, 6, 64)) * rng.uniform(40, 900, (200, 6, 1))
    columns[:, 3] += 0.8 * columns[:, 0] * (columns[:, 3].std() / columns[:, 0].std())
    columns[:, 3] += rng.normal(0, 300, (200, 64))
    columns = np.round(columns).astype(np.int64)
    left = np.round(rng.normal(0, 300, (200, 64))).astype(np.int64)
    gram = np.einsum("fib,fjb->fij", columns, columns)
    right = np.einsum("fib,fb->fi", columns, left)
    found = solved(gram, right)
    assert found.known.all()
    x = found.x / 2.0 ** (found.up[:, None] + found.shift)
    wanted = np.linalg.solve(gram.astype(float), right[:, :, None].astype(float))[:, :, 0]
    size = np.sqrt(np.einsum("fii->fi", gram))
    scaled = np.abs((x - wanted) * size).max(axis=1)
    assert np.quantile(scaled / np.abs(wanted * size).max(axis=1), 0.95) < 4e-3
    taken = found.taken / 4.0**found.up
    np.testing.assert_allclose(taken, (wanted * right).sum(axis=1), rtol=0.02)
    columns[:, 4] = columns[:, 1]
    gram = np.einsum("fib,fjb->fij", columns, columns)
    alike = solved(gram, right)
    assert not alike.known.any() and not alike.x.any()


@pytest.mark.parametrize(
    ("change", "message"),
    [({"pair_rows": 7}, "pair_rows"), ({"pair_energy": (1, 2)}, "pair_energy"),
     ({"apart": 0}, "apart"), ({"bend": 1 << 15}, "bend"), ({"pair_cols": 6}, "pair_spline"),
     ({"spline_offset": (1, 0)}, "spline_offset"), ({"pair_level": 5000}, "pair_level"),
     ({"least_level": -1}, "least_level")],
)  # fmt: skip
def test_a_pair_out_of_range_is_one_line(stage: Pair, change: dict, message: str) -> None:
    """Numbers and tables that do not fit are refused by name."""
    with pytest.raises(FormatError, match=message):
        replace(stage, **change)
