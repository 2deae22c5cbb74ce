"""The page of a trace: predicted beside measured, the trace drawn, in print and on a phone."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from trace_bench import Bench, Synthesis, device

from runtime.trace import measurement
from runtime.trace.drawing import draw_frame, draw_whole
from runtime.trace.measurement import Expected, Measurement, measure_trace
from runtime.trace.page import measurement_lines, measurement_page
from runtime.trace.parts_file import measured_parts
from runtime.trace.terms import terms

RANGES = ((1_000.0, 0.1, 0.02, 1.0), (200_000.0, 20.0, 2.0, 1.0))


@pytest.fixture(scope="module")
def found() -> Measurement:
    """One measurement for all pages."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(measurement, "sha256_of", lambda path: "5" * 64)
        synthesis = Synthesis(
            device(driver__efficiency=0.7, mcu__sleep_current=30.0),
            Bench(duration_s=10.0, ranges=RANGES, jitter_us=100.0, held=1),
        )
        trace, bench = synthesis.trace()
        return measure_trace(trace, bench, Expected(205.0), np.random.default_rng(1))


def test_every_term_stands_beside_its_prediction(found: Measurement) -> None:
    """Terms of the budget are the prediction's, and those that differ on the device differ here.

    The driver takes 0.82 / 0.70 of what the budget says, sleep several times; the rest is as said.
    """
    made = device()
    rows = {t.name: t for t in terms(found, made)}
    total = made.floor_uw * made.period_us / 1e6 + sum(s.energy_uj for s in made.steps)
    under_led = next(s for s in made.steps if s.phase == "led").energy_uj
    lit = made.terms_uj["LED"] + made.terms_uj["LED driver"]
    assert sum(t.predicted_uj or 0.0 for t in rows.values()) == pytest.approx(total, rel=1e-9)
    assert lit < under_led

    def ratio(name: str) -> float:
        predicted = rows[name].predicted_uj
        assert predicted is not None
        return rows[name].measured_uj.typical / predicted

    assert ratio("LED and its driver") == pytest.approx(0.82 / 0.70, rel=0.01)
    assert ratio("sleep, standby and quiescent currents") > 3.0
    assert ratio("compute, and bringing its clock up") == pytest.approx(1.0, rel=0.02)
    assert ratio("sensor on, waiting, pixels and their transfer") == pytest.approx(1.0, rel=0.02)
    page = measurement_page(found, made, measured_parts(found, made))
    for name in rows:
        assert name in page


def test_the_page_is_the_same_bytes_and_asks_nobody(found: Measurement) -> None:
    """Two pages are equal; nothing on it comes from elsewhere."""
    made = device()
    parts = measured_parts(found, made)
    first = measurement_page(found, made, parts)
    assert first == measurement_page(found, made, parts)
    assert not re.search(r"""(?:src|href)\s*=|url\(|https?:""", first)
    assert len(first) < 120_000


def test_what_comes_with_the_trace_is_text_on_the_page(found: Measurement) -> None:
    """Names in the file beside the trace cannot become elements of the page."""
    bench = found.bench.model_copy(update={"device": "<script>alert(1)</script>"})
    page = measurement_page(replace(found, bench=bench), None, None)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_without_a_budget_the_page_tells_what_was_measured(found: Measurement) -> None:
    """No prediction, no column of it; lines and page still hold every phase."""
    page = measurement_page(found, None, None)
    assert "predict" not in page.split("<body>")[1]
    lines = "\n".join(measurement_lines(found, None))
    for word in ("wake", "LED", "readout", "compute", "sleep"):
        assert word in lines
        assert f'<th scope="row">{word}</th>' in page


def test_the_drawing_shows_the_frame_as_it_is(found: Measurement) -> None:
    """Bands follow the phases in order without gaps, and all points lie within the drawing."""
    frame, whole = draw_frame(found), draw_whole(found)
    names = [b["name"] for b in frame["bands"]]
    assert names[0] == names[-1] == "sleep"
    assert [n for n in names if n != "sleep"] == ["wake", "readout", "led", "readout", "compute"]
    for a, b in zip(frame["bands"], frame["bands"][1:], strict=False):
        assert a["x2"] == b["x1"]
    lit = next(b for b in frame["bands"] if b["name"] == "led")
    read = frame["bands"][4]
    assert (read["x2"] - read["x1"]) / (lit["x2"] - lit["x1"]) == pytest.approx(973 / 205, rel=0.1)
    for drawing in (frame, whole):
        for points in (drawing["envelope"], drawing["line"]):
            for point in points.split():
                x, y = map(float, point.split(","))
                assert drawing["left"] - 0.01 <= x <= drawing["right"] + 0.01
                assert drawing["top"] - 0.01 <= y <= drawing["height"] + 0.01


def test_cautions_stand_on_page_and_lines(found: Measurement) -> None:
    """What costs accuracy is said in both places."""
    assert any("stood at the end of a range" in c for c in found.cautions)
    lines, page = "\n".join(measurement_lines(found, None)), measurement_page(found, None, None)
    for caution in found.cautions:
        assert f"caution: {caution}" in lines
        assert caution[1:] in page


def test_a_sleep_far_from_the_budget_s_is_doubted(found: Measurement) -> None:
    """Five times the budget's sleep is said with what may be behind it; near it nothing is said."""
    lines = "\n".join(measurement_lines(found, device()))
    assert "times what the budget says: look for a wrong zero" in lines
    near = device(driver__efficiency=0.7, mcu__sleep_current=28.0)
    assert "look for a wrong zero" not in "\n".join(measurement_lines(found, near))


def test_the_page_in_print_and_on_a_phone(
    found: Measurement, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Two A4 pages at most; nothing wider than 360 px, and letters of drawings can be read there.

    Letters of the drawing are at least 9 px high on the phone, as the smallest of the tables are.
    """
    from playwright.sync_api import sync_playwright

    made = device()
    path = tmp_path / "page.html"
    path.write_text(measurement_page(found, made, measured_parts(found, made)))
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=need_tool("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 360, "height": 780})
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        wider = (
            "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth)"
        )
        assert page.evaluate(f"{wider}.length") == 0
        texts = "[...document.querySelectorAll('svg text')].map(e => e.getBoundingClientRect())"
        boxes = page.evaluate(f"{texts}.map(b => [b.left, b.right, b.height])")
        assert len(boxes) > 20
        assert all(left >= 0 and right <= 360 and high >= 9 for left, right, high in boxes)
        printed = page.pdf(prefer_css_page_size=True)
        browser.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2


def test_the_page_keeps_the_rules_of_wcag(
    found: Measurement, faults_of_page: Callable[[str], list[str]]
) -> None:
    """With a prediction beside it or without, the page keeps WCAG 2.2 AA."""
    made = device()
    assert faults_of_page(measurement_page(found, made, measured_parts(found, made))) == []
    assert faults_of_page(measurement_page(found, None, None)) == []
