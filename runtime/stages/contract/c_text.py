"""The pieces of C that a stage hands to the firmware generator.

A middle stage defines ``{prefix}_run(pw_state *s, const X *x, Y *y)``, without ``s`` when it has no
state and no scratch, and runs on every frame, or only on those on which a stage before it gives
something new. An entry stage defines ``{prefix}_row(s, row, lit, dark)`` and
``{prefix}_finish(s, y)``.
The generator provides ``PW_STAGE`` (a static function that is never inlined, so that instructions
can be attributed to it), ``pw_asr32`` (the one arithmetic right shift), ``pw_requant`` (the C twin
of `runtime.fixedpoint.scale`) and ``pw_sat`` (of `runtime.fixedpoint.saturate`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError

__all__ = ["LINE_LENGTH", "CStage", "CState", "Edge", "fill", "smallest_ctype", "table"]

LINE_LENGTH = 100


@dataclass(frozen=True, slots=True)
class Edge:
    """The values that flow from one stage to the next.

    Parameters
    ----------
    ctype : str
        ``int8_t``, ``int16_t`` or ``int32_t``: the smallest that holds `lo` to `hi`.
    length : int
        Values per frame.
    lo, hi : int
        Proven bounds over all of them.
    """

    ctype: str
    length: int
    lo: int
    hi: int


@dataclass(frozen=True, slots=True)
class CState:
    """One member of the state struct, named ``{prefix}_{key}``; zero until ``init`` says otherwise.

    `length` values in C order; a scalar is an array of one. `comment` gives shape and format.
    """

    key: str
    ctype: str
    length: int
    comment: str


@dataclass(frozen=True, slots=True)
class CStage:
    """One stage's C.

    Parameters
    ----------
    tables : str
        ``static const`` definitions at file scope.
    state : tuple of CState
        Kept from frame to frame; the same keys as in the reference's state.
    init : str
        Statements that set what is not zero at first.
    functions : str
        The stage's functions.
    scratch : tuple of CState
        Members used within one frame only; no part of the compared state.
    shared : tuple of str
        Texts that other stages may bring alike; each is written once, before all stages.
    output : str
        Key of the state's member that is the stage's output, and lasts; its function returns then
        whether the values in it are new. Empty where the output has a place of its own.
    declarations, accessors : str
        What a board may call besides ``pw_step``: lines of the header, and functions behind all
        others. They may hold the mark ``RESTART``, between at signs: what sets a state anew.
    settles : bool
        Whether ``{prefix}_settle(pw_state *s, const X *x)`` is among the functions: it sets what is
        remembered as if the frames before had been like this one.
    """

    tables: str
    state: tuple[CState, ...]
    init: str
    functions: str
    scratch: tuple[CState, ...] = ()
    shared: tuple[str, ...] = ()
    output: str = ""
    declarations: str = ""
    accessors: str = ""
    settles: bool = False


def smallest_ctype(low: int, high: int) -> str:
    """Return the narrowest signed C type for a range within int32."""
    for n_bits in (8, 16):
        if -(1 << (n_bits - 1)) <= low and high < 1 << (n_bits - 1):
            return f"int{n_bits}_t"
    return "int32_t"


def fill(template: str, /, **values: object) -> str:
    """Put values in the place of ``@NAME@`` marks, also of those in what is put there.

    Braces of C stay as they are.

    Raises
    ------
    FormatError
        A mark has no value: the generator itself is wrong.
    """

    def value(match: re.Match[str]) -> str:
        if match[1] not in values:
            raise FormatError("C template", f"mark {match[1]}", "empty", "a value")
        return str(values[match[1]])

    text, n_filled = template, 1
    while n_filled:
        text, n_filled = re.subn(r"@([A-Z0-9_]+)@", value, text)
    return text


def table(name: str, values: NDArray[Any], ctype: str, comment: str) -> str:
    """Return one constant table, wrapped at `LINE_LENGTH` columns, under its comment.

    INT32_MIN is written as C wants it: its digits alone would not fit ``int``.
    """
    numbers = ["(-2147483647 - 1)" if v == -(2**31) else str(v) for v in np.ravel(values).tolist()]
    lines, line = [], "   "
    for number in numbers:
        if len(line) + len(number) + 2 > LINE_LENGTH:
            lines.append(line)
            line = "   "
        line += f" {number},"
    lines.append(line)
    body = "\n".join(lines)
    return f"/* {comment} */\nstatic const {ctype} {name}[{len(numbers)}] = {{\n{body}\n}};\n"
