"""The enrolment page: an owner is led through takes; what was learned goes to the page alone."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_sensor import BenchSensor
from booth_browser import open_booth, page_of, press, window
from live_models import learning_model, side_model
from playwright.sync_api import Browser
from starlette.testclient import TestClient
from wcag import wcag_faults

from capture.booth.app import build_app
from capture.booth.enrolment.desk import EnrolmentDesk, Learner, Lesson
from capture.lead.owner.enrolling import wishes
from runtime.enrolment import learned_arrays, with_learned
from runtime.errors import UsageError
from runtime.model import load_model, save_model

HOST = "127.0.0.1:8137"
OURS = {"origin": f"http://{HOST}"}
TALL = "document.documentElement.scrollWidth - innerWidth"


@pytest.fixture(scope="module")
def learning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A saved model of the bench sensor that can learn."""
    folder = tmp_path_factory.mktemp("learning") / "model"
    save_model(learning_model(), folder)
    return folder


@pytest.fixture
def held_up() -> Iterator[tuple[BenchSensor, list[float]]]:
    """A sensor that waits before each exposure for as long as the test wishes, seconds."""
    waits = [0.0]

    def wait(sequence: int, lit: bool, packet: bytes) -> bytes:
        time.sleep(waits[0])
        return packet

    sensor = BenchSensor(wait)
    yield sensor, waits
    sensor.close()


def ended(desk: EnrolmentDesk) -> dict[str, object]:
    """Wait for the end of an enrolment and return how it stands."""
    until = time.monotonic() + 30.0
    while desk.busy and time.monotonic() < until:
        time.sleep(0.02)
    return desk.state


def test_an_owner_is_enrolled_in_the_browser(
    browser: Browser,
    held_up: tuple[BenchSensor, list[float]],
    learning: Path,
    tmp_path: Path,
    need_tool: Callable[[str], str],
) -> None:
    """Form, takes and end by keyboard, by the rules of WCAG 2.2 AA; the saved file is the model's.

    A take in which readouts stopped coming is told to be none, and shown again. Nothing of it comes
    into the data set; once erased, the booth has it no more.
    """
    axe = Path(need_tool("axe.min.js"))
    sensor, waits = held_up
    wait = sensor.damage
    sensor.damage = lambda k, lit, packet: b"" if 60 <= k < 120 else wait(k, lit, packet)
    root = tmp_path / "set"
    with (
        open_booth(root, "--port", sensor.url, "--model", str(learning)) as address,
        window(browser, address) as page,
    ):
        page.goto(page_of(address, "enrol"))
        page.wait_for_selector("#form-title:focus")
        assert page.locator("#classes input:checked").count() == 2  # known ones, none of one's own
        assert page.inner_text("#classes").split("\n")[-1] == "your own gesture 1"
        assert wcag_faults(page, axe) == []
        page.check("#classes input[value=own_1]")
        page.focus("#form-title")
        waits[0] = 0.3
        press(page, "Tab", "Tab", "Tab")
        page.keyboard.type("1")
        press(page, "Enter")
        page.wait_for_selector(".cue[data-phase=rest]")
        assert page.inner_text("#told").endswith("Get ready: left")
        assert wcag_faults(page, axe) == []
        waits[0] = 0.0
        page.wait_for_selector("#end-title:focus")
        assert page.inner_text("#end-title") == "The model has learned its owner"
        assert page.locator("#end-answers .refused").all_inner_texts() == [
            "left: interrupted, readouts are missing; again"
        ]
        assert page.locator("#end-answers .kept").all_inner_texts() == [
            "left: take 1 kept", "right: take 1 kept", "your own gesture 1: take 1 kept",
        ]  # fmt: skip
        assert wcag_faults(page, axe) == [] and page.evaluate(TALL) <= 0
        with page.expect_download() as saved:
            page.click("#save")
        assert saved.value.suggested_filename == "side-owner.bin"
        file = tmp_path / "owner.bin"
        saved.value.save_as(file)
        page.click("#erase")
        page.wait_for_selector("#form-title:focus")
    model = load_model(learning)
    state = with_learned(model, model.initial_state(), file.read_bytes(), "file")
    assert learned_arrays(model, state)["taught"].tolist() == [1, 1, 0, 1]
    assert [path.name for path in root.rglob("*") if path.is_file()] == ["dataset_description.json"]


def test_what_cannot_be_enrolled_is_refused_in_one_line(learning: Path, tmp_path: Path) -> None:
    """Wrong models, gestures, numbers, ports, and what is not there: status 400 and a reason."""
    root = tmp_path / "set"
    app = build_app(root, hosts=[HOST], models=[learning])
    good = {"model": "side", "port": "/dev/no-such-sensor", "classes": ["left"], "takes": 1}
    with TestClient(app, base_url=f"http://{HOST}", headers=OURS) as client:
        offered = client.get("/api/enrolment").json()["models"]
        assert [(each["name"], each["most_takes"]) for each in offered] == [("side", 2)]
        assert [c["name"] for c in offered[0]["classes"] if c["own"]] == ["own_1"]
        for changed, said in (
            ({"model": "other"}, "model is 'other', expected side"),
            ({"classes": []}, "gestures to enrol is none"),
            ({"classes": ["middle"]}, "class to enrol is 'middle'"),
            ({"takes": 3}, "takes of each class is 3, expected 1 to 2"),
            ({"port": "spy:///dev/ttyACM0"}, "port is 'spy:"),
            ({"more": 1}, "more"),
        ):
            reply = client.post("/api/enrolment", json=good | changed)
            assert reply.status_code == 400 and said in reply.json()["error"], changed
        for reply in (
            client.get("/api/enrolment/learned"),
            client.post("/api/enrolment/wishes", json={"wish": "stop"}),
        ):
            assert reply.status_code == 400 and "\n" not in reply.json()["error"]
        assert client.post("/api/enrolment", json=good).status_code == 202
    cannot = tmp_path / "cannot"
    save_model(side_model(learning_model().sensor), cannot)
    for models, said in (([cannot], "enrol = true"), ([learning, learning], "side twice")):
        with pytest.raises(UsageError, match=said):
            build_app(root, hosts=[HOST], models=models)


def test_half_a_lesson_and_a_lesson_of_refused_takes_leave_nothing(
    held_up: tuple[BenchSensor, list[float]],
) -> None:
    """Stopped, refused or without a sensor, there is nothing to give; one runs at a time."""
    sensor, waits = held_up
    desk = EnrolmentDesk()

    def lesson(port: str, unlike: int = 2**31 - 1) -> Lesson:
        model = learning_model(unlike=unlike)
        return Lesson(Learner(model, "unit-9"), port, wishes(model, 1, ["left"]))

    desk.start(lesson("/dev/no-such-sensor"))
    assert ended(desk)["state"] == "failed" and "no-such-sensor" in str(desk.state["error"])
    waits[0] = 0.05
    desk.start(lesson(sensor.url))
    for refused in (lambda: desk.start(lesson(sensor.url)), desk.erase, desk.learned):
        with pytest.raises(UsageError):
            refused()
    while desk.state["state"] != "enrolling":
        time.sleep(0.02)
    assert "calibrated for unit unit-9" in str(desk.state["cautions"])
    desk.stop()
    assert ended(desk)["state"] == "stopped"
    waits[0] = 0.0
    desk.start(lesson(sensor.url, unlike=0))
    state = ended(desk)
    assert (state["state"], state["n_kept"], state["n_refused"]) == ("done", 0, 3)
    with pytest.raises(UsageError, match="nothing"):
        desk.learned()
    desk.erase()
    assert desk.state == {"state": "ready"}


def test_a_sensor_that_is_gone_is_not_waited_for_once_it_is_stopped(
    held_up: tuple[BenchSensor, list[float]], learning: Path, tmp_path: Path
) -> None:
    """While a pulled port is waited for the page says so; a stop, or the booth's end, ends it."""
    sensor, waits = held_up
    place = tmp_path / "sensor"
    sensor.take_the_place_of(place)
    model, desk = load_model(learning), EnrolmentDesk()
    waits[0] = 0.05
    desk.start(Lesson(Learner(model), str(place), wishes(model, 1)))
    while desk.state["state"] != "enrolling":
        time.sleep(0.02)
    place.unlink()
    sensor.close()
    until = time.monotonic() + 10.0
    while not desk.state.get("lost") and time.monotonic() < until:
        time.sleep(0.02)
    assert "the sensor is gone" in str(desk.state["lost"])
    desk.close()
    assert desk.state["state"] == "stopped"
