"""What every page of the trainer is made with: one way to read and to fill a template."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from typing import Any

from jinja2 import Environment, StrictUndefined, Template

__all__ = ["page_template"]


def page_template(
    room: str, name: str, words: dict[str, Any] | None = None, **filters: Callable[..., Any]
) -> Template:
    """Return the template of a page: what it is given is escaped, and what it lacks is a fault.

    Lines that only steer leave nothing in the page, neither their ends nor what stands before them.

    Parameters
    ----------
    room : str
        Package that the template lies in.
    name : str
        Of its file.
    words : dict, optional
        Functions and values that the template calls by these names.
    filters : callable
        By the names that the template knows them under.
    """
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(filters)
    environment.globals.update(words or {})
    return environment.from_string(resources.files(room).joinpath(name).read_text("utf-8"))
