"""Identity: who it is of those enrolled, and whether two takes are of one person."""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pytest
from invented_takes import invented_takes, named
from scipy.stats import multivariate_normal

from trainer.audit.findings import strongest
from trainer.audit.people.attackers import ATTACKERS, make_ready, spread_alike
from trainer.audit.people.enrolled import HALVES, SESSIONS, Parted, Seen, part
from trainer.audit.people.identity import BY_SPREAD, fused, identify
from trainer.audit.people.same_person import OF_MEAN, _likelihood_ratio, verify_people


def test_nobodys_session_is_on_both_sides() -> None:
    """Where people have several sessions, no session is enrolled from and asked about."""
    seen = invented_takes(5, 0.0, 1, n_sessions=3)
    parted = part(seen)
    assert parted.by == SESSIONS
    assert not set(parted.enrolled.sessions) & set(parted.probes.sessions)
    assert len(parted.enrolled.people) == 5 * 8 and len(parted.probes.people) == 5 * 16


def test_a_single_session_is_halved_in_time() -> None:
    """Where they have one, all that is asked about comes later than what is enrolled from."""
    seen = invented_takes(5, 0.0, 1, n_sessions=1)
    shuffled = seen.only(np.random.default_rng(1).permutation(len(seen.people)))
    parted = part(shuffled)
    assert parted.by == HALVES and "half" in parted.knows
    for name in parted.names:
        times = [s.times_s[s.people == name] for s in (parted.enrolled, parted.probes)]
        assert len(times[0]) == len(times[1]) == 4 and times[0].max() < times[1].min()


def test_few_with_two_sessions_do_not_stand_for_all() -> None:
    """With two sessions of less than half of the people, everybody's first one is halved."""
    seen = invented_takes(9, 0.0, 1)
    second = np.char.endswith(seen.sessions, "01")
    few = seen.only(~second | np.isin(seen.people, ["P001", "P002"]))
    assert part(few).by == HALVES and len(part(few).names) == 9
    many = seen.only(~second | np.isin(seen.people, [f"P00{n}" for n in range(1, 6)]))
    assert part(many).by == SESSIONS and len(part(many).names) == 5


def test_people_in_the_values_are_told_and_better_from_ten_takes() -> None:
    """Who is in the values is told in a later session, oftener from ten takes than from one."""
    one, ten = strongest(identify(invented_takes(20, 0.8, 2, n_takes=20), "level"))
    assert one.told == ten.told == "leaks"
    assert one.scenes == "one take" and ten.scenes == "10 takes"
    assert one.blind == pytest.approx(1 / 20) and one.n_people == 20
    assert ten.gain is not None and one.gain is not None and ten.gain > one.gain + 0.1
    assert one.low is not None and one.high is not None and one.low < one.gain < one.high


@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_told_of_values_without_people(seed: int) -> None:
    """Of values in which nobody is, neither attack finds anything, whichever is strongest."""
    seen = invented_takes(12, 0.0, 100 + seed)
    for finding in (*identify(seen, "level"), *verify_people(seen, "level")):
        assert finding.told == "nothing found", finding


def test_two_takes_are_told_to_be_of_one_stranger() -> None:
    """People whom the attacker has never met are told apart by what it learned from others."""
    one, ten = strongest(verify_people(invented_takes(24, 1.0, 5, n_takes=10), "level"))
    assert one.told == ten.told == "leaks"
    assert one.measure == "equal error rate" and one.blind == 0.5
    assert one.value is not None and ten.value is not None and ten.value < one.value < 0.4
    assert one.gain == pytest.approx(0.5 - one.value, abs=2e-6)


@pytest.mark.parametrize("n_shown", [1, 10])
def test_likelihood_of_one_person_is_that_of_gaussians(n_shown: int) -> None:
    """Of many people with a known spread it is the ratio of SciPy's two densities of the pair.

    What is shown is one take or the mean of ten, whose own variance is a tenth.
    """
    n, n_each, between, inside = 2_000, 4, 3.0, 0.5
    rng = np.random.default_rng(11)
    own = np.sqrt(between) * rng.standard_normal(n)
    names = np.array([f"P{k:04d}" for k in range(n)])

    def takes() -> Seen:
        values = np.repeat(own, n_each) + np.sqrt(inside) * rng.standard_normal(n * n_each)
        whose, zeros = np.repeat(names, n_each), np.zeros(n * n_each)
        return Seen(values[:, None], whose, whose, whose, zeros)

    compare = _likelihood_ratio(Parted(takes(), takes(), SESSIONS), n_shown)
    pairs = rng.standard_normal((200, 2)) * 2.0
    known, one = between + inside / n_each, between + inside / n_shown
    same = multivariate_normal([0, 0], [[known, between], [between, one]])
    apart = multivariate_normal([0, 0], [[known, 0], [0, one]])
    expected = same.logpdf(pairs) - apart.logpdf(pairs)
    found = compare(pairs[:, :1], pairs[:, 1:])
    assert found == pytest.approx(expected, rel=0.08, abs=0.1)


def test_takes_shown_together_are_one_guess() -> None:
    """From ten takes their mean is tried as well; it pairs strangers better than mean ratios do."""
    rates: dict[str, list[float]] = {}
    for seed in range(1, 5):
        found = verify_people(invented_takes(40, 0.8, seed, n_takes=10), "level")
        assert OF_MEAN not in {f.attacker for f in found if f.scenes == "one take"}
        for each in found:
            if each.scenes == "10 takes":
                rates.setdefault(each.attacker, []).append(each.value or 0.0)
    plain = np.mean(rates["likelihood ratio in discriminant space"])
    assert np.mean(rates[OF_MEAN]) < plain - 0.01


def test_intervals_hold_for_all_steps_together() -> None:
    """What is sought at more steps has a wider interval about the same figure."""
    seen = invented_takes(20, 0.8, 2)
    for attack in (identify, verify_people):
        for one, many in zip(attack(seen, "level"), attack(seen, "level", 9), strict=True):
            assert (one.gain, one.attacker) == (many.gain, many.attacker)
            assert one.low is not None and many.low is not None and many.low < one.low


@pytest.mark.parametrize("loud", [True, False])
def test_whether_gestures_are_taken_out_is_chosen_on_other_people(loud: bool) -> None:
    """Loud gestures are taken out; where their mean is a person's own mark, it is left in."""
    seen = invented_takes(24, 1.5, 8, n_takes=4)
    own = np.searchsorted(seen.names, seen.people)
    values = seen.values.copy()
    if loud:
        values[:, :6] += 9.0 * (seen.labels.astype(int) - 1)[:, None]
        labels = seen.labels
    else:  # everybody has a gesture of their own, and differs in nothing else
        noise = np.random.default_rng(9).standard_normal(values.shape)
        values, labels = 9.0 * own[:, None] + noise, own.astype(str)
    asked = dataclasses.replace(seen, values=values, labels=labels)
    for finding in strongest(verify_people(asked, "level")):
        assert finding.told == "leaks"


def test_too_few_people_tell_nothing() -> None:
    """Of five people nothing is claimed, however plainly they differ; of one neither."""
    few = invented_takes(5, 9.0, 1)
    assert {f.told for f in identify(few, "level")} == {"cannot tell"}
    untold = verify_people(few, "level")
    assert [f.scenes for f in untold] == ["one take", "10 takes"]
    assert all(f.told == "cannot tell" and "5 of at least 6" in f.why_not for f in untold)
    alone = few.only(few.people == "P001")
    of_one = [(f.scenes, f.told) for f in identify(alone, "level")]
    assert of_one == [("one take", "cannot tell"), ("10 takes", "cannot tell")]


def test_values_that_never_change_tell_nothing() -> None:
    """A step that holds the same always is no fault and no leak."""
    seen = invented_takes(8, 1.0, 1)
    same = dataclasses.replace(seen, values=np.zeros((len(seen.people), 3)))
    for finding in (*identify(same, "event"), *verify_people(same, "event")):
        assert finding.told == "nothing found" and finding.gain == pytest.approx(0.0)


def test_gestures_are_taken_out_before_takes_are_compared() -> None:
    """What all takes of a gesture have in common is gone; what differs within it stays."""
    seen = invented_takes(7, 1.0, 4)
    plain = seen.of_no_gesture()
    for label in np.unique(seen.labels):
        own = seen.labels == label
        assert plain.values[own].mean(axis=0) == pytest.approx(np.zeros(12), abs=1e-12)
        assert np.ptp(plain.values[own] - seen.values[own], axis=0) == pytest.approx(0.0, abs=1e-9)


def test_takes_are_fused_within_one_person() -> None:
    """Scores are averaged within a person; what is left over is not used, and few are all used."""
    scores = np.arange(14.0).reshape(7, 2)
    people = np.array([0, 0, 0, 0, 0, 1, 1])
    means, whose = fused(scores, people, 2)
    assert whose.tolist() == [0, 0, 1]
    assert means.tolist() == [[1.0, 2.0], [5.0, 6.0], [11.0, 12.0]]
    means, whose = fused(scores, people, 3)
    assert whose.tolist() == [0, 1] and means[1].tolist() == [11.0, 12.0]


@pytest.mark.parametrize("name", list(ATTACKERS))
def test_every_attacker_finds_what_is_plain(name: str) -> None:
    """Each attacker alone tells people who are far apart, and gives finite log chances."""
    seen = invented_takes(6, 6.0, 3)
    parted = part(seen)
    ready = make_ready(parted.enrolled.values)
    whose = np.searchsorted(parted.names, parted.enrolled.people)
    logs = ATTACKERS[name](ready(parted.enrolled.values), whose, 6)(ready(parted.probes.values))
    asked = np.searchsorted(parted.names, parted.probes.people)
    assert np.isfinite(logs).all() and logs.shape == (48, 6)
    assert (logs.argmax(axis=1) == asked).mean() > 0.9


def in_two_sessions(of_person: float, seed: int) -> Seen:
    """Return two takes in each of two sessions of 40 people, half of the values the session's."""
    rng = np.random.default_rng(seed)
    person, session = np.repeat(np.arange(40), 4), np.tile([0, 0, 1, 1], 40)
    values = rng.standard_normal((160, 12))
    values[:, :6] += of_person * rng.standard_normal((40, 6))[person]
    values[:, 6:] += 6.0 * rng.standard_normal((40, 2, 6))[person, session]
    sessions = np.array([f"sub-{p}_ses-{s}" for p, s in zip(person, session, strict=True)])
    labels, times = np.full(160, "device"), np.tile([0.0, 1.0], 80)
    return Seen(values, named(40)[person], sessions, labels, times)


def test_how_takes_spread_from_session_to_session_is_learned_from_others() -> None:
    """Where a session shifts some values, who learns that from others names more than all others.

    Nobody can learn it from those enrolled in one session; where nothing is of people, nothing is
    found by it either.
    """
    found = identify(in_two_sessions(3.0, 1), "learned", by_spread=True)
    reached = {f.attacker: f.value for f in found if f.scenes == "one take"}
    best = reached.pop(BY_SPREAD)
    assert len(reached) == len(ATTACKERS) and None not in reached.values()
    assert best is not None and best > max(reached.values()) + 0.2
    nothing = identify(in_two_sessions(0.0, 2), "learned", by_spread=True)
    assert {f.told for f in nothing} == {"nothing found"}


def test_where_takes_spread_alike_others_have_the_covariance_of_a_ball() -> None:
    """What others differ by from take to take is equal in all directions, and uncorrelated."""
    rng = np.random.default_rng(4)
    people = np.repeat(named(800), 5)
    mixed = np.repeat(rng.standard_normal((800, 4)), 5, axis=0) * 5.0
    mixed += rng.standard_normal((4000, 4)) @ rng.standard_normal((4, 4))
    turned = spread_alike(mixed, people)(mixed).reshape(800, 5, 4)
    inside = (turned - turned.mean(axis=1, keepdims=True)).reshape(4000, 4)
    covariance = np.cov(inside.T)
    ball = np.eye(4) * np.trace(covariance) / 4
    assert covariance == pytest.approx(ball, abs=0.05 * ball[0, 0])
    alone = spread_alike(mixed[:4], people[::5][:4])(mixed[:4])  # nobody has two
    assert alone.std(axis=0) == pytest.approx(np.ones(4))


def test_people_with_one_take_each_are_asked_about_without_a_word_beside_the_findings() -> None:
    """So many classes as takes are what a device of each has, and a library warns of it."""
    one = np.arange(60) // 2  # the first of two takes is enrolled
    values = np.random.default_rng(3).standard_normal((60, 4)) + one[:, None] % 7
    people = named(30)[one]
    sessions, labels = np.full(60, "sub_ses-01"), np.full(60, "device")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        seen = Seen(values, people, sessions, labels, np.arange(60.0))
        found = identify(seen, "learned", by_spread=True)
    assert {f.n_people for f in found} == {30}
