"""A kept data set stands for what it was made with, and for nothing else."""

from __future__ import annotations

from pathlib import Path

import kept_sets
import pytest
from kept_sets import MADE_WITH, make_once

from runtime.errors import UsageError

PEOPLE = {"people": [1, 40, 1]}


def write_in(part: Path) -> None:
    """Make a data set of one file."""
    part.mkdir()
    (part / "readouts").write_text("of forty people")


def never(part: Path) -> None:
    """Fail: nothing was to be made."""
    raise AssertionError(part)


def test_a_set_is_made_once(tmp_path: Path) -> None:
    """The second time it is there, with the same people by the same program."""
    make_once(tmp_path / "a", PEOPLE, write_in)
    make_once(tmp_path / "a", PEOPLE, never)
    assert (tmp_path / "a" / "readouts").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_a_set_of_other_people_is_refused(tmp_path: Path) -> None:
    """In one line that says both, and nothing of it is touched."""
    make_once(tmp_path / "a", PEOPLE, write_in)
    with pytest.raises(UsageError, match=r"\[1, 40, 1\].*expected.*\[1, 12, 1\]"):
        make_once(tmp_path / "a", {"people": [1, 12, 1]}, never)
    assert (tmp_path / "a" / "readouts").exists()


def test_a_set_of_another_program_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever plays people otherwise makes other takes of them."""
    monkeypatch.setattr(kept_sets, "REPOSITORY", tmp_path / "house")
    monkeypatch.setattr(kept_sets, "PLAYERS", ("plays",))
    (tmp_path / "house" / "plays").mkdir(parents=True)
    play = tmp_path / "house" / "plays" / "acting.py"
    play.write_text("one way")
    make_once(tmp_path / "a", PEOPLE, write_in)
    make_once(tmp_path / "a", PEOPLE, never)
    play.write_text("another way")
    with pytest.raises(UsageError, match="Remove the folder"):
        make_once(tmp_path / "a", PEOPLE, never)


def test_a_folder_that_says_nothing_is_refused(tmp_path: Path) -> None:
    """It may be of anybody."""
    write_in(tmp_path / "a")
    with pytest.raises(UsageError, match="not said"):
        make_once(tmp_path / "a", PEOPLE, never)


def test_what_broke_off_is_made_anew(tmp_path: Path) -> None:
    """Half a set has another name, and is gone the next time."""

    def break_off(part: Path) -> None:
        write_in(part)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_once(tmp_path / "a", PEOPLE, break_off)
    assert not (tmp_path / "a").exists()
    make_once(tmp_path / "a", PEOPLE, write_in)
    assert [path.name for path in tmp_path.iterdir()] == ["a"]
    assert "40" in (tmp_path / "a" / MADE_WITH).read_text()


def test_all_players_are_there() -> None:
    """A room that moved would be left out in silence."""
    assert all((kept_sets.REPOSITORY / name).exists() for name in kept_sets.PLAYERS)
