"""The frames beside a calibrated model: every figure of its page is made again from them alone."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from trainer.fit.records import write_measured
from trainer.source.fitted import FittedSource

Row = dict[str, str]


@pytest.fixture(scope="module")
def rows(rig_fitted: FittedSource, tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    """What stands in predictions.csv."""
    folder = tmp_path_factory.mktemp("frames")
    write_measured(rig_fitted.frames, folder)
    with (folder / "predictions.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def column(rows: list[Row], name: str) -> np.ndarray:
    return np.array([float(row[name]) for row in rows])


def held(rows: list[Row], pipeline: str) -> list[Row]:
    """Frames of one source that were held to the bound."""
    return [r for r in rows if r["pipeline"] == pipeline and r["true_direction_x"]]


def root(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))


@pytest.mark.parametrize("pipeline", ["fixed", "float"])
def test_errors_beside_the_bound_follow_from_the_frames(
    rig_fitted: FittedSource, rows: list[Row], pipeline: str
) -> None:
    """Root mean square, bias, bound, their ratios and the interval's share, of valid frames."""
    found = rig_fitted.evaluation["source"]
    every = held(rows, pipeline)
    kept = [row for row in every if row["valid"] == "yes"]
    assert (len(every), len(kept)) == (found["n_frames"], found["n_valid"])
    for name, half, told in zip(found["names"], found["half_widths"], found[pipeline], strict=True):
        error = column(kept, f"told_{name}") - column(kept, f"true_{name}")
        bound = column(kept, f"bound_{name}")
        assert root(error) == pytest.approx(told["rmse"], rel=1e-4, abs=1e-6)
        assert error.mean() == pytest.approx(told["bias"], rel=1e-3, abs=2e-6)
        assert root(bound) == pytest.approx(told["bound"], rel=1e-4, abs=1e-6)
        assert root(error / bound) == pytest.approx(told["ratio"], abs=1e-3)
        assert (error / bound).mean() == pytest.approx(told["bias_over_bound"], abs=1e-3)
        assert (abs(error) <= half).mean() == pytest.approx(told["within"], abs=2e-3)


def test_maps_over_field_and_distance_follow_from_the_frames(
    rig_fitted: FittedSource, rows: list[Row]
) -> None:
    """Frames of each square and of each class of distance, and errors of the range there."""
    found = rig_fitted.evaluation["source"]
    every = held(rows, "fixed")
    x, y = (np.tan(column(every, f"true_direction_{axis}") * 1e-3) for axis in "xy")
    reach = max(abs(x).max(), abs(y).max()) * (1 + 1e-7)
    edges = np.linspace(-reach, reach, len(found["over_field"]["n_frames"]) + 1)
    counted, _, _ = np.histogram2d(y, x, bins=[edges, edges])
    assert counted.astype(int).tolist() == found["over_field"]["n_frames"]
    baselines = column(every, "true_distance") / found["baseline_mm"]
    for told in found["over_distance"]:
        near = np.abs(np.log(baselines / told["baselines"])) < 0.01  # a rig's few distances
        own = [row for row, here in zip(every, near, strict=True) if here]
        assert len(own) == told["n_frames"]
        kept = [row for row in own if row["valid"] == "yes"]
        true = column(kept, "true_inverse_distance")
        relative = (column(kept, "told_inverse_distance") - true) / true
        assert root(relative) == pytest.approx(told["inverse_relative_rmse"], abs=2e-6)


def test_refusals_and_units_follow_from_the_frames(
    rig_fitted: FittedSource, rows: list[Row]
) -> None:
    """How often nothing was measured all the same, and how far a unit is off."""
    found = rig_fitted.evaluation["source"]
    for cue, told in found["refusals"].items():
        own = [row for row in rows if row["cue"] == cue]
        assert len(own) == told["n_frames"]
        assert sum(row["valid"] == "yes" for row in own) == told["n_valid"]
    for unit, told in found["units"].items():
        own = [r for r in rows if (r["unit"], r["pipeline"]) == (unit, "evidence")]
        for name, offset in zip(found["names"], told["offset"], strict=True):
            error = column(own, f"told_{name}") - column(own, f"true_{name}")
            assert np.median(error) == pytest.approx(offset, rel=1e-4, abs=2e-6)
