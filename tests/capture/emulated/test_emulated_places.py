"""Places seen by ambient light: who is there, what light makes of it, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from capture.cues.script import load_script, parse_script
from capture.emulated.optic.optics import APERTURE_MM2, SENSORS
from capture.emulated.optic.pixels import QUANTUM_EFFICIENCY
from capture.emulated.places.bodies import draw_body
from capture.emulated.places.kinds import KINDS
from capture.emulated.places.lighting import (
    LAMP_LM_PER_W,
    N_STEPS,
    draw_lighting,
    exposure_steps,
)
from capture.emulated.places.rays import Blobs, lit_share, nearest
from capture.emulated.places.world import PlaceWorld
from capture.emulated.port.device_settings import DeviceSettings
from capture.emulated.port.emulated_device import Device
from capture.emulated.session import Bench, EmulatedSession, dark_offset_us, emulate_session
from runtime.errors import UsageError

SHORT = load_script("occupancy_short")
SENSOR = SENSORS["ambient32"]


def world_of(session: EmulatedSession) -> PlaceWorld:
    assert isinstance(session.world, PlaceWorld)
    return session.world


@pytest.mark.parametrize("scene", sorted(KINDS))
def test_as_many_people_are_in_the_zone_as_each_cue_says(scene: str) -> None:
    """In the middle of a cue exactly as many are there, in the place and inside its zone."""
    session = EmulatedSession(SHORT, 2, 5, SENSOR, scene=scene)
    world = world_of(session)
    x0, x1, y0, y1 = world.place.zone
    for cue in session.cues:
        middle = np.array([(cue.onset_us + cue.end_us) / 2e6])
        there = [v for v in world.visits if v.begins_s <= middle[0] < v.ends_s]
        assert len(there) >= int(cue.trial_type[-1])
        assert len(there) == int(cue.trial_type[-1]) or cue.trial_type == "people_5"
        for visit in there:
            x, y, _ = visit.blobs(middle).centres[0, 2]
            assert x0 - 0.3 < x < x1 + 0.3 and y0 - 0.3 < y < y1 + 0.3


def test_nobody_lives_in_two_places() -> None:
    """Two places have other people: neither their sizes nor their names are alike."""
    both = [world_of(EmulatedSession(SHORT, n, 5, SENSOR, scene="stop")).people for n in (1, 2)]
    assert not {p.person for p in both[0]} & {p.person for p in both[1]}
    assert not {p.stature_m for p in both[0]} & {p.stature_m for p in both[1]}


def test_bodies_have_the_published_statures() -> None:
    """Their mean lies between women's 1.61 m and men's 1.74 m, less for children."""
    statures = [draw_body("p", np.random.default_rng([n, 1])).stature_m for n in range(600)]
    assert abs(np.mean(statures) - (1.74 + 1.61 * (1 - 0.15 * 0.18)) / 2) < 0.02


def test_lux_become_electrons_by_the_formula() -> None:
    """An even wall of 30 % under 5 lx gives the electrons that lumens, aperture and time make."""
    bench = Bench(SENSOR, "unit-a")
    radiance = 0.3 * 5.0 / np.pi / LAMP_LM_PER_W
    power = bench.optic.image(np.full((1, bench.optic.grid.n_angles), radiance, np.float32))
    electrons = bench.pixels.electrons(power) - bench.pixels.dark_e
    through = bench.optic.transfer.sum(axis=0).astype(np.float64)
    photon_j = 6.62607015e-34 * 299_792_458.0 / 555e-9
    watts = radiance * APERTURE_MM2 * 1e-6 * bench.optic.grid.solid_angle_sr * through.sum()
    wanted = watts * QUANTUM_EFFICIENCY * 5e-3 / photon_j
    assert electrons.sum() == pytest.approx(wanted, rel=0.01)
    assert 100 < wanted / 1024 < 1000


def test_pixels_twice_as_wide_gather_the_light_of_four() -> None:
    """A bin of either sensor's pixels gathers as many electrons, which fill its wells as far."""
    found = {}
    for name in ("ambient32", "ambient16"):
        bench = Bench(SENSORS[name], "unit-a")
        rng = np.random.default_rng(3)
        scene = rng.uniform(0.0, 1e-4, (1, bench.optic.grid.n_angles)).astype(np.float32)
        power = bench.optic.image(scene)
        gathered = (bench.pixels.electrons(power) - bench.pixels.dark_e).astype(np.float64)
        side = SENSORS[name].n_rows // 8
        found[name] = gathered.reshape(8, side, 8, side).sum(axis=(1, 3))
    assert np.abs(found["ambient16"] / found["ambient32"] - 1.0).max() < 0.03
    wide, narrow = SENSORS["ambient16"], SENSORS["ambient32"]
    assert wide.full_well_e * wide.conversion_gain_dn_per_e == pytest.approx(
        narrow.full_well_e * narrow.conversion_gain_dn_per_e
    )


def test_once_the_exposure_is_set_pixels_are_within_their_wells() -> None:
    """By day, of the coarser sensor too, only frames before the exposure is set are saturated."""
    session = EmulatedSession(SHORT, 105, 105, SENSORS["ambient16"], scene="stop")
    block = session.next_block()
    most = np.maximum(block.lit, block.dark).reshape(len(block.lit), -1).max(axis=1)
    saturated = SENSORS["ambient16"].full_well_e * SENSORS["ambient16"].conversion_gain_dn_per_e
    assert most[0] >= saturated > most[8:].max()


def test_two_exposures_of_half_a_period_see_no_flicker() -> None:
    """Half a period each, half a period apart: their sum does not hang on the lamps' phase."""
    light = draw_lighting(False, np.random.default_rng(1))
    times = np.linspace(0.0, 0.013, 50)
    assert dark_offset_us(SENSOR) == 5000
    for exposed_s in (0.005, 0.001):
        exposed = np.full(50, exposed_s)
        both = light.flicker(times, exposed) + light.flicker(times + 0.005, exposed)
        assert np.ptp(both) < 1e-12 < np.ptp(light.flicker(times, exposed))


def test_exposure_follows_the_light_of_the_frame_before() -> None:
    """It is halved as often as too much light wants, and doubled once after too little."""
    steps, after = exposure_steps(np.array([0.5, 8.0, 0.5, 0.5, 0.5, 0.5]), 0)
    assert steps.tolist() == [0, 0, 4, 3, 2, 1] and after == 0
    steps, _ = exposure_steps(np.array([1e9, 1e9]), 0)
    assert steps.tolist() == [0, N_STEPS - 1]


def test_rays_meet_what_is_nearest_and_shadows_fall_away_from_the_light() -> None:
    """Of two balls in line the nearer is seen; behind them no light arrives, beside them all."""
    balls = Blobs(
        np.array([[[3.0, 0, 0], [1.5, 0, 0]]], np.float32), np.full((1, 2, 3), 0.2, np.float32),
        np.zeros((1, 2), np.float32), np.array([0.9, 0.1], np.float32), np.ones((1, 2), bool),
    )  # fmt: skip
    ahead = np.array([[1.0, 0, 0], [0, 1.0, 0]], np.float32)
    hits = nearest(balls, np.zeros(3, np.float32), ahead)
    assert hits.distance_m[0, 0] == pytest.approx(1.3, abs=1e-5)
    assert hits.reflectance[0].tolist() == [pytest.approx(0.1), 0.0]
    assert hits.normal[0, 0] == pytest.approx([-1, 0, 0], abs=1e-5)
    points = np.array([[5.0, 0, 0], [5.0, 1.0, 0]], np.float32)
    share = lit_share(balls, points, np.array([-1.0, 0, 0], np.float32))
    assert share[0].tolist() == [0.0, 1.0]


def test_a_session_is_the_same_bytes_each_time() -> None:
    """Blocks made one by one are those of the whole session, and another place gives others."""
    whole = next(emulate_session(SHORT, participant=3, seed=1, sensor=SENSOR))
    again = EmulatedSession(SHORT, 3, 1, SENSOR).next_block()
    other = EmulatedSession(SHORT, 4, 1, SENSOR).next_block()
    assert np.array_equal(whole.lit, again.lit) and np.array_equal(whole.dark, again.dark)
    assert not np.array_equal(whole.lit, other.lit)


def test_unknown_scenes_and_mixed_scripts_are_refused() -> None:
    """A scene that there is none of, and acts of a hand beside people in a place, are refused."""
    with pytest.raises(UsageError, match="scene"):
        EmulatedSession(SHORT, 1, 1, SENSOR, scene="moon")
    text = b'name = "mixed"\n[[cue]]\ntrial_type = "people_1"\nrepetitions = 1\nduration_s = 1.0\n'
    mixed = parse_script(text + text.split(b"\n", 1)[1].replace(b"people_1", b"push"), "mixed")
    with pytest.raises(UsageError, match="a cue beside people_1"):
        EmulatedSession(mixed, 1, 1, SENSOR)


@pytest.mark.parametrize("script", ["rig_points", "dynamic"])
def test_a_scene_is_refused_where_nobody_is_in_a_place(script: str) -> None:
    """Scripts of a rig and of one hand have no kind of place, and refuse one that is named."""
    with pytest.raises(UsageError, match=f"scene is lobby, for script {script}, expected none"):
        Device(DeviceSettings(script=script, scene="lobby"))
    Device(DeviceSettings(script="occupancy", sensor="ambient32", scene="lobby"))
