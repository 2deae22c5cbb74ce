"""Charts as inline SVG written by hand: same bytes each time, colours and text of the page itself.

A plot is 360 units wide, so that its text stays readable on a phone. Colours are the page's custom
properties, so that the same picture serves light, dark and paper.
"""

from __future__ import annotations

import base64
import math
import struct
import zlib
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

__all__ = ["Label", "Plot", "Room", "grey_picture", "nice_ticks"]

WIDTH = 360.0
TEXT = 11.0
LIFT = 3.8
"""How far below its anchor the baseline of a vertically centred text lies."""

LETTER = 0.5 * TEXT
"""How wide a letter is taken to be where texts must not meet: about that of a book face."""


def nice_ticks(low: float, high: float, n_ticks: int = 5) -> list[float]:
    """Return round numbers from `low` to `high`: multiples of 1, 2 or 5 times a power of ten."""
    span = max(high - low, 1e-9)
    step = 10.0 ** math.floor(math.log10(span / n_ticks))
    step *= next(m for m in (1, 2, 5, 10) if span / (step * m) <= n_ticks)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]


class Room(NamedTuple):
    """Room for labels around the axes of a plot, units."""

    left: float = 38.0
    bottom: float = 34.0
    right: float = 10.0
    top: float = 10.0


_USUAL_ROOM = Room()
Box = tuple[float, float, float, float]
"""Left, top, right and bottom, units."""


class Label(NamedTuple):
    """A text that belongs to a point of a plot."""

    x: float
    y: float
    text: str
    kind: str = ""


class Plot:
    """Axes on which lines, dots and bars are drawn, one after the other.

    Parameters
    ----------
    label : str
        What the picture shows, in words, for those who do not see it.
    x, y : (float, float)
        Range of each axis.
    height : float
        Units; the width is 360.
    room : Room
        For labels around the axes.
    x_scale : callable, optional
        Applied to x values and to the range's ends, such as a logarithm.
    """

    def __init__(
        self,
        label: str,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        height: float = 200.0,
        room: Room = _USUAL_ROOM,
        x_scale: Callable[[float], float] = float,
    ) -> None:
        self.label, self.height = label, height
        self._x_scale = x_scale
        self._x_range, self._y_range = (x_scale(x[0]), x_scale(x[1])), y
        self._box = room.left, room.top, WIDTH - room.right, height - room.bottom
        self._parts: list[str] = []

    def x(self, value: float) -> float:
        """Return where a value lies across the picture."""
        low, high = self._x_range
        left, _, right, _ = self._box
        share = (self._x_scale(value) - low) / ((high - low) or 1.0)
        return round(left + share * (right - left), 2)

    def y(self, value: float) -> float:
        """Return where a value lies down the picture."""
        low, high = self._y_range
        _, top, _, bottom = self._box
        return round(bottom - (value - low) / ((high - low) or 1.0) * (bottom - top), 2)

    def x_axis(self, ticks: Iterable[tuple[float, str]], title: str) -> None:
        """Draw ticks and title below."""
        left, _, right, bottom = self._box
        for value, text in ticks:
            self._line(self.x(value), bottom, self.x(value), bottom + 4, "rule")
            self._text(self.x(value), bottom + 15, text, "middle")
        self._line(left, bottom, right, bottom, "rule")
        self._text((left + right) / 2, self.height - 4, title, "middle", "soft")

    def y_axis(self, ticks: Iterable[tuple[float, str]], title: str = "") -> None:
        """Draw ticks at the left, with a faint line across for each, and a title above them."""
        if title:
            self._text(0.0, 9.0, title, "start", "soft")
        left, _, right, _ = self._box
        for value, text in ticks:
            self._line(left, self.y(value), right, self.y(value), "faint")
            self._text(left - 5, self.y(value) + LIFT, text, "end")

    def line(self, xs: Sequence[float], ys: Sequence[float], kind: str) -> None:
        """Draw a line through points; `kind` is a class of the page's style sheet."""
        points = " ".join(f"{self.x(x):g},{self.y(y):g}" for x, y in zip(xs, ys, strict=True))
        self._parts.append(f'<polyline class="{kind}" points="{points}"/>')

    def dot(self, x: float, y: float, kind: str, size: float = 3.6, title: str = "") -> None:
        """Draw a dot; `title` is shown by a browser when a pointer rests on it."""
        circle = f'<circle class="{kind}" cx="{self.x(x)}" cy="{self.y(y)}" r="{size}"'
        said = f"><title>{escape(title)}</title></circle>" if title else "/>"
        self._parts.append(circle + said)

    def area(
        self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float], kind: str
    ) -> None:
        """Fill the area between two lines."""
        there = [f"{self.x(x):g},{self.y(y):g}" for x, y in zip(xs, highs, strict=True)]
        back = [f"{self.x(x):g},{self.y(y):g}" for x, y in zip(xs, lows, strict=True)][::-1]
        self._parts.append(f'<polygon class="{kind}" points="{" ".join(there + back)}"/>')

    def bar(self, x: tuple[float, float], y: tuple[float, float], kind: str) -> None:
        """Fill a rectangle between values."""
        left, right = sorted((self.x(x[0]), self.x(x[1])))
        top, bottom = sorted((self.y(y[0]), self.y(y[1])))
        self._parts.append(
            f'<rect class="{kind}" x="{left:g}" y="{top:g}" '
            f'width="{right - left:.4g}" height="{bottom - top:.4g}"/>'
        )

    def rule(self, x: float, kind: str, text: str = "", row: int = 0) -> None:
        """Draw a line down at an x value, with a text at its top, or some rows below it."""
        _, top, right, bottom = self._box
        self._line(self.x(x), top, self.x(x), bottom, kind)
        if text:
            near_end = self.x(x) > right - 60
            at = self.x(x) - 4 if near_end else self.x(x) + 4
            self._text(at, top + 8 + 1.2 * TEXT * row, text, "end" if near_end else "start")

    def note(self, x: float, y: float, text: str, anchor: str = "start", kind: str = "") -> None:
        """Write a text, vertically centred on a point."""
        self._text(self.x(x), self.y(y) + LIFT, text, anchor, kind)

    def labels(
        self, labels: Iterable[Label], lines: Iterable[tuple[Sequence[float], Sequence[float]]] = ()
    ) -> None:
        """Write texts beside their points, where they cover each other and what is drawn least.

        Parameters
        ----------
        labels : iterable of Label
            The first ones have the first choice.
        lines : iterable of (xs, ys)
            Lines, and dots as lines of one point, that are to stay clear.
        """
        taken: list[Box] = []
        for xs, ys in lines:
            at = [(self.x(x), self.y(y)) for x, y in zip(xs, ys, strict=True)]
            taken += [
                _around(*start, *end) for start, end in zip(at, [*at[1:], at[-1]], strict=True)
            ]
        for label in labels:
            x, y = self.x(label.x), self.y(label.y)
            width = LETTER * len(label.text)
            places = [(x + dx, y + dy, anchor) for dx, dy, anchor in _BESIDE]
            boxes = [_text_box(*place, width) for place in places]
            best = min(range(len(places)), key=lambda i: self._covered(boxes[i], taken))
            taken.append(boxes[best])
            across, down, anchor = places[best]
            self._text(round(across, 2), round(down + LIFT, 2), label.text, anchor, label.kind)

    def _covered(self, box: Box, taken: Iterable[Box]) -> float:
        """Return the area of a box that lies on others, or outside the axes."""
        area = (box[2] - box[0]) * (box[3] - box[1])
        return area - _shared(box, self._box) + sum(_shared(box, other) for other in taken)

    def margin_note(self, y: float, text: str) -> None:
        """Write a text left of the axes, beside a y value."""
        self._text(self._box[0] - 6, self.y(y) + LIFT, text, "end")

    def svg(self) -> Markup:
        """Return the picture."""
        head = f'<svg viewBox="0 0 {WIDTH:g} {self.height:g}" role="img" aria-label="{{}}">'
        inside = Markup("".join(self._parts))  # noqa: S704 - texts were escaped when written
        return Markup(head).format(self.label) + inside + Markup("</svg>")  # noqa: S704 - own text

    def _line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        self._parts.append(
            f'<line class="{kind}" x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}"/>'
        )

    def _text(self, x: float, y: float, text: str, anchor: str, kind: str = "") -> None:
        extra = f' class="{kind}"' if kind else ""
        self._parts.append(
            f'<text{extra} x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(text)}</text>'
        )


_DOT = 5.0
"""Half of what a dot or a line keeps clear."""
_BESIDE = (
    (-6.0, -10.0, "end"), (6.0, -10.0, "start"), (9.0, 0.0, "start"), (-9.0, 0.0, "end"),
    (6.0, 11.0, "start"), (-6.0, 11.0, "end"), (0.0, -17.0, "middle"), (0.0, 18.0, "middle"),
)  # fmt: skip
"""Where a text may stand beside its point, units, with its anchor; the first where all are free."""


def _around(x1: float, y1: float, x2: float, y2: float) -> Box:
    left, right = sorted((x1, x2))
    top, bottom = sorted((y1, y2))
    return left - _DOT, top - _DOT, right + _DOT, bottom + _DOT


def _text_box(x: float, y: float, anchor: str, width: float) -> Box:
    left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
    return left, y - TEXT / 2, left + width, y + TEXT / 2


def _shared(one: Box, other: Box) -> float:
    """Return the area that two boxes have in common."""
    across = min(one[2], other[2]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[1], other[1])
    return max(across, 0.0) * max(down, 0.0)


def grey_picture(values: NDArray[np.integer], low: float, high: float, most: int = 32) -> str:
    """Return values as a grey PNG in a data URL; black at `low`, white at `high`.

    The file is stored without compression, so that no library's version can change its bytes.

    Parameters
    ----------
    values : int (n_rows, n_cols)
    most : int
        Larger pictures are summed over blocks of pixels until neither side is longer than this.
    """
    rows, cols = (-(-n // most) for n in values.shape)
    height, width = values.shape[0] // rows, values.shape[1] // cols
    cut = values[: height * rows, : width * cols].reshape(height, rows, width, cols)
    means = cut.mean(axis=(1, 3))
    grey = np.clip(np.floor(256 * (means - low) / max(high - low, 1e-9)), 0, 255).astype(np.uint8)
    # PNG (ISO/IEC 15948): one filter byte before each row; zlib's stored blocks (RFC 1950, 1951).
    raw = np.concatenate([np.zeros((height, 1), np.uint8), grey], axis=1).tobytes()
    stored = b"\x78\x01\x01" + struct.pack("<HH", len(raw), len(raw) ^ 0xFFFF) + raw
    packed = stored + struct.pack(">I", zlib.adler32(raw))
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", packed), (b"IEND", b""))
    png = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
