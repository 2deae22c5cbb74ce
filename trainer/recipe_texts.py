"""Built-in recipes as text, and recipes that are like one of them but for what they say."""

from __future__ import annotations

from importlib import resources
from typing import Any

from runtime.errors import FormatError
from runtime.tomlfile import TomlFile, parse_toml

__all__ = ["LIKE", "built_in_recipes", "completed"]

LIKE = "like"
_OWN = ("name", "task", "classes", "other", "background")
"""Keys that a recipe says for itself: words of another's labels would mean nothing."""


def built_in_recipes() -> dict[str, str]:
    """Return the text of every recipe that comes with the package, by name."""
    folder = resources.files("trainer") / "recipes"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return {f.name.removesuffix(".toml"): f.read_text("utf-8") for f in files}


def completed(file: TomlFile) -> dict[str, Any]:
    """Return a recipe's values, those that it leaves out from the recipe that it is like.

    Raises
    ------
    FormatError
        ``like`` names no built-in recipe.
    """
    values = dict(file.data)
    if LIKE not in values:
        return values
    built_in, named = built_in_recipes(), values.pop(LIKE)
    if not isinstance(named, str) or named not in built_in:
        raise FormatError(file.place(LIKE), LIKE, repr(named)[:60], f"one of {', '.join(built_in)}")
    for key, value in parse_toml(built_in[named].encode(), named).data.items():
        if key in _OWN:
            continue
        if isinstance(value, dict) and isinstance(values.get(key, {}), dict):
            values[key] = value | values.get(key, {})
        else:
            values.setdefault(key, value)
    return values
