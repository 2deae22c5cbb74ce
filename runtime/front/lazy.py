"""Names that a package offers without loading what they come from before they are asked for."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["lazy_names"]


def lazy_names(
    package: str, places: Mapping[str, tuple[str, ...]]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return a package's ``__getattr__`` and ``__dir__`` (PEP 562).

    Parameters
    ----------
    package : str
        Its name, ``__name__``.
    places : mapping of str to tuple of str
        The names that each module gives; a name is looked up when it is first used, then kept.
    """
    homes = {name: module for module, names in places.items() for name in names}

    def get(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(importlib.import_module(homes[name]), name)
        setattr(sys.modules[package], name, value)
        return value

    def names() -> list[str]:
        return sorted({*vars(sys.modules[package]), *homes})

    return get, names
