"""Pages held to WCAG 2.2 AA by axe-core, and by computations of our own where axe abstains."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

__all__ = ["file_faults", "wcag_faults"]

SIZES = ((390, 844, "dark"), (1280, 800, "light"))
"""A phone and a laptop, width and height in pixels; each palette is looked at in one of them."""
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
LOOK = """async (tags) => {
  const wanted = { runOnly: { type: "tag", values: tags }, resultTypes: ["violations", "incomplete"] };
  const { passes, violations, incomplete } = await axe.run(document, wanted);
  const pen = new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true });
  const laid = (colour, base) => {
    for (const fill of [`rgb(${base})`, colour]) {
      pen.fillStyle = fill;
      pen.fillRect(0, 0, 1, 1);
    }
    return [...pen.getImageData(0, 0, 1, 1).data].slice(0, 3);
  };
  const mixed = (base, top, share) => base.map((v, i) => v + share * (top[i] - v));
  // Ground and text of the last of `chain`, each element over the one around it, opacity and all.
  const seen = ([element, ...rest], base) => {
    const style = getComputedStyle(element);
    const ground = laid(style.backgroundColor, base);
    const text = element.closest("svg") ? style.fill : style.color;
    const inside = rest.length ? seen(rest, ground) : [ground, laid(text, ground)];
    return inside.map((colour) => mixed(base, colour, Number(style.opacity)));
  };
  const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const standsOut = (element) => {
    const chain = [];
    for (let at = element; at; at = at.parentElement) chain.unshift(at);
    if (chain.some((at) => getComputedStyle(at).backgroundImage !== "none")) return false;
    const [dim, bright] = seen(chain, [255, 255, 255]).map(light).sort((x, y) => x - y);
    const { fontSize, fontWeight } = getComputedStyle(element);
    const large = parseFloat(fontSize) >= 24 || (parseFloat(fontSize) >= 18.66 && Number(fontWeight) >= 700);
    return (bright + 0.05) / (dim + 0.05) >= (large ? 3 : 4.5);
  };
  // A header of a group of rows is one for every cell of its row group (HTML, "Forming relationships
  // between data cells and header cells"); axe looks for its cells beside it alone.
  const headsRows = (header) => header.scope === "rowgroup" && header.closest("tbody").querySelector("td");
  const at = ({ target }) => document.querySelector(target[0]);
  const decide = {
    "color-contrast": (node) => standsOut(at(node)),
    "th-has-data-cells": (node) => node.any.concat(node.all).every((c) => c.relatedNodes.every((r) => headsRows(at(r)))),
  };
  const faults = violations.flatMap(({ id, nodes }) => nodes.map((n) => `${id}: ${n.html} ${n.failureSummary}`));
  for (const { id, nodes } of incomplete) {
    for (const node of nodes) {
      const why = node.any.concat(node.all).map((c) => c.message);
      if (!decide[id]?.(node)) faults.push(`${id}, not decided: ${node.html} ${why}`);
    }
  }
  const over = document.documentElement.scrollWidth - innerWidth;
  if (over > 0) faults.push(`wider than its window by ${over} pixels`);
  return { rules: passes.length, faults };
}"""  # noqa: E501  # JavaScript


def wcag_faults(
    page: Page, axe: str | Path, sizes: Sequence[tuple[int, int, str]] = SIZES
) -> list[str]:
    """Return what breaks WCAG 2.2 AA on a page as it stands now, at every size.

    Where axe-core cannot tell a text's ground, its contrast is computed here (WCAG 2.2, 1.4.3);
    anything else that it leaves undecided counts as a fault, and so does a page that is wider than
    its window (1.4.10).
    """
    if not page.evaluate("Boolean(window.axe)"):
        page.evaluate(Path(axe).read_text("utf-8"))
    faults = []
    for width, height, scheme in sizes:
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]  # light or dark
        seen = page.evaluate(LOOK, TAGS)
        assert seen["rules"]  # it did look
        faults += [f"{width} x {height}, {scheme}: {fault}" for fault in seen["faults"]]
    return faults


def file_faults(text: str, chromium: str, axe: str) -> list[str]:
    """Return what breaks WCAG 2.2 AA on a page that stands in a file, with all of it unfolded."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        page.set_content(text)
        page.evaluate("document.querySelectorAll('details').forEach((part) => (part.open = true))")
        try:
            return wcag_faults(page, axe)
        finally:
            browser.close()
