"""A user's TOML file: read with a bound, and every fault reported by file, line and key.

pydantic is imported only where a fault is told, so that this module is light to import.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runtime.errors import FormatError

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

__all__ = ["WORD", "WORD_TEXT", "TomlFile", "line_of", "parse_toml", "read_toml"]

MAX_BYTES = 65_536
_MAX_SHOWN = 60  # characters of a wrong value in a message
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"\s*([\w.\"'-]+)\s*=")
# What a value should have been, in words for people: by pydantic's name of the fault, with the
# limits that it gives.
_EXPECTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "tuple_type": "a list in brackets",
    "list_type": "a list in brackets",
    "dict_type": "a table of keys",
    "model_type": "a table of keys",
    "literal_error": "{expected}",
    "greater_than": "above {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "below {lt:g}",
    "less_than_equal": "at most {le:g}",
    "string_too_short": "at least {min_length} characters",
    "string_too_long": "at most {max_length} characters",
    "too_short": "a list of at least {min_length}",
    "too_long": "a list of at most {max_length}",
}
_LAST = ("missing", "too_short")  # told only where nothing else is wrong
WORD = r"^[a-z][a-z0-9_]{0,39}$"
"""Pattern of the names that labels, tasks and recipes have."""
WORD_TEXT = "up to 40 small letters a to z, digits and _, a letter first"
"""The pattern in words."""


@dataclass(frozen=True, slots=True)
class TomlFile:
    """Values of a TOML file, with the text they stand in.

    Parameters
    ----------
    where : str
        Name of the file in errors.
    text : str
        The whole text.
    data : dict
        The values in it, not yet checked.
    """

    where: str
    text: str
    data: dict[str, Any]

    def place(self, *key: str | int) -> str:
        """Return the file and the line of a key, as errors begin."""
        return f"{self.where}, line {line_of(self.text, key)}"

    @contextmanager
    def faults(self, *below: str) -> Iterator[None]:
        """Tell a fault that pydantic finds inside the ``with`` as one line.

        Parameters
        ----------
        *below : str
            Key of the table that is checked; nothing for the whole file.

        Raises
        ------
        FormatError
            A key is unknown, missing or wrong; the message names file, line, key and reason.
        """
        from pydantic import ValidationError

        try:
            yield
        except ValidationError as fault:
            raise self._one_line(fault, below) from None

    def _one_line(self, fault: ValidationError, below: tuple[str, ...]) -> FormatError:
        # A misspelt key is both unknown and missing: say that it is unknown.
        first = min(fault.errors(include_url=False), key=lambda found: found["type"] in _LAST)
        key = (*below, *first["loc"])
        place, name = self.place(*key), ".".join(str(part) for part in key)
        if first["type"] == "extra_forbidden":
            return FormatError(place, f"{name}: unknown key")
        if first["type"] == "missing":
            return FormatError(place, f"{name}: key is missing")
        if name and (expected := _expected(first)):
            return FormatError(place, name, _shown(first["input"]), expected)
        reason = first["msg"].removeprefix("Value error, ")
        return FormatError(place, f"{name}: {reason}" if name else reason)


def read_toml(path: Path, max_bytes: int = MAX_BYTES, expected: str | None = None) -> TomlFile:
    """Read an untrusted TOML file.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    max_bytes : int
        Longest file that is read.
    expected : str, optional
        What the error of a file that cannot be read says was expected.

    Raises
    ------
    FormatError
        The file cannot be read, is too long, is not UTF-8 or is not TOML.
    """
    try:
        with path.open("rb") as file:
            content = file.read(max_bytes + 1)
    except OSError as fault:
        got = f"unreadable ({fault.strerror})"
        raise FormatError(str(path), "the file", got, expected) from fault
    return parse_toml(content, str(path), max_bytes)


def parse_toml(content: bytes, where: str, max_bytes: int = MAX_BYTES) -> TomlFile:
    """Read the untrusted bytes of a TOML file; `where` names it in errors.

    Raises
    ------
    FormatError
        The bytes are too many, not UTF-8 or not TOML.
    """
    import tomllib

    if len(content) > max_bytes:
        raise FormatError(where, "file size", "too large", f"at most {max_bytes} bytes")
    try:
        text = content.decode("utf-8")
        data = tomllib.loads(text)
        repr(data)  # fails, as the reading may, on a number too long to be shown in a message
        return TomlFile(where, text, data)
    except UnicodeDecodeError as fault:
        raise FormatError(where, "the text", "not UTF-8") from fault
    except (ValueError, RecursionError) as fault:
        raise FormatError(where, "the text", f"not TOML ({fault})") from fault


def line_of(text: str, key: tuple[str | int, ...]) -> int:
    """Return the line (from 1) of TOML `text` that leads deepest towards `key`.

    It is the line that sets the key; where the key is missing, that of its table; else 1. An item
    of an array of tables (``[[name]]``) is given by its number, from 0.
    """
    wanted = [str(part) for part in key]
    table: list[str] = []
    items: dict[str, int] = {}
    best, depth = 1, 0
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            table = _names(header[2])
            if header[1] == "[[":
                item = items.get(header[2], 0)
                items[header[2]] = item + 1
                table.append(str(item))
            here = table
        elif found := _KEY.match(line):
            here = [*table, *_names(found[1])]
        else:
            continue
        shared = 0
        while shared < min(len(here), len(wanted)) and here[shared] == wanted[shared]:
            shared += 1
        if shared > depth:
            best, depth = number, shared
    return best


def _expected(found: ErrorDetails) -> str:
    """Return in plain words what a value should have been; empty if only pydantic can say."""
    limits = found.get("ctx", {})
    if found["type"] == "string_pattern_mismatch":
        if limits["pattern"] == WORD:
            return "a word of lower-case letters, digits and underscores"
        return f"a text of the form {limits['pattern']}"
    if found["type"] in ("tuple_type", "list_type") and isinstance(found["input"], dict):
        return f"a list of tables: write [[{found['loc'][-1]}]]"
    return _EXPECTED.get(found["type"], "").format(**limits)


def _names(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _MAX_SHOWN else f"{text[: _MAX_SHOWN - 3]}..."
