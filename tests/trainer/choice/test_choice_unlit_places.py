"""A whole search of presence on a handful of places, from the command line to a picked model."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from runtime.budget import budget
from runtime.firmware.sensor_file import read_sensor_file
from runtime.model import load_model
from trainer.choice.told import COLUMNS
from trainer.choice.unlit.page import unlit_page
from trainer.choice.unlit.people import fewer_trees, judge_places
from trainer.cli import main
from trainer.recipe import built_in_recipes, load_recipe

KNOBS = """\
[active.bits_at_most]
values = [16, 10]
pays_in = ["sensor bias", "waiting for pixels", "transfer"]

[search]
tried_in_full = 2
max_saturated_takes = 1.0
plain_sensors = false
"""


def _run(*words: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["frontier", *map(str, words)])
    return int(str(ended.value.code or 0))


@pytest.fixture(scope="module")
def searched(places_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of one search whose cheapest point was picked."""
    place = tmp_path_factory.mktemp("unlit")
    data = Path(shutil.copytree(places_once, place / "data"))
    (place / "knobs.toml").write_text(KNOBS, "utf-8")
    few = built_in_recipes()["presence"].replace("trees = 120", "trees = 8")
    (place / "few.toml").write_text(few, "utf-8")
    code = _run(
        data, "--recipe", place / "few.toml", "--knobs", place / "knobs.toml",
        "--out", place / "out", "--jobs", 1, "--pick", "accuracy>=0",
    )  # fmt: skip
    assert code == 0
    return place


def test_the_front_of_presence_is_told_as_json_table_and_page(searched: Path) -> None:
    """JSON, table and page hold the same points; places are the units, and no LED is priced."""
    out = searched / "out"
    told = json.loads((out / "frontier.json").read_text("utf-8"))
    rows = list(csv.DictReader((out / "frontier.csv").read_text("utf-8").splitlines()))
    assert [row["name"] for row in rows] == [point["name"] for point in told["points"]]
    assert told["front"] == [p["name"] for p in told["points"] if p["on_front"]]
    assert (told["units"], told["n_units"]) == ("places", 4)
    assert told["measure"] == "balanced accuracy of presence"
    assert told["floor"]["photon_uw"] is None
    for point in told["points"]:
        assert sum(point["power"][key] for key in COLUMNS) == pytest.approx(point["typical_uw"])
        assert point["power"]["LED"] == point["power"]["watching"] == 0.0
        assert point["interval"][0] <= point["value"] <= point["interval"][1]
        assert point["accuracy"] == point["balanced_accuracy"] == point["value"]
        promise = point["promise"]
        assert promise["low"] <= promise["value"] <= point["value"]
        assert promise["high"] == point["interval"][1]
    (locked,) = (one for one in told["locked"] if one["name"] == told["knee"])
    assert locked["n_units"] == 1
    page = (out / "frontier.html").read_text("utf-8")
    assert page == unlit_page(told)
    for said in ("No safety function may hang on this", "There is no photon limit here",
                 "The device never watches"):  # fmt: skip
        assert said in page
    assert "cannot foretell that" not in page
    for point in told["points"]:
        point["setting"]["exposure_fraction"] = 0.5
    assert "cannot foretell that" in unlit_page(told)
    assert "<script" not in page


def test_the_page_of_presence_keeps_the_rules_of_wcag(
    searched: Path, faults_of_page: Callable[[str], list[str]]
) -> None:
    """The page keeps WCAG 2.2 AA, on a phone and a laptop."""
    assert faults_of_page((searched / "out" / "frontier.html").read_text("utf-8")) == []


def test_fewer_bits_cost_less(searched: Path) -> None:
    """They are sent sooner, and the sensor is powered for less of each frame."""
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    by_bits = {p["sensor"]["bit_depth"]: p for p in told["points"]}
    assert by_bits[10]["uw"] < by_bits[12]["uw"]
    assert by_bits[10]["power"]["readout"] < by_bits[12]["power"]["readout"]


def test_a_picked_model_of_presence_is_made_for_its_setting(searched: Path) -> None:
    """The cheapest point is made with its sensor setting, says it is foretold, and costs that."""
    (folder,) = (searched / "out" / "models").iterdir()
    told = json.loads((searched / "out" / "frontier.json").read_text("utf-8"))
    point = next(p for p in told["points"] if p["name"] == folder.name)
    assert point["uw"] == min(p["uw"] for p in told["points"] if p["on_front"])
    model, file = load_model(folder), read_sensor_file(folder / "sensor.toml")
    assert model.sensor == file.sensor
    assert model.sensor.to_json() == point["sensor"]
    evaluation = json.loads((folder / "evaluation.json").read_text("utf-8"))
    assert [caution["about"] for caution in evaluation["cautions"]] == ["foretold"]
    assert "Every figure is foretold" in (folder / "evaluation.html").read_text("utf-8")
    assert budget(folder, cores=()).average_uw.median == pytest.approx(point["uw"], rel=0.05)


@pytest.mark.parametrize(
    ("what", "said"),
    [
        (("--pick", "error<0.02"), "one of uw, accuracy, hz"),
        (("--search", "2"), "the whole grid"),
        (("--recipe", "presence"), "recipes of a task without an LED is 2"),
        (("--recipe", "range"), "of different tasks"),
        ("[active.led_share]\nvalues = [1.0, 0.5]\n", "light that is not the device's own"),
        ("[watching.rate_hz]\nvalues = [2.0]\n", "no watching that is traded"),
    ],
)
def test_what_says_nothing_of_presence_is_refused_in_a_line(
    what: tuple[str, str] | str,
    said: str,
    places_once: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Wishes, knobs and recipes without a meaning here end with one line, code 2 and no folder."""
    words = what if isinstance(what, tuple) else ("--knobs", str(tmp_path / "knobs.toml"))
    if isinstance(what, str):
        (tmp_path / "knobs.toml").write_text(what, "utf-8")
    out = tmp_path / "out"
    assert _run(places_once, "--recipe", "presence", *words, "--out", out, "--jobs", 1) == 2
    heard = capsys.readouterr().err.splitlines()
    assert said in heard[-1]
    assert not out.exists()


def test_places_are_judged_by_what_the_recipe_asks() -> None:
    """Presence is judged by balanced accuracy, count by exact frames; each place counts alike."""
    one = np.array([[0, 0], [0, 1], [3, 3], [3, 2], [-1, 5]], dtype=np.int32)
    two = np.array([[0, 0], [0, 0], [3, 3], [3, 3]], dtype=np.int32)
    found = judge_places((one, two), ("A", "B"), load_recipe("count"), 2.0)
    assert found.sums.tolist() == [[0.5, 1.0], [1.0, 1.0]]
    present = [np.minimum(each, 1) for each in (one, two)]
    found = judge_places(tuple(present), ("A", "B"), load_recipe("presence"), 2.0)
    assert found.sums.tolist() == [[0.75, 1.0], [1.0, 1.0]]
    assert fewer_trees(load_recipe("count")).classifier.trees == 30
