"""The pages at the sizes of a phone, a laptop and a large screen: nothing broken or cut off."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from booth_browser import open_booth, page_of, press, window
from booth_session import N_PAIRS, SCRIPT, SENSOR, counts, make_session
from playwright.sync_api import Browser, Page

from capture.booth.readouts import survey
from capture.cues.labels import GOOD, REJECTED, Event, write_events
from capture.cues.script import BUILT_IN, load_script
from capture.frames import FramePair
from capture.store.dataset import session_path
from capture.store.session import events_path, read_session
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description

SIZES = ((320, 640), (390, 844), (640, 360), (768, 1024), (1280, 800), (1920, 1080), (3840, 2160))
PROMPTS = {
    kind: script.text(kind) for script in map(load_script, BUILT_IN) for kind in script.trial_types
}
N_TAKES = 1790
BROKEN = """async ([prompts, most]) => {
  const { Cue } = await import("/static/cue/cue.js");
  const cue = (window.shown ??= new Cue(most));
  const found = [];
  const box = document.getElementById("cue").getBoundingClientRect();
  for (const [kind, words] of Object.entries(prompts)) {
    cue.show({ phase: "cue", trial_type: kind, remaining_s: 1.2 }, words, `${innerWidth} ${kind}`);
    for (const word of document.querySelectorAll("#what .word")) {
      const lines = new Set([...word.getClientRects()].map((r) => Math.round(r.bottom)));
      const { left, right, top, bottom } = word.getBoundingClientRect();
      const inside = left >= 0 && right <= innerWidth && top >= box.top && bottom <= box.bottom;
      if (lines.size !== 1 || !inside) found.push([kind, word.textContent]);
    }
  }
  return [found, document.documentElement.scrollWidth - innerWidth];
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve one short session, and one of many takes."""
    root = tmp_path_factory.mktemp("sizes") / "set"
    make_session(root)
    path = make_session(root, number="02")
    write_events(
        events_path(path),
        [
            Event(0.005 * i, 0.004, "push", i, *((GOOD, "") if i % 50 else (REJECTED, "paused")))
            for i in range(N_TAKES)
        ],
    )
    with open_booth(root) as address:
        yield address


def open_session(page: Page, address: str, number: str) -> None:
    page.goto(page_of(address, f"review?session=sub-P01_ses-{number}_task-short"))
    page.wait_for_selector("#labeller:focus")
    page.keyboard.type("L1")
    press(page, "Enter")
    page.wait_for_selector("#title:focus")


def test_no_word_of_a_cue_is_ever_broken_or_cut(browser: Browser, address: str) -> None:
    """Every prompt of every built-in script stands in whole words inside the cue at every size."""
    with window(browser, address) as page:
        page.goto(address)
        page.wait_for_selector("#participant:focus")
        page.evaluate(
            """() => {
              for (const id of ["form-view", "top"]) document.getElementById(id).hidden = true;
              document.getElementById("scene").hidden = false;
            }"""
        )
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate(BROKEN, [PROMPTS, 17]) == [[], 0], (width, height)


@pytest.mark.parametrize("size", SIZES)
def test_the_review_fits_its_window(browser: Browser, address: str, size: tuple[int, int]) -> None:
    """No page is wider than its window, and a laptop shows the table of takes without scrolling."""
    with window(browser, address) as page:
        page.set_viewport_size({"width": size[0], "height": size[1]})
        open_session(page, address, "01")
        over, top = page.evaluate(
            """() => [
              document.documentElement.scrollWidth - innerWidth,
              document.getElementById("takes-box").getBoundingClientRect().top / innerHeight,
            ]"""
        )
        assert over == 0
        if size[0] >= 1280:
            assert top < 0.8


def lane_words(page: Page) -> list[str]:
    """Draw the lane anew and return what is written in it."""
    return page.evaluate(
        """() => new Promise((done) => {
          const pen = document.getElementById("near").getContext("2d");
          const words = [];
          const write = pen.fillText.bind(pen);
          pen.fillText = (text, ...rest) => (words.push(text), write(text, ...rest));
          dispatchEvent(new Event("resize"));
          setTimeout(() => { delete pen.fillText; done(words); }, 300);
        })"""
    )


def test_many_takes_are_drawn_as_how_many_and_singly_when_looked_at_closer(
    browser: Browser, address: str
) -> None:
    """1,790 takes in sight are bars with their number; looked at closer, each has its label."""
    with window(browser, address) as page:
        open_session(page, address, "02")
        press(page, "0")
        words = lane_words(page)
        assert any(word.startswith("1,790 takes, 36 rejected") for word in words)
        assert words.count("push") <= 1  # the chosen one
        for _ in range(6):
            press(page, "+")
        words = lane_words(page)
        assert words.count("push") > 5
        assert not any("rejected (at" in word for word in words)


def test_no_line_is_drawn_across_a_lost_connection(browser: Browser, tmp_path: Path) -> None:
    """Between the two ends of a lost connection nothing is drawn as if it had been measured."""
    root = tmp_path / "set"
    make_session(root)
    path = session_path(root, "P01", "02", SCRIPT.name)
    path.parent.mkdir(parents=True)
    header = SessionHeader("P01", "02", Description(SENSOR, "unit-1", "test"), SCRIPT, 3)
    with SessionWriter(path, header) as writer:
        for sequence in range(N_PAIRS):
            late = sequence > 100
            if sequence == 101:
                writer.add_json("/gaps", {"run": 1, "after_sequence": 100, "silent_s": 10.0})
            time_us = round(sequence * SENSOR.frame_period_us) + 10_000_000 * late
            pair = FramePair(sequence, time_us, *counts(sequence))
            writer.add(pair, sequence + 300 * late, time_us, int(late))
    write_events(events_path(path), [])
    ((start, end),) = survey(read_session(path)).gaps_s
    assert (start, end) == (pytest.approx(100 / 30, abs=1e-5), pytest.approx(13.3667, abs=1e-3))
    with open_booth(root) as address, window(browser, address) as page:
        open_session(page, address, "02")
        press(page, "0")
        assert "connection lost" in lane_words(page)
        inked = page.evaluate(
            """([start, end]) => {
              const canvas = document.getElementById("near");
              const pen = canvas.getContext("2d");
              const length = 20;  // seconds: 301 frame pairs and the gap
              const [x, y] = [(t) => Math.round((canvas.width * t) / length), canvas.height - 26];
              const ink = (from, to) => pen.getImageData(x(from), y, x(to) - x(from), 1).data;
              const share = (data) => data.filter((v, i) => i % 4 === 3 && v > 0).length / (data.length / 4);
              return [share(ink(start + 1, end - 1)), share(ink(end + 1, 19))];
            }""",  # noqa: E501  # JavaScript
            [start, end],
        )
        assert inked == [0, 1]
