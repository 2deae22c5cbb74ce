"""The two worlds: that they are what they say, and that recordings of them are the recorder's."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from worlds.device import playing
from worlds.diffuser import DIFFUSER
from worlds.light.sight import View
from worlds.mask import MASK
from worlds.people.acting import Floats
from worlds.people.person import Person
from worlds.product import (
    CueKind,
    DeviceSetting,
    Participant,
    Script,
    SensorFile,
    SerialLink,
    open_dataset,
    read_session,
    record,
)
from worlds.recording import (
    People,
    conditions_at,
    few_takes,
    person_of,
    play_session,
    record_elsewhere,
    record_world,
)
from worlds.world import Conditions, World

WORLDS = pytest.mark.parametrize("world", [DIFFUSER, MASK], ids=lambda world: world.name)
SHORT = Script(
    name="short",
    lead_in_s=0.4,
    rest_s=(0.3, 0.3),
    cues=(
        CueKind(trial_type="swipe_left", repetitions=1, duration_s=1.5),
        CueKind(trial_type="push", repetitions=1, duration_s=1.5),
    ),
)
FEW = few_takes("dynamic", 1)


@WORLDS
def test_one_seed_gives_one_session(world: World) -> None:
    """The same person at the same script gives the same counts, another person others."""
    first, again, other = (play_session(world, SHORT, number) for number in (3, 3, 4))
    assert np.array_equal(first.lit, again.lit)
    assert np.array_equal(first.dark, again.dark)
    assert not np.array_equal(first.lit[: len(other.lit)], other.lit[: len(first.lit)])


@WORLDS
def test_counts_lie_within_the_sensor_and_show_the_hand(world: World) -> None:
    """Counts keep to the sensor's bits, and a hand in sight returns far more than an empty view."""
    played = play_session(world, FEW, 5, Conditions(empty=0.4))
    assert played.lit.dtype == np.uint16
    assert played.lit.shape[1:] == (world.sensor.n_rows, world.sensor.n_cols)
    assert max(played.lit.max(), played.dark.max()) <= world.sensor.max_counts
    light = (played.lit.astype(np.int64) - played.dark).sum(axis=(1, 2))
    assert np.median(light[~played.empty]) > 5 * abs(np.median(light[played.empty]))


@WORLDS
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9])
def test_the_hand_is_away_as_often_as_asked(world: World, share: float) -> None:
    """Forced shares of empty frames come out within five hundredths."""
    played = play_session(world, FEW, 2, Conditions(empty=share))
    assert abs(played.empty.mean() - share) < 0.05


@WORLDS
def test_the_movement_asked_for_lies_about_its_cue(world: World) -> None:
    """Every stroke begins after its cue and is over soon after the cue is."""
    for number in range(1, 9):
        played = play_session(replace(world, look=_blind), FEW, number)
        for cue, (begin_s, end_s) in zip(played.cues, played.strokes, strict=True):
            assert cue.onset_us / 1e6 < begin_s <= end_s
            assert end_s < cue.end_us / 1e6 + 0.6


def _blind(_: Person, postures: Floats) -> View:
    nothing = np.zeros((len(postures), 1), np.float32)
    return View(nothing, nothing)


def test_people_differ() -> None:
    """Of forty people of a world, hands, skin, handedness, tempo, distance and habits differ."""
    for world in (DIFFUSER, MASK):
        people = [person_of(world, number) for number in range(1, 41)]
        for name, least in (("size", 0.04), ("reflectance", 0.05), ("tempo", 0.08), ("z", 6.0)):
            assert np.std([getattr(person, name) for person in people]) > least
        assert 1 <= sum(person.left for person in people) <= 12
        assert len({person.shows for person in people}) > 3
        assert len({person.away for person in people}) > 1


@WORLDS
def test_another_day_the_same_person_sits_elsewhere(world: World) -> None:
    """Hand, skin and habits stay; place, height, forearm and sleeve are of another day's own."""
    moves = {"x", "y", "z", "turn", "pitch", "roll", "sleeve_reflectance", "bare_mm"}
    for number in (3, 7):
        days = [asdict(person_of(world, number, day)) for day in (1, 2, 3, 2)]
        assert days[1] == days[3] and days[1] != days[2]
        assert {key for key in days[0] if days[0][key] != days[1][key]} == moves
    heights = [person_of(world, number, 2).z for number in range(1, 41)]
    low, high = world.temper.distance_mm
    assert low <= min(heights) < max(heights) <= high and np.std(heights) > 6.0


def test_another_day_is_a_session_of_the_same_people(tmp_path: Path) -> None:
    """A second session of everybody, with the same cues; acted, lit and seen anew."""
    for day in (1, 2):
        record = record_world if day == 1 else record_elsewhere
        record(tmp_path, DIFFUSER, [SHORT], People(2, 1))
    dataset = open_dataset(tmp_path)
    assert [info.path.parent.name for info in dataset.sessions] == ["ses-01", "ses-02"] * 2
    first, second = (read_session(info.path) for info in dataset.sessions[:2])
    assert [e.trial_type for e in first.events] == [e.trial_type for e in second.events]
    assert first.sensor == second.sensor
    assert not np.array_equal(first.frames().dark, second.frames().dark)


@WORLDS
def test_harder_conditions_do_what_they_say(world: World) -> None:
    """Flicker moves the difference, more exposure saturates, other bits keep the range."""

    def seen(conditions: Conditions) -> tuple[Floats, Floats, float]:
        conditions = replace(conditions, empty=0.0)
        played = play_session(world, SHORT, 6, conditions)
        sensor = world.set_to(conditions).sensor
        full = (played.lit >= sensor.saturation_counts).mean()
        dark = played.dark.mean(axis=(1, 2)) - sensor.black_level_counts
        return dark, played.lit.mean(axis=(1, 2)), float(full)

    usual, flickering = seen(Conditions()), seen(Conditions(flicker=True))
    quick, quicker = (np.abs(np.diff(one[0])).mean() for one in (usual, flickering))
    assert quicker > 5 * quick
    assert seen(Conditions(exposure=6.0))[2] > usual[2] + 0.03
    coarse = seen(Conditions(bit_depth=8))
    steps = 2.0 ** (8 - world.sensor.bit_depth)
    assert np.allclose(coarse[1], steps * usual[1], rtol=0.05, atol=1.0)


def _file(world: World, **weaker: Any) -> SensorFile:
    """Return a world's sensor set weaker than it is, its upper half read."""
    own = world.sensor
    sensor = replace(own.reading_rows(own.n_rows // 2, own.n_rows // 2), **weaker)
    return SensorFile(sensor, own.n_rows // 2, DeviceSetting.of(sensor))


@WORLDS
def test_a_world_is_set_as_a_sensor_file_says(world: World, tmp_path: Path) -> None:
    """Current, exposure, rate and rows are obeyed, and light shrinks with current and exposure."""
    own = world.sensor
    file = _file(
        world,
        led_current_ma=own.led_current_ma / 5,
        exposure_us=own.exposure_us / 2,
        frame_rate_hz=own.frame_rate_hz / 2,
    )
    conditions = conditions_at(world, file)
    record_world(tmp_path / "set", world, [SHORT], People(1, 0), conditions)
    session = read_session(open_dataset(tmp_path / "set").sessions[0].path)
    assert session.sensor == file.sensor
    frames = session.frames()
    assert np.all(np.diff(frames.time_us) > 0.99 * 2e6 / own.frame_rate_hz)
    assert np.all(frames.dark_time_us > frames.time_us + own.exposure_us / 2)
    whole = play_session(world, FEW, 5, Conditions(led=0.1))
    lower = play_session(world, FEW, 5, Conditions(led=0.05, exposure_share=0.5, rows=(0, 8)))
    light, less = (
        (p.lit[:, :8].astype(np.int64) - p.dark[:, :8])[~p.empty].mean() for p in (whole, lower)
    )
    assert less == pytest.approx(light / 4, rel=0.03)


def test_a_world_refuses_what_its_sensor_cannot_be() -> None:
    """A sensor file of another optic is not obeyed by halves."""
    file = _file(DIFFUSER, conversion_gain_dn_per_e=1.0)
    with pytest.raises(ValueError, match="conversion_gain_dn_per_e"):
        conditions_at(DIFFUSER, file)


def test_a_data_set_is_the_recorders(tmp_path: Path) -> None:
    """A world's data set opens as one of the recorder's, with people, labels and who is locked."""
    told = record_world(tmp_path / "set", DIFFUSER, [SHORT], People(2, 1))
    dataset = open_dataset(tmp_path / "set")
    assert [person.locked for person in dataset.participants] == [False, True]
    session = read_session(dataset.sessions[1].path)
    assert session.sensor == DIFFUSER.sensor
    assert {event.trial_type for event in session.events} == {"swipe_left", "push"}
    assert told["n_frames"] == 2 * len(session.frames())


def test_the_wire_carries_a_world(tmp_path: Path) -> None:
    """Over the wire, 14 bits a pixel, a session is what the writer made of it directly."""
    fine = Conditions(bit_depth=14)
    played = play_session(DIFFUSER, SHORT, 1, fine)
    with (
        playing(DIFFUSER.set_to(fine).sensor, played, DIFFUSER.light.apart_s) as url,
        SerialLink(url) as link,
    ):
        told = record(link, Participant("P01", consent=True), SHORT, 1, tmp_path / "wire")
    assert told.wire.corrupt == told.pairs.missing == 0
    record_world(tmp_path / "direct", DIFFUSER, [SHORT], People(1, 0), fine)
    wired, direct = (
        read_session(open_dataset(tmp_path / name).sessions[0].path) for name in ("wire", "direct")
    )
    frames, expected = wired.frames(), direct.frames()
    n = min(len(frames), len(expected))
    assert n >= len(expected) - 1
    assert np.array_equal(frames.lit[:n], expected.lit[:n])
    assert np.array_equal(frames.dark[:n], expected.dark[:n])
    assert [(e.trial_type, e.cue_onset_s) for e in wired.events] == [
        (e.trial_type, e.cue_onset_s) for e in direct.events
    ]
