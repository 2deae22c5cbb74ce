"""Numbers that options take: each one can be compared, and stands in its range."""

from __future__ import annotations

import click
import pytest

from runtime.front.finite_number import FiniteNumber


@pytest.mark.parametrize("text", ["nan", "NaN", "-nan", "inf", "-inf", "Infinity", "1e999"])
@pytest.mark.parametrize("ends", [(None, None), (0.0, None), (None, 0.0), (0.0, 1e6)])
def test_what_is_not_finite_is_refused(text: str, ends: tuple[float | None, float | None]) -> None:
    """No number, and no end of numbers, is refused whichever ends the range has."""
    with pytest.raises(click.BadParameter, match=f"^'{text}' is not a finite number"):
        FiniteNumber(*ends).convert(text, None, None)


def test_a_finite_number_is_taken_as_it_is() -> None:
    """Numbers in the range, its closed end among them, come back; those outside are refused."""
    kind = FiniteNumber(0.0, 2.5, min_open=True)
    assert [kind.convert(text, None, None) for text in ("1e-300", "2.5")] == [1e-300, 2.5]
    for outside in ("0", "2.6", "two"):
        with pytest.raises(click.BadParameter, match=r"not in the range 0\.0<x<=2\.5|not a valid"):
            kind.convert(outside, None, None)
