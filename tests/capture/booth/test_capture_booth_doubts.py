"""Doubtful takes come first in review, each with its reason in words."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from booth_browser import go_to_session, open_booth, press, window
from booth_session import EVENTS, make_session
from playwright.sync_api import Browser
from starlette.testclient import TestClient

from capture.booth.app import build_app
from capture.cues.labels import read_events, write_events
from capture.store.session import events_path

HOST = "127.0.0.1:8137"
REASON = "it lasts 50 ms, less than a hand needs"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A session whose third take is shorter than any movement of a hand."""
    path = make_session(tmp_path / "set")
    short = dataclasses.replace(EVENTS[2], onset_s=5.3, duration_s=0.05)
    write_events(events_path(path), (*EVENTS[:2], short, EVENTS[3]))
    return tmp_path / "set"


def test_doubts_are_told_with_their_cue_and_reason(root: Path) -> None:
    """Who reviews openly gets each doubtful take by its cue; who reviews blind gets none."""
    address = "/api/sessions/sub-P01_ses-01_task-short/doubts"
    with TestClient(build_app(root, hosts=[HOST]), base_url=f"http://{HOST}") as client:
        told = client.get(address).json()
        assert told == {"whole": [], "takes": [{"cue_onset_s": 5.0, "text": REASON}]}
        assert client.get(f"{address}?blind=yes").json() == {"whole": [], "takes": []}
        assert client.get("/api/sessions/sub-P09_ses-01_task-short/doubts").status_code == 404
        make_session(root, number="02")  # another session: all are judged anew
        assert REASON in {take["text"] for take in client.get(address).json()["takes"]}


def test_the_page_leads_to_a_doubtful_take(browser: Browser, root: Path) -> None:
    """The list stands above the takes; its button chooses the take, which can then be mended."""
    with open_booth(root) as address, window(browser, address) as page:
        go_to_session(page, address, "01", "L1")
        button = page.locator("#doubtful button")
        button.wait_for()
        assert "Take 3" in button.inner_text()
        assert REASON in button.inner_text()
        button.click()
        page.wait_for_selector("#takes tr:nth-child(3)[aria-current=true]")
        press(page, "x", "2")
        page.wait_for_selector("#saved:text-matches('revision 1\\\\.')")
    found = read_events(root / "sub-P01/ses-01/sub-P01_ses-01_task-short_events.tsv")[2]
    assert (found.status, found.reason) == ("rejected", "no movement")
