"""The page of a frontier without an LED: a sentence, a curve, a table; why; what lies below."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from runtime.budget.page.report import page_style
from trainer.choice.page import knee_wish, letters
from trainer.choice.told import COLUMNS
from trainer.choice.unlit.measures import MEASURES
from trainer.page_template import page_template
from trainer.tell.charts import Label, Plot, Room, nice_ticks
from trainer.tell.occupancy import CAUTIONS
from trainer.tell.sentences import per_hour

__all__ = ["unlit_page"]

Row = Mapping[str, Any]
_KNOB_SHARES = ("led_share", "exposure_share", "rows_share")


def unlit_page(told: Row) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Parameters
    ----------
    told : mapping
        Content of frontier.json.
    """
    template = page_template(
        "trainer.choice.unlit", "page.html.j2",
        uw=_microwatts, share=lambda x: f"{100 * x:.0f} %", minutes=_minutes, per_hour=per_hour,
        measure=lambda x: measure_words(told, x),
    )  # fmt: skip
    front, knee = _front(told), _named(told)[told["knee"]]
    near = told["nearly_best"]
    return template.render(
        t=told,
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        columns=[key for key in COLUMNS if any(p["power"][key] > 0.0 for p in front)],
        counts=told["measure"] == MEASURES["count"].title,
        front=front,
        knee=knee,
        near=near,
        letters=letters(told["front"]),
        headline=_headline(told, knee),
        chart=front_chart(told),
        emulated=any("emulated" in by for by in told["recorded_by"]),
        setting=setting_words,
        knob=_knob_value,
        weaker=any(p["setting"]["exposure_fraction"] < 1.0 for p in front),
        cautions=CAUTIONS if told["kind"] == "occupancy" else (),
        beaten_by=[o for o in told["opponents"]
                   if o["uw"] <= knee["uw"] and o["score"] >= knee["score"]],
        unset=sum(row["uw"] for row in told["held_up"] if not row["set"]),
        most=max(sum(point["power"].values()) for point in front),
        knee_wish=knee_wish(told),
    )  # fmt: skip


def _named(told: Row) -> dict[str, Row]:
    return {point["name"]: point for point in told["points"]}


def _front(told: Row) -> list[Row]:
    named = _named(told)
    return [named[name] for name in told["front"]]


def _microwatts(value: float) -> str:
    return f"{value:,.0f}" if value >= 99.95 else f"{value:.3g}"


def _minutes(value: float) -> str:
    return f"{value:.3g} min" if abs(value) >= 1.0 else f"{60 * value:.2g} s"


def measure_words(told: Row, value: float | None) -> str:
    """Say a value of the measure: a share in percent, an error in its unit."""
    if value is None:
        return "not known"
    if told["unit"]:
        return f"{value:.3g} {told['unit']}"
    return f"{100 * value:.3g} %" if told["is_error"] else f"{100 * value:.1f} %"


def _headline(told: Row, knee: Row) -> str:
    value, uw = measure_words(told, knee["value"]), _microwatts(knee["uw"])
    said = {
        "range": f"ranges that are {value} off",
        "direction": f"directions that are {value} off",
        "presence": f"presence told with {value} balanced accuracy",
        "count": f"a count that is exact in {value}",
    }
    (words,) = (said[key] for key, one in MEASURES.items() if one.title == told["measure"])
    return f"{uw} µW buys {words}."


def setting_words(point: Row) -> str:
    """Say a point's setting in one line."""
    sensor = point["sensor"]
    turned = "".join(f", {key.rpartition('.')[2]} {v}" for key, v in point["turned"].items())
    light = f", LED {sensor['led_current_ma']:g} mA" if sensor["led_current_ma"] else ""
    return (
        f"{point['recipe']}{turned}: {sensor['exposure_us']:g} µs, {sensor['n_rows']} rows, "
        f"{sensor['frame_rate_hz']:g} frames/s, {sensor['bit_depth']} bits{light}"
    )


def _knob_value(name: str, value: Any) -> str:
    if name == "rate_divisor":
        return f"every {value}"
    if name == "bits_at_most":
        return f"at most {value}"
    return f"{100 * value:.0f} %" if name in _KNOB_SHARES else str(value)


def front_chart(told: Row) -> Markup:
    """The measure against power: a stepped line for each frame rate that meets its own only."""
    front, names = _front(told), letters(told["front"])
    shown = [p for p in (*told["points"], *told["opponents"]) if p["value"] is not None]
    uws = [point["uw"] for point in shown]
    low_uw, high_uw = min(uws) * 0.985, max(uws) * 1.02
    low, high = _span(told, shown)
    plot = Plot(
        f"{told['measure']} against average power over a day: {len(front)} settings are worth "
        f"having, from {_microwatts(front[0]['uw'])} µW at {measure_words(told, front[0]['value'])}"
        f" to {_microwatts(front[-1]['uw'])} µW at {measure_words(told, front[-1]['value'])}",
        (low_uw, high_uw), (low, high), height=250.0, room=Room(left=52.0, top=14.0),
        x_scale=math.log,
    )  # fmt: skip
    plot.y_axis([(tick, measure_words(told, tick)) for tick in nice_ticks(low, high)])
    ticks = nice_ticks(low_uw, high_uw, 6)
    plot.x_axis([(tick, f"{tick:g}") for tick in ticks if tick > 0.0], "µW on average over a day")
    knee = _named(told)[told["knee"]]
    _draw_band(plot, told, knee["hz"] if told["rate_is_free"] else 0.0, high_uw, high)
    lines = []
    for rate in sorted({p["hz"] if told["rate_is_free"] else 0.0 for p in front}):
        own = [p for p in front if not told["rate_is_free"] or p["hz"] == rate]
        ends = [*(p["uw"] for p in own), high_uw if len(own) == len(front) else own[-1]["uw"]]
        values = [*(p["value"] for p in own), own[-1]["value"]]
        xs, ys = _level(ends), [v for v in values for _ in range(2)][:-1]
        plot.line(xs, ys, "line accent")
        lines.append((xs, ys))
        if told["is_error"]:
            plot.line([p["uw"] for p in own], [p["bound"] for p in own], "bound")
    for point in shown:
        if not point.get("on_front", False):
            title = f"{point.get('title', point['name'])}: {_microwatts(point['uw'])} µW"
            plot.dot(point["uw"], point["value"], "hollow", 3.4, title)
    for point in front:
        title = f"{names[point['name']]}: {setting_words(point)}"
        size = 6.0 if point["name"] == told["knee"] else 4.2
        plot.dot(point["uw"], point["value"], "right", size, title)
    labels = [
        *(Label(p["uw"], p["value"], names[p["name"]] + ", the knee" * (p["name"] == told["knee"]),
                "name") for p in front),
        *(Label(o["uw"], o["value"], o["title"], "soft") for o in told["opponents"]),
    ]  # fmt: skip
    plot.labels(labels, [*lines, *(((p["uw"],), (p["value"],)) for p in shown)])
    return plot.svg()


def _span(told: Row, shown: Sequence[Row]) -> tuple[float, float]:
    """Return the y range: from nothing for an error, up to all for a share."""
    values = [p["value"] for p in shown]
    if told["is_error"]:
        return 0.0, 1.12 * max(values)
    return max(0.0, math.floor(min(values) * 20 - 1.2) / 20), 1.0


def _level(ends: Sequence[float]) -> list[float]:
    """Return x values of a line that stays level until the next value begins."""
    return [x for x in ends for _ in range(2)][1:]


def _draw_band(plot: Plot, told: Row, rate: float, high_uw: float, top: float) -> None:
    """Shade where the best up to each power lies, of the knee's rate, within the picture."""
    band = next(each for each in told["bands"] if each["hz"] == rate)
    known = [
        (uw, low, high)
        for uw, low, high in zip(band["uw"], band["low"], band["high"], strict=True)
        if low is not None and high is not None
    ]
    if not known:
        return
    xs = _level([*(uw for uw, _, _ in known), high_uw])
    lows, highs = ([min(v, top) for row in known for v in (row[k], row[k])] for k in (1, 2))
    plot.area(xs, [*lows, lows[-1]], [*highs, highs[-1]], "band")
