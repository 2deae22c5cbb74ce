"""The booth's pages before the rules of axe-core, in every state that a person meets them in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from booth_browser import open_booth, page_of, press, window
from booth_session import make_session
from playwright.sync_api import Browser
from study_people import write_study
from wcag import wcag_faults

from capture.emulated.port.device import DeviceSettings, running_device

SCRIPT = """
name = "brief"
instruction = "Make one movement for each cue."
lead_in_s = 0.5
rest_s = [0.4, 0.4]
shuffle = false
[[cue]]
trial_type = "swipe_left"
repetitions = 1
duration_s = 1.2
[[cue]]
trial_type = "push"
repetitions = 8
duration_s = 1.2
prompt = "push towards the sensor"
"""


@pytest.fixture
def axe(need_tool: Callable[[str], str]) -> Path:
    return Path(need_tool("axe.min.js"))


@pytest.fixture(scope="module")
def booth(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a data set to record into, with an emulated sensor behind its port."""
    root = tmp_path_factory.mktemp("wcag")
    script = root / "brief.toml"
    script.write_text(SCRIPT)
    with (
        running_device(DeviceSettings(script=str(script))) as port,
        open_booth(root / "set", "--port", port, "--script", str(script)) as address,
    ):
        yield address


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a study with a session that can be reviewed."""
    root = tmp_path_factory.mktemp("study") / "set"
    make_session(root, "P31")
    write_study(root, 30, 6)
    with open_booth(root) as address:
        yield address


def test_both_screens_of_a_session_keep_the_rules(browser: Browser, booth: str, axe: Path) -> None:
    """Form, checks, cues, pause and end, and the participant's window, keep WCAG 2.2 AA."""
    with window(browser, booth) as operator, window(browser, booth) as participant:
        operator.goto(booth)
        operator.wait_for_selector("#participant:focus")
        assert wcag_faults(operator, axe) == []
        participant.goto(page_of(booth, "participant"))
        participant.wait_for_selector("#wait-title")
        assert wcag_faults(participant, axe) == []
        operator.keyboard.type("P31")
        operator.check("#consent")
        operator.uncheck("#repeat_missed")
        operator.select_option("#script", "brief")
        press(operator, "Enter")
        operator.wait_for_selector("#checks li:has-text('Sensor').holds-true")
        assert wcag_faults(operator, axe) == []
        participant.wait_for_selector("#gallery svg")
        assert wcag_faults(participant, axe) == []
        press(operator, "p")
        participant.wait_for_selector("#practice:not([hidden])")
        assert wcag_faults(participant, axe, sizes=((390, 844, "light"),)) == []
        press(operator, "Enter")
        operator.wait_for_selector(".cue[data-phase=cue]")
        assert wcag_faults(operator, axe) == []
        press(operator, "Space")
        operator.wait_for_selector(".cue[data-phase=paused]")
        assert wcag_faults(operator, axe) == []
        participant.wait_for_selector(".cue[data-phase=paused]")
        assert wcag_faults(participant, axe) == []
        press(operator, "q")
        operator.wait_for_selector("#end-title:focus")
        assert wcag_faults(operator, axe) == []


def test_review_and_study_keep_the_rules(browser: Browser, study: str, axe: Path) -> None:
    """Review before and after a session is open, its questions and keys, and the study's page."""
    with window(browser, study) as page:
        page.goto(page_of(study, "review"))
        page.wait_for_selector("#sessions button")
        assert wcag_faults(page, axe) == []
        page.goto(page_of(study, "review?session=sub-P31_ses-01_task-short"))
        page.wait_for_selector("#labeller:focus")
        page.keyboard.type("L1")
        press(page, "Enter")
        page.wait_for_selector("#title:focus")
        press(page, "?")
        assert wcag_faults(page, axe) == []
        press(page, "x")
        page.wait_for_selector("#ask[open]")
        assert wcag_faults(page, axe) == []
        page.goto(page_of(study, "study"))
        page.wait_for_selector("#rows tr")
        assert wcag_faults(page, axe) == []
