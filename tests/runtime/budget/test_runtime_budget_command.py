"""The command and its gate: limits, states, exit codes, machine-readable output."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest
from budget_models import CORES, share, write_folder
from click.testing import CliRunner

from runtime.budget import Choice, Computation, Limits, budget, load_limits
from runtime.budget.inputs.groups import NEEDED
from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.verdict.limits import check, junit_xml
from runtime.cli import commands
from runtime.errors import FormatError, UsageError


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("models") / "dynamic")


def _with_evaluation(folder: Path, copy: Path, **more: Any) -> Path:
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    (copy / "evaluation.json").write_text(json.dumps(found | more))
    return copy


def test_limit_states() -> None:
    """Kept, broken, crossed by the interval, and unknown are told apart; margins have signs."""
    value = Interval(10.0, 8.0, 13.0)
    assert check("x", "uW", value, 20.0).state == "kept"
    assert check("x", "uW", value, 9.0).state == "broken"
    assert check("x", "uW", value, 12.0).state == "crossed"
    assert check("x", "share", value, 9.0, at_least=True).state == "crossed"
    assert check("x", "share", value, 8.0, at_least=True).state == "kept"
    assert check("x", "uW", None, 9.0).state == "unknown"
    assert check("x", "uW", value, 20.0).margin == pytest.approx(0.5)
    assert check("x", "uW", value, 8.0).margin == pytest.approx(-0.25)
    assert check("x", "uW", value, 12.0).keeps(strict=False)
    assert not check("x", "uW", value, 12.0).keeps(strict=True)
    assert not check("x", "uW", None, 12.0).keeps(strict=False)


def test_junit_counts_failures() -> None:
    """The XML holds one case a limit and a failure for each that is broken."""
    value = Interval(10.0, 8.0, 13.0)
    checks = [check("a", "uW", value, 20.0), check("b", "uW", value, 9.0)]
    root = ElementTree.fromstring(junit_xml([("model <1>", checks)], strict=False))  # noqa: S314
    suite = root[0]
    assert suite.get("failures") == root.get("failures") == "1"
    assert suite.get("tests") == root.get("tests") == "2"
    assert [len(case) for case in suite] == [0, 1]
    assert suite[1][0].get("type") == "broken"


def test_limits_file_faults(tmp_path: Path) -> None:
    """An unknown key, a wrong type and a missing table name file, line and key."""
    path = tmp_path / "limits.toml"
    for text, reason in (
        ("[limits]\naverage_uw = 100.0\npower = 1\n", r"line 3: limits\.power: unknown key"),
        ('[limits]\naverage_uw = "much"\n', r"line 2: limits\.average_uw"),
        ("[limit]\naverage_uw = 1.0\n", "unknown key"),
    ):
        path.write_text(text)
        with pytest.raises(FormatError, match=reason):
            load_limits(path)
    path.write_text('[limits]\naverage_uw = 100\nverdict = "hidden"\n')
    assert load_limits(path).verdict == "hidden"


def test_every_limit_is_held_against_its_own_value(folder: Path, tmp_path: Path) -> None:
    """Every key of a limits file meets its value, its interval and what was counted for it."""
    events: dict[str, Any] = {
        "false_events_per_hour": {
            "value": 2.0, "low": 1.0, "high": 4.0, "upper_95": 3.5, "n_events": 2, "hours": 1.0,
            "counted_on": "background",
        },
        "f1": {"value": 0.9, "low": 0.8, "high": 0.95, "n_events": 96, "n_participants": 3},
    }  # fmt: skip
    left: dict[str, Any] = {
        "grouping": "handedness", "name": "left",
        "accuracy": {
            "value": 0.62, "low": 0.5, "high": 0.74, "n_participants": 4, "n_takes": 120
        },
    }  # fmt: skip
    enough = {"accuracy": left["accuracy"] | {"n_participants": 7}, "enough_people": True}
    copy = _with_evaluation(
        folder, tmp_path / "model", events=events, worst_group=None, worst_group_in_turn=left,
        groups={key: [{"name": name} | enough for name in NEEDED[key]] for key in NEEDED},
    )  # fmt: skip
    limits = Limits(
        cycles_per_frame=10**6, latency_ms=30.0, flash_bytes=10**6, ram_bytes=10**5,
        stack_bytes=10**4, average_uw=1e4, accuracy=0.9, false_events_per_hour=3.0,
        event_f1=0.85, verdict="hidden", percent_per_day=0.05, minutes_per_charge=1.0,
        light_margin=2.0, worst_group=0.6,
    )  # fmt: skip
    result = budget(copy, cores=CORES, limits=limits)
    found = {c.what: c for c in result.checks}
    assert len(found) == len(Limits.model_fields) == len(result.checks)
    assert found["flash"].value.typical == result.core.code_bytes + result.core.const_bytes
    assert (found["accuracy"].value.typical, found["accuracy"].limit) == (92.0, 90.0)
    assert {c.what for c in result.checks if c.at_least} == {
        "accuracy", "event F1", "light margin", "worst group",
    }  # fmt: skip
    assert found["battery a day"].value == result.verdict.percent_per_day
    assert found["charge shorter by"].value == result.verdict.minutes_lost
    assert found["light margin"].value.median == result.light.margin
    assert (found["verdict hidden"].word, found["verdict hidden"].state) == ("hidden", "kept")
    assert found["false events"].line == (
        "crossed  false events: 2 per hour (1 to 3.5), limit at most 3 per hour; "
        "2 in 1 h of everyday time"
    )
    assert found["event F1"].line == (
        "crossed  event F1: 0.9 (0.8 to 0.95), limit at least 0.85; 96 gestures of 3 people"
    )
    assert found["worst group"].line == (
        "unknown  worst group: 62 % (50 to 74), limit at least 60 %; "
        "handedness left, 120 takes of 4 people; the interval holds the limit: ask more people"
    )
    assert "100,000 draws of" in found["average power"].line
    # An interval that crosses a limit opens the gate but of people: so few may be served worse.
    assert not result.keeps()
    lenient = budget(copy, cores=CORES, limits=limits.model_copy(update={"worst_group": 0.5}))
    assert lenient.keeps() and not lenient.keeps(strict=True)
    events["false_events_per_hour"]["value"] = 3.5
    more = _with_evaluation(folder, tmp_path / "more", events=events)
    states = {c.what: c.state for c in budget(more, cores=CORES, limits=limits).checks}
    assert states["false events"] == "broken"


def test_a_limit_on_what_was_never_examined_is_unknown(folder: Path, tmp_path: Path) -> None:
    """Without an evaluation, accuracy, groups and events are unknown, which breaks them."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    (copy / "evaluation.json").unlink()
    limits = Limits(accuracy=0.9, worst_group=0.5, event_f1=0.9, false_events_per_hour=1.0)
    result = budget(copy, cores=CORES, limits=limits)
    assert [c.state for c in result.checks] == ["unknown"] * 4
    assert not result.keeps()


def _invoke(name: str, *arguments: str) -> Any:
    command = next(c for c in commands if c.name == name)
    return CliRunner().invoke(command, list(arguments))


def test_budget_command_gates(folder: Path, tmp_path: Path) -> None:
    """Exit code 0 within the limits, 1 beyond; JSON, JUnit and the page are written."""
    limits = tmp_path / "limits.toml"
    limits.write_text("[limits]\naverage_uw = 100000\n")
    done = _invoke("budget", str(folder), "--limits", str(limits), "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)[0]["limits"][0]["state"] == "kept"
    limits.write_text("[limits]\naverage_uw = 1\n")
    junit = tmp_path / "junit.xml"
    broken = _invoke("budget", str(folder), "--limits", str(limits), "--junit", str(junit))
    assert broken.exit_code == 1
    assert "broken" in broken.output
    assert b"<failure" in junit.read_bytes()
    _invoke("budget", str(folder), str(folder), "--limits", str(limits), "--junit", str(junit))
    suites = ElementTree.fromstring(junit.read_bytes())  # noqa: S314
    assert [suite.get("name") for suite in suites] == ["dynamic (1)", "dynamic (2)"]
    assert (folder / "budget.html").exists()
    assert (folder / "budget.json").exists()


def test_strict_gate_refuses_an_interval_that_crosses(folder: Path, tmp_path: Path) -> None:
    """A limit inside the interval passes the plain gate and breaks the strict one."""
    average = budget(folder, cores=CORES).average_uw
    limits = tmp_path / "limits.toml"
    limits.write_text(f"[limits]\naverage_uw = {(average.median + average.high) / 2}\n")
    plain = _invoke("budget", str(folder), "--limits", str(limits))
    assert (plain.exit_code, "crossed" in plain.output) == (0, True)
    assert _invoke("budget", str(folder), "--limits", str(limits), "--strict").exit_code == 1


def test_text_output_carries_light_caution_and_unverified_inputs(folder: Path) -> None:
    """The terminal, too, shows the caution on light, what is unverified, and what does not fit."""
    done = _invoke("budget", str(folder), "--led", "ir850-t1", "--eye-distance", "30")
    assert done.exit_code == 0, done.output
    for words in ("IEC 62471", "from 30 mm on", "from memory,", "lit at 940 nm"):
        assert words in done.output


def test_distances_of_the_eye_can_be_chosen(folder: Path) -> None:
    """Nearer eyes have less margin; the page screens what was asked for."""
    near, far = (
        budget(folder, cores=CORES, computation=Computation(eye_distances_mm=(mm,))).light
        for mm in (20, 400)
    )
    assert near.margin < far.margin
    assert {g.distance_mm for g in near.glances} == {20}


def test_commands_show_an_example() -> None:
    """Each command's help ends with an example."""
    for command in commands:
        assert f"Example: palmwatt {command.name}" in _invoke(str(command.name), "--help").output


def test_faulty_evaluation_is_one_clear_line(folder: Path, tmp_path: Path) -> None:
    """An evaluation that is not JSON, or holds an impossible accuracy, is refused."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    for text, fault in (
        ("{", r"the file is .*, expected JSON"),
        (json.dumps({"fixed": share(1.5)}), r"fixed\.accuracy\.value is 1\.5, expected at most 1"),
        ("{}", r"fixed\.accuracy is missing, expected a value"),
        ("[1]", r"content is \[1\], expected an object"),
        (
            json.dumps({"fixed": share(0.5), "events": {"false_events_per_hour": 5}}),
            r"events\.false_events_per_hour is 5, expected an object",
        ),
    ):
        (copy / "evaluation.json").write_text(text)
        with pytest.raises(FormatError, match=rf"evaluation\.json: {fault}"):
            budget(copy, cores=CORES)


def test_host_and_controller_can_be_chosen(folder: Path) -> None:
    """Another host changes the verdict, not the power of the frame; unknown names are refused."""
    watch = budget(folder, cores=CORES, choice=Choice(host="watch"))
    phone = budget(folder, cores=CORES, choice=Choice(host="phone-mixed"))
    assert (watch.verdict.word, phone.verdict.word) == ("visible", "hidden")
    assert watch.frame_uj == phone.frame_uj
    with pytest.raises(UsageError, match="toaster"):
        budget(folder, cores=CORES, choice=Choice(host="toaster"))
