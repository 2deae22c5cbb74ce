"""The page: verdict first, origins beside every number, readable on paper and on a phone."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from budget_models import CORES, write_folder

from runtime.budget import Choice, Limits, budget, write_budget, write_report
from runtime.budget.page.report import budget_page
from runtime.budget.price.power import PARTS
from runtime.errors import UsageError


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("models") / "dynamic")


@pytest.fixture(scope="module")
def priced(folder: Path) -> Any:
    return budget(folder, cores=CORES, limits=Limits(average_uw=500.0, accuracy=0.9))


class _Page(HTMLParser):
    """Collects text, numbers without an origin mark near them, and addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.origins: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        fields = dict(attrs)
        if fields.get("id"):
            self.ids.append(str(fields["id"]))
        for key in ("src", "href", "data", "action"):
            if fields.get(key):
                self.addresses.append(str(fields[key]))
        if fields.get("class") == "n":
            self.origins.append(str(fields["title"]))


def test_page_needs_no_network_and_is_small(priced: Any) -> None:
    """The page loads nothing, is under 1 MB, and its ids are unique, even with two models."""
    text = budget_page([priced, priced])
    page = _Page()
    page.feed(text)
    assert all(address.startswith("#") for address in page.addresses)
    assert "@import" not in text
    assert "url(http" not in text
    assert "<script" not in text
    assert len(text.encode()) < 1_000_000
    assert len(page.ids) == len(set(page.ids))


def test_page_is_the_same_bytes_each_time(priced: Any, tmp_path: Path) -> None:
    """Two writings of one budget agree in every byte."""
    first = write_report([priced], tmp_path / "a.html").read_bytes()
    assert write_report([priced], tmp_path / "b.html").read_bytes() == first
    assert (
        write_budget(priced, tmp_path).read_bytes() == write_budget(priced, tmp_path).read_bytes()
    )


def test_page_opens_with_the_verdict_and_ends_with_origins(priced: Any) -> None:
    """Verdict first, caution on light, the baseline, and a hover origin beside every figure."""
    text = budget_page([priced])
    page = _Page()
    page.feed(text)
    order = [
        text.index(words)
        for words in (
            priced.verdict.word.capitalize(), "Where the power goes", "Value against limit",
            "four quadrants", "What would halve the power", "IEC 62471", "Evidence",
        )
    ]  # fmt: skip
    assert order == sorted(order)
    assert len(page.origins) > len(priced.inputs)
    kinds = "measured|counted|published|setting|from memory|invented|computed"
    assert all(re.match(rf"({kinds}): \S", origin) for origin in page.origins)
    assert all(part in text for part in PARTS)


def test_accuracy_of_an_emulated_sensor_is_never_shown_as_real(
    folder: Path, priced: Any, tmp_path: Path
) -> None:
    """Where recordings came from an emulated sensor, the page says so beside the accuracy."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    found["recorded_by"] = ["unit a, firmware emulated 1"]
    (copy / "evaluation.json").write_text(json.dumps(found))
    emulated = budget(copy, cores=CORES)
    assert "no measurement of real ones" in budget_page([emulated])
    assert "no measurement of real ones" not in budget_page([priced])
    compared = (
        "recordings of a real sensor: dynamic (2) (an emulated sensor, with invented people)."
    )
    assert compared in budget_page([priced, emulated])
    assert "Not recognised on recordings of a real sensor" not in budget_page([priced, priced])
    for recorded_by, words in (
        (
            ["unit a, firmware imported (real shapes, emulated optic)"],
            "Real shapes, emulated optic:",
        ),
        (["unit a, firmware 1.2", "unit b, firmware emulated 1"], "A mix of data, not all of it"),
    ):
        found["recorded_by"] = recorded_by
        (copy / "evaluation.json").write_text(json.dumps(found))
        assert words in budget_page([budget(copy, cores=CORES)])


def test_the_baseline_is_the_better_of_its_two_figures(folder: Path, tmp_path: Path) -> None:
    """Four quadrants that lose by rounding are shown with their float accuracy."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    better = {"value": 0.87, "low": 0.8, "high": 0.9}
    found["four_quadrant_float"] = {"accuracy": better, "macro_f1": better}
    (copy / "evaluation.json").write_text(json.dumps(found))
    evaluation = budget(copy, cores=CORES).evaluation
    assert evaluation is not None and evaluation.four_quadrant is not None
    assert evaluation.four_quadrant.accuracy.value == 0.87


def test_false_events_say_what_they_were_counted_in(folder: Path, tmp_path: Path) -> None:
    """A rate of false events stands beside the time and the kind of recordings it rests on."""
    rate = {"value": 490.6, "low": 337.7, "high": 689.0, "upper_95": 656.0, "n_events": 33}
    for told, words in (
        (
            {"hours": 0.0673, "counted_on": "recordings of gestures"},
            "33 in 4 min 2 s of recordings of",
        ),
        ({"hours": 2.5, "counted_on": "background"}, "33 in 2 h 30 min of everyday time"),
    ):
        copy = tmp_path / str(told["counted_on"])
        shutil.copytree(folder, copy)
        found = json.loads((copy / "evaluation.json").read_text())
        found["events"] = {"false_events_per_hour": rate | told}
        (copy / "evaluation.json").write_text(json.dumps(found))
        result = budget(copy, cores=CORES, limits=Limits(false_events_per_hour=500))
        assert words in budget_page([result])
        assert words in result.checks[0].basis.counted
        assert "490 an hour, at most 656" in budget_page([result]).replace("491", "490")


def test_invented_host_is_told_beside_the_verdict(folder: Path, tmp_path: Path) -> None:
    """A verdict on a host that nobody measured says so; on a measured one it does not."""
    text = budget_page([budget(folder, cores=CORES)])
    warning = "Draw and battery are invented: the verdict is no surer than they are."
    assert text.index("<h1") < text.index(warning) < text.index("Where the power goes")
    value = 'low = 40, typical = 41.2345, high = 43, source = "Own runs, log 3, 2026" }'
    own = tmp_path / "own.toml"
    own.write_text(
        '[host.own]\ntitle = "our watch"\nmaker = "us"\nn_sessions = 12\n'
        f'baseline_power = {{ unit = "mW", {value}\nbattery_energy = {{ unit = "Wh", {value}\n'
        f'battery_voltage = {{ unit = "V", {value}\nspread = {{ unit = "1", {value}\n'
    )
    measured = budget_page([budget(folder, cores=CORES, choice=Choice(host="own"), parts=own)])
    assert "the verdict is no surer" not in measured
    assert "41.2345 (40 to 43)\u00a0mW" in measured  # every digit, for a second calculation


def test_broken_limit_is_told_beside_the_verdict(folder: Path, priced: Any) -> None:
    """A verdict of hidden does not hide a limit that is broken."""
    assert "Not all limits are kept" not in budget_page([priced])
    broken = budget_page(
        [budget(folder, cores=CORES, limits=Limits(average_uw=1.0, stack_bytes=1))]
    )
    at = broken.index("Not all limits are kept: stack, average power.")
    assert broken.index("<h1") < at < broken.index("Where the power goes")


class _Tables(HTMLParser):
    """Cells of each table that show a number, and whether an origin stands with it."""

    def __init__(self) -> None:
        super().__init__()
        self.cells: list[tuple[str, str, bool]] = []
        self._caption = self._cell = ""
        self._inside: str | None = None
        self._marked = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self._caption = ""
        told_itself = dict(attrs).get("class") in ("src", "wrap")  # a source, a formula
        if tag in ("caption", "td") and not told_itself:
            self._inside, self._cell, self._marked = tag, "", False
        if tag == "sup" or dict(attrs).get("class") == "n":
            self._marked = True

    def handle_data(self, data: str) -> None:
        if self._inside == "caption":
            self._caption += data
        elif self._inside == "td":
            self._cell += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "td" == self._inside and re.search(r"\d", self._cell):
            self.cells.append((self._caption, self._cell.strip(), self._marked))
        if tag == self._inside:
            self._inside = None


def test_every_number_in_a_table_has_an_origin(priced: Any) -> None:
    """Each number carries a mark, or its table's caption says counted or computed."""
    tables = _Tables()
    tables.feed(budget_page([priced]))
    assert len(tables.cells) > 150
    for caption, cell, marked in tables.cells:
        told = re.search(r"[Cc]ounted|[Cc]omputed", caption)
        assert marked or told, (caption, cell)


def test_other_light_than_the_recordings_is_told_first(folder: Path, priced: Any) -> None:
    """An LED of another wavelength than the recordings' stands under the verdict, as a warning."""
    assert priced.cautions == ()
    result = budget(folder, cores=CORES, choice=Choice(led="ir850-t1"))
    text = budget_page([result])
    at = text.index("lit at 940 nm, the chosen LED emits at 850 nm")
    assert text.index("<h1") < at < text.index("average power over a day")
    assert "940 nm" in result.to_json()["cautions"][0]


def test_parts_that_do_not_fit_are_told(folder: Path, tmp_path: Path) -> None:
    """Too little memory, too slow a readout and too much current each give a sentence."""
    own = tmp_path / "own.toml"
    own.write_text("[mcu.saml21]\nflash_kb = 1\nram_kb = 1\n")
    small = Choice(mcu="saml21")
    result = budget(folder, cores=("cortex-m0plus",), choice=small, parts=own)
    assert any("bytes of flash, SAM L21 has 1,024" in c for c in result.cautions)
    strong = budget(folder, cores=CORES, choice=Choice(led="red660-smd"))
    assert any(
        "driven at 100 mA, its data-sheet values hold at 50 mA" in c for c in strong.cautions
    )
    assert "No limit would be passed down to" in budget_page([strong])
    own.write_text(
        "[mcu.saml21.state.run-48]\n"
        'clock = { unit = "MHz", typical = 0.1, source = "setting: as slow as that" }\n'
    )
    late = budget(folder, cores=("cortex-m0plus",), choice=small, parts=own)
    assert any("the rate cannot be kept" in c for c in late.cautions)


def test_models_are_compared_row_by_row(priced: Any) -> None:
    """Two models of one name are told apart, and each row holds a figure of both."""
    text = budget_page([priced, priced])
    assert "2 models compared" in text
    assert "dynamic (1)" in text
    assert "dynamic (2)" in text
    for row in (
        "average power",
        "recognised, locked recordings",
        "four-quadrant baseline",
        "flash",
    ):
        found = re.search(rf'<th scope="row">{row}</th>(.*?)</tr>', text, re.DOTALL)
        assert found is not None
        assert found[1].count("<td>") == 2
    assert text.count("<h1") == 1


def test_nothing_to_show_is_told() -> None:
    """A page of no model is refused."""
    with pytest.raises(UsageError, match="at least one"):
        budget_page([])


@pytest.mark.slow
def test_page_on_paper_and_on_a_phone(
    folder: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Three A4 pages in print, with every limit set; nothing wider than a screen of 390 px."""
    from playwright.sync_api import sync_playwright

    limits = Limits(
        cycles_per_frame=10**6, latency_ms=30.0, flash_bytes=10**6, ram_bytes=10**5,
        stack_bytes=10**4, average_uw=80.0, accuracy=0.9, false_events_per_hour=3.0,
        event_f1=0.9, verdict="hidden", percent_per_day=0.05, minutes_per_charge=1.0,
        light_margin=2.0,
    )  # fmt: skip
    every = budget(folder, limits=limits, choice=Choice(led="red660-smd"))
    path = write_report([every], tmp_path / "budget.html")
    asked: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=need_tool("chromium"))
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        wider = (
            "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth)"
        )
        assert page.evaluate(f"{wider}.length") == 0
        printed = page.pdf(prefer_css_page_size=True)
        browser.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 3
    assert asked == [path.as_uri()]


@pytest.mark.parametrize("n_models", [1, 2])
def test_the_page_keeps_the_rules_of_wcag(
    priced: Any, faults_of_page: Callable[[str], list[str]], n_models: int
) -> None:
    """The page of one model, and of models compared, keeps WCAG 2.2 AA."""
    assert faults_of_page(budget_page([priced] * n_models)) == []
