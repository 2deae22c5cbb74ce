"""Users' TOML files: bounded, and every fault told by file, line and key."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict, Field

from runtime.errors import FormatError
from runtime.tomlfile import line_of, parse_toml, read_toml


class _Item(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    size: int = Field(ge=1)
    word: str = Field(default="a", pattern="^[a-z]+$")


class _Whole(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    item: list[_Item]


@pytest.mark.parametrize(
    ("key", "line"),
    [
        (("a", "x", "k"), 3),
        (("a", "y", "k"), 5),
        (("a", "y", "missing"), 4),
        (("a",), 2),
        (("many", 0, "k"), 7),
        (("many", 1, "k"), 9),
        (("many", 1, "missing"), 8),
        (("top", "inside"), 1),
        (("nowhere",), 1),
    ],
)
def test_line_of_a_key_is_told_apart_by_its_table(key: tuple[str | int, ...], line: int) -> None:
    """A key's line is that in its own table or item; a missing key has the line of its table."""
    text = "top = 1\n[a.x]\nk = 1\n[a.y]\nk = 2\n[[many]]\nk = 3\n[[many]]\nk = 4\n"
    assert line_of(text, key) == line


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[item]]\nsize = 0", "line 2: item.0.size is 0, expected at least 1."),
        ("[[item]]\nsize = 1\nsise = 1", "line 3: item.0.sise: unknown key."),
        ("[[item]]\nsise = 1", "line 2: item.0.sise: unknown key."),
        ("[[item]]\n", "line 1: item.0.size: key is missing."),
        (
            '[[item]]\nsize = 1\nword = "A"',
            "line 3: item.0.word is 'A', expected a text of the form ^[a-z]+$.",
        ),
        ("item = 3", "line 1: item is 3, expected a list in brackets."),
        ("[item]", "line 1: item is {}, expected a list of tables: write [[item]]."),
        ('[[item]]\nsize = "x"', "line 2: item.0.size is 'x', expected a whole number."),
        ("[[item]]\nsize = 1\nword = 2", "line 3: item.0.word is 2, expected a text in quotes."),
    ],
)
def test_a_fault_is_told_in_one_form(text: str, message: str) -> None:
    """A wrong value is told as file, line, key, what it is and what was expected."""
    file = parse_toml(text.encode(), "my.toml")
    with pytest.raises(FormatError) as caught, file.faults():
        _Whole.model_validate(file.data)
    assert str(caught.value) == f"my.toml, {message}"


def test_a_long_wrong_value_is_cut() -> None:
    """A wrong value that is very long does not fill the screen."""
    file = parse_toml(f'item = "{"x" * 5000}"'.encode(), "my.toml")
    with pytest.raises(FormatError) as caught, file.faults():
        _Whole.model_validate(file.data)
    assert len(str(caught.value)) < 150


def test_a_file_is_read_up_to_its_bound(tmp_path: Path) -> None:
    """A file of exactly the longest size is read, one byte more is refused."""
    path = tmp_path / "my.toml"
    path.write_bytes(b"a = 1\n" + b"#" * 94)
    assert read_toml(path, 100).data == {"a": 1}
    with pytest.raises(FormatError, match="at most 99 bytes"):
        read_toml(path, 99)


@pytest.mark.parametrize("number", ["1" * 5000, "0x" + "f" * 5000, "[0x" + "f" * 5000 + "]"])
def test_a_number_beyond_all_use_is_refused(number: str) -> None:
    """A number of thousands of digits is one line, however it is written."""
    with pytest.raises(FormatError, match="not TOML"):
        parse_toml(f"a = {number}".encode(), "my.toml")


def test_an_unreadable_file_says_what_was_expected(tmp_path: Path) -> None:
    """A missing file or a folder is told with what would have been right."""
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(FormatError, match="expected one of a, b"):
            read_toml(path, expected="one of a, b")


def test_the_module_is_light() -> None:
    """Importing the reader loads neither pydantic nor the TOML parser."""
    code = "import sys, runtime.tomlfile; print({'pydantic', 'tomllib'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
