"""A measurement as lines, as JSON and as a page: predicted beside measured, the trace drawn."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from runtime.budget.page.marked_numbers import plain
from runtime.trace.drawing import draw_frame, draw_whole
from runtime.trace.measurement import Measurement
from runtime.trace.parts_file import MeasuredParts
from runtime.trace.predicted import Prediction
from runtime.trace.terms import doubts, terms

__all__ = ["measurement_json", "measurement_lines", "measurement_page"]

WORDS = {
    "wake": "wake", "led": "LED", "readout": "readout", "compute": "compute", "sleep": "sleep",
}  # fmt: skip
"""The phases as the page writes them."""


def measurement_lines(found: Measurement, predicted: Prediction | None) -> Iterator[str]:
    """Yield the lines that the command prints."""
    yield _headline(found)
    for one in found.phases:
        charge = one.charge_nc
        words = (
            f"  {WORDS[one.phase]:8} {plain(one.time_us.mean):>8} us {plain(charge.mean):>8} nC "
            f"[{plain(charge.both.low)}, {plain(charge.both.high)}]"
        )
        if predicted is not None:
            nc = 1e3 * predicted.energy_uj(one.phase) / predicted.supply_v
            words += f", predicted {plain(nc)} nC"
        yield words
    for sentence in (*found.cautions, *doubts(found, predicted)):
        yield f"  caution: {sentence}"


def _headline(found: Measurement) -> str:
    kind = "synthetic trace, no device was measured" if found.bench.synthetic else "measured"
    return (
        f"{found.trace}: {kind}; {found.n_frames} frames of {1e3 * found.period_s:.4g} ms, "
        f"mean {plain(found.mean_ua)} uA at {found.rate_hz:,.0f} samples a second"
    )


def measurement_json(
    found: Measurement, predicted: Prediction | None, parts: MeasuredParts | None
) -> dict[str, Any]:
    """Return all figures as plain JSON values."""
    bench = found.bench
    told: dict[str, Any] = {
        "kind": bench.kind,
        "trace": found.trace,
        "sha256": found.sha256,
        "device": bench.device,
        "instrument": bench.instrument,
        "date": bench.date.isoformat(),
        "state": bench.state,
        "rate_hz": found.rate_hz,
        "n_samples": found.n_samples,
        "n_frames": found.n_frames,
        "n_frames_left_out": found.n_left_out,
        "frame_period_s": found.period_s,
        "frame_jitter_s": found.jitter_s,
        "mean_ua": found.mean_ua,
        "phases": {
            one.phase: {
                "n_samples": one.n_samples,
                **{
                    key: getattr(one, key).to_json()
                    for key in ("time_us", "charge_nc", "energy_uj", "current_ua")
                },
            }
            for one in found.phases
        },
        "terms": [
            {
                "name": t.name,
                "budget_terms": list(t.of),
                f"{bench.kind}_uj": t.measured_uj.to_json(),
                "predicted_uj": t.predicted_uj,
            }
            for t in terms(found, predicted)
        ],
        "cautions": [*found.cautions, *doubts(found, predicted)],
    }
    if predicted is not None:
        told["predicted"] = {
            phase: {"time_us": predicted.time_us(phase), "energy_uj": predicted.energy_uj(phase)}
            for phase in WORDS
        }
    if parts is not None:
        told["parts"] = [
            {
                "value": ".".join((*p.table, p.key)),
                "unit": p.unit,
                "low": p.low,
                "typical": p.typical,
                "high": p.high,
                "before": p.before,
            }
            for p in parts.values
        ]
        told["parts_missing"] = list(parts.missing)
    return told


def measurement_page(
    found: Measurement, predicted: Prediction | None, parts: MeasuredParts | None
) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    own = resources.files("runtime.trace").joinpath("page.html.j2").read_text("utf-8")
    style = resources.files("runtime").joinpath("page.css").read_text("utf-8")
    environment.filters.update(plain=plain)
    environment.globals.update(words=WORDS, apart=_apart, unit=_unit)
    return (
        environment.from_string(own)
        .render(
            style=Markup(style),  # noqa: S704 - our own file
            m=found,
            cautions=[*found.cautions, *doubts(found, predicted)],
            predicted=predicted,
            parts=parts,
            terms=terms(found, predicted),
            headline=_headline(found),
            frame=draw_frame(found),
            whole=draw_whole(found),
            done="synthetic" if found.bench.synthetic else "measured",
        )
        .lstrip()
    )


def _apart(measured: float, predicted: float) -> str:
    """Say how far a measured value is from the predicted one."""
    if predicted <= 0.0:
        return ""
    ratio = measured / predicted
    if not 0.5 <= ratio <= 2.0:
        return f"{plain(ratio)} times"
    text = f"{100 * (ratio - 1):+.1f} %".replace("-", "−")
    return text if text[1:] != "0.0 %" else "0.0 %"


def _unit(name: str) -> str:
    """Return a unit of the parts library as people write it."""
    return "" if name == "1" else name.replace("u", "µ", 1) if name[0] == "u" else name
