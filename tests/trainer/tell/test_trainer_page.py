"""The evaluation page: what stands first, what it may not need, and what its charts show."""

from __future__ import annotations

import base64
import io
import math
import re
import shutil
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import chain
from pathlib import Path

import numpy as np
import pytest
from matplotlib.ticker import MaxNLocator
from PIL import Image
from playwright.sync_api import sync_playwright

from capture.store.session import read_session
from trainer.fit.training import Trained, fit_model
from trainer.judge.worst_takes import readouts_of
from trainer.recipe import load_recipe
from trainer.tell.charts import Label, Plot, Room, grey_picture, nice_ticks
from trainer.tell.page import evaluation_page
from trainer.tell.page_charts import participants_chart, trade_off_chart
from trainer.train import train_model

VOID = {"meta", "img", "br", "hr", "input", "link"}
DRAWN = {"line", "circle", "rect", "polyline"}


class Outline(HTMLParser):
    """Reads a page, and fails where its tags are not balanced."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID | DRAWN:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def trained(
    recorded_once: Path, small_recipe_once: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Trained, str, Path]:
    """A model of the small data set, its page, and the data."""
    data = Path(shutil.copytree(recorded_once, tmp_path_factory.mktemp("page") / "data"))
    found = fit_model(data, load_recipe(small_recipe_once))
    page = evaluation_page(found.evaluation, found.worst, readouts_of(found.worst))
    return found, page, data


def test_the_page_is_whole_and_says_the_verdict_first(trained: tuple[Trained, str, Path]) -> None:
    """Tags are balanced, and the accuracy stands in the title before any table or chart."""
    found, page, _ = trained
    outline = Outline()
    outline.feed(page)
    assert not outline.open
    accuracy = found.evaluation["everybody"]["accuracy"]["value"]
    title = re.search(r'<h1 class="top">(.*?)</h1>', page)
    assert title is not None
    assert title.group(1).startswith(f"{100 * accuracy:.1f} % of takes recognised")
    assert title.end() < page.index("<table") < page.index("<svg")
    assert "emulated sensor with invented people" in page


def test_the_page_needs_nothing_but_itself(trained: tuple[Trained, str, Path]) -> None:
    """No script, no address, no file beside it; under a megabyte; the same bytes again."""
    found, page, _ = trained
    assert "<script" not in page and "http" not in page and "url(" not in page
    sources = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert sources and all(source.startswith("data:image/png;base64,") for source in sources)
    assert len(page.encode()) < 1_000_000
    assert page == evaluation_page(found.evaluation, found.worst, readouts_of(found.worst))
    assert not re.search(r"\bnan\b|\binf\b|undefined", page)


def test_a_margin_of_its_own_is_told_for_each_gesture_that_has_one(
    trained: tuple[Trained, str, Path],
) -> None:
    """The page names the gestures that need more than the common margin, and no others."""
    found, page, _ = trained
    assert "on top of it" not in page
    events = found.evaluation["events"] | {"more_margin": {"swipe_left": 0.25, "push": 0.0}}
    told = evaluation_page(found.evaluation | {"events": events}, (), [])
    assert re.search(r"\d and, on top of it, 0\.250 for swipe left, was chosen", told)
    assert "what some gestures need on top of the margin stays" in told


def test_every_picture_is_told_in_words_and_every_chart_as_a_table(
    trained: tuple[Trained, str, Path],
) -> None:
    """Charts and readouts have a text for those who do not see them; charts have their table."""
    _, page, _ = trained
    outline = Outline()
    outline.feed(page)
    charts = [attributes for tag, attributes in outline.tags if tag == "svg"]
    pictures = [attributes for tag, attributes in outline.tags if tag == "img"]
    assert charts and pictures
    assert all(a["role"] == "img" and len(a["aria-label"] or "") > 20 for a in charts)
    assert all(a["alt"] for a in pictures)
    # Trade-off, latency, participants, learning curve; the scores of takes are beside their words.
    assert page.count("<summary>As a table</summary>") == 4
    assert page.count("<figure><svg") == 4


def test_the_matrices_are_those_of_the_evaluation(trained: tuple[Trained, str, Path]) -> None:
    """Both confusion matrices are shown, each cell with its count and its share of the row."""
    found, page, _ = trained
    tables = re.findall(r'<table class="matrix">.*?</table>', page, re.DOTALL)
    assert len(tables) == 2
    for table, key in zip(tables, ("confusion", "confusion_four_quadrant"), strict=True):
        cells = re.findall(r"<td[^>]*>(\d+)(?:<small>(\d+)</small>)?</td>", table)
        counts = [[int(n) for n in row] for row in found.evaluation[key]]
        assert [int(n) for n, _ in cells] == list(chain.from_iterable(counts))
        for index, (_, share) in enumerate(cells):
            row = counts[index // 3]
            if share:
                assert int(share) == pytest.approx(100 * row[index % 3] / sum(row), abs=0.51)


def test_the_worst_takes_are_the_locked_peoples_readouts(
    trained: tuple[Trained, str, Path],
) -> None:
    """The takes shown are ordered by how far behind they were, with the readouts recorded then."""
    found, _, data = trained
    leads = [take.summary["lead"] for take in found.worst]
    assert leads == sorted(leads) and len(leads) == 10
    assert {take.summary["participant"] for take in found.worst} == {"P04"}
    take, readouts = found.worst[0], readouts_of(found.worst)[0]
    frames = read_session(next(data.glob("sub-P04/ses-*/*_readouts.mcap"))).frames()
    expected = frames.lit[take.moments].astype(int) - frames.dark[take.moments]
    np.testing.assert_array_equal(readouts, expected)
    assert (take.summary["reference"] == take.summary["answer"]) == take.summary["right"]
    assert take.summary["look_at"] and all(hint[-1] == "." for hint in take.summary["look_at"])
    own = take.scores[:, take.reference]
    at = int(np.argmin(np.abs(take.time_s - take.summary["at_s"])))
    others = np.delete(take.scores[at], take.reference)
    assert own[at] - others.max() == pytest.approx(take.summary["lead"], abs=1e-6)


def test_of_groups_of_too_few_people_only_their_number_is_shown(
    trained: tuple[Trained, str, Path],
) -> None:
    """What one person did is no figure of a group, and of whom nothing was noted is counted."""
    found, page, _ = trained
    rows = re.findall(r'<tr class="few">.*?</tr>', page)
    groups = [found.evaluation[key] for key in ("groups", "groups_in_turn")]
    assert len(rows) == sum(len(each) for side in groups for each in side.values())
    assert all("too few people" in row and "%, " not in row for row in rows)
    assert "Of these groups nothing can be told" in page and "handedness: left (none)" in page
    assert "not known of" not in page
    hands = found.evaluation["groups"]["hand_length"]
    enough = dict(hands[0]) | {"enough_people": True}
    enough["accuracy"] = hands[0]["accuracy"] | {"n_takes": 1}
    told = evaluation_page(
        found.evaluation | {"groups": groups[0] | {"hand_length": [enough]}}, (), []
    )
    n_takes = found.evaluation["fixed"]["accuracy"]["n_takes"]
    assert f"hand length (not known of {n_takes - 1:,} of {n_takes:,} takes)" in told


def test_the_page_stands_in_the_model_folder(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Training writes the page beside the figures that it shows."""
    out = tmp_path / "model"
    evaluation = train_model(small_data, load_recipe(small_recipe), out)
    page = (out / "evaluation.html").read_text("utf-8")
    for key in ("fixed", "float", "four_quadrant"):
        assert f"{100 * evaluation[key]['accuracy']['value']:.1f} %" in page
    card = (out / "card.md").read_text("utf-8")
    assert "false event" in card and "too few to name a worst" in card
    assert "evaluation.html" in card


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_runs_out_of_sight_on_a_phone(
    trained: tuple[Trained, str, Path],
    tmp_path: Path,
    need_tool: Callable[[str], str],
    scheme: str,
) -> None:
    """At 390 and 1200 pixels, light and dark, the page fits the window and asks nobody."""
    path = tmp_path / "evaluation.html"
    path.write_text(trained[1], "utf-8")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=need_tool("chromium"), args=["--no-sandbox"]
        )
        for width in (390, 1200):
            page = browser.new_page(
                viewport={"width": width, "height": 800},
                color_scheme=scheme,  # type: ignore[arg-type]  # one of the two that it names
            )
            asked: list[str] = []
            page.on("request", lambda request, asked=asked: asked.append(request.url[:5]))
            page.goto(path.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert set(asked) <= {"file:", "data:"}
            text, paper = page.evaluate(
                "[getComputedStyle(document.querySelector('svg text')).fill,"
                " getComputedStyle(document.body).backgroundColor]"
            )
            lightness = [sum(map(int, re.findall(r"\d+", c)[:3])) for c in (text, paper)]
            assert abs(lightness[0] - lightness[1]) > 3 * 128
        browser.close()


def test_the_page_keeps_the_rules_of_wcag(
    trained: tuple[Trained, str, Path], faults_of_page: Callable[[str], list[str]]
) -> None:
    """The page keeps WCAG 2.2 AA with its tables unfolded, matrices in both palettes too."""
    assert faults_of_page(trained[1]) == []


@pytest.mark.parametrize("shape", [(32, 32), (8, 20), (64, 64), (1, 1)])
def test_a_grey_picture_is_a_png_that_another_reader_opens(shape: tuple[int, int]) -> None:
    """Pillow reads back the grey values: block means, black at the low end, white at the high."""
    values = np.random.default_rng(3).integers(-50, 4000, shape)
    data = grey_picture(values, 0.0, 4000.0).removeprefix("data:image/png;base64,")
    image = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))))
    step = -(-max(shape) // 32)
    assert image.shape == (shape[0] // step, shape[1] // step) and image.dtype == np.uint8
    blocks = values.reshape(image.shape[0], step, image.shape[1], step).mean(axis=(1, 3))
    np.testing.assert_array_equal(image, np.clip(np.floor(256 * blocks / 4000), 0, 255))


@pytest.mark.parametrize(("low", "high"), [(0, 1), (-730, 512), (0.6, 1.0), (0, 37), (-0.3, 1.4)])
def test_ticks_are_as_round_as_those_of_matplotlib(low: float, high: float) -> None:
    """Ticks are multiples of 1, 2 or 5 times a power of ten, placed like those of matplotlib."""
    ticks = nice_ticks(low, high)
    theirs = MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(low, high)
    inside = [t for t in theirs if low - 1e-9 <= t <= high + 1e-9]
    assert ticks == pytest.approx(inside)


def test_labels_of_close_points_do_not_lie_on_each_other() -> None:
    """Texts of points that lie close keep clear of each other, of the points and of the axes."""
    points = [(0.45, 0.5), (0.5, 0.5), (0.55, 0.52), (0.02, 0.01), (0.99, 0.99)]
    plot = Plot("close points", (0.0, 1.0), (0.0, 1.0))
    plot.labels(
        [Label(x, y, "four quadrants") for x, y in points], [((x,), (y,)) for x, y in points]
    )
    found = re.findall(r'x="([-.\d]+)" y="([-.\d]+)" text-anchor="(\w+)"', plot.svg())
    assert len(found) == len(points)
    width = 5.0 * len("four quadrants")
    rows = [(float(x) - width * {"start": 0, "middle": 0.5, "end": 1}[anchor], float(y))
            for x, y, anchor in found]  # fmt: skip
    for i, (left, base) in enumerate(rows):
        assert left >= 38 and left + width <= 350 and base - 8 >= 10 and base <= 166
        for x, y in points:
            inside = left <= plot.x(x) <= left + width and base - 8 <= plot.y(y) <= base
            assert not inside
        for other_left, other_base in rows[:i]:
            assert abs(left - other_left) >= width or abs(base - other_base) >= 10


def test_a_looser_margin_that_finds_fewer_does_not_bend_the_trade_off() -> None:
    """The line is the most that any margin finds with at most so many false events an hour.

    As a weak model's margin falls, an event of a wrong gesture may take a right one's place and
    runs of false events may join, so that both figures go up and down: invented figures do.
    """
    in_turn = [(0.0, 0.0), (2.0, 0.4), (40.0, 0.3), (10.0, 0.6), (90.0, 0.2), (30.0, 0.5)]
    locked = [(0.0, 0.0), (50.0, 0.1), (4.0, 0.2), (4.0, 0.5), (20.0, 0.5), (60.0, 0.45)]
    found = {
        name: [{"false_per_hour": rate, "recall": share} for rate, share in rows]
        for name, rows in (("trade_off_in_turn", in_turn), ("trade_off", locked))
    }
    in_use = {"false_events_per_hour": {"value": 15.0}, "recall": {"value": 0.7}}
    picture = str(trade_off_chart({**found, **in_use}))
    room = Room(left=44.0)
    axes = Plot("", (0.0, 90.0), (0.0, 1.0), room=room, x_scale=lambda v: math.log10(1 + v / 0.5))
    lines = re.findall(r'<polyline class="line (?:soft|accent)" points="([^"]+)"', picture)
    assert len(lines) == 2
    for line, rows in zip(lines, (in_turn, [*locked, (15.0, 0.7)]), strict=True):
        drawn = [tuple(map(float, point.split(","))) for point in line.split()]
        assert drawn == sorted(drawn, key=lambda at: (at[0], -at[1])), "it never turns back"
        for rate in (0.0, 1.0, 3.0, 5.0, 16.0, 45.0, 70.0, 90.0):
            best = max(share for false, share in rows if false <= rate)
            last = [at for at in drawn if at[0] <= axes.x(rate)][-1]
            assert last[1] == axes.y(best)
        assert drawn[-1][0] == axes.x(90.0)


def test_many_people_are_counted_by_what_they_had_right() -> None:
    """Beyond a hundred people a bar stands for each number of right takes, and holds everybody."""
    rows = [
        {"participant": f"P{i:03}", "side": "locked" if i % 10 == 0 else "in_turn",
         "n_takes": 12, "n_right": i % 13}
        for i in range(130)
    ]  # fmt: skip
    chart = str(participants_chart(rows))
    assert chart.count("<circle") == 0
    bars = re.findall(r'<rect class="(\w+)" x="([\d.-]+)".*? height="([\d.e-]+)"', chart)
    by_side = {kind: [float(h) for k, _, h in bars if k == kind] for kind in ("right", "hollow")}
    assert all(len(heights) == 13 for heights in by_side.values())
    # Thirteen numbers of ten people each, one of them locked: bars of one height, a tenth filled.
    assert np.ptp(np.add(by_side["right"], by_side["hollow"])) < 0.1
    assert sum(by_side["right"]) * 9 == pytest.approx(sum(by_side["hollow"]), rel=0.01)
    assert "10 at 0 %" in chart and "10 at 100 %" in chart and "10 at 42 %" in chart


def test_a_hundred_people_have_a_row_each() -> None:
    """Up to a hundred each participant is a dot, filled where nothing was learned from them."""
    rows = [
        {"participant": f"P{i}", "side": "in_turn", "n_takes": 30, "n_right": i % 31}
        for i in range(100)
    ]
    assert str(participants_chart(rows)).count("<circle") == 100
