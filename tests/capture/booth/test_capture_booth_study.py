"""The study page: three hundred sessions, search and filters, the next person in one press."""

from __future__ import annotations

import datetime
import json
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from booth_browser import open_booth, page_of, press, window
from booth_session import make_session
from playwright.sync_api import Browser, expect
from study_people import planned, record_step, write_study
from test_capture_booth_contrast import readable

from capture.emulated.port.device import DeviceSettings, running_device
from capture.store.dataset import find_sessions, open_dataset
from capture.store.session import read_session
from capture.study.drawing import draw_locked
from capture.study.plan import StudyFile, open_study
from capture.study.provenance import read_provenance


def make_study(root: Path, n: int, n_recorded: int, but: int | None = None) -> StudyFile:
    write_study(root, n, n // 5)
    draw_locked(root, datetime.date(2026, 11, 3))
    file = open_study(root)
    for minute, step in enumerate(planned(file)[:n_recorded]):
        if minute != but:
            record_step(root, file, step, minute)
    return file


def asked(address: str, path: str, body: dict[str, object] | None = None) -> dict[str, object]:
    base, _, token = address.partition("#token=")
    base = base.rstrip("/")
    request = urllib.request.Request(f"{base}{path}")  # noqa: S310  # of this machine
    request.add_header("Origin", base)
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    if body is not None:
        request.data = json.dumps(body).encode()
        request.add_header("Content-Type", "application/json")
    with urllib.request.urlopen(request, timeout=20) as reply:  # noqa: S310
        answer: dict[str, object] = json.load(reply)
    return answer


@pytest.mark.slow
def test_three_hundred_sessions_are_searched_and_filtered(browser: Browser, tmp_path: Path) -> None:
    """Of 300 recorded and 60 missing sessions a word, a state and a station leave the few."""
    root = tmp_path / "set"
    file = make_study(root, 120, 300, but=7)
    step = planned(file)[7]
    record_step(root, file, step, unit="another")
    with open_booth(root) as address, window(browser, address) as page:
        page.goto(page_of(address, "study"))
        page.wait_for_selector("#rows tr")
        assert page.locator("#shown").text_content() == "360 of 360"
        assert "299 of 360 sessions done, 1 doubtful" in str(page.text_content("#whole"))
        page.fill("#search", f"{step.person} one")
        assert 1 <= page.locator("#rows tr").count() <= 2
        page.fill("#search", "planned with")
        expect(page.locator("#rows tr")).to_have_count(1)
        assert "another" in str(page.text_content("#rows"))
        page.fill("#search", "")
        page.select_option("#state", "missing")
        page.select_option("#station", "b")
        assert page.locator("#shown").text_content() == "30 of 360"
        page.select_option("#task", "brief_two")
        assert page.locator("#shown").text_content() == "10 of 360"


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "dark")])
def test_nothing_runs_off_the_side(
    browser: Browser, tmp_path: Path, width: int, scheme: str
) -> None:
    """On a phone and on a laptop the page is as wide as the screen, and all of it can be read."""
    root = tmp_path / "set"
    make_study(root, 10, 5, but=2)
    with open_booth(root) as address, window(browser, address, scheme) as page:
        page.set_viewport_size({"width": width, "height": 800})
        page.goto(page_of(address, "study"))
        page.wait_for_selector("#rows tr")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(
            "[...document.querySelectorAll('#rows td')]"
            ".every((cell) => cell.getBoundingClientRect().right <= innerWidth)"
        )
        readable(page, 40)


def test_the_next_person_is_one_press_away(browser: Browser, tmp_path: Path) -> None:
    """One press fills the form by the plan; consent is asked, and the recording says all of it."""
    root = tmp_path / "set"
    file = make_study(root, 10, 0)
    step = planned(file)[0]
    script = root / f"{step.task}.toml"
    settings = DeviceSettings(1, script=str(script), seed=step.seed, unit="unit-a")
    with (
        running_device(settings) as port,
        open_booth(root, "--port", port) as address,
        window(browser, address) as page,
    ):
        page.goto(page_of(address, "study"))
        page.wait_for_selector(".press")
        page.locator(".press").first.focus()
        press(page, "Enter")
        page.wait_for_selector("#planned:not([hidden])")
        assert page.input_value("#participant") == step.person
        assert page.input_value("#seed") == str(step.seed)
        assert not page.is_checked("#consent")
        page.check("#consent")
        page.fill("#operator", "K7")
        page.fill("#notes", "blinds down")
        page.click("#start")
        page.wait_for_selector("#begin:focus")  # the checks before the first cue
        page.wait_for_selector("#checks li:has-text('Sensor').holds-true")
        press(page, "Enter")
        page.wait_for_selector("#end:not([hidden])")
        page.click("#again")
        after = planned(file)[1]
        expect(page.locator("#seed")).to_have_value(str(after.seed))
        assert page.input_value("#operator") == "K7"
    (info,) = find_sessions(root)
    assert info.session == "01a"
    assert read_session(info.path).header.seed == step.seed
    said = read_provenance(info.path)
    assert said is not None
    assert (said.station, said.operator, said.notes) == ("a", "K7", "blinds down")
    assert (said.consent_form, said.study_sha256) == ("2.1", file.sha256)
    (person,) = open_dataset(root).participants
    assert person.locked == (step.person in file.study.locked)


def test_a_plan_that_moved_on_is_not_followed(tmp_path: Path) -> None:
    """An order with a seed that the plan does not ask for, or a wrong sensor, records nothing."""
    root = tmp_path / "set"
    file = make_study(root, 10, 1)
    done, step = planned(file)[:2]
    settings = DeviceSettings(1, script=str(root / f"{step.task}.toml"), unit="unit-b")
    with running_device(settings) as port, open_booth(root, "--port", port) as address:
        order: dict[str, object] = {
            "participant": step.person, "consent": True, "port": port, "planned": True,
        }  # fmt: skip
        with pytest.raises(urllib.error.HTTPError) as refused:
            asked(address, "/api/recording", order | {"script": done.task, "seed": done.seed})
        assert "sessions left to record" in refused.value.read().decode()
        asked(address, "/api/recording", order | {"script": step.task, "seed": step.seed})
        time.sleep(1.0)
    assert len(find_sessions(root)) == 1


def test_a_data_set_without_a_plan_lists_its_sessions(tmp_path: Path) -> None:
    """Without study.toml the page still has its list; a wrong plan is told in one line."""
    root = tmp_path / "set"
    make_session(root)
    with open_booth(root) as address:
        answer = asked(address, "/api/study")
        assert answer["study"] is None
        (row,) = answer["rows"]
        assert (row["participant"], row["state"], row["n_good"]) == ("P01", "doubtful", 3)
        (root / "study.toml").write_text("name = 3")
        with pytest.raises(urllib.error.HTTPError) as refused:
            asked(address, "/api/study")
        assert "study.toml, line 1: name is 3" in refused.value.read().decode()
