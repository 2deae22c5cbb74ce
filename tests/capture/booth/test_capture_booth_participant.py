"""The participant's window: instruction, practice and cues in whole words, and nothing measured."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from booth_browser import open_booth, page_of, press, window
from playwright.sync_api import Browser, Page

from capture.booth.recording.participant_view import participant_state
from capture.cues.conductor import Moment
from capture.cues.script import BUILT_IN, load_script
from capture.emulated.port.device import DeviceSettings, running_device
from capture.lead.preparation import Preparation
from capture.lead.readiness_checks import Check

SCRIPT = """
name = "brief"
instruction = "Make one movement for each cue."
lead_in_s = 1.0
rest_s = [0.4, 0.4]
shuffle = false
[[cue]]
trial_type = "swipe_left"
repetitions = 1
duration_s = 1.2
[[cue]]
trial_type = "circle_counterclockwise"
repetitions = 2
duration_s = 1.2
"""
SIZES = ((390, 844), (844, 390), (1280, 800), (1920, 1080), (3840, 2160))
PROMPTS = {
    kind: script.text(kind)
    for script in map(load_script, BUILT_IN)
    for kind in script.trial_types
    if not kind.startswith("people_")  # of a place: nobody there is shown a cue
}


@pytest.fixture(scope="module")
def booth(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Serve a data set with an emulated sensor behind its port."""
    root = tmp_path_factory.mktemp("two")
    (root / "brief.toml").write_text(SCRIPT)
    settings = DeviceSettings(script=str(root / "brief.toml"))
    with (
        running_device(settings) as port,
        open_booth(root / "set", "--port", port, "--script", str(root / "brief.toml")) as address,
    ):
        yield address


def test_the_participant_is_told_nothing_that_was_measured() -> None:
    """Neither level, loss, quality, checks nor who it is reach the participant's window."""
    first = {"participant": "P07", "script": "brief", "instruction": "Wave.", "n_cues": 3}
    first |= {"n_practice": 2, "prompts": {"push": "push"}}
    moment = {"phase": "cue", "trial_type": "push", "remaining_s": 0.5}
    progress = {"moment": moment, "n_cues_done": 1, "time_s": 5.0, "total_s": 20.0}
    measured = {"mean_lit_counts": 123.0, "missing": 7, "missed": ("push",), "corrupt": 9}
    told = participant_state(first | {"state": "recording", "progress": progress | measured})
    assert told == {
        "state": "recording",
        "instruction": "Wave.",
        "prompts": {"push": "push"},
        "moment": moment,
        "practice": False,
        "n_done": 1,
        "n_cues": 3,
        "share": 0.25,
    }
    checks = (Check("light", False, "too bright"),)
    for practised in (None, moment):
        state = {"state": "checking", "checks": checks, "moment": practised, "n_practised": 1}
        told = participant_state(first | state)
        assert "checks" not in told
        assert ("moment" in told) == (practised is not None)
    assert participant_state({"state": "failed", "error": "/dev/x is gone"}) == {"state": "failed"}
    assert Preparation(checks, Moment("rest", "push", 1.0)).n_missed == 0


def begin_checks(page: Page, address: str) -> None:
    page.goto(address)
    page.wait_for_selector("#participant:focus")
    page.keyboard.type("P07")
    page.check("#consent")
    page.uncheck("#repeat_missed")  # the emulated participant misses what a pause moves
    press(page, "Enter")
    page.wait_for_selector("#begin:focus")


def test_two_screens_lead_one_session(browser: Browser, booth: str) -> None:
    """Instruction first, then practice, then the session: each screen shows its own part of it.

    The operator has checks, missed cues and pause by keyboard; the participant no readout.
    """
    with window(browser, booth) as operator, window(browser, booth, "dark") as participant:
        heard: list[str] = []
        participant.on("websocket", lambda s: s.on("framereceived", lambda m: heard.append(m)))
        participant.goto(page_of(booth, "participant"))
        participant.wait_for_selector("#wait-title:has-text('Please wait')")
        begin_checks(operator, booth)
        participant.wait_for_selector("#instruction:has-text('Make one movement')")
        assert participant.locator("#gallery li").count() == 2
        assert participant.locator("#gallery svg").count() == 2
        operator.wait_for_selector("#checks li:has-text('Hand in view').holds-true")
        operator.wait_for_selector("#begin:has-text('Start recording')")
        assert operator.locator("#checks li").count() == 5
        press(operator, "p")
        participant.wait_for_selector("#practice:has-text('Practice')")
        participant.wait_for_selector(".cue[data-phase=cue]")
        assert participant.inner_text("#what").lower() == "swipe left"
        assert participant.locator("#sign svg").count() == 1
        operator.wait_for_selector("#practice:has-text('2 of 2')")
        participant.wait_for_selector("#first:not([hidden])")  # the round is over
        press(operator, "Enter")
        participant.wait_for_selector("#scene .cue[data-phase=cue]")
        assert participant.is_hidden("#practice")
        press(operator, "Space")
        participant.wait_for_selector(".cue[data-phase=paused]")
        assert "Pause" in participant.inner_text("#told")
        press(operator, "Space")
        participant.wait_for_selector("#count:has-text('2 of 3')")
        operator.wait_for_selector("#figures dt:has-text('Missed cues')")
        operator.wait_for_selector("#end-title:focus")
        participant.wait_for_selector("#wait-title:has-text('Thank you')")
    assert heard
    assert all(isinstance(message, str) for message in heard)  # readouts would be bytes
    keys = {key for message in heard for key in json.loads(message)}
    assert keys == {
        "state", "instruction", "prompts", "moment", "practice", "n_done", "n_cues", "share"
    }  # fmt: skip


def test_the_operator_can_go_back_from_the_checks(browser: Browser, booth: str) -> None:
    """Back leaves the checks, nothing is recorded, and the form is there again."""
    with window(browser, booth) as page:
        begin_checks(page, booth)
        press(page, "q")
        page.wait_for_selector("#form-view:not([hidden])")
        begin_checks(page, booth)  # the port is free again
        press(page, "q")
        page.wait_for_selector("#form-view:not([hidden])")


def test_the_participant_s_window_opens_and_takes_keys(browser: Browser, booth: str) -> None:
    """W opens it; in it S and M switch sound and movement, and keys can be switched off."""
    with window(browser, booth) as page:
        begin_checks(page, booth)
        with page.context.expect_page() as opened:
            press(page, "w")
        other = opened.value
        other.wait_for_selector("#first:not([hidden])")
        press(other, "s", "m")
        assert (other.is_checked("#sound"), other.is_checked("#moving")) == (True, False)
        other.uncheck("#keys-on")
        press(other, "s")
        assert other.is_checked("#sound")
        assert "small" in str(page.get_attribute("#scene", "class"))
        press(page, "q")
        page.wait_for_selector("#form-view:not([hidden])")


@pytest.mark.parametrize("size", SIZES)
def test_the_participant_s_window_fits(browser: Browser, booth: str, size: tuple[int, int]) -> None:
    """Every prompt stands in whole words between progress and practice line, at every size."""
    with window(browser, booth) as page:
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.goto(page_of(booth, "participant"))
        page.wait_for_selector("#wait-title")
        found = page.evaluate(
            """async (prompts) => {
              const at = (id) => document.getElementById(id);
              at("wait").hidden = true;
              at("scene").hidden = at("practice").hidden = false;
              const { Cue } = await import("/static/cue/cue.js");
              const cue = new Cue(20);
              const bad = [];
              for (const [kind, words] of Object.entries(prompts)) {
                cue.show({ phase: "cue", trial_type: kind, remaining_s: 1 }, words, kind);
                const box = at("cue").getBoundingClientRect();
                for (const word of document.querySelectorAll("#what .word")) {
                  const lines = new Set([...word.getClientRects()].map((r) => Math.round(r.bottom)));
                  const { left, right, top, bottom } = word.getBoundingClientRect();
                  const inside = left >= 0 && right <= innerWidth && top >= box.top && bottom <= box.bottom;
                  if (lines.size !== 1 || !inside) bad.push([kind, word.textContent]);
                }
              }
              const page = document.documentElement;
              return [bad, page.scrollWidth - innerWidth, page.scrollHeight - innerHeight];
            }""",  # noqa: E501  # JavaScript
            PROMPTS,
        )
        assert found == [[], 0, 0]


def test_who_wants_less_motion_sees_none(browser: Browser, booth: str) -> None:
    """With reduced motion asked for (WCAG 2.2, 2.3.3) hints stand; else they move."""
    count = """async (moving) => {
      const { hint } = await import("/static/cue/hints.js");
      const picture = hint("swipe_left", moving);
      document.body.append(picture);
      const found = picture.getAnimations({ subtree: true }).length;
      picture.remove();
      return found;
    }"""
    with window(browser, booth) as page:  # it asks for reduced motion
        page.goto(page_of(booth, "participant"))
        assert page.evaluate(count, True) == 0
        page.emulate_media(reduced_motion="no-preference")
        assert [page.evaluate(count, moving) for moving in (True, False)] == [1, 0]


def test_every_cue_of_every_built_in_script_is_drawn(browser: Browser, booth: str) -> None:
    """Each label has a drawing of its own; a label of somebody else's script has words alone."""
    with window(browser, booth) as page:
        page.goto(page_of(booth, "participant"))
        page.wait_for_selector("#wait-title")
        missing, empty, n_drawn, foreign = page.evaluate(
            """async (labels) => {
              const { hint, hasHint } = await import("/static/cue/hints.js");
              const drawn = labels.filter(hasHint).map((label) => [label, hint(label)]);
              document.body.append(...drawn.map(([, picture]) => picture));
              const area = (picture) => picture.getBBox().width * picture.getBBox().height;
              return [
                labels.filter((label) => !hasHint(label)),
                drawn.filter(([, picture]) => area(picture) < 100).map(([label]) => label),
                new Set(drawn.map(([, picture]) => picture.innerHTML)).size,
                hint("juggle"),
              ];
            }""",
            sorted(PROMPTS),
        )
        assert (missing, empty, foreign) == ([], [], None)
        # Fist and pointing finger are asked for twice each, as a count and as a shape.
        assert n_drawn == len(PROMPTS) - 2
