"""The one tree of errors."""

from __future__ import annotations

import copy

import pytest

from runtime import errors

KINDS = [getattr(errors, name) for name in errors.__all__]


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_is_one_line_that_says_where_what_and_what_to_do(kind: type[errors.Error]) -> None:
    """The text names the place, the thing, both values and the next step, on one line."""
    error = kind("recipe.toml", "key\nbins", 0, "1 to 64", "choose another number")
    assert str(error) == "recipe.toml: key bins is 0, expected 1 to 64. Choose another number."
    assert error.exit_code == 2


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_travels_between_processes(kind: type[errors.Error]) -> None:
    """Rebuilt as a worker process hands it on, an error keeps its kind, text and values."""
    error = kind("port", "sensor", expected="an answer")
    again = copy.copy(error)
    assert type(again) is kind
    assert str(again) == str(error)
    assert (again.where, again.what, again.expected) == ("port", "sensor", "an answer")


def test_errors_join_the_built_in_that_they_resemble() -> None:
    """Plain ``except`` clauses for built-in errors keep working."""
    assert issubclass(errors.FormatError, ValueError)
    assert issubclass(errors.UsageError, ValueError)
    assert issubclass(errors.ArgumentError, TypeError)
    assert issubclass(errors.PortError, OSError)
    assert issubclass(errors.OverflowRisk, OverflowError)
    assert issubclass(errors.ToolError, RuntimeError)
