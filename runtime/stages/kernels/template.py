"""Templates of C: text with ``@NAME@`` places."""

from __future__ import annotations

import re

from runtime.errors import FormatError

__all__ = ["fill"]


def fill(template: str, values: dict[str, object]) -> str:
    """Return `template` with each ``@NAME@`` replaced.

    Raises
    ------
    FormatError
        A place has no value: the generator itself is wrong.
    """

    def value(match: re.Match[str]) -> str:
        if match[1] not in values:
            raise FormatError("kernel", f"place {match[1]}", "empty", "a value")
        return str(values[match[1]])

    return re.sub(r"@([A-Z_]+)@", value, template)
