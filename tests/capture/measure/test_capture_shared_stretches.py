"""Copies under another name of which frames were left out here and there, with noise added."""

from __future__ import annotations

import numpy as np
import pytest

from capture.frames import FrameBlock
from capture.measure.readiness import near_copies
from capture.measure.rhythm import find_alike
from capture.measure.shared_noise import find_shared_noise
from capture.measure.shared_stretches import STRETCH, _in_order, find_shared_stretches
from capture.measure.signs import Signs, read_signs
from runtime.sensor import Sensor

SENSOR = Sensor("bench", 16, 16, frame_rate_hz=60.0)
N_FRAMES = 1000
PEOPLE = ["P01", "P02", "P03"]
Exposures = tuple[np.ndarray, np.ndarray]


def noise(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Read noise and shot noise of counts above black, as the sensor states them."""
    gain = SENSOR.conversion_gain_dn_per_e
    variance = (gain * SENSOR.read_noise_e) ** 2 + gain * np.maximum(light, 0.0)
    return np.asarray(rng.standard_normal(light.shape) * np.sqrt(variance))


def counts(values: np.ndarray) -> np.ndarray:
    return np.asarray(np.clip(np.rint(values), 0, SENSOR.max_counts), dtype=np.uint16)


def person(seed: int, hand: float = 400.0) -> Exposures:
    """Lit and dark exposures: the same hand on the same cues, under one flickering lamp."""
    world, rng = np.random.default_rng(0), np.random.default_rng(seed)
    hands, lamp = world.uniform(0, 1, (2, 16, 16))
    frame = np.arange(N_FRAMES)[:, None, None]
    moves = np.clip(np.sin(2 * np.pi * frame / 90) * 2, 0, 1)  # away for half of the time
    dark = (30 + 20 * np.sin(2 * np.pi * frame / 3.7)) * lamp
    lit = dark + hand * moves * hands
    return tuple(counts(SENSOR.black_level_counts + e + noise(e, rng)) for e in (lit, dark))  # type: ignore[return-value]


def signs(exposures: Exposures) -> Signs:
    """As if recorded: times are one frame apart, whatever was left out."""
    sequence = np.arange(len(exposures[0]), dtype=np.int64)
    times = np.rint(sequence * SENSOR.frame_period_us).astype(np.int64)
    return read_signs([FrameBlock(sequence, times, *exposures)], SENSOR)


def copied(exposures: Exposures, left_out: float, gain: float = 1.0, seed: int = 9) -> Exposures:
    """Frames left out at random, and as much noise again as there is."""
    rng = np.random.default_rng(seed)
    kept = rng.random(N_FRAMES) >= left_out
    black = SENSOR.black_level_counts
    above = [e[kept].astype(float) - black for e in exposures]
    return tuple(counts(black + gain * (e + noise(e, rng))) for e in above)  # type: ignore[return-value]


@pytest.mark.parametrize("left_out", [0.03, 0.1, 0.2])
@pytest.mark.parametrize("gain", [1.0, 0.7])
def test_a_copy_with_frames_left_out_and_noise_added_is_found(left_out: float, gain: float) -> None:
    """Which neither its movements nor its noise at one delay tell."""
    one = person(1)
    three = [signs(one), signs(person(2)), signs(copied(one, left_out, gain))]
    (found,) = find_shared_stretches(PEOPLE, three)
    assert (found.first, found.second) == (0, 2)
    assert 0.03 < found.share < 1.0
    others = [*find_shared_noise(PEOPLE, three), *find_alike(PEOPLE, three)]
    assert (0, 2) not in [(alike.first, alike.second) for alike in others]
    assert find_shared_stretches(["P01", "P02", "P01"], three) == []


@pytest.mark.parametrize("way", ["mirrored", "turned", "backwards", "cut"])
def test_a_copy_is_found_whichever_way_it_was_turned(way: str) -> None:
    """Weights of sums are the same for all of these, and second differences for either way."""
    turns = {
        "mirrored": lambda e: e[:, :, ::-1],
        "turned": lambda e: np.rot90(e, axes=(1, 2)),
        "backwards": lambda e: e[::-1],
        "cut": lambda e: e[333:],
    }
    one = person(1)
    lit, dark = (np.ascontiguousarray(turns[way](e)) for e in copied(one, 0.1))
    (found,) = find_shared_stretches(PEOPLE[:2], [signs(one), signs((lit, dark))])
    assert (found.first, found.second) == (0, 1)


@pytest.mark.parametrize("hand", [0.0, 40.0, 2000.0])
def test_people_with_one_script_and_lamp_share_no_stretches(hand: float) -> None:
    """Of 12 people who do the same in the same frames, however strong their light, no two do."""
    people = [f"P{k:02}" for k in range(12)]
    assert find_shared_stretches(people, [signs(person(k, hand)) for k in range(12)]) == []


def test_a_lamp_that_is_switched_is_no_copy() -> None:
    """Once for everybody: frames that change by more than noise say nothing."""
    two = []
    for seed in (1, 2):
        lit, dark = person(seed)
        for begin in (100, 300, 500, 700):
            dark[begin : begin + 40] += np.arange(256, dtype=np.uint16).reshape(16, 16)
        two.append(signs((lit, dark)))
    assert find_shared_stretches(PEOPLE[:2], two) == []


def test_what_has_no_noise_or_is_short_is_not_judged() -> None:
    """Still counts repeat themselves, and three stretches have to fit."""
    still = np.full((200, 16, 16), 70, np.uint16)
    assert find_shared_stretches(PEOPLE[:2], [signs((still, still))] * 2) == []
    lone = np.random.default_rng(3).integers(60, 80, (2, 200, 1, 1), dtype=np.uint16)
    one_pixel = Sensor("bench", 1, 1, frame_rate_hz=60.0)
    blocks = [FrameBlock(np.arange(200), 16_667 * np.arange(200), *lone)]
    assert find_shared_stretches(PEOPLE[:2], [read_signs(blocks, one_pixel)] * 2) == []
    few = tuple(e[:40] for e in person(1))
    assert find_shared_stretches(PEOPLE[:2], [signs(few)] * 2) == []  # type: ignore[arg-type]
    assert find_shared_stretches([], []) == []


def test_only_stretches_apart_and_in_order_count() -> None:
    """As the plain rule over all rows of pairs finds them."""
    rng = np.random.default_rng(2)
    for n in (0, 1, 5, 40):
        pairs = [(int(a), int(b)) for a, b in rng.integers(0, 200, (n, 2))]
        ordered = sorted(set(pairs))
        longest = [1] * len(ordered)
        for k, (a, b) in enumerate(ordered):
            for j, (c, d) in enumerate(ordered[:k]):
                if c + STRETCH <= a and d + STRETCH <= b:
                    longest[k] = max(longest[k], longest[j] + 1)
        assert _in_order(pairs) == max(longest, default=0)


def test_near_copies_are_told_in_words() -> None:
    one = person(1)
    (caution,) = near_copies(PEOPLE[:2], ["a", "b"], [signs(one), signs(copied(one, 0.1))])
    assert "a and b hold the same noise in stretches of frames (" in caution.text
    assert "one person under two names?" in caution.text
