"""Findings: gains over a blind guess, and what may be said of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from runtime.errors import UsageError
from trainer.audit.findings import LEAST_PEOPLE, Finding, gain_over_people, per_person, strongest


def finding(**figures: object) -> Finding:
    """Return a finding about a picture with such figures."""
    words = ("raw pair", "picture", "hands", "ridge", "pairs")
    plain = {
        "measure": "iou",
        "value": 0.8,
        "blind": 0.6,
        "gain": 0.2,
        "low": 0.1,
        "high": 0.3,
        "n_people": 20,
    }
    return Finding(*words, **(plain | figures))  # type: ignore[arg-type]  # plain words


def test_interval_is_that_of_a_paired_t_test() -> None:
    """The interval of a gain is Student's of the people's own differences, as SciPy gives it."""
    rng = np.random.default_rng(1)
    blind = rng.uniform(0, 1, 15)
    reached = blind + rng.normal(0.1, 0.05, 15)
    figures = gain_over_people(reached, blind)
    wanted = stats.ttest_rel(reached, blind).confidence_interval(0.95)
    assert figures["low"] == pytest.approx(wanted.low, abs=1e-6)
    assert figures["high"] == pytest.approx(wanted.high, abs=1e-6)
    assert figures["gain"] == pytest.approx((reached - blind).mean(), abs=1e-6)


def test_people_who_are_alike_do_not_make_it_certain_that_nobody_else_is_told() -> None:
    """Where one person in ten is told of, audits of six that met none of them do not clear it.

    A quarter of a person of whom all is told is counted with those met, at the upper end alone:
    what leaks is called so as soon as before. Nothing at all of six people bounds little.
    """
    rng = np.random.default_rng(4)
    for n_people in (6, 12, 40):
        held = held_plainly = 0
        for _ in range(400):
            gains = np.where(rng.random(n_people) < 0.1, 0.3, 0.0) + rng.normal(0, 0.01, n_people)
            figures = gain_over_people(0.6 + gains, np.full(n_people, 0.6), most=1.0)
            plain = gain_over_people(0.6 + gains, np.full(n_people, 0.6))
            assert figures["low"] == plain["low"] and figures["high"] > plain["high"]
            held += figures["high"] >= 0.03
            held_plainly += plain["high"] >= 0.03
        assert held >= max(0.9 * 400, held_plainly)
        assert n_people > 6 or held_plainly < 0.6 * 400
    still = gain_over_people([0.6] * LEAST_PEOPLE, [0.6] * LEAST_PEOPLE, most=1.0)
    assert still["low"] == 0.0 and still["high"] > 0.05
    sure = gain_over_people([1.0] * 9, [0.6] * 9, most=1.0)
    assert sure["high"] == pytest.approx(0.4)
    # The most of anybody met, where a measure has no end, widens the interval and does not cap it.
    met = np.linspace(15.0, 18.0, LEAST_PEOPLE), np.full(LEAST_PEOPLE, 15.0)
    figures = gain_over_people(*met, n_tried=150, most=18.0, no_more=False)
    assert figures["high"] > 3.0 == gain_over_people(*met, n_tried=150, most=18.0)["high"]


def test_strongest_of_several_blind_attackers_seldom_leaks() -> None:
    """Where eight attackers guess, at most a twentieth of audits calls the strongest a leak."""
    rng = np.random.default_rng(2)
    leaks = 0
    for _ in range(400):
        gains = rng.normal(0.0, 1.0, (8, 12))
        leaks += any(gain_over_people(g, np.zeros(12), n_tried=8)["low"] > 0 for g in gains)
    assert leaks <= 0.05 * 400


def test_gain_of_a_measure_that_is_better_when_small_is_signed_so_that_larger_leaks_more() -> None:
    """An error below the blind guess's is a gain above zero."""
    figures = gain_over_people([0.1, 0.2] * 4, [0.5] * 8, better="small")
    assert figures["gain"] == pytest.approx(0.35)
    assert figures["low"] > 0


def test_too_few_people_can_tell_nothing() -> None:
    """Below six people there is neither an interval nor an all-clear."""
    few = gain_over_people([1.0] * (LEAST_PEOPLE - 1), [0.0] * (LEAST_PEOPLE - 1))
    assert few["low"] is None
    assert finding(**few).told == "cannot tell"
    assert finding(low=-0.1, n_people=LEAST_PEOPLE - 1).told == "cannot tell"
    assert finding(low=-0.1, n_people=LEAST_PEOPLE).told == "nothing found"


def test_arithmetic_alone_is_no_leak() -> None:
    """A gain below a millionth, the same for everybody, counts as none."""
    figures = gain_over_people([0.5 + 1e-12] * 9, [0.5] * 9)
    assert finding(**figures).told == "nothing found"
    assert finding(low=1e-6).told == "leaks"


def test_a_gain_that_could_be_found_is_found_in_four_audits_of_five() -> None:
    """A true gain of the size told beside an interval is found so often; half of it seldom is."""
    rng = np.random.default_rng(3)

    def audits(true: float, n_tried: int) -> tuple[float, float]:
        found = [
            finding(**gain_over_people(true + rng.standard_normal(60), np.zeros(60), n_tried))
            for _ in range(400)
        ]
        sizes = [each.found_from for each in found if each.found_from is not None]
        return float(np.mean(sizes)), float(np.mean([each.told == "leaks" for each in found]))

    # By Student's quantile and the normal's, of 60 people: 2.80 standard errors.
    size, _ = audits(0.0, 1)
    assert size == pytest.approx((1.96 + 0.84) / np.sqrt(60), rel=0.05)
    assert audits(size, 1)[1] == pytest.approx(0.8, abs=0.06)
    assert audits(size / 2, 1)[1] < 0.4
    wider, _ = audits(0.0, 8)
    assert wider > size and audits(wider, 8)[1] > 0.8
    assert finding(low=None).found_from is None
    assert finding(n_people=LEAST_PEOPLE - 1).found_from is None


def test_strongest_attacker_is_the_headline_of_its_question_and_measure() -> None:
    """Of attackers at the same step, the one that gains most is told, and never one that cannot.

    What leaks goes before what gains more and may be chance: that would be an all-clear.
    """
    weak, strong = finding(gain=0.1), finding(gain=0.3)
    unsure = finding(gain=0.5, low=-0.2)
    assert strongest([weak, unsure]) == strongest([unsure, weak]) == (weak,)
    mute = finding(gain=0.9, low=None, high=None, why_not="only 3 people")
    other = finding(measure="ssim", gain=-0.2)
    assert strongest([weak, mute, strong, other]) == (strong, other)


def test_people_and_not_takes_are_counted() -> None:
    """Each person's takes make one mean, in the order of names."""
    means = per_person(["b", "a", "b", "b"], np.array([1.0, 5.0, 2.0, 3.0]))
    assert means.tolist() == [5.0, 2.0]


def test_gain_needs_the_same_people() -> None:
    """Different lengths, or nobody, are refused."""
    for reached, blind in (([1.0], [1.0, 2.0]), ([], [])):
        with pytest.raises(UsageError):
            gain_over_people(reached, blind)


def test_finding_is_written_with_what_it_says() -> None:
    """The JSON of a finding holds every field, and the verdict beside them."""
    content = finding().to_json()
    assert content["told"] == "leaks"
    assert content["found_from"] == pytest.approx(0.1 * (1.0 + 0.8416 / 1.96), abs=1e-4)
    assert math.isclose(content["gain"], content["value"] - content["blind"])
