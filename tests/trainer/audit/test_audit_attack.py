"""The attack on pictures: it finds what is there, and nothing where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trainer.audit.chain import RAW, Step
from trainer.audit.findings import strongest
from trainer.audit.pictures.attack import Attack, _marked, attack, blind_marks
from trainer.audit.pictures.filters import FILTERS
from trainer.audit.pictures.guesses import DARKENED, SHARP
from trainer.audit.pictures.learned import (
    COMBINED,
    LEARNED,
    NETWORK,
    Guess,
    combined,
    crossed,
    pairs_of,
)
from trainer.audit.pictures.measures import MEASURES
from trainer.audit.pictures.scenes import Shown

SIDE, N_PEOPLE, N_EACH = 9, 15, 12
INSIDE: NDArray[np.bool_] = np.ones((SIDE, SIDE), dtype=bool)
STEPS = (
    Step(RAW, "readout", 60),
    Step("one number", "values", 1),
    Step("nothing", "values", 3),
    Step("told", "told", 2, leaves_device=True),
)


@pytest.fixture(scope="module")
def optic() -> NDArray[np.float64]:
    """Return an optic of 60 values that leaves nothing of a picture to the eye."""
    return np.random.default_rng(1).uniform(0, 1, (60, SIDE * SIDE))


def squares(optic: NDArray[np.float64]) -> Shown:
    """Return squares of any size and place, seen through the optic with some noise."""
    rng = np.random.default_rng(2)
    pictures = np.zeros((N_PEOPLE * N_EACH, SIDE, SIDE))
    for picture in pictures:
        size = int(rng.integers(3, 6))
        row, col = rng.integers(0, SIDE - size + 1, 2)
        picture[row : row + size, col : col + size] = 1.0
    cells = pictures.reshape(len(pictures), -1)
    raw = cells @ optic.T + 0.02 * rng.standard_normal((len(cells), 60))
    people = np.array([f"P{k // N_EACH:02d}" for k in range(len(cells))])
    values = {
        RAW: raw,
        "one number": raw.sum(axis=1, keepdims=True),
        "nothing": np.ones((len(cells), 3)),
        "told": rng.integers(0, 2, (len(cells), 2)).astype(float),
    }
    return Shown("squares", cells, people, values)


@pytest.fixture(scope="module")
def found(optic: NDArray[np.float64]) -> Attack:
    """Return the attack on squares, the optic known at the first step."""
    return attack(squares(optic), None, STEPS, {RAW: optic}, INSIDE)


def told_of(found: Attack, step: str) -> dict[str, str]:
    """Return what the strongest attacker of each measure says of a step."""
    return {f.measure: f.told for f in strongest(found.findings) if f.step == step}


def test_attackers_make_pictures_of_a_raw_readout(found: Attack) -> None:
    """Of 60 values that look like nothing, every measure says that the picture leaks."""
    assert told_of(found, RAW) == dict.fromkeys(MEASURES, "leaks")
    gains = {f.attacker: f.gain for f in found.findings if f.step == RAW and f.measure == "iou"}
    learned = ("ridge regression", "kernel regression")
    shares = [f"{name} of shares" for name in learned]
    both = {"Tikhonov", "Wiener", *learned, *shares, NETWORK, FILTERS}
    both |= {COMBINED, DARKENED, SHARP}
    assert set(gains) == both
    assert gains[NETWORK] > 0.2
    apart = {COMBINED, DARKENED, SHARP}
    assert gains[COMBINED] > max(gain for name, gain in gains.items() if name not in apart) - 0.01
    alike = {f.attacker: f.gain for f in found.findings if f.step == RAW and f.measure == "ssim"}
    sharp = alike.pop(DARKENED), alike.pop(SHARP)
    assert min(sharp) > max(alike.values()) - 0.01
    assert gains["Wiener"] > 0.3
    assert gains["Tikhonov"] > 0.2


def test_weaker_steps_give_away_less(found: Attack) -> None:
    """One number tells the size and no place; a step that never changes tells nothing at all.

    That it never changed of these people is not for certain so of others.
    """
    gains = {f.step: f.gain for f in strongest(found.findings) if f.measure == "psnr_db"}
    assert gains[RAW] > gains["one number"] > gains["nothing"] == 0.0
    assert told_of(found, "nothing") == dict.fromkeys(MEASURES, "nothing found")
    highs = [f.high for f in strongest(found.findings) if f.step == "nothing"]
    assert len(highs) == len(MEASURES) and all(high is not None and high > 0.01 for high in highs)


@pytest.mark.parametrize("seed", range(6))
def test_a_step_that_is_nearly_always_the_same_ends_no_audit(seed: int) -> None:
    """Where most pairs are alike to rounding, kernels are as wide as those lie apart that differ.

    An event that is seldom told is such a step; what it tells, if seldom, is still found.
    """
    rng = np.random.default_rng(seed)
    kind = np.where(rng.random(60) < 0.75, 0, rng.integers(1, 5, 60))
    held = rng.normal(size=(5, 12))[kind]
    truth = rng.uniform(0, 1, (5, 30))[kind]
    pairs = pairs_of(held, truth, np.arange(60) % 4 == 3, held)
    assert pairs is not None
    guess = LEARNED["kernel regression"](pairs, ())
    usual = truth[~pairs.apart].mean(axis=0)
    assert np.mean((guess.asked - truth) ** 2) < 0.2 * np.mean((usual - truth) ** 2)
    half = (np.arange(60) // 4 % 2 == 0) & ~pairs.apart
    made = crossed(pairs, half, LEARNED["kernel regression"], guess.strengths)
    assert np.isfinite(made).all() and np.abs(made).max() < 2.0


def test_nothing_is_found_in_numbers_that_have_nothing_to_do_with_the_scene(found: Attack) -> None:
    """Of coin tosses no measure says that a picture leaks."""
    assert "leaks" not in told_of(found, "told").values()


def test_nothing_is_found_on_shuffled_pairs(optic: NDArray[np.float64]) -> None:
    """Readouts that belong to other scenes give no attacker anything."""
    shown = squares(optic)
    order = np.random.default_rng(3).permutation(len(shown.pictures))
    shuffled = Shown("squares", shown.pictures, shown.people, {RAW: shown.values[RAW][order]})
    found = attack(shuffled, None, STEPS[:1], {RAW: optic}, INSIDE)
    assert "leaks" not in told_of(found, RAW).values()


def test_people_attacked_are_never_learned_from(optic: NDArray[np.float64]) -> None:
    """Where a step tells who it is and nothing else, no picture of a person held out leaks."""
    shown = squares(optic)
    own = np.unique(shown.people, return_inverse=True)[1]
    marks = np.eye(N_PEOPLE)[own]
    found = attack(
        Shown("squares", shown.pictures, shown.people, {RAW: marks}), None, STEPS[:1], {}, INSIDE
    )
    assert "leaks" not in told_of(found, RAW).values()


def test_many_further_people_are_learned_from_alone(optic: NDArray[np.float64]) -> None:
    """With three times as many all others are attacked at once, and nobody learns from these.

    What holds the very same as a step before is told the same.
    """
    shown = squares(optic)
    few = np.flatnonzero(np.isin(shown.people, ["P00", "P01"]))
    rest = np.setdiff1d(np.arange(len(shown.people)), few)
    own, further = (
        Shown("squares", shown.pictures[rows], shown.people[rows], {"a": held, "b": held.copy()})
        for rows in (few, rest)
        for held in [shown.values[RAW][rows]]
    )
    steps = (Step("a", "values", 60), Step("b", "values", 60))
    found = attack(own, further, steps, {}, INSIDE)
    assert all(f"of {N_PEOPLE - 2} other people" in f.knows for f in found.findings)
    told = {(f.step, f.attacker, f.measure): (f.gain, f.low) for f in found.findings}
    both = [{key[1:]: value for key, value in told.items() if key[0] == at} for at in ("a", "b")]
    assert both[0] == both[1]
    assert told["a", COMBINED, "iou"][0] > 0.2


def test_a_state_is_no_safer_than_the_frame_that_it_keeps(optic: NDArray[np.float64]) -> None:
    """Whoever knows the optic knows it behind a stage that holds frames off, and in its state."""
    shown = squares(optic)
    kept = shown.values[RAW].copy()
    kept[7] = kept[6]  # one of 180 held off
    state = np.hstack([np.arange(len(kept))[:, None], kept, np.ones((len(kept), 1))])
    values = {"first": shown.values[RAW], "kept": kept, "kept state": state}
    steps = (
        Step("first", "values", 60),
        Step("kept", "values", 60),
        Step("kept state", "state", 62, stored=True),
    )
    given = Shown("squares", shown.pictures, shown.people, values)
    told = attack(given, None, steps, {"first": optic}, INSIDE).findings
    gains = {(f.step, f.attacker): f.gain for f in told if f.measure == "psnr_db"}
    # What the one picture leaves unexplained is noise to it: a few dB less, without noise else.
    assert gains["kept", "Wiener"] > 0.7 * gains["first", "Wiener"]
    assert gains["kept state", "Wiener, of its kept"] == gains["kept", "Wiener"]
    assert ("kept state", "Wiener") not in gains
    assert {f.knows for f in told if f.attacker == "Tikhonov, of its kept"} == {
        "the optic, calibrated"
    }


def test_what_is_known_without_an_attack_is_no_gain(optic: NDArray[np.float64]) -> None:
    """Pictures that a known kind tells leak nothing beside it, and something without it."""
    shown = squares(optic)
    kind = np.arange(len(shown.pictures)) % 2
    sides = np.repeat([[1.0, 0.0], [0.0, 1.0]], [SIDE, SIDE**2 - SIDE], axis=1)
    values = {"told": np.eye(2)[kind]}
    told = []
    for kinds in (None, kind.astype(str)):
        given = Shown("sides", sides[kind], shown.people, values, kinds)
        found = attack(given, None, STEPS[3:], {}, INSIDE)
        told.append(told_of(found, "told")["iou"])
    assert told == ["leaks", "nothing found"]


def test_outlines_are_taken_from_where_people_set_apart_show_more() -> None:
    """What a maker is sure of is the outline where that fits better, and what is bright elsewhere.

    Which, is decided by the people set apart alone: those asked have it the other way round here.
    """
    rng = np.random.default_rng(4)
    truth = (rng.random((2, 30, SIDE * SIDE)) < 0.4).astype(float)
    noise = rng.random(truth.shape)
    sure = Guess(noise[0], truth[1], (truth[0], noise[1]))
    bright = Guess(truth[0], noise[1], (noise[0], truth[1]))
    for guess in (sure, bright):
        wrong = _marked(guess, truth[0], truth[1], INSIDE)["iou"].mean()
        assert wrong < 0.6
    for guess in (
        Guess(noise[0], noise[1], (truth[0], truth[1])),
        Guess(truth[0], truth[1], (noise[0], noise[1])),
    ):
        assert _marked(guess, truth[0], truth[1], INSIDE)["iou"].min() == 1.0


def test_attackers_that_fail_differently_are_better_together() -> None:
    """Of two pictures with errors apart the weighed sum is nearer; one of nothing has no weight."""
    rng = np.random.default_rng(7)
    truth = (rng.random((2, 40, SIDE * SIDE)) < 0.4).astype(float)
    noise = rng.standard_normal((3, *truth.shape))
    guesses = [Guess(*(truth + 0.5 * noise[k])) for k in range(2)]
    told = combined([*guesses, Guess(*noise[2])], truth[0])
    errors = [float(np.mean((guess.asked - truth[1]) ** 2)) for guess in (*guesses, told)]
    # The mean of two has half of their variance, 0.125; the best sum, shrunken, somewhat less.
    assert errors[2] < 0.125 < 0.22 < min(errors[:2])
    assert told.outlines is not None
    assert np.corrcoef(told.outlines[1].ravel(), told.asked.ravel())[0, 1] > 0.99


def test_further_people_make_a_stronger_attacker(optic: NDArray[np.float64]) -> None:
    """Pairs of people who were not recorded teach, and are not counted as people asked."""
    every = squares(optic)
    few = every.people < "P08"
    parts = [
        Shown("squares", every.pictures[rows], every.people[rows], {RAW: every.values[RAW][rows]})
        for rows in (few, ~few)
    ]
    alone = attack(parts[0], None, STEPS[:1], {}, INSIDE)
    taught = attack(parts[0], parts[1], STEPS[:1], {}, INSIDE)
    gains = [
        next(f for f in found.findings if f.measure == "psnr_db" and "ridge" in f.attacker)
        for found in (alone, taught)
    ]
    assert gains[1].gain > gains[0].gain
    assert gains[1].n_people == gains[0].n_people == 8


def test_blind_guess_is_the_best_constant_picture() -> None:
    """Where all pictures are alike, guessing needs no sensor; each measure takes its best guess."""
    seen = np.tile(np.linspace(0, 1, 81), (20, 1))
    told = blind_marks(seen, seen[:3], INSIDE)
    assert (told["iou"] == 1.0).all()
    assert told["ssim"] == pytest.approx(np.ones(3))
    assert (told["psnr_db"] > 100).all()
