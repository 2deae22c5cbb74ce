"""The host verdict: the added draw held against a margin, and the laws that it obeys."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from budget_models import library_inputs
from hypothesis import example, given, settings
from hypothesis import strategies as st

from runtime.budget.inputs.library import Host, load_parts
from runtime.budget.inputs.uncertainty import Interval, draw, typical_values
from runtime.budget.inputs.values import Input
from runtime.budget.judgement import judge_host, taken
from runtime.budget.verdict.host import RANK, Verdict, amount, host_verdict
from runtime.budget.verdict.margin import Margin, parse_margin
from runtime.budget.verdict.planning import plan_sessions, sessions_needed
from runtime.errors import UsageError

INPUTS = library_inputs()
COSTS = (
    "regulator.quiescent_current", "driver.quiescent_current", "mcu.sleep_current",
    "watching.led_current", "active.led_current", "active.cycles", "led.forward_voltage",
    "usage.hand_present", "readout.bias_power", "host_link.standby_power",
)  # fmt: skip
"""Inputs of which more is never less power, where nothing but themselves is changed."""
UNITS = ("%/day", "min/charge", "mW")


def hosted(name: str, **changes: Input) -> dict[str, Input]:
    """Return a full set of inputs in a host of the library."""
    return {**INPUTS, **load_parts().get(Host, name).inputs("host"), **changes}


def judged(inputs: dict[str, Input], margin: str | None = None, n_draws: int = 400) -> Verdict:
    """Judge with draws that are the same each time."""
    rng = np.random.default_rng(7)
    declared = None if margin is None else parse_margin(margin)
    return judge_host(inputs, typical_values(inputs), draw(inputs, n_draws, rng), declared, "it")


def scaled(inputs: dict[str, Input], name: str, factor: float) -> dict[str, Input]:
    x = inputs[name]
    low, typical, high = (factor * value for value in (x.low, x.typical, x.high))
    return {**inputs, name: replace(x, low=low, typical=typical, high=high)}


margins = st.builds(lambda v, u: f"{v:.6g}{u}", st.floats(1e-3, 30.0), st.sampled_from(UNITS))
hosts = st.sampled_from(["phone-mixed", "watch", "band", "earbud-case"])


@settings(max_examples=60, deadline=None)
@given(hosts, margins, st.sampled_from(COSTS), st.floats(1.0, 1e4))
def test_more_power_never_improves_a_verdict(
    host: str, margin: str, name: str, factor: float
) -> None:
    """Whatever costs more, in any host and against any margin, the word gets no better."""
    before = hosted(host)
    try:
        first = judged(before, margin)
    except UsageError:  # more minutes than the host's charge lasts
        return
    after = judged(scaled(before, name, factor), margin)
    assert after.added_mw.median >= first.added_mw.median * (1.0 - 1e-12)
    assert RANK[after.word] >= RANK[first.word]


@settings(max_examples=60, deadline=None)
@given(hosts, margins, st.floats(1.0, 100.0), st.floats(1e-6, 1e4))
@example("band", "0.1%/day", 7.0, 1.0)
def test_a_noisier_host_never_improves_a_verdict(
    host: str, margin: str, noisier: float, power: float
) -> None:
    """A host that differs more from session to session is given the very same verdict."""
    inputs = scaled(hosted(host), "regulator.quiescent_current", power)
    try:
        quiet = judged(inputs, margin)
    except UsageError:
        return
    noisy = judged(scaled(inputs, "host.spread", noisier), margin)
    assert (noisy.word, noisy.bounds) == (quiet.word, quiet.bounds)
    assert noisy.planning.sessions.median >= quiet.planning.sessions.median


@settings(max_examples=60, deadline=None)
@given(hosts, st.sampled_from(UNITS), st.floats(1e-3, 10.0), st.floats(1.0, 3.0))
def test_a_larger_margin_never_worsens_a_verdict(
    host: str, unit: str, value: float, factor: float
) -> None:
    """What is hidden stays hidden, and what is undecided never turns visible, as margins grow."""
    try:
        words = [judged(hosted(host), f"{v:.9g}{unit}").word for v in (value, value * factor)]
    except UsageError:
        return
    assert RANK[words[1]] <= RANK[words[0]]


@settings(max_examples=200, deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(0, 1), st.floats(0, 2), st.floats(1e-3, 1e3))
def test_less_sure_draws_are_never_hidden_sooner(
    middle: float, narrow: float, more: float, margin: float
) -> None:
    """An interval that is widened about its middle is not hidden where the narrow one was not."""
    words = []
    for half in (middle * narrow, middle * (narrow + more)):
        draws = 1e3 * np.linspace(middle - half, middle + half, 101)
        use = {key: (1.0, np.ones(3)) for key in ("hours_lost", "percent_per_day", "mah_per_day")}
        words.append(
            host_verdict(
                (1e3 * middle, draws), (1.0, np.ones(101)), use, Margin(margin, "mW"), margin, "it"
            ).word
        )
    assert words[1] != "hidden" or words[0] == "hidden"


def test_a_regulator_that_wastes_four_milliamps_is_seen() -> None:
    """4 mA more at the battery, 2.4 % of a phone's battery a day, are visible, not hidden.

    15.4 Wh at 3.85 V are 4 Ah; 4 mA for a day are 96 mAh, 2.4 %.
    """
    wasteful = replace(
        INPUTS["regulator.quiescent_current"], low=4000.0, typical=4000.0, high=4000.0
    )
    phone = hosted("phone-mixed")
    for name, x in (("battery_energy", 15.4), ("battery_voltage", 3.85)):
        phone[f"host.{name}"] = replace(phone[f"host.{name}"], low=x, typical=x, high=x)
    assert judged(phone).word == "hidden"
    found = judged({**phone, wasteful.name: wasteful})
    assert found.word == "visible"
    # The converter's own draw apart, 15.4 mW come on top of what the rest takes.
    rest = judged(phone).percent_per_day.median
    assert found.percent_per_day.median == pytest.approx(2.4 + rest, abs=0.01)
    assert found.minutes_lost.median > 20


@pytest.mark.parametrize("spread", [0.01, 0.03, 0.07])
def test_a_host_of_few_milliwatts_is_judged_the_same_however_noisy(spread: float) -> None:
    """About 94 uW in a host of 4.5 mW is visible with a spread of 1, of 3 and of 7 %."""
    band = hosted("band")
    x = replace(band["host.spread"], low=spread, typical=spread, high=spread)
    found = judged({**band, x.name: x})
    assert found.word == "visible"
    assert found.added_mw.median / 4.5 == pytest.approx(0.022, abs=0.012)


def flat(value: float) -> tuple[float, Any]:
    return value, np.full(5, value)


def a_verdict(percent: Any, margin: Margin | None = None) -> Verdict:
    use = {
        "hours_lost": (0.5, np.array([0.4, 0.4, 0.4])),
        "percent_per_day": percent,
        "mah_per_day": (6.0, np.array([5.0, 5.0, 5.0])),
    }
    return host_verdict(flat(500.0), flat(2.0), use, margin, 0.6, "a watch")


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (0.01, 0.0999, "hidden"), (0.01, 0.1, "undecided"), (0.05, 0.2, "undecided"),
        (0.1, 0.2, "undecided"), (0.1001, 0.2, "visible"), (0.1, 0.1, "undecided"),
    ],
)  # fmt: skip
def test_the_bounds_alone_say_the_word(low: float, high: float, word: str) -> None:
    """Hidden needs the upper bound below the margin, visible the lower above it."""
    draws = np.repeat([low, (low + high) / 2, high], 100)
    found = a_verdict((low, draws))
    assert (found.bounds.low, found.bounds.high) == (low, high)
    assert found.word == word


def test_the_default_margin_is_shown_as_the_default() -> None:
    """0.1 % of the battery a day stands where nobody declared a margin, and says so."""
    found = a_verdict(flat(0.02))
    assert found.sentence == (
        "Hidden: it takes 0.02 % of the battery a day in a watch; the upper 95 % bound lies below "
        "the margin of 0.1 %/day (the default)."
    )
    margin = found.to_json()["margin"]
    assert margin == {"value": 0.1, "unit": "%/day", "declared": False, "mw": 0.6}
    declared = a_verdict(flat(0.02), parse_margin("0.1%/day"))
    assert "default" not in declared.sentence and declared.margin_words == "0.1 %/day"
    assert declared.to_json()["margin"]["declared"] is True


def test_a_margin_is_held_against_draws_in_its_own_unit() -> None:
    """Per cent, minutes of a charge and milliwatts are each compared as they were declared."""
    percent = flat(0.02)
    assert a_verdict(percent, Margin(0.6, "mW")).bounds == Interval(0.5, 0.5, 0.5)
    minutes = a_verdict(percent, Margin(24.5, "min/charge"))
    assert minutes.bounds == Interval(30.0, 24.0, 24.0, 24.0)
    assert minutes.word == "hidden" and "a charge lasts 24 min less in a watch" in minutes.sentence
    assert a_verdict(percent, Margin(0.4, "mW")).word == "visible"


def test_a_verdict_holds_medians_and_ratios_draw_by_draw() -> None:
    """1,000 uW are 1 mW; the ratio's interval is that of the draws' own ratios."""
    added = np.array([500.0, 1500.0] * 10)
    spread = np.array([1.0, 3.0] * 10)  # large where the added draw is large: all ratios are 0.5
    use = {key: flat(1.0) for key in ("hours_lost", "percent_per_day", "mah_per_day")}
    found = host_verdict((900.0, added), (4.0, spread), use, None, 9.0, "it")
    assert found.added_mw == Interval(0.9, 0.5, 1.5, 1.0)
    assert found.spread_mw == Interval(4.0, 1.0, 3.0, 2.0)
    assert found.ratio == Interval(0.225, 0.5, 0.5, 0.5)
    assert found.planning.sessions.high == sessions_needed(0.5) == 64
    assert found.planning == plan_sessions(found.ratio, 4.0, 1.0, 9.0)  # median draw, and margin
    assert found.planning.sessions_to_show_hidden is not None
    data = found.to_json()
    assert (data["word"], data["sentence"], data["would_decide"]) == (
        found.word, found.sentence, "",
    )  # fmt: skip
    for key in ("bounds", "added_mw", "spread_mw", "ratio", "hours_lost", "minutes_lost",
                "percent_per_day", "mah_per_day", "planning"):  # fmt: skip
        assert data[key] == getattr(found, key).to_json()
    assert found.minutes_lost.median == 60.0


def test_an_undecided_verdict_names_what_would_decide_it() -> None:
    """Known at its typical value, the input that is named decides; its word is the one foretold."""
    inputs = hosted("watch")
    battery = inputs["host.battery_energy"]
    inputs[battery.name] = replace(battery, low=0.3, typical=1.2, high=4.0)
    now = judged(inputs, "0.001%/day").percent_per_day
    margin = f"{now.median + 0.6 * (now.high - now.median):.6g}%/day"
    found = judged(inputs, margin)
    assert found.word == "undecided"
    assert found.would_decide.startswith("Measure host battery energy: at its typical value it ")
    assert "it would be hidden; at a margin above" in found.would_decide
    assert found.sentence.endswith(found.would_decide)
    known = replace(battery, low=1.2, typical=1.2, high=1.2)
    assert judged({**inputs, known.name: known}, margin, 4000).word == "hidden"


def test_what_is_undecided_at_every_input_known_says_so() -> None:
    """Where the draw lies at the margin itself, nothing to be measured is named."""
    inputs = hosted("watch")
    at = float(taken(typical_values(inputs), "%/day"))
    found = judged({name: _sure(x) for name, x in inputs.items()}, f"{at!r}%/day")
    assert found.word == "undecided"
    assert found.would_decide.startswith("No 5 of its inputs would decide it")


def _sure(x: Input) -> Input:
    return replace(x, low=x.typical, high=x.typical)


def test_a_margin_of_more_minutes_than_a_charge_lasts_is_refused() -> None:
    """No draw takes more minutes from a charge than it has."""
    with pytest.raises(UsageError, match="minutes of a charge"):
        judged(hosted("watch"), "100000min/charge")


def test_an_amount_is_a_median_with_its_interval() -> None:
    """The median comes first; what is exact has no interval."""
    assert amount(Interval(1.0, 0.5, 3.0, 1.25)) == "1.25 (0.5 to 3)"
    assert amount(Interval(1.0, 1.0, 1.0)) == "1"
