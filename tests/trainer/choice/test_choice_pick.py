"""Wishes: a small grammar, and the point of the front that is meant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runtime.errors import UsageError
from trainer.choice.worth.pick import parse_wish, pick

FRONT = [
    {"uw": 30.0, "score": 0.80, "f1": 0.80, "accuracy": 0.85, "misses": 0.03},
    {"uw": 45.0, "score": 0.95, "f1": 0.95, "accuracy": 0.96, "misses": 0.01},
    {"uw": 90.0, "score": 0.98, "f1": 0.98, "accuracy": 0.97, "misses": None},
]


@pytest.mark.parametrize(
    ("wish", "place"),
    [
        ("uw<50", 1),
        ("uw <= 30", 0),
        ("f1>0.9", 1),
        ("f1>=0.98", 2),
        ("accuracy>.96 and uw<100", 2),
        ("misses<0.02", 1),
        ("f1>0.7,uw<40", 0),
        ("F1>0.9 AND uW < 100", 2),
    ],
)
def test_a_ceiling_on_power_asks_for_the_best_below_it_and_else_for_the_cheapest(
    wish: str, place: int
) -> None:
    """With a ceiling on power the best score is taken, without one the least power."""
    assert pick(parse_wish(wish), FRONT) == place


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        ("", "condition is ''"),
        ("uw", "condition is 'uw'"),
        ("uw<fifty", "condition is 'uw<fifty'"),
        ("watts<50", "quantity is watts, expected one of uw, f1, accuracy, misses"),
        ("uw<50 or f1>0.9", "condition is 'uw<50 or f1>0.9'"),
        ("__import__('os')", "condition is"),
        ("uw<50 and", "condition is 'uw<50 and'"),
        ("uw==50", "condition is 'uw==50'"),
        ("uw<" + "9" * 400, "length is 403"),
        ("f1>97", "f1 is 97, expected a share, 0 to 1. 97 % is 0.97"),
        ("f1>97%", "condition is 'f1>97%'"),
    ],
)
def test_what_is_no_wish_is_refused_in_one_line(wish: str, message: str) -> None:
    """Whatever the grammar does not hold is refused, with the part that is wrong."""
    with pytest.raises(UsageError) as caught:
        parse_wish(wish)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_wish_that_no_point_keeps_tells_how_far_the_front_reaches() -> None:
    """Where no point will do, the message says what there is."""
    with pytest.raises(UsageError, match=r"from 30 to 90 uW and from 0.8 to 0.98"):
        pick(parse_wish("uw<20"), FRONT)


@given(st.text(max_size=40))
def test_any_text_is_a_wish_or_refused(text: str) -> None:
    """No text does anything but be read or be refused."""
    try:
        wish = parse_wish(text)
    except UsageError:
        return
    assert wish.conditions
