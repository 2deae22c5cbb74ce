"""The tables beside evaluation.json: every figure of the page is made again from them alone."""

from __future__ import annotations

import collections
import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented_people import record_session

from capture.cues.script import parse_script
from runtime.errors import UsageError
from trainer.fit.training import fit_model
from trainer.recipe import load_recipe
from trainer.train import train_model

EVERYDAY = b"""\
name = "everyday"
lead_in_s = 0.5
movement = false

[[cue]]
trial_type = "everyday_type"
repetitions = 1
duration_s = 20.0
"""
Row = dict[str, str]


@pytest.fixture(scope="module")
def model(
    recorded_once: Path, small_recipe_once: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A model of the small data set with some everyday time, in its folder."""
    import shutil

    folder = tmp_path_factory.mktemp("records")
    data = Path(shutil.copytree(recorded_once, folder / "data"))
    recipe = folder / "small.toml"
    recipe.write_text(
        small_recipe_once.read_text("utf-8").replace(
            'other = ["idle"]', 'other = ["idle", "everyday_*"]\nbackground = ["everyday_*"]'
        ),
        "utf-8",
    )
    for number in (1, 4):
        record_session(data, parse_script(EVERYDAY, "everyday"), number, 2)
    train_model(data, load_recipe(recipe), folder / "model")
    return folder / "model"


def rows(model: Path, name: str) -> list[Row]:
    with (model / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def evaluation(model: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((model / "evaluation.json").read_text("utf-8"))
    return found


def macro_f1(takes: list[Row]) -> float:
    seen = {row["reference"] for row in takes} | {row["detected"] for row in takes}
    each = []
    for name in seen:
        right = sum(row["reference"] == row["detected"] == name for row in takes)
        cued = sum(row["reference"] == name for row in takes)
        detected = sum(row["detected"] == name for row in takes)
        each.append(2 * right / (cued + detected))
    return float(np.mean(each))


def share_right(takes: list[Row]) -> float:
    return float(np.mean([row["reference"] == row["detected"] for row in takes]))


def test_accuracies_are_those_of_the_table(model: Path) -> None:
    """Accuracy and macro F1 of every pipeline, and the learning curve, follow from predictions."""
    takes, found = rows(model, "predictions"), evaluation(model)
    locked = ("float", "fixed", "four_quadrant", "four_quadrant_float", "majority")
    pipelines = {key: ("locked", key) for key in locked}
    for key, (side, pipeline) in {**pipelines, "cross_validation": ("in_turn", "fixed")}.items():
        own = [row for row in takes if (row["side"], row["pipeline"]) == (side, pipeline)]
        assert len(own) == found[key]["accuracy"]["n_takes"] > 0
        assert share_right(own) == pytest.approx(found[key]["accuracy"]["value"], abs=1e-6)
        assert macro_f1(own) == pytest.approx(found[key]["macro_f1"]["value"], abs=1e-6)
    for name, pipeline in (("everybody", "fixed"), ("everybody_four_quadrant", "four_quadrant")):
        own = [row for row in takes if row["pipeline"] == pipeline]
        assert {row["side"] for row in own} == {"locked", "in_turn"}
        assert len(own) == found[name]["accuracy"]["n_takes"]
        assert share_right(own) == pytest.approx(found[name]["accuracy"]["value"], abs=1e-6)
        assert macro_f1(own) == pytest.approx(found[name]["macro_f1"]["value"], abs=1e-6)
    both = {name: found[name]["accuracy"]["value"] for name in locked if "quadrant" in name}
    assert both[found["opponent"]] == max(both.values())
    for point in found["learning_curve"]:
        name = f"fixed_from_{point['n_participants']}_people"
        own = [row for row in takes if row["pipeline"] == name] or [
            row for row in takes if (row["side"], row["pipeline"]) == ("in_turn", "fixed")
        ]
        assert share_right(own) == pytest.approx(point["accuracy"]["value"], abs=1e-6)


def test_each_person_and_each_confusion_is_in_the_table(model: Path) -> None:
    """Right takes of each person, confusion matrices and answers follow from predictions."""
    takes, found = rows(model, "predictions"), evaluation(model)
    fixed = [row for row in takes if row["pipeline"] == "fixed"]
    counted = collections.Counter((row["participant"], row["side"]) for row in fixed)
    right = collections.Counter(
        (row["participant"], row["side"]) for row in fixed if row["reference"] == row["detected"]
    )
    assert found["per_participant"] == [
        {"participant": who, "side": side, "n_takes": n, "n_right": right[who, side]}
        for (who, side), n in sorted(
            counted.items(), key=lambda item: (item[0][1] != "locked", item)
        )
    ]
    for key, pipeline in (("confusion", "fixed"), ("confusion_four_quadrant", "four_quadrant")):
        own = [r for r in takes if (r["side"], r["pipeline"]) == ("locked", pipeline)]
        pairs = collections.Counter((row["reference"], row["detected"]) for row in own)
        names = found["classes"]
        assert found[key] == [[pairs[a, b] for b in names] for a in names]
    for row in takes:
        scores = {n: row[f"score_{n}"] for n in found["classes"]}
        if all(scores.values()):
            best = max(float(value) for value in scores.values())
            assert float(scores[row["detected"]]) == best
    assert all(float(row["start_s"]) <= float(row["end_s"]) and row["latency_ms"] for row in fixed)


def test_scores_give_the_calibration(model: Path) -> None:
    """The log loss that the page's probabilities rest on follows from scores and temperature."""
    found = evaluation(model)["calibration"]
    own = [r for r in rows(model, "predictions")
           if (r["side"], r["pipeline"]) == ("locked", "fixed")]  # fmt: skip
    names = evaluation(model)["classes"]
    scores = np.array([[float(row[f"score_{n}"]) for n in names] for row in own])
    labels = [names.index(row["reference"]) for row in own]
    for temperature, key in ((1.0, "before"), (found["temperature"], "after")):
        x = scores / temperature
        x -= x.max(axis=1, keepdims=True)
        chance = np.exp(x)[range(len(own)), labels] / np.exp(x).sum(axis=1)
        assert -np.log(chance).mean() == pytest.approx(found["log_loss"][key], abs=1e-4)


def test_events_are_those_of_the_table(model: Path) -> None:
    """F1, precision, recall, false events per hour and latency follow from events and sessions."""
    found = evaluation(model)["events"]
    events = [row for row in rows(model, "events") if row["side"] == "locked"]
    watched = [row for row in rows(model, "sessions") if row["side"] == "locked"]
    gestures = {row["session"] for row in events if row["reference"]}
    own = [row for row in events if row["session"] in gestures]
    right = sum(row["right"] == "yes" for row in own)
    detected = sum(bool(row["detected"]) for row in own)
    made = sum(bool(row["reference"]) for row in own)
    assert made == found["f1"]["n_events"] > 0
    assert 2 * right / (detected + made) == pytest.approx(found["f1"]["value"], abs=1e-6)
    assert right / made == pytest.approx(found["recall"]["value"], abs=1e-6)
    assert right / max(1, detected) == pytest.approx(found["precision"]["value"], abs=1e-6)
    rate = found["false_events_per_hour"]
    assert rate["counted_on"] == "background"
    quiet = [row for row in watched if row["background"] == "yes"]
    hours = sum(float(row["hours"]) for row in quiet)
    false = sum(row["right"] == "no" for row in events if row["background"] == "yes")
    assert hours == pytest.approx(rate["hours"], abs=1e-6)
    assert false == rate["n_events"]
    assert false / hours == pytest.approx(rate["value"], rel=1e-5)
    latencies = [float(row["latency_ms"]) for row in own if row["right"] == "yes"]
    assert len(latencies) == found["latency_ms"]["n_events"] > 0
    assert np.median(latencies) == pytest.approx(found["latency_ms"]["median"], abs=2e-3)
    assert np.percentile(latencies, 95) == pytest.approx(found["latency_ms"]["p95"], abs=2e-3)
    bars = found["latency_ms"]["histogram"]
    assert [sum(bar["from"] <= ms < bar["to"] for ms in latencies) for bar in bars] == [
        bar["n_events"] for bar in bars
    ]
    in_turn = [row for row in rows(model, "events") if row["side"] == "in_turn"]
    assert {row["participant"] for row in in_turn} == {"P01", "P02", "P03"}


def test_the_trade_off_is_that_of_the_table(model: Path) -> None:
    """F1, recall and false events an hour at each margin follow from counts of each recording."""
    found, watched = evaluation(model)["events"], rows(model, "sessions")
    for side, name in (("locked", "trade_off"), ("in_turn", "trade_off_in_turn")):
        hours = sum(
            float(row["hours"])
            for row in watched
            if row["side"] == side and row["background"] == "yes"
        )
        for step, told in enumerate(found[name]):
            own = [
                row
                for row in rows(model, "margins")
                if (row["side"], row["step"]) == (side, str(step))
            ]
            right, detected, made = (
                sum(int(row[key]) for row in own if int(row["n_references"]))
                for key in ("n_right", "n_detected", "n_references")
            )
            false = sum(
                int(row["n_detected"]) - int(row["n_right"])
                for row in own
                if row["background"] == "yes"
            )
            assert float(own[0]["margin"]) == told["margin"]
            assert 2 * right / (detected + made) == pytest.approx(told["f1"], abs=1e-6)
            assert right / made == pytest.approx(told["recall"], abs=1e-6)
            assert false / hours == pytest.approx(told["false_per_hour"], rel=1e-5)


def test_steps_left_out_are_named_on_every_page(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Quick work leaves out the curve and the baseline, and page and card say so."""
    out = tmp_path / "model"
    train_model(small_data, load_recipe(small_recipe), out, skip=("quadrants", "learning-curve"))
    found = evaluation(out)
    assert not {"learning_curve", "four_quadrant", "confusion_four_quadrant"} & set(found)
    page, card = ((out / name).read_text("utf-8") for name in ("evaluation.html", "card.md"))
    words = "Left out of this training: the learning curve and the four-quadrant baseline."
    assert words in page and words in card
    assert "The comparison with four quadrants was left out." in page
    assert not [r for r in rows(out, "predictions") if r["pipeline"].startswith("four")]
    with pytest.raises(UsageError, match="step to leave out is 'verify'"):
        fit_model(small_data, load_recipe(small_recipe), skip=("verify",))


def test_a_recipe_without_other_has_no_tables_of_events(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """No figure is of events there: every take is asked for, and the tables would serve nothing."""
    recipe, out = tmp_path / "held.toml", tmp_path / "model"
    text = small_recipe.read_text("utf-8")
    recipe.write_text(text.replace('"push"]\nother = ["idle"]\n', '"push", "idle"]\n'), "utf-8")
    assert recipe.read_text("utf-8") != text
    train_model(small_data, load_recipe(recipe), out, skip=("quadrants", "learning-curve"))
    assert "events" not in evaluation(out)
    assert [each.name for each in sorted(out.glob("*.csv"))] == ["predictions.csv"]
    assert {row["side"] for row in rows(out, "predictions")} == {"locked", "in_turn"}
