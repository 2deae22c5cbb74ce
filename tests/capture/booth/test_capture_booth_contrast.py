"""All that is written can be read: contrast of every text, names and keys, in both palettes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from booth_browser import open_booth, page_of, press, window
from booth_session import make_session
from playwright.sync_api import Browser, Page

WCAG = """() => {
  const parse = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const under = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour.length < 4 || colour[3] > 0) return colour;
    }
    return [255, 255, 255];
  };
  const found = [];
  let n = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const element = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !element.checkVisibility() || element.closest(":disabled")) continue;
    const look = getComputedStyle(element);
    const [a, b] = [light(parse(look.color)), light(under(element))].sort((x, y) => x - y);
    const [size, weight] = [parseFloat(look.fontSize), Number(look.fontWeight)];
    const large = size >= 24 || (size >= 18.66 && weight >= 700);
    const ratio = (b + 0.05) / (a + 0.05);
    n += 1;
    if (ratio < (large ? 3 : 4.5)) found.push([walk.currentNode.data.trim(), ratio.toFixed(2)]);
  }
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  const twice = ids.filter((id, i) => ids.indexOf(id) !== i);
  const shown = (name) => [...document.querySelectorAll(name)].filter((e) => e.checkVisibility());
  const nameless = shown("input, select, button, canvas, progress, [role=slider]")
    .filter((e) => !(e.labels?.length || e.ariaLabel || e.textContent.trim())).map((e) => e.outerHTML);
  const small = shown("button, select, input:not([type=checkbox], [type=radio])")
    .filter((e) => e.getBoundingClientRect().height < 24).map((e) => e.outerHTML);
  return { n, found, twice, nameless, small, main: shown("main").length, lang: document.documentElement.lang };
}"""  # noqa: E501  # JavaScript
SHOW = """(ids) => {
  for (const main of document.querySelectorAll("main")) main.hidden = !ids.includes(main.id);
  for (const phase of ["cue"]) document.getElementById("cue").dataset.phase = phase;
  for (const id of ["when", "what", "left", "state", "whom", "count", "practice"]) {
    const at = document.getElementById(id);
    if (at && !at.textContent) at.textContent = "words";
    if (at) at.hidden = false;
  }
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    root = tmp_path_factory.mktemp("contrast") / "set"
    make_session(root)
    with open_booth(root) as address:
        yield address


def readable(page: Page, least: int) -> None:
    """Hold what is shown now to WCAG 2.2 AA, as far as it can be computed."""
    seen = page.evaluate(WCAG)
    assert seen["n"] >= least
    assert (seen["found"], seen["twice"], seen["nameless"], seen["small"]) == ([], [], [], [])
    assert (seen["main"], seen["lang"]) == (1, "en")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_stands_out(browser: Browser, address: str, scheme: str) -> None:
    """Text stands out by 4.5 to 1, large text by 3 (WCAG 2.2, 1.4.3); fields have names (4.1.2).

    Targets are 24 pixels high at least (2.5.8), each view has one main part, no id stands twice.
    """
    with window(browser, address, scheme) as page:
        page.goto(address)
        page.wait_for_selector("#participant:focus")
        readable(page, 30)
        for view, least in (("check", 6), ("scene", 8), ("end", 2)):
            page.evaluate(SHOW, [view])
            readable(page, least)
        page.goto(page_of(address, "review?session=sub-P01_ses-01_task-short"))
        page.wait_for_selector("#labeller:focus")
        page.keyboard.type("L1")
        press(page, "Enter")
        page.wait_for_selector("#title:focus")
        press(page, "?")
        readable(page, 90)
        press(page, "x")
        page.wait_for_selector("#ask[open]")
        readable(page, 90)
        page.goto(page_of(address, "participant"))
        page.wait_for_selector("#wait-title")
        readable(page, 6)
        for view, least in (("first", 6), ("scene", 8)):
            page.evaluate(SHOW, [view])
            readable(page, least)


def test_the_participant_s_controls_follow_the_tab_key(browser: Browser, address: str) -> None:
    """By Tab one reaches full screen, sound, moving pictures and keys, and sees where one is."""
    with window(browser, address) as page:
        page.goto(page_of(address, "participant"))
        page.wait_for_selector("#wait-title")
        for name in ("full", "sound", "moving", "keys-on"):
            press(page, "Tab")
            seen = page.evaluate(
                "[document.activeElement.id, getComputedStyle(document.activeElement).outlineStyle]"
            )
            assert seen == [name, "solid"]
