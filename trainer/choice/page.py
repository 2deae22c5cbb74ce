"""The frontier's page: one sentence, one curve, one table; then why, and what lies below."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from runtime.budget.page.report import page_style
from trainer.choice.told import COLUMNS
from trainer.page_template import page_template
from trainer.tell.charts import Label, Plot, Room, nice_ticks
from trainer.tell.sentences import per_hour

__all__ = ["frontier_page", "knee_wish"]

FEW_PEOPLE = 12
"""Below, an interval is wide because of them and not because of the setting: Student's quantile is
a tenth wider than the normal's, and one person a tenth of what is told."""
Row = Mapping[str, Any]


def frontier_page(told: Row) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Parameters
    ----------
    told : mapping
        Content of frontier.json.
    """
    template = page_template(
        "trainer.choice", "page.html.j2", uw=_uw, percent=_percent, share=_share,
        minutes=_minutes, false_events=false_events,
    )  # fmt: skip
    named = {point["name"]: point for point in told["points"]}
    front = [named[name] for name in told["front"]]
    knee = named[told["knee"]]
    return template.render(
        t=told,
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        columns=COLUMNS,
        measure=told["measure"][0].upper() + told["measure"][1:],
        unset=sum(row["uw"] for row in told["held_up"] if not row["set"]),
        flattered=told["band"]["optimism"][-1],
        few=FEW_PEOPLE,
        front=front,
        knee=knee,
        letters=letters(told["front"]),
        less=told["two_points_less"],
        best=front[-1],
        beaten_by=[
            o for o in told["opponents"] if o["uw"] <= knee["uw"] and o["score"] >= knee["score"]
        ],
        chart=front_chart(told),
        scale=power_scale(told),
        emulated=any("emulated" in by for by in told["recorded_by"]),
        setting=setting_words,
        tried=len(told["cheap"]),
        knob_value=knob_value,
        knee_wish=knee_wish(told),
        watched=any("misses" in v for row in told["knobs"] for v in row["values"]),
        most=max(sum(point["power"].values()) for point in front),
    )


def letters(names: Sequence[str]) -> dict[str, str]:
    """Return A, B, C... for the points of a front, by rising power."""
    return {
        name: chr(ord("A") + place) if place < 26 else str(place + 1)
        for place, name in enumerate(names)
    }


def _uw(value: float) -> str:
    return f"{value:,.0f}" if value >= 99.95 else f"{value:.3g}"


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %"


def _share(value: float) -> str:
    return f"{100 * value:.0f} %"


def _minutes(value: float) -> str:
    if abs(value) >= 1.0:
        return f"{value:.3g} min"
    return f"{60 * value:.2g} s"


def setting_words(point: Row) -> str:
    """Say a point's setting in one line."""
    sensor, device = point["sensor"], point["device"]
    turned = "".join(f", {key.rpartition('.')[2]} {v}" for key, v in point["turned"].items())
    return (
        f"{point['recipe']}{turned}: {sensor['led_current_ma']:g} mA for "
        f"{sensor['exposure_us']:g} µs, {sensor['n_rows']} rows, {sensor['frame_rate_hz']:g} "
        f"frames/s, {sensor['bit_depth']} bits; watching "
        f"{device['watching_rate_hz']:g} times a second, {device['watching_rows']} rows, "
        f"{device['watching_led_current_ma']:g} mA for {device['watching_exposure_us']:g} µs"
    )


def knee_wish(told: Row) -> str:
    """Return a wish that the knee fulfils, and no point of the front above it: ``uw<=36.7``."""
    named = {point["name"]: point for point in told["points"]}
    knee_uw = float(named[told["knee"]]["uw"])
    above = [uw for name in told["front"] if (uw := float(named[name]["uw"])) > knee_uw]
    for digits in range(7):
        most = math.ceil(knee_uw * 10**digits) / 10**digits
        if most >= knee_uw and not any(uw <= most for uw in above):
            break
    return f"uw<={most:.{digits}f}"


def knob_value(name: str, at: Row) -> str:
    """Say one value of a knob and what it gives; of watching, beside the way that was chosen."""
    knob, value = name.rpartition(".")[2], at["value"]
    said = f"{value:g}" if isinstance(value, float) else str(value)
    if knob in ("led_share", "exposure_share", "rows_share"):
        said = f"{100 * value:.3g} %"
    elif knob == "rate_divisor":
        said = f"every {value}"
    elif knob == "bits_at_most":
        said = f"at most {value}"
    if "misses" not in at:
        return f"{said}: {_uw(at['uw'])} µW, {_percent(at['accuracy'])}"
    more = at["more_uw"]
    cost = "" if at["here"] else f"{_uw(abs(more))} µW {'more' if more > 0.0 else 'less'}, "
    return f"{said}: {cost}{_percent(at['misses'])} missed"


def front_chart(told: Row) -> Markup:
    """Score against power: what was tried, what is worth having, and how surely."""
    named = {point["name"]: point for point in told["points"]}
    front = [named[name] for name in told["front"]]
    uws = [point["uw"] for point in (*told["points"], *told["opponents"])]
    low_uw, high_uw = min(uws) * 0.93, max(uws) * 1.12
    # Plain sensors far below would press what there is to choose among into a strip.
    lowest = min([*(p["score"] for p in told["points"]), *told["band"]["low"]])
    low = max(0.0, math.floor(lowest * 20 - 1.2) / 20)
    shown = [*told["points"], *(o for o in told["opponents"] if o["score"] > low)]
    plot = Plot(
        f"{told['measure']} against average power over a day: {len(front)} settings are worth "
        f"having, from {_uw(front[0]['uw'])} µW at {_percent(front[0]['score'])} to "
        f"{_uw(front[-1]['uw'])} µW at {_percent(front[-1]['score'])}",
        (low_uw, high_uw), (low, 1.0), height=256.0, room=Room(left=40.0, top=20.0),
        x_scale=math.log,
    )  # fmt: skip
    plot.y_axis(
        [(tick, f"{100 * tick:g} %") for tick in nice_ticks(low, 1.0)],
        told["measure"][0].upper() + told["measure"][1:],
    )
    ticks = nice_ticks(low_uw, high_uw, 6)
    plot.x_axis([(tick, f"{tick:g}") for tick in ticks if tick > 0.0], "µW on average over a day")
    band = told["band"]
    xs = [*band["uw"], high_uw]
    plot.area(*_steps(xs, [*band["low"], band["low"][-1]], [*band["high"], band["high"][-1]]),
              "band")  # fmt: skip
    line = [*front, {"uw": high_uw, "score": front[-1]["score"]}]
    stepped = _steps([p["uw"] for p in line], [p["score"] for p in line], [0.0] * len(line))
    plot.line(stepped[0], stepped[1], "line accent")
    for point in shown:
        if not point.get("on_front", False):
            what = point.get("title", point["name"])
            title = f"{what}: {_uw(point['uw'])} µW, {_percent(point['score'])}"
            plot.dot(point["uw"], point["score"], "hollow", 3.4, title)
    names = letters(told["front"])
    for point in front:
        at_knee = point["name"] == told["knee"]
        title = f"{names[point['name']]}: {setting_words(point)}"
        plot.dot(point["uw"], point["score"], "right", 6.0 if at_knee else 4.2, title)
    dots = [((point["uw"],), (point["score"],)) for point in shown]
    plot.labels(_named_points(told, front, low), [stepped[:2], *dots])
    return plot.svg()


def _named_points(told: Row, front: Sequence[Row], low: float) -> list[Label]:
    names = letters(told["front"])
    words = {name: letter + ", the knee" * (name == told["knee"]) for name, letter in names.items()}
    return [
        *(Label(p["uw"], p["score"], words[p["name"]], "name") for p in front),
        *(Label(o["uw"], o["score"], o["title"], "soft")
          for o in told["opponents"] if o["score"] > low),
        *(Label(o["uw"], low, f"↓ {title}, {_percent(o['score'])}", "soft")
          for title, o in _best_of_each(told["opponents"]).items() if o["score"] <= low),
    ]  # fmt: skip


def _best_of_each(opponents: Sequence[Row]) -> dict[str, Row]:
    """Return of each plain sensor the setting that recognises most."""
    return {o["title"]: o for o in sorted(opponents, key=lambda o: float(o["score"]))}


def false_events(counted: Row) -> str:
    """Say how many false events were counted in how long, and how many an hour there are at most.

    A rate of one event in minutes would look like one that was measured.
    """
    n, minutes = counted["n_events"], 60.0 * counted["hours"]
    what = "everyday life" if counted["counted_on"] == "background" else "recordings"
    lasting = f"{minutes:.0f} min" if minutes >= 1.0 else f"{60.0 * minutes:.0f} s"
    return (
        f"{n} false event{'' if n == 1 else 's'} in {lasting} of {what}, at most "
        f"{per_hour(counted['upper_95'])} an hour of it"
    )


def _steps(
    xs: Sequence[float], lows: Sequence[float], highs: Sequence[float]
) -> tuple[list[float], list[float], list[float]]:
    """Return lines that stay level until the next value begins."""
    across = [x for x in xs for _ in range(2)][1:]
    down = [v for v in lows for _ in range(2)][:-1]
    up = [v for v in highs for _ in range(2)][:-1]
    return across, down, up


def power_scale(told: Row) -> Markup:
    """Power alone, over decades: the floor, the front, plain sensors, and other kinds of sensor."""
    named = {point["name"]: point for point in told["points"]}
    front = [named[name] for name in told["front"]]
    rows: list[tuple[str, float, float, str]] = [
        ("photon limit", told["floor"]["photon_uw"], told["floor"]["photon_uw"], "hollow"),
        ("always-on electronics", *2 * (told["floor"]["always_on_uw"],), "hollow"),
        ("this front", front[0]["uw"], front[-1]["uw"], "right"),
    ]
    plain = {o["title"]: [p["uw"] for p in told["opponents"] if p["title"] == o["title"]]
             for o in told["opponents"]}  # fmt: skip
    rows += [(title, min(uws), max(uws), "hollow") for title, uws in plain.items()]
    short = {"camera": "camera alone, always on", "camera_in_turns": "camera alone, as many frames",
             "time_of_flight": "time of flight alone"}  # fmt: skip
    rows += [(short.get(o["name"], o["name"]), o["low_uw"], o["high_uw"], "hollow")
             for o in told["other_sensors"]]  # fmt: skip
    values = [value for _, low, high, _ in rows for value in (low, high)]
    low, high = 10 ** math.floor(math.log10(min(values))), 10 ** math.ceil(math.log10(max(values)))
    plot = Plot(
        "Power of this front beside the floor below it and other sensors above it",
        (low, high), (-0.7, len(rows) - 0.3), height=46.0 + 17.0 * len(rows),
        room=Room(left=140.0, right=66.0), x_scale=math.log,
    )  # fmt: skip
    decades = [10.0**k for k in range(round(math.log10(low)), round(math.log10(high)) + 1)]
    plot.x_axis([(d, f"{d:,g}") for d in decades[::2]], "µW")
    for place, (title, least, most, kind) in enumerate(reversed(rows)):
        plot.line((low, high), (place, place), "faint")
        plot.line((least, most), (place, place), "interval")
        plot.dot(least, place, kind)
        plot.dot(most, place, kind)
        plot.margin_note(place, title)
        span = _uw(most) if _uw(least) == _uw(most) else f"{_uw(least)} to {_uw(most)}"
        plot.note(most * (high / low) ** 0.04, place, span)  # clear of the dot
    return plot.svg()
