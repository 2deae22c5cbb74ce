"""A point's direction or range as people read it: rows, sentences, maps, the evaluation page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from runtime.budget.page.report import page_style
from trainer.page_template import page_template
from trainer.tell.charts import Plot, Room
from trainer.tell.sentences import emulated_words

__all__ = ["source_card_lines", "source_page", "source_rows", "source_words"]

Row = Mapping[str, Any]
_CUES = {
    "rig_none": "no source", "rig_two": "two sources", "rig_three": "three sources",
    "rig_outside": "one source behind the field's edge", "rig_bright": "one source, saturated",
}  # fmt: skip
_PPM_PER_K = 17.0
"""Expansion of glass-fibre board along its plane (FR-4, any board maker's table, from memory)."""


def _number(value: float) -> str:
    return f"{value:.3g}"


def source_rows(evaluation: Row) -> list[tuple[str, ...]]:
    """Return rows (value, pipeline, rms, bias, bound, ratio, bias over bound, within)."""
    found = evaluation["source"]
    return [
        (
            f"{name.replace('_', ' ')}, {unit}", label, _number(each["rmse"]),
            _number(each["bias"]), _number(each["bound"]), f"{each['ratio']:.2f}",
            f"{each['bias_over_bound']:+.2f}", f"{100 * each['within']:.1f} %",
        )
        for i, (name, unit) in enumerate(zip(found["names"], found["value_units"], strict=True))
        for key, label in (("fixed", "fixed point"), ("float", "float"))
        if found[key]
        for each in (found[key][i],)
    ]  # fmt: skip


def source_words(evaluation: Row) -> dict[str, str]:
    """Return the head of the page: a title and the sentences below it."""
    found = evaluation["source"]
    calibration = found["calibration"]
    if not found["fixed"]:
        title, ratio = "No frame of one source was called valid.", ""
    else:
        fixed = found["fixed"]
        title, ratio = (
            (
                f"Direction off by {_number(math.hypot(fixed[0]['rmse'], fixed[1]['rmse']))} mrad "
                f"(root mean square), {fixed[0]['ratio']:.2f} and {fixed[1]['ratio']:.2f} times "
                "the least that noise allows."
            ),
            "",
        )
        if len(fixed) > 2:
            title, ratio = (
                (
                    f"Inverse distance off by {_number(fixed[2]['rmse'])} 1/m (root mean square), "
                    f"{fixed[2]['ratio']:.2f} times the least that noise allows."
                ),
                f"{title} ",
            )
    drift = ""
    if found["baseline_mm"]:
        drift = (
            f"The baseline of {found['baseline_mm']:g} mm grows by "
            f"{_PPM_PER_K * found['baseline_mm'] * 1e-3:.3f} µm a kelvin where the apertures stand "
            f"on glass-fibre board ({_PPM_PER_K:g} ppm/K, from memory), and every distance by as "
            "many millionths. What warming does to the optics themselves is not known here: "
            "calibrate at the temperature of use, or record a warming unit and look at its offset."
        )
    moved = calibration.get("shift_inverse")
    if moved:
        half = float(found["half_widths"][2])
        drift += (
            f" One optic that moves over its pixels along the baseline by a hundredth of a pixel "
            f"adds {_number(moved)} 1/m to every inverse distance, where the interval is "
            f"{_number(half)} 1/m to either side, and no frame shows it: intervals are those of "
            "the optics as they were calibrated. Across the baseline one of a few hundredths makes "
            "every value invalid. So look at a light of known distance now and then, and record "
            "it: a unit that is off by more than its interval is called uncalibrated below. One "
            f"beyond {1.0 / half:,.0f} m has an inverse distance of none within the interval."
        )
    return {
        "title": title,
        "frames": f"{ratio}Of {found['n_frames']:,} frames of one source, "
        f"{found['n_valid']:,} were called valid; figures are of these. The bound is that of "
        "Cramer and Rao for each frame's own brightness, background unknown, from the calibrated "
        "optic's derivative.",
        "calibration": f"Calibrated on unit {calibration['unit']}: {calibration['n_directions']:,} "
        f"directions, {calibration['n_frames']:,} frames, learned as {calibration['learned_as']}. "
        "Of what readouts vary by over the pixels, the learned optic leaves "
        f"{' and '.join(f'{100 * u:.1f} %' for u in calibration['unexplained'])} unexplained"
        f"{', by aperture' if len(calibration['unexplained']) > 1 else ''}. Filters are made "
        f"for {calibration['design_electrons']:,.0f} electrons an aperture; "
        f"{calibration['n_cells']:,} cells of {calibration['cell_mrad']:g} mrad, tables of "
        f"{calibration['table_bytes'] / 1024:,.0f} KiB.",
        "drift": drift,
    }


def _shade(value: float | None, low: float, high: float) -> str:
    """Return how strong a cell is tinted, per cent of the page's accent."""
    if value is None:
        return "0"
    return f"{max(0.0, min(1.0, (value - low) / max(high - low, 1e-9))) * 60:.0f}"


def _map(values: Sequence[Sequence[float | None]], digits: int, low: float, high: float) -> Markup:
    """Return a map as a table, the highest y above."""
    rows = []
    for row in reversed(values):
        cells = "".join(
            f'<td style="background:color-mix(in srgb,var(--accent,#06c) {_shade(v, low, high)}%,'
            f'transparent)">{"" if v is None else f"{v:.{digits}f}"}</td>'
            for v in row
        )
        rows.append(f"<tr>{cells}</tr>")
    return Markup(f"<tbody>{''.join(rows)}</tbody>")  # noqa: S704 - numbers alone


def _maps(evaluation: Row) -> list[dict[str, Any]]:
    field = evaluation["source"]["over_field"]
    wanted = (
        ("rmse", "Error of both angles, mrad", 3), ("ratio", "Error over the bound", 2),
        ("bias", "Bias over the bound", 2), ("valid", "Share of frames called valid", 2),
    )  # fmt: skip
    found = []
    for key, title, digits in wanted:
        numbers = [v for row in field[key] for v in row if v is not None]
        if numbers:
            low = min(1.0, min(numbers)) if key in ("ratio", "valid") else 0.0
            found.append({"title": title, "body": _map(field[key], digits, low, max(numbers))})
    return found


def _distance_chart(rows: Sequence[Row]) -> Markup:
    """Error of range and bound, per cent of the distance, over the distance."""
    most = max(max(r["inverse_relative_rmse"], r["relative_bound"]) for r in rows)
    low, high = rows[0]["distance_mm"], max(rows[-1]["distance_mm"], rows[0]["distance_mm"] * 1.01)
    plot = Plot(
        "Error of range in per cent of the distance, and its bound, over the distance",
        (low, high), (0.0, 100 * most * 1.1), x_scale=math.log10, room=Room(left=44.0),
    )  # fmt: skip
    ticks = [t for t in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if low <= t <= high]
    plot.x_axis([(float(t), f"{t}") for t in ticks], "distance, mm")
    step = 10.0 ** math.floor(math.log10(100 * most)) if most > 0 else 1.0
    plot.y_axis([(k * step, f"{k * step:g} %") for k in range(12) if k * step <= 100 * most * 1.1])
    xs = [r["distance_mm"] for r in rows]
    plot.line(xs, [100 * r["relative_bound"] for r in rows], "rule")
    for row in rows:
        plot.dot(row["distance_mm"], 100 * row["inverse_relative_rmse"], "right")
    return plot.svg()


def _pair_rows(pair: Row) -> list[tuple[str, ...]]:
    """Return rows (apart, ratio, frames, both, one, wrong, then rms and ratio of each source)."""
    rows = []
    for row in pair["rows"]:
        (near, far), (low, high) = row["apart_deg"], row["ratio"]
        each = [row.get(name) for name in ("first", "second")]
        shown = [text for one in each for text in (
            (f"{_number(one['rmse'])} mrad", f"{one['ratio']:.2f}") if one else ("", "")
        )]  # fmt: skip
        rows.append((
            f"{near:g} to {far:g}°" if far < 180 else f"from {near:g}°", f"{low:g} to {high:g}",
            f"{row['n_frames']:,}", f"{100 * row['two']:.0f} %", f"{100 * row['one']:.0f} %",
            f"{row['wrong']:,}", *shown,
        ))  # fmt: skip
    return rows


def source_card_lines(evaluation: Row) -> list[str]:
    """Return what the model card says of a point's model."""
    words = source_words(evaluation)
    return [
        "## Measurement", "",
        f"{words['title']} {words['frames']}", "",
        words["calibration"], "",
        *([words["drift"], ""] if words["drift"] else []),
        "| value | pipeline | rms | bias | bound | over the bound | bias over it | in interval |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *(f"| {' | '.join(row)} |" for row in source_rows(evaluation)), "",
        *_pair_card_lines(evaluation["source"]),
    ]  # fmt: skip


def _pair_card_lines(found: Row) -> list[str]:
    if "pair" not in found:
        return []
    halves = found["pair"]["half_widths"]
    return [
        "Two sources: each value's interval is "
        f"{_number(max(halves[:2]))} mrad of the brighter and {_number(max(halves[2:]))} mrad of "
        f"the dimmer to either side; from {found['pair']['least_apart_deg']:g}° on they are told "
        "apart. What is said above is of one source in view.", "",
        "| apart | dimmer over brighter | frames | both told | one told | wrong | brighter off by "
        "| over the bound | dimmer off by | over the bound |",
        f"|{' --- |' * 10}",
        *(f"| {' | '.join(row)} |" for row in _pair_rows(found["pair"])), "",
    ]  # fmt: skip


def source_page(evaluation: Row) -> str:
    """Return the evaluation page as HTML text, self-contained, the same bytes each time."""
    found = evaluation["source"]
    refused = [
        (_CUES.get(cue, cue), row["n_frames"], row["n_valid"])
        for cue, row in found["refusals"].items()
    ]
    return page_template("trainer.tell", "source.html.j2").render(
        e=evaluation,
        found=found,
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        words=source_words(evaluation),
        rows=source_rows(evaluation),
        maps=_maps(evaluation),
        pair=_pair_rows(found["pair"]) if "pair" in found else [],
        chart=_distance_chart(found["over_distance"]) if found["over_distance"] else "",
        refused=refused,
        units=[
            (name, check, _map(check["map"], 2, 0.0, max(
                [v for row in check["map"] for v in row if v is not None], default=1.0)))
            for name, check in found["units"].items()
        ],
        emulated=emulated_words(evaluation),
    )  # fmt: skip
