"""Points of light: each aperture from its own place, in the state that a scene asks for."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from capture.cues.script import RIG, RIG_SCRIPTS, load_script, parse_script
from capture.emulated.optic.mounting import Mounting
from capture.emulated.optic.optics import SENSORS
from capture.emulated.points.apertures import Apertures, intensity_mw_per_sr
from capture.emulated.points.exposing import AutoExposure
from capture.emulated.points.scene import PointScene, read_scene
from capture.emulated.points.session import PointSession
from capture.emulated.points.stage import Stage
from runtime.errors import FormatError, UsageError

PAIR = SENSORS["lensless32pair"]
LEFT, RIGHT = PAIR.apertures
TRUE = Apertures(PAIR, (Mounting(), Mounting()), 4.6e-6)
CALM = PointScene(clutter=0, illuminance_lx=0.0, auto_exposure=False, electrons=(5e5, 5e5))
PIXELS_PER_RAD = 16.0 * 1.15 / 1.5 / np.tan(np.arcsin(np.sin(np.radians(55.0)) / 1.5))
"""On the axis: tan(t') = t / n, and the field's edge lies 1.15 half widths away (Snell's law)."""


def script(*cues: str, repetitions: int = 1, seconds: float = 0.4):
    text = 'name = "rig"\nlead_in_s = 0.2\nmovement = false\nshuffle = false\n'
    for each in cues:
        text += f'[[cue]]\ntrial_type = "{each}"\n'
        text += f"repetitions = {repetitions}\nduration_s = {seconds}\n"
    return parse_script(text.encode(), "rig")


def halves(power: np.ndarray) -> list[np.ndarray]:
    whole = power.reshape(-1, PAIR.n_rows, PAIR.n_cols)
    return [each.of(whole) for each in PAIR.apertures]


def moved(pixels: float) -> Apertures:
    """Return the true apertures with both optics moved along x."""
    return Apertures(PAIR, (Mounting(shift_x=pixels / 16.0),) * 2, 0.0)


def shift_x(first: np.ndarray, second: np.ndarray, place: np.ndarray) -> float:
    """Return by how many pixels the second pattern lies further along x, by least squares."""
    near, far = (halves(moved(h).power_w(place, np.ones(1)))[0][0] for h in (-0.02, 0.02))
    slope = ((far - near) / 0.04).ravel()
    return float(slope @ (second - first).ravel() / (slope @ slope))


@pytest.mark.parametrize("distance_mm", [300.0, 558.0, 2000.0])
def test_each_aperture_sees_a_point_from_its_own_place(distance_mm: float) -> None:
    """The two patterns lie apart by baseline over distance, in pixels by Snell's law, within 5 %.

    Source: parallax of a stereo pair, b / z (any textbook of photogrammetry).
    """
    at = np.array([[0.0, 0.0, distance_mm]])
    (left,), (right,) = halves(TRUE.power_w(at, np.ones(1)))
    wanted = PIXELS_PER_RAD * PAIR.baseline_mm() / distance_mm
    assert -shift_x(left, right, at) == pytest.approx(wanted, rel=0.05)


def test_a_far_point_looks_the_same_to_both_apertures() -> None:
    """At a kilometre no parallax is left, and light falls with the square of the distance."""
    far = np.array([[0.0, 0.0, 1e6], [0.0, 0.0, 2e6]])
    left, right = halves(TRUE.power_w(far, np.ones(2)))
    np.testing.assert_allclose(left, right, rtol=1e-3)
    assert left[0].sum() / left[1].sum() == pytest.approx(4.0, rel=1e-3)


def test_a_source_brings_the_electrons_that_it_is_dimmed_to() -> None:
    """On the axis an aperture collects so many as a scene asks for, less what misses the array."""
    bright = intensity_mw_per_sr(4e5, 300.0, PAIR)
    session = PointSession(script("rig_hold"), 1, 1, PAIR, scene=CALM)
    power = TRUE.power_w(np.array([[0.0, 0.0, 300.0]]), bright[None])
    electrons = session.bench.pixels.electrons(power.astype(np.float32)) - (
        session.bench.pixels.dark_e
    )
    received = LEFT.of(electrons.reshape(PAIR.n_rows, PAIR.n_cols)).sum()
    assert 0.85 * 4e5 < received < 1.02 * 4e5


def test_an_optic_moved_by_five_micrometres_moves_its_pattern_by_that() -> None:
    """5 um are 0.64 pixels of 7.8 um; the other aperture stays where it is."""
    moved = Apertures.of(PAIR, "unit-a", PointScene(shift_um=(0.0, 5.0)))
    still = Apertures.of(PAIR, "unit-a", PointScene())
    assert moved.mountings[0] == still.mountings[0]
    pixels = (moved.mountings[1].shift_x - still.mountings[1].shift_x) * 16.0
    assert pixels == pytest.approx(5.0 / (250.0 / 32))


def test_a_carrier_that_grows_moves_the_patterns_apart() -> None:
    """10 K at 4.6 ppm/K move each optic of 0.93 mm off the origin by 0.043 um (thermal growth)."""
    at = np.array([[0.0, 0.0, 1e6]])
    cold, warm = (halves(TRUE.power_w(at, np.ones(1), kelvin)) for kelvin in (0.0, 10.0))
    wanted = 4.6e-6 * 10.0 * 0.93e3 / (250.0 / 32)
    for sign, before, after in zip((-1.0, 1.0), cold, warm, strict=True):
        assert sign * shift_x(before[0], after[0], at) == pytest.approx(wanted, rel=0.1)


def test_smeared_and_covered_apertures_leave_the_other_alone() -> None:
    """A film takes the texture of one aperture, a cover its light; the other one sees as before."""
    at, one = np.array([[20.0, 10.0, 300.0]]), np.ones(1)
    plain, smeared, covered = (
        halves(Apertures.of(PAIR, "unit-a", scene).power_w(at, one))
        for scene in (PointScene(), PointScene(smeared=1), PointScene(covered=0))
    )
    np.testing.assert_array_equal(smeared[0], plain[0])
    np.testing.assert_array_equal(covered[1], plain[1])
    assert smeared[1].std() < 0.7 * plain[1].std() and not covered[0].any()


def test_a_rig_does_what_its_cues_say() -> None:
    """Each cue has its number of lights while it stands, inside the stage or beyond the edge."""
    scene = PointScene(half_field_deg=30.0, distances_mm=(100.0, 400.0))
    session = PointSession(script(*RIG, repetitions=3), 2, 5, PAIR, scene=scene)
    wanted = {"rig_none": 0, "rig_two": 2, "rig_three": 3}
    for cue in session.cues:
        on = session.stage.on(cue.onset_us * 1e-6, cue.end_us * 1e-6)
        assert len(on) == wanted.get(cue.trial_type, 1)
        for light in on:
            x, y, z = light.way_mm[0]
            angle = np.degrees(np.arctan2(np.hypot(x, y), z))
            if cue.trial_type == "rig_outside":
                assert 58.0 <= angle <= 75.0
            elif light.source == 0:
                assert angle <= 30.0 + 1e-6
                assert np.linalg.norm(light.way_mm[0]) == pytest.approx(100.0) or np.linalg.norm(
                    light.way_mm[0]
                ) == pytest.approx(400.0)
            else:
                assert angle <= 50.0 + 1e-6
            moves = bool(np.ptp(light.way_mm, axis=0).any())
            assert moves == (cue.trial_type == "rig_path")
    assert session.stage.on(0.0, 0.19) == []


def test_stops_fill_the_field_evenly() -> None:
    """Of 400 stops each of four rings of equal solid angle has a quarter, within 5 %."""
    cues = PointSession(script("rig_hold", repetitions=400), 1, 1, PAIR, scene=CALM).cues
    stage = Stage(cues, CALM, np.random.default_rng(3))
    first = np.array([light.way_mm[0] / light.middle_mm for light in stage.lights])
    ring = 4.0 * (1.0 - first[:, 2]) / (1.0 - np.cos(np.radians(CALM.half_field_deg)))
    counts = np.bincount(np.clip(ring.astype(int), 0, 3), minlength=4)
    assert np.all(np.abs(counts - 100) <= 20)
    assert abs(first[:, :2].mean()) < 0.03


def test_the_truth_says_where_the_light_is_that_the_pixels_see() -> None:
    """At each frame pair there is light where the truth has a source, and none where it has not."""
    session = PointSession(script("rig_hold", "rig_none", repetitions=4), 1, 1, PAIR, scene=CALM)
    truth = session.truth()
    blocks = list(session.blocks())
    time_us = np.concatenate([block.time_us for block in blocks])
    light = np.concatenate([block.lit.mean(axis=(1, 2)) for block in blocks]) - np.concatenate(
        [block.dark.mean(axis=(1, 2)) for block in blocks]
    )
    truth.require_cover(int(time_us[0]), int(time_us[-1]), "truth")
    on = truth.at(time_us)[0, :, 3] > 0.0
    assert 0.2 < on.mean() < 0.6
    assert light[on].min() > 3.0 * light[~on].max()
    again = PointSession(script("rig_hold", "rig_none", repetitions=4), 1, 1, PAIR, scene=CALM)
    np.testing.assert_array_equal(again.next_block().lit, blocks[0].lit)


def test_a_lamp_shines_in_both_exposures() -> None:
    """A source that shines leaves nothing but noise in lit minus dark, one that flashes stays."""
    dark_led = dataclasses.replace(PAIR, led_current_ma=0.0)
    left = []
    for source in ("flashes", "shines"):
        scene = CALM.model_copy(update={"source": source})
        session = PointSession(script("rig_hold"), 1, 1, dark_led, scene=scene)
        block = session.next_block(16)
        left.append(block.lit[8:].astype(int).sum() - block.dark[8:].astype(int).sum())
    assert left[0] > 1e5 and abs(left[1]) < 0.05 * left[0]


@pytest.mark.parametrize(("exposure_us", "mains_hz", "left"), [
    (5000.0, 50, 0.0), (5000.0, 60, 0.1559), (15_000.0, 50, 0.0), (25_000.0, 60, 0.0),
    (25_000.0, 50, 0.0), (1000.0, 50, 0.9355),
])  # fmt: skip
def test_two_exposures_of_half_periods_hold_none_of_the_flicker(
    exposure_us: float, mains_hz: int, left: float
) -> None:
    """Of a flicker of frequency f two exposures T keep ``|sinc(2 f T)|``: none of whole periods.

    Source: the Fourier transform of a rectangle of length 2 T (any textbook of signals).
    """
    sensor = dataclasses.replace(
        SENSORS["ambient32pair"], exposure_us=exposure_us, frame_rate_hz=18.7, read_noise_e=0.0
    )
    scene = CALM.model_copy(update={"source": "shines", "flicker_depth": 0.5,
                                    "mains_hz": mains_hz, "electrons": (4e5, 4e5)})  # fmt: skip
    session = PointSession(script("rig_hold", seconds=3.0), 1, 1, sensor, scene=scene)
    block = session.next_block(60)
    light = (block.lit[8:].astype(float) + block.dark[8:]).sum(axis=(1, 2))
    light -= 2.0 * sensor.n_pixels * sensor.black_level_counts
    kept = np.sqrt(2.0) * light.std() / light.mean() / 0.5
    assert kept == pytest.approx(left, abs=0.02)
    alone = block.lit[8:].astype(float).sum(axis=(1, 2))
    assert left > 0.0 or exposure_us > 20_000 or alone.std() / alone.mean() > 0.02


def test_the_truth_of_a_lamp_that_moves_is_that_of_the_middle_of_both_exposures() -> None:
    """Where an aperture sees the sum of both exposures, the truth says that it is."""
    sensor = SENSORS["ambient32pair"]
    scene = CALM.model_copy(update={"source": "shines"})
    session = PointSession(script("rig_path", seconds=1.0), 1, 1, sensor, scene=scene)
    (light,) = session.stage.lights
    truth = session.truth()
    middle_us = session.next_block(12).dark_time_us[8:]
    places = light.places_mm(middle_us * 1e-6)
    found = truth.at(middle_us)[0]
    np.testing.assert_allclose(found[:, 0], np.arctan2(places[:, 0], places[:, 2]), atol=1e-8)
    np.testing.assert_allclose(found[:, 2], np.linalg.norm(places, axis=1), rtol=1e-8)


def test_one_room_is_the_same_in_every_session() -> None:
    """Sky and lesser lights of a numbered room are alike whatever is drawn beside them."""
    lit = []
    for rig, room in ((1, 7), (2, 7), (2, 8), (2, None)):
        scene = PointScene(illuminance_lx=20.0, room=room, auto_exposure=False)
        session = PointSession(script("rig_none"), rig, 1, PAIR, scene=scene)
        lit.append(session._sky_w + session._clutter_w)
    np.testing.assert_array_equal(lit[0], lit[1])
    assert np.abs(lit[0] - lit[2]).max() > 0.1 * lit[0].mean()
    assert np.abs(lit[0] - lit[3]).max() > 0.1 * lit[0].mean()


def test_an_exposure_sets_itself_out_of_saturation_and_back() -> None:
    """Too bright a light is out of saturation within six frame pairs; then exposures grow again."""
    scene = CALM.model_copy(update={"auto_exposure": True, "warming_k": 0.0})
    session = PointSession(script("rig_bright", seconds=0.6), 1, 1, PAIR, scene=scene)
    frames = session.next_block(60)
    saturated = (frames.lit >= PAIR.saturation_counts).mean(axis=(1, 2)) > 0.005
    first = int(np.flatnonzero(saturated)[0])
    assert saturated[first] and not saturated[first + 6 : first + 12].any()
    assert session._exposure.share == 1.0


@pytest.mark.parametrize("level", [0.1, 0.5, 0.9])
def test_exposures_settle_where_the_brightest_pixels_reach_their_mark(level: float) -> None:
    """Whatever the light, an exposure that may grow ends at 70 % of the range or at its longest."""
    auto = AutoExposure(PAIR)
    rang = PAIR.saturation_counts - PAIR.black_level_counts
    for _ in range(60):
        counts = np.full(2048, PAIR.black_level_counts + round(2.0 * level * rang * auto.share))
        auto.saw(np.minimum(counts, PAIR.saturation_counts).astype(np.uint16))
    assert min(2.0 * level * auto.share, 0.7) == pytest.approx(min(2.0 * level, 0.7), rel=0.02)


@pytest.mark.parametrize("name", RIG_SCRIPTS)
def test_the_built_in_scripts_of_rigs_are_a_rigs(name: str) -> None:
    """They ask for nothing but what a rig does, and no person's script goes with a rig."""
    assert set(load_script(name).trial_types) <= set(RIG)
    with pytest.raises(UsageError, match="cues of a rig"):
        PointSession(load_script("dynamic"), 1, 1, PAIR)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("distances_mm = []", "distances_mm"),
        ("distances_mm = [5.0]", "distances_mm"),
        ("electrons = [1e6, 1e5]", "fewest first"),
        ("smeared = 4", "smeared"),
        ('source = "blinks"', "source"),
        ("lamp = 1", "lamp"),
        ("half_field_deg = nan", "half_field_deg"),
        ("shift_um = [60.0]", "shift_um"),
    ],
)
def test_a_faulty_scene_is_told_by_its_key(tmp_path: Path, text: str, message: str) -> None:
    """What no rig can hold is refused in one line with the file and the key."""
    path = tmp_path / "scene.toml"
    path.write_text(text + "\n", "utf-8")
    with pytest.raises(FormatError, match=message) as caught:
        read_scene(path)
    assert "scene.toml" in str(caught.value)
