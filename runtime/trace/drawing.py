"""A trace as drawings for the page: one frame on a logarithmic axis, and the whole trace."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.trace.measurement import Measurement

__all__ = ["draw_frame", "draw_whole"]

Floats = NDArray[np.float64]

WIDTH, HEIGHT, LEFT, RIGHT, TOP = 640.0, 250.0, 84.0, 10.0, 26.0
_FRAME = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP}
_COLUMNS = 320
_UNITS = ((1e6, "A"), (1e3, "mA"), (1.0, "µA"), (1e-3, "nA"))


def draw_frame(found: Measurement) -> dict[str, Any]:
    """Return one frame, asleep at both ends: median, envelope of frames, and its phases."""
    shape = found.shape
    begin, end = shape.segments[0].stop, shape.segments[-1].start
    room = max(6, (end - begin) // 8)
    start = max(begin - room, shape.first)
    stop = min(end + room, shape.first + len(shape.median_ua))
    cut = slice(start - shape.first, stop - shape.first)
    axis = _Axis(shape.low_ua[cut], shape.high_ua[cut])
    step_us = 1e6 / found.rate_hz

    def x(sample: float) -> float:
        return round(LEFT + (sample - start) / (stop - start) * (WIDTH - LEFT - RIGHT), 2)

    bands: list[dict[str, Any]] = []
    for name, segment in zip(found.names, shape.segments, strict=True):
        a, b = max(segment.start, start), min(segment.stop, stop)
        if name == "sleep":
            a, b = (start, begin) if not bands else (end, stop)
        if bands and bands[-1]["name"] == name:
            bands[-1]["x2"] = x(b)
        else:
            bands.append({"name": name, "letter": name[0].upper(), "x1": x(a), "x2": x(b)})
    return {
        "bands": bands,
        "envelope": _area(shape.low_ua[cut], shape.high_ua[cut], x, start, axis),
        "line": _line(shape.median_ua[cut], x, start, axis),
        "x_ticks": _time_ticks(start * step_us, stop * step_us, lambda us: x(us / step_us), "µs"),
        "y_ticks": axis.ticks(),
        **_FRAME,
    }


def draw_whole(found: Measurement) -> dict[str, Any]:
    """Return the envelope of the whole trace."""
    low, high = found.envelope
    axis = _Axis(low, high)
    seconds = found.n_samples / found.rate_hz
    a_cell = found.envelope_step / found.rate_hz

    def x(cell: float) -> float:
        share = min(1.0, cell * a_cell / seconds)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 2)

    unit, factor = (
        ("ms", 1e3) if seconds < 1.0 else ("s", 1.0) if seconds < 600 else ("min", 1 / 60)
    )
    return {
        "envelope": _area(low, high, x, 0, axis),
        "line": " ".join(f"{x(cell):g},{axis.y(ua):g}" for cell, ua in _means(found, a_cell)),
        "x_ticks": _time_ticks(0.0, seconds * factor, lambda t: x(t / factor / a_cell), unit),
        "y_ticks": axis.ticks(),
        **_FRAME,
    }


def _means(found: Measurement, a_cell: float) -> list[tuple[float, float]]:
    """Return cells of the envelope and the mean current of frames there, a column a point."""
    rows = found.rows
    n = len(found.bench.current.range)
    charge, time = (
        rows.values[:, :, cut].sum(axis=(1, 2)) for cut in (slice(0, n), slice(n, 2 * n))
    )
    frames = np.concatenate(([0.0], np.cumsum(rows.n_frames)))
    points = []
    for a, b in _columns(len(rows)):
        middle = (frames[a] + frames[b]) / 2.0 * found.period_s
        points.append((middle / a_cell, float(charge[a:b].sum() / time[a:b].sum())))
    return points


class _Axis:
    """A logarithmic axis of current; what is not above its lower end stands there."""

    def __init__(self, low: Floats, high: Floats) -> None:
        top = max(float(high.max()), 1e-3)
        above = low[low > 0.0]
        bottom = float(np.quantile(above, 0.05)) if len(above) else top / 1e4
        # Six decades show sleep beside the LED; noise below sleep is not drawn out further.
        self.low = math.floor(math.log10(max(bottom / 2.0, top / 1e6)))
        self.high = math.ceil(math.log10(1.2 * top))
        self.high += self.high == self.low

    def y(self, current: float) -> float:
        share = (math.log10(max(current, 10.0**self.low)) - self.low) / (self.high - self.low)
        return round(HEIGHT - share * (HEIGHT - TOP), 2)

    def ticks(self) -> list[tuple[float, str]]:
        """Places and labels, one a decade."""
        found = []
        for decade in range(self.low, self.high + 1):
            value = 10.0**decade
            size, unit = next(((s, u) for s, u in _UNITS if value >= s), _UNITS[-1])
            found.append((self.y(value), f"{value / size:g} {unit}"))
        return found


def _columns(n: int) -> list[tuple[int, int]]:
    edges = np.unique(np.linspace(0, n, min(n, _COLUMNS) + 1).astype(int)).tolist()
    return list(pairwise(edges))


def _area(low: Floats, high: Floats, x: Any, start: int, axis: _Axis) -> str:
    """Return the points of a polygon between the lowest and the highest current."""
    upper, lower = [], []
    for a, b in _columns(len(low)):
        top, bottom = axis.y(float(high[a:b].max())), axis.y(float(low[a:b].min()))
        for at in (x(start + a), x(start + b)):
            upper.append(f"{at:g},{top:g}")
            lower.append(f"{at:g},{bottom:g}")
    return " ".join([*upper, *lower[::-1]])


def _line(values: Floats, x: Any, start: int, axis: _Axis) -> str:
    """Return the points of a line in steps, each column at its highest."""
    points = []
    for a, b in _columns(len(values)):
        y = axis.y(float(values[a:b].max()))
        points += [f"{x(start + a):g},{y:g}", f"{x(start + b):g},{y:g}"]
    return " ".join(points)


def _time_ticks(low: float, high: float, x: Any, unit: str) -> list[tuple[float, str, str]]:
    span = (high - low) / 5.0
    power = 10.0 ** math.floor(math.log10(span))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= span)
    first = math.ceil(low / step)
    values = [i * step for i in range(first, math.floor(high / step) + 1)]
    found = []
    for v in values:
        text = f"{v:g} {unit}" if v == values[-1] else f"{v:g}"
        # A label at the right end would stand half outside the drawing.
        found.append((x(v), text, "end" if x(v) > WIDTH - 4 * RIGHT else "middle"))
    return found
