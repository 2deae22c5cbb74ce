"""What a search of settings refuses before anything is read."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from runtime.errors import UsageError
from trainer.choice.command import frontier


@pytest.mark.parametrize("recipe", ["range", "presence"])
def test_recipes_that_cannot_be_traded_are_refused_in_a_line(recipe: str, tmp_path: Path) -> None:
    """A place of light and a number of people are not thinned yet, which is said first."""
    words = [str(tmp_path), "--recipe", recipe, "--out", str(tmp_path / "out")]
    found = CliRunner().invoke(frontier, words)
    assert isinstance(found.exception, UsageError)
    assert f"{recipe}: what it tells" in str(found.exception)
