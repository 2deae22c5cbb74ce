"""A whole search on a small data set, from the command line to a model at a weaker setting."""

from __future__ import annotations

import csv
import io
import json
import shutil
import tomllib
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from recorded_anew import Kept, ask, is_kept, record_anew
from small_script import SCRIPT

from capture.store.session import read_session
from capture.store.writer import SessionWriter
from runtime.budget import budget
from runtime.errors import FormatError, UsageError
from runtime.firmware.sensor_file import read_sensor_file
from runtime.firmware.setting import DeviceSetting
from runtime.model import load_model
from trainer.choice.frontier import Frontier, Point, _judged
from trainer.choice.outcome import _promised, refuse_another, verified
from trainer.choice.page import frontier_page
from trainer.choice.told import COLUMNS
from trainer.choice.tried.asked import Asked, read_for
from trainer.choice.tried.knobs import load_knobs, options_of
from trainer.choice.tried.settings import tried_of
from trainer.cli import main
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers

KNOBS = """\
[active.led_share]
values = [1.0, 0.25]

[watching.rate_hz]
values = [5.0]

[search]
tried_on_everybody = 2
tried_in_full = 2
max_saturated_takes = 1.0
plain_sensors = false
"""


def _run(*words: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["frontier", *map(str, words)])
    return int(str(ended.value.code or 0))


@pytest.fixture(scope="module")
def searched(
    recorded_once: Path, small_recipe_once: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return the folder of one search with one pick."""
    place = tmp_path_factory.mktemp("frontier")
    data = Path(shutil.copytree(recorded_once, place / "data"))
    (place / "knobs.toml").write_text(KNOBS, "utf-8")
    with redirect_stdout(io.StringIO()) as told:
        code = _run(
            data, "--recipe", small_recipe_once, "--knobs", place / "knobs.toml",
            "--out", place / "out", "--jobs", 1, "--pick", "uw<1000 and f1>=0",
        )  # fmt: skip
    assert code == 0
    (place / "told.txt").write_text(told.getvalue(), "utf-8")
    return place


def test_the_front_is_told_as_json_table_and_page(searched: Path) -> None:
    """JSON, table and page hold the same points, and the page is made of the JSON alone."""
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    rows = list(csv.DictReader((searched / "out" / "frontier.csv").read_text("utf-8").splitlines()))
    assert [row["name"] for row in rows] == [point["name"] for point in told["points"]]
    assert told["front"] == [p["name"] for p in told["points"] if p["on_front"]]
    assert told["knee"] in told["front"]
    knee = next(point for point in told["points"] if point["name"] == told["knee"])
    assert sum(row["uw"] for row in told["held_up"]) == pytest.approx(knee["typical_uw"])
    (locked,) = (one for one in told["locked"] if one["name"] == told["knee"])
    assert 0.0 <= locked["interval"][0] <= locked["score"] <= locked["interval"][1] <= 1.0
    assert locked["n_people"] == 1  # the locked one, whom no other figure rests on
    assert told["n_people"] == 3
    for point in told["points"]:
        assert sum(point["power"][key] for key in COLUMNS) == pytest.approx(point["typical_uw"])
        assert 0.0 <= point["share_on_front"] <= 1.0
        promise = point["promise"]
        assert promise["low"] <= promise["value"] <= point["score"] <= promise["high"]
    page = (searched / "out" / "frontier.html").read_text("utf-8")
    assert page == frontier_page(told)
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_the_page_keeps_the_rules_of_wcag(
    searched: Path, faults_of_page: Callable[[str], list[str]]
) -> None:
    """The page of a search keeps WCAG 2.2 AA, on a phone and a laptop."""
    assert faults_of_page((searched / "out" / "frontier.html").read_text("utf-8")) == []


def test_a_quarter_of_the_light_costs_less(searched: Path) -> None:
    """Less LED current is less power, by what the LED and its driver draw."""
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    by_current = {p["sensor"]["led_current_ma"]: p for p in told["points"]}
    assert by_current[25.0]["uw"] < by_current[100.0]["uw"]
    assert by_current[25.0]["power"]["LED"] < 0.3 * by_current[100.0]["power"]["LED"]


def test_a_picked_model_is_made_for_its_setting(searched: Path) -> None:
    """The model's sensor, its files and its budget are those of the point that was picked."""
    (folder,) = (searched / "out" / "models").iterdir()
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    point = next(p for p in told["points"] if p["name"] == folder.name)
    model, file = load_model(folder), read_sensor_file(folder / "sensor.toml")
    assert model.sensor == file.sensor
    assert model.sensor.to_json() == point["sensor"]
    device = tomllib.loads((folder / "device.toml").read_text("utf-8"))
    assert device["watching_led_current_ma"] == point["device"]["watching_led_current_ma"]
    evaluation = json.loads((folder / "evaluation.json").read_text("utf-8"))
    assert "foretold" in {caution["about"] for caution in evaluation["cautions"]}
    priced = budget(folder, cores=())
    assert priced.average_uw.median == pytest.approx(point["uw"], rel=0.05)
    assert priced.inputs["watching.led_current"].typical == device["watching_led_current_ma"]


def test_a_picked_model_is_verified(searched: Path) -> None:
    """All executions of a picked model are compared, on the priced core too, and it is told."""
    told = (searched / "told.txt").read_text("utf-8")
    assert "at the setting; the same bits everywhere and on cortex-m33" in " ".join(told.split())


def test_what_is_promised_has_its_unit() -> None:
    """An error of direction is in mrad, as its front says; a share has no unit."""
    of_light = {"measure": "error of direction, rms", "unit": "mrad"}
    said = _promised({"promise": {"value": 2.5, "low": 2.0, "high": None}}, of_light)
    assert said == "error of direction, rms 2.500 mrad (2.000 to none) at the setting"
    point = {"promise": {"value": 0.9, "low": 0.8, "high": 1.0}, "interval": [0.85, 1.0]}
    said = _promised(point, {"measure": "event F1"})
    assert said == "event F1 0.900 (0.800 to 1.000) at the setting"


def test_a_picked_model_that_differs_is_refused(searched: Path, tmp_path: Path) -> None:
    """Where something of a picked model's folder is not the model's, one line says so."""
    (folder,) = (searched / "out" / "models").iterdir()
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    weights = other / "firmware" / "pw_weights.h"
    weights.write_text(weights.read_text("utf-8") + "/* another */\n", "utf-8")
    with pytest.raises(FormatError, match=r"they differ with palmwatt verify .*other"):
        verified(other, ())


def test_a_picked_model_is_asked_about_others_recorded_at_its_setting(
    searched: Path, small_recipe_once: Path, tmp_path: Path
) -> None:
    """An emulated sensor takes its sensor.toml, and before others it keeps what was promised."""
    (folder,) = (searched / "out" / "models").iterdir()
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    point = next(p for p in told["points"] if p["name"] == folder.name)
    script, data = tmp_path / "small.toml", tmp_path / "anew"
    script.write_bytes(SCRIPT)
    record_anew(data, (21, 22, 23), 1, [str(script)], str(folder / "sensor.toml"))
    recorded = read_session(next(data.rglob("*_readouts.mcap"))).sensor
    assert recorded == load_model(folder).sensor
    found = ask(folder, data, load_recipe(small_recipe_once), LocalWorkers(1))
    assert found.n_people == 3
    assert is_kept(point["promise"], found)
    assert not is_kept({"value": 0.9, "low": 0.85, "high": 0.95}, Kept(0.5, 0.4, 0.6, 12))


def test_a_model_of_an_earlier_front_is_not_taken_for_another(
    searched: Path, small_recipe_once: Path
) -> None:
    """A picked model is taken again where it is the point's; of other recordings it is refused."""
    (folder,) = (searched / "out" / "models").iterdir()
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    point = next(p for p in told["points"] if p["name"] == folder.name)
    options = options_of(load_knobs(searched / "knobs.toml"), [load_recipe(small_recipe_once)])
    recorded = read_session(next((searched / "data").rglob("*_readouts.mcap"))).sensor
    (tried,) = (one for one in tried_of(options, recorded) if one.name == folder.name)
    same = Point(tried, DeviceSetting(**point["device"]), None, None)  # type: ignore[arg-type]
    refuse_another(folder, searched / "data", same)
    device = replace(same.device, watching_rate_hz=4.0)
    with pytest.raises(UsageError, match="name another --out"):
        refuse_another(folder, searched / "data", replace(same, device=device))
    fewer = Path(shutil.copytree(searched / "data", searched / "fewer"))
    shutil.rmtree(sorted(fewer.glob("sub-*"))[0])
    with pytest.raises(UsageError, match="of other recordings"):
        refuse_another(folder, fewer, same)


@pytest.mark.slow
def test_a_search_by_two_processes_gives_the_same_bytes(
    searched: Path, small_recipe_once: Path, tmp_path: Path
) -> None:
    """Nothing that was kept, and how many processes there are, has a part in what is told."""
    data = Path(shutil.copytree(searched / "data", tmp_path / "data"))
    shutil.rmtree(data / "derivatives")
    code = _run(
        data, "--recipe", small_recipe_once, "--knobs", searched / "knobs.toml",
        "--out", tmp_path / "out", "--jobs", 2,
    )  # fmt: skip
    assert code == 0
    for file in ("frontier.json", "frontier.csv", "frontier.html"):
        assert (tmp_path / "out" / file).read_bytes() == (searched / "out" / file).read_bytes()


def test_a_search_goes_on_from_what_is_kept_and_limits_decide(
    searched: Path, small_recipe_once: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Called again, nobody is held out anew; a front over its limits ends with code 1."""
    before = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    limits = searched / "limits.toml"
    limits.write_text("[limits]\naverage_uw = 1.0\n", "utf-8")
    for job in ("trials.CheapTrial", "full_trials.HoldOutJob"):
        monkeypatch.setattr(f"trainer.choice.tried.{job}.run", lambda _: pytest.fail("fitted anew"))
    code = _run(
        searched / "data", "--recipe", small_recipe_once, "--knobs", searched / "knobs.toml",
        "--out", searched / "out", "--jobs", 1, "--limits", limits,
    )  # fmt: skip
    assert code == 1
    after = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    for point in after["points"]:
        assert point.pop("limits")[0]["state"] == "broken"
        assert point.pop("keeps_limits") is False
    for point in before["points"]:
        del point["limits"], point["keeps_limits"]
    assert after == before


def test_a_folder_of_other_files_is_left_alone(searched: Path, small_recipe_once: Path) -> None:
    """A folder that holds anything else is refused before anything is fitted."""
    assert _run(searched / "data", "--recipe", small_recipe_once, "--out", searched) == 2


def test_a_wrong_wish_is_told_before_anything_is_fitted(
    recorded_once: Path, small_recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is no wish ends with one line and code 2, and leaves nothing."""
    out = tmp_path / "out"
    code = _run(recorded_once, "--recipe", small_recipe, "--out", out, "--pick", "watts<5")
    assert code == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not out.exists()


def test_an_unknown_part_is_told_before_anything_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A controller that is not in the library ends the search before recordings are looked for."""
    words = (tmp_path / "none", "--recipe", "dynamic", "--out", tmp_path / "out")
    assert _run(*words, "--mcu", "abacus") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("palmwatt: parts library: mcu is abacus, expected one of ")


@pytest.mark.parametrize(
    ("more", "gain", "said"),
    [
        ("[active.exposure_share]\nvalues = [1.0, 1e-5]\n", 1.0, "exposure_us that follows is"),
        ('[recipe."features.lamp"]\nvalues = [1]\n', 1.0, "recipe.features.lamp is no key"),
        ("", 2.0, "states a gain of "),
    ],
)
def test_what_the_sensor_cannot_tell_of_is_refused_before_a_readout_is_reduced(
    recorded_once: Path, small_recipe: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    more: str, gain: float, said: str,
) -> None:  # fmt: skip
    """Knobs out of range and a gain that recordings speak against are told at once, in a line."""
    knobs, data = tmp_path / "knobs.toml", Path(shutil.copytree(recorded_once, tmp_path / "data"))
    knobs.write_text(KNOBS + more, "utf-8")
    for path in [*data.rglob("*_readouts.mcap")] if gain != 1.0 else []:
        _state_gain(path, gain)
    monkeypatch.setattr("trainer.choice.tried.asked.reduce_for", lambda *_, **__: pytest.fail())
    asked = Asked(data, (load_recipe(small_recipe),), load_knobs(knobs))
    with pytest.raises((UsageError, FormatError), match=said) as caught:
        read_for(asked, LocalWorkers(1), lambda _: None)
    assert "\n" not in str(caught.value)


def _state_gain(path: Path, factor: float) -> None:
    """Write a session again whose sensor states so many times its gain."""
    session, sensor = read_session(path), read_session(path).sensor
    stated = replace(sensor, conversion_gain_dn_per_e=factor * sensor.conversion_gain_dn_per_e)
    described = replace(session.header.description, sensor=stated)
    pairs = [pair for block in session.blocks() for pair in block]
    path.unlink()
    with SessionWriter(path, replace(session.header, description=described)) as writer:
        for pair in pairs:
            writer.add(pair, pair.sequence, pair.time_us)


def test_a_watching_rate_above_the_recorded_one_is_refused_at_once(
    recorded_once: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """A recording tells of no more frames than it has."""
    knobs = tmp_path / "knobs.toml"
    knobs.write_text(KNOBS.replace("[5.0]", "[500.0]"), "utf-8")
    asked = Asked(recorded_once, (load_recipe(small_recipe),), load_knobs(knobs))
    with pytest.raises(UsageError, match=r"rate_hz is above it everywhere, expected one of at mo"):
        read_for(asked, LocalWorkers(1), lambda _: None)


def test_saturated_takes_are_refused_in_one_line(
    recorded_once: Path, small_recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Recordings without headroom cannot tell of less light, and the line says what to do."""
    knobs = tmp_path / "knobs.toml"
    knobs.write_text(KNOBS.replace("max_saturated_takes = 1.0", "max_saturated_takes = 0.0"))
    data = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    arguments = ("--recipe", small_recipe, "--knobs", knobs, "--out", tmp_path / "out")
    assert _run(data, *arguments, "--jobs", 1) == 2
    lines = capsys.readouterr().err.splitlines()
    assert "share of takes with saturated frames is" in lines[-1]
    assert "Record with headroom" in lines[-1]


def test_saturated_takes_leave_settings_of_full_light(
    recorded_once: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Without headroom a search goes on with as much light as was recorded, and says so."""
    knobs = tmp_path / "knobs.toml"
    knobs.write_text(
        KNOBS.replace("max_saturated_takes = 1.0", "max_saturated_takes = 0.0")
        + "[active.rate_divisor]\nvalues = [1, 2]\n"
    )
    data = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    heard: list[str] = []
    asked = Asked(data, (load_recipe(small_recipe),), load_knobs(knobs))
    found = read_for(asked, LocalWorkers(1), heard.append)
    assert [one.setting.weaker_light for one in found.tried] == [False, False]
    assert found.n_left_out == 2
    assert any("2 of 4 settings are left out" in words for words in heard)


def test_a_front_of_nothing_is_refused() -> None:
    """Where no setting recognises anything, nothing is worth having, and the line says so."""
    asked = Asked(Path("set"), (load_recipe("dynamic"),), load_knobs())
    nothing = SimpleNamespace(uw=40.0, score=0.0)
    with pytest.raises(UsageError, match="settings that recognise anything is 0"):
        _judged(asked, None, [], [nothing], [], [], False)  # type: ignore[arg-type, list-item]


@pytest.mark.parametrize(("score", "near"), [(0.8083, 0), (0.8080, 1)])
def test_what_is_told_as_two_points_is_within_two_points(score: float, near: int) -> None:
    """The page tells tenths: 2.04 points less are 2.0 to a reader, and 2.06 are not."""
    points = [SimpleNamespace(score=value) for value in (score, 0.8286)]
    front = Frontier(None, None, [], points, [0, 1], 0, None, [], [], False)  # type: ignore[arg-type]
    assert front.within_two_points is points[near]


def test_recipes_of_other_answers_are_not_compared() -> None:
    """Recipes for different tasks, and one that ends in a quantity, are refused at once."""
    both = load_recipe("dynamic"), load_recipe("finger_count")
    with pytest.raises(UsageError, match="Compare recipes"):
        read_for(Asked(Path("set"), both, load_knobs()), LocalWorkers(), print)
    with pytest.raises(UsageError, match="what it ends in is a quantity"):
        quantity = (load_recipe("distance"),)
        read_for(Asked(Path("set"), quantity, load_knobs()), LocalWorkers(), print)


def test_two_recipes_of_one_name_are_refused() -> None:
    """Settings bear their recipe's name: of two that share one, neither could be told."""
    dynamic = load_recipe("dynamic")
    other = dynamic.model_copy(update={"seed": dynamic.seed + 1})
    with pytest.raises(UsageError, match="recipes named dynamic is 2"):
        read_for(Asked(Path("set"), (dynamic, other), load_knobs()), LocalWorkers(), print)
