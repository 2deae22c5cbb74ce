"""The recording page in a real browser: from the form to the review by keyboard alone."""

from __future__ import annotations

import json
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from booth_browser import open_booth, press, saved_at, window
from playwright.sync_api import Browser

from capture.cues.labels import GOOD, REJECTED, read_events
from capture.emulated.port.device import DeviceSettings, running_device
from capture.store.dataset import find_sessions, open_dataset
from capture.store.session import read_session

SCRIPT = """
name = "brief"
lead_in_s = 1.0
rest_s = [0.4, 0.4]
shuffle = false
[[cue]]
trial_type = "swipe_left"
repetitions = 1
duration_s = 1.2
[[cue]]
trial_type = "push"
repetitions = 1
duration_s = 1.2
prompt = "push towards the sensor"
"""


@pytest.fixture(scope="module")
def sensor(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Start an emulated sensor whose participant acts the brief script: its port and the script."""
    script = tmp_path_factory.mktemp("sensor") / "brief.toml"
    script.write_text(SCRIPT)
    with running_device(DeviceSettings(script=str(script))) as port:
        yield port, script


def test_a_session_is_recorded_and_reviewed_by_keyboard_alone(
    browser: Browser, sensor: tuple[str, Path], tmp_path: Path
) -> None:
    """Form, cues, pause, once more, end, and then the review: no pointer is ever needed.

    Enlarged to 200 % (WCAG 2.2, 1.4.4), the cue is still seen whole.
    """
    port, script = sensor
    root = tmp_path / "set"
    with (
        open_booth(root, "--port", port, "--script", str(script)) as address,
        window(browser, address, "dark") as page,
    ):
        page.goto(address)
        page.wait_for_selector("#participant:focus")
        page.keyboard.type("P07")
        press(page, "Tab")
        page.keyboard.type("181.5")
        press(page, "Tab", "Tab")
        page.keyboard.type("left")
        press(page, "Tab", "Tab", "Tab", "Space")  # consent
        # The emulated participant keeps to the script, and misses what a pause moves.
        press(page, "Tab", "Tab", "Tab", "Tab", "Tab", "Space")
        assert page.evaluate("document.activeElement.id") == "repeat_missed"
        press(page, "Enter")
        page.wait_for_selector("#begin:focus")  # the checks before the first cue
        page.wait_for_selector("#checks li:has-text('Sensor').holds-true")
        press(page, "Enter")
        page.wait_for_selector(".cue[data-phase=cue]")
        assert page.inner_text("#what").lower() == "swipe left"
        assert page.locator("#what .word").count() == 2
        assert page.inner_text("#told") == "Now: swipe left"
        assert page.locator("#sign svg").count() == 1
        press(page, "Space")
        page.wait_for_selector(".cue[data-phase=paused]")
        assert "Paused" in page.inner_text("#told")
        assert page.inner_text("#pause").startswith("Go on")
        page.set_viewport_size({"width": 640, "height": 360})  # 200 % of 1280 by 720
        cue, what, letters, overhang = page.evaluate(
            """async () => {
              for (let n = 0; n < 2; n++) await new Promise(requestAnimationFrame);
              const [cue, what] = ["cue", "what"].map((id) => document.getElementById(id));
              const ends = ({ top, bottom }) => [top / innerHeight, bottom / innerHeight];
              return [
                ends(cue.getBoundingClientRect()),
                ends(what.getBoundingClientRect()),
                parseFloat(getComputedStyle(what).fontSize) / innerHeight,
                document.documentElement.scrollWidth - innerWidth,
              ];
            }"""
        )
        assert 0 <= cue[0] <= what[0] < what[1] <= cue[1] <= 1
        assert (letters >= 0.12, overhang) == (True, 0)
        page.set_viewport_size({"width": 1280, "height": 720})
        press(page, "Space")
        page.wait_for_selector("#what:has-text('push towards the sensor')")
        page.wait_for_selector(".cue[data-phase=cue]")
        press(page, "r")
        page.wait_for_selector("#end-title:focus")
        assert page.inner_text("#end-title") == "The session is recorded"
        (info,) = find_sessions(root)
        (person,) = open_dataset(root).participants
        assert (person.participant_id, person.consent) == ("P07", True)
        assert (person.hand_length_mm, person.handedness) == (181.5, "left")
        events = read_events(info.events_path)
        assert [(e.trial_type, e.status, e.reason) for e in events] == [
            ("swipe_left", REJECTED, "paused"),
            ("swipe_left", GOOD, ""),
            ("push", REJECTED, "redone"),
            ("push", GOOD, ""),
        ]
        press(page, "Tab", "Enter")  # the link to the review of its takes
        page.wait_for_selector("#labeller:focus")
        page.keyboard.type("L1")
        press(page, "Enter")  # the session that the link meant opens
        page.wait_for_selector("#title:focus")
        press(page, "n", "x", "3")
        saved_at(page, 1)
        press(page, "n", "n", "1")
        saved_at(page, 2)
    session = read_session(info.path)
    assert [(e.trial_type, e.status, e.reason) for e in session.events[1::2]] == [
        ("swipe_left", REJECTED, "cut off at an end"),
        ("swipe_left", GOOD, ""),
    ]
    assert {event.labeller for event in session.events[1::2]} == {"L1"}


def test_ending_the_command_finishes_a_running_recording(
    sensor: tuple[str, Path], tmp_path: Path
) -> None:
    """Ctrl-C in the middle of a recording leaves a finished, labelled session."""
    port, script = sensor
    root = tmp_path / "set"
    wanted = {"participant": "P01", "consent": True, "script": "brief", "seed": 1}
    with open_booth(root, "--script", str(script)) as address:
        request = urllib.request.Request(  # noqa: S310  # our own address
            f"{address}api/recording",
            json.dumps(wanted | {"port": port}).encode(),
            {"Content-Type": "application/json", "Origin": address.rstrip("/")},
        )
        with urllib.request.urlopen(request) as reply:  # noqa: S310
            assert reply.status == 202
        give_up = time.monotonic() + 20.0
        while not [i for i in find_sessions(root) if i.path.stat().st_size > 20_000]:
            assert time.monotonic() < give_up
            time.sleep(0.1)
    (info,) = find_sessions(root)
    session = read_session(info.path)
    assert session.frames().sequence.size > 10
    assert info.events_path.exists()
