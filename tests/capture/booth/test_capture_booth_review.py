"""The pages in a real browser: review by key and pointer, two windows, blind, dark and light."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from booth_browser import go_to_session, open_booth, page_of, press, saved_at, window
from booth_session import EVENTS, make_session
from playwright.sync_api import Browser

from capture.cues.labels import GOOD, read_events
from capture.store.dataset import Participant, add_participant, find_sessions

TOKEN = "a-token-for-the-tests"  # noqa: S105  # of the tests alone


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Serve a data set with sessions that were made without a sensor: its address and folder."""
    root = tmp_path_factory.mktemp("made") / "set"
    for number in ("01", "02", "03"):
        make_session(root, number=number)
    with open_booth(root, "--token", TOKEN) as address:
        yield address, root


def test_every_act_of_the_review_has_a_key(browser: Browser, made: tuple[str, Path]) -> None:
    """Ends, label, rejection, undo and redo follow the keys that the page's table shows."""
    address, root = made
    table = find_sessions(root)[0].events_path
    first = table.read_bytes()
    with window(browser, address) as page:
        go_to_session(page, address, "01", "l1")
        assert not page.is_visible("#keys")
        press(page, "?")
        shown = page.inner_text("#keys")
        for key in ("Space", "Shift ←", "[", "1 to 9", "X", "Z", "Esc"):
            assert key in shown
        press(page, "d", "d", "s")  # one frame pair is a thirtieth of a second
        saved_at(page, 3)
        event = read_events(table)[0]
        assert event.onset_s == pytest.approx(EVENTS[0].onset_s + 1 / 30, abs=1e-5)
        assert event.end_s == pytest.approx(EVENTS[0].end_s - 2 / 30, abs=1e-5)
        press(page, "Home", "Shift+ArrowRight", "ArrowRight", "[")
        saved_at(page, 4)
        assert read_events(table)[0].onset_s == pytest.approx(1 + 1 / 30, abs=1e-5)
        press(page, "l", "2")
        saved_at(page, 5)
        assert read_events(table)[0].trial_type == "push"
        press(page, "x", "Tab", "Tab", "Tab", "Tab")
        page.keyboard.type("sneezed")
        press(page, "Enter")
        saved_at(page, 6)
        assert read_events(table)[0].reason == "sneezed"
        press(page, "g")
        saved_at(page, 7)
        assert read_events(table)[0].status == GOOD
        for revision in range(8, 15):
            press(page, "z")
            saved_at(page, revision)
        assert table.read_bytes() == first
        press(page, "y")
        saved_at(page, 15)
        assert read_events(table)[0].end_s == pytest.approx(EVENTS[0].end_s - 1 / 30, abs=1e-5)


def test_play_goes_at_true_speed(browser: Browser, made: tuple[str, Path]) -> None:
    """While it plays, the cursor goes one second of the sensor's clock a second."""
    with window(browser, made[0]) as page:
        go_to_session(page, made[0], "01", "L1")
        press(page, "Home", "Space")
        ask = "[performance.now() / 1000, Number(document.getElementById('near').ariaValueNow)]"
        page.wait_for_timeout(500)
        before = page.evaluate(ask)
        page.wait_for_timeout(1500)
        after = page.evaluate(ask)
        assert after[1] - before[1] == pytest.approx(after[0] - before[0], abs=0.2)
        press(page, "Space")
        page.wait_for_selector("#play:has-text('Play')")


def test_ends_are_dragged(browser: Browser, made: tuple[str, Path]) -> None:
    """An end of the chosen take follows the pointer and is saved where it is let go."""
    address, root = made
    with window(browser, address) as page:
        go_to_session(page, address, "02", "L1")
        page.locator("#near").scroll_into_view_if_needed()
        box = page.locator("#near").bounding_box()
        assert box is not None
        middle = box["y"] + 120

        def at(time_s: float) -> float:  # the whole session of 10 s is in sight
            return box["x"] + 1 + (box["width"] - 2) * time_s / 10.0

        page.mouse.move(at(EVENTS[0].end_s), middle)
        page.mouse.down()
        page.mouse.move(at(2.0), middle, steps=4)
        page.mouse.move(at(2.4), middle, steps=4)
        page.mouse.up()
        saved_at(page, 1)
        page.mouse.click(at(5.3), box["y"] + 20)
        page.wait_for_selector("#takes tr:nth-child(3)[aria-current=true]")
    event = read_events(find_sessions(root)[1].events_path)[0]
    assert event.onset_s == pytest.approx(EVENTS[0].onset_s, abs=1e-6)
    assert event.end_s == pytest.approx(2.4, abs=0.03)
    assert event.labeller == "L1"


def test_the_second_window_is_told_and_loads_anew(browser: Browser, made: tuple[str, Path]) -> None:
    """Of two windows on one session, the one that is behind says so, loads and saves nothing."""
    address, root = made
    table = find_sessions(root)[1].events_path
    with window(browser, address) as one, window(browser, address) as other:
        go_to_session(one, address, "02", "L1")
        go_to_session(other, address, "02", "L3")
        press(one, "n", "n", "n", "2")
        one.wait_for_selector("#takes tr:nth-child(4) td:text-is('push')")
        press(other, "n", "n", "n", "1")
        other.wait_for_selector("#error:has-text('changed in another window')")
        assert other.inner_text("#takes tr:nth-child(4) td:nth-child(2)") == "push"
        assert read_events(table)[3].trial_type == "push"
        press(other, "1")
        other.wait_for_selector("#takes tr:nth-child(4) td:text-is('swipe left')")
    assert read_events(table)[3].labeller == "L3"


def test_a_second_labeller_works_blind_in_the_browser(
    browser: Browser, made: tuple[str, Path]
) -> None:
    """The blind page shows no first label; when it is ended it shows Cohen's kappa."""
    with window(browser, made[0], "dark") as page:
        go_to_session(page, made[0], "03", "L2", blind=True)
        assert page.locator("#takes td:text-is('unlabelled')").count() == 4
        for secret in ("swipe left", "paused", "energy,"):
            assert secret not in page.inner_text("#work")
        for revision, key in enumerate("1223", start=1):
            press(page, key)
            saved_at(page, revision)
            press(page, "n")
        press(page, "e", "1")
        page.wait_for_selector('#agreements:has-text("Cohen\'s kappa")')
        # swipe_left, rejected, push, idle against swipe_left, push, push, idle: (3/4 - 1/4) / (3/4)
        assert "kappa 0.67 over 4 takes, 3 named alike" in page.inner_text("#agreements")
        assert page.is_disabled("#label")


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.2, "relative luminance"."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_can_be_read(
    browser: Browser, made: tuple[str, Path],
    scheme: str,
) -> None:  # fmt: skip
    """Text stands out by 7 to 1 (WCAG 2.2, 1.4.6), cues are 12 vh at least, fields are named."""
    with window(browser, made[0], scheme) as page:
        page.goto(made[0])
        page.wait_for_selector("#participant:focus")
        seen = page.evaluate(
            """() => {
              document.getElementById("scene").hidden = false;
              const cue = document.getElementById("cue");
              cue.dataset.phase = "cue";
              const look = (element) => getComputedStyle(element);
              const soft = document.querySelector("small");
              return {
                cue: [look(cue).color, look(cue).backgroundColor],
                text: [look(document.body).color, look(document.body).backgroundColor],
                soft: [look(soft).color, look(soft.closest("fieldset")).backgroundColor],
                letters: parseFloat(look(document.getElementById("what")).fontSize) / innerHeight,
              };
            }"""
        )
        for pair in ("cue", "text", "soft"):
            dim, bright = sorted(luminance(colour) for colour in seen[pair])
            assert (bright + 0.05) / (dim + 0.05) >= 7.0, pair
        assert seen["letters"] >= 0.12
        for name in ("", "review"):
            page.goto(page_of(made[0], name))
            page.wait_for_selector("#set:not(:text-is('…'))")
            nameless = page.evaluate(
                """() => [...document.querySelectorAll("input, select, button, canvas, progress")]
                  .filter((e) => !(e.labels?.length || e.ariaLabel || e.textContent.trim()))
                  .map((e) => e.outerHTML)"""
            )
            assert nameless == []


def test_the_form_recalls_a_person_and_nobody_else(
    browser: Browser, made: tuple[str, Path]
) -> None:
    """What was noted of a participant comes back with the pseudonym and goes with another one.

    Consent never comes back: it is asked of each person.
    """
    address, root = made
    add_participant(root, Participant("P08", True, 181.5, handedness="left", locked=True))
    fields = "['hand_length_mm', 'handedness'].map((id) => document.getElementById(id).value)"
    with window(browser, address) as page:
        page.goto(address)
        page.wait_for_selector("#set:not(:text-is('…'))")
        for name, noted, locked in (("P08", ["181.5", "left"], True), ("P09", ["", ""], False)):
            page.fill("#participant", name)
            press(page, "Tab")
            assert page.evaluate(fields) == noted
            assert (page.is_checked("#locked"), page.is_disabled("#locked")) == (locked, locked)
            assert not page.is_checked("#consent")
            page.check("#consent")
        page.fill("#hand_length_mm", "170")
        page.fill("#participant", "P10")  # a pseudonym corrected: what was typed stays
        press(page, "Tab")
        assert page.evaluate(fields) == ["170", ""]


def test_with_a_token_the_printed_address_opens_all(
    browser: Browser, made: tuple[str, Path]
) -> None:
    """The token behind # opens all, leaves the address line and is never sent in an address."""
    address = made[0]
    assert address.endswith(f"#token={TOKEN}")
    with window(browser, address) as page:
        urls: list[str] = []
        page.on("request", lambda request: urls.append(request.url))
        go_to_session(page, address, "01", "L1")
        assert TOKEN not in page.evaluate("location.href")
        assert any("/api/" in url for url in urls)
        assert not [url for url in urls if TOKEN in url.partition("#")[0]]
