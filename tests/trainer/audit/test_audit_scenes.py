"""Scenes with a picture: takes made again, drawn stand-ins, and optics from a calibration file."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.model import Model, load_model
from trainer.audit.chain import RAW
from trainer.audit.pictures import scenes
from trainer.audit.pictures.optic import calibrated_optic, emulated_optic
from trainer.audit.pictures.scenes import (
    further_people,
    held_of_takes,
    made_again,
    settled_frames,
    shown_stand_ins,
)
from trainer.audit.pictures.stand_ins import DRAWN, drawn
from trainer.audit.pictures.whole import linear_steps
from trainer.audit.steps import ChainTakes

MODELS = Path(__file__).resolve().parents[3] / "models"


def test_scenes_of_emulated_takes_are_made_again(heard: ChainTakes) -> None:
    """Every take of the emulator has its picture, and its readout is that picture's."""
    shown = made_again(heard)
    assert shown is not None
    assert len(shown.pictures) == len(heard.participants)
    assert shown.pictures.min() == 0.0
    assert shown.pictures.max() == 1.0
    optic = emulated_optic(heard.model.sensor, "unit-a")
    foretold = shown.pictures @ optic.matrix.T
    raw = shown.values[RAW][:, : heard.model.sensor.n_pixels]
    likeness = [float(np.corrcoef(a, b)[0, 1]) for a, b in zip(foretold, raw, strict=True)]
    assert np.median(likeness) > 0.9


def test_attackers_of_pictures_have_all_of_a_take() -> None:
    """The last frame comes first; of many values the mean of all or none stands for the others."""
    frames = np.arange(24, dtype=np.float32).reshape(2, 4, 3)
    held = held_of_takes(frames)
    assert held.shape == (2, 12)
    assert np.array_equal(held[:, :3], frames[:, -1]) and np.array_equal(held[:, 9:], frames[:, 0])
    wide = np.repeat(frames, 200, axis=2)
    held = held_of_takes(wide)
    assert held.shape == (2, 1200)
    assert np.array_equal(held[:, :600], wide[:, -1])
    assert np.array_equal(held[:, 600:], wide.mean(axis=1))
    wider = np.repeat(frames, 201, axis=2)
    assert np.array_equal(held_of_takes(wider), wider[:, -1])


def test_scenes_that_the_readouts_belie_are_not_taken(heard: ChainTakes) -> None:
    """Readouts of somebody else's takes are no scene's: nothing is then known of them."""
    frames = {key: array[::-1] for key, array in heard.frames.items()}
    assert made_again(dataclasses.replace(heard, frames=frames)) is None
    assert made_again(dataclasses.replace(heard, kind="recorded")) is None


def test_further_people_show_what_was_recorded(
    heard: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else moves for as many takes, is held at every step, and their number is bounded."""
    monkeypatch.setattr(scenes, "MOST_MOVING", 1)
    more = further_people(heard, 5)
    n_takes = int((heard.sessions == heard.sessions[0]).sum())
    assert more.people.tolist() == ["further 0"] * n_takes
    shown = made_again(heard)
    assert shown is not None and shown.values.keys() == more.values.keys()
    for step, values in more.values.items():
        assert values.shape == (n_takes, shown.values[step].shape[1])
    assert more.pictures.shape[1] == shown.pictures.shape[1] and more.pictures.max() == 1.0


def test_the_matrix_of_the_entry_stage_is_that_of_its_sums(
    heard: ChainTakes, dynamic: Model
) -> None:
    """A scene through the entry's matrix is the entry stage's output of the scene's readout."""
    optic = emulated_optic(dynamic.sensor, "unit-a")
    matrices = linear_steps(dynamic, optic)
    scene = np.random.default_rng(1).uniform(0, 1, (3, optic.matrix.shape[1]))
    readout = scene @ matrices[RAW].T
    assert matrices["bins"].shape == (dynamic.entry.n_out, optic.matrix.shape[1])
    assert scene @ matrices["bins"].T == pytest.approx(dynamic.entry.run_difference(readout))


def test_a_still_scene_settles_when_the_window_is_full(dynamic: Model) -> None:
    """A model with a memory is shown a scene until nothing changes, one without it once."""
    sensor = dynamic.sensor
    lit = np.full((1, sensor.n_rows, sensor.n_cols), 900, np.uint16)
    lit[0, ::3] = 1500
    dark = np.full_like(lit, 64)
    assert 32 <= settled_frames(dynamic, lit, dark) <= 64
    assert settled_frames(load_model(MODELS / "finger_count"), lit, dark) == 1


@pytest.mark.parametrize("kind", DRAWN)
def test_stand_ins_are_drawn_alike_for_one_and_unlike_for_another(kind: str) -> None:
    """The same seed draws the same pictures; a person's pictures differ, and so do people."""
    pictures, people = drawn(kind, 3, 4, (27, 27), 5)
    again, _ = drawn(kind, 3, 4, (27, 27), 5)
    assert np.array_equal(pictures, again)
    assert len(set(people.tolist())) == 3
    assert 0.0 <= pictures.min() <= pictures.max() <= 1.0
    assert (pictures > 0.1).mean(axis=(1, 2)).min() > 0.02
    assert len(np.unique(pictures.reshape(12, -1), axis=0)) == 12


def test_stand_ins_are_as_bright_as_the_takes(
    heard: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drawn scenes before the optic give readouts of half to twice the takes' light.

    Where each is held for long, only the first are held.
    """
    optic = emulated_optic(heard.model.sensor, "unit-a")
    pictures, people = drawn(DRAWN[0], 2, 2, optic.inside.shape, 1)
    shown = shown_stand_ins(DRAWN[0], pictures, people, optic, heard, 1)
    usual = float(np.median(heard.values[RAW].mean(axis=1)))
    ratios = shown.values[RAW].mean(axis=1) / usual
    assert ((ratios > 0.45) & (ratios < 2.2)).all()
    assert set(shown.values) == {step.name for step in heard.steps}
    monkeypatch.setattr(scenes, "MOST_HELD", 1)
    fewer = shown_stand_ins(DRAWN[0], pictures, people, optic, heard, 1)
    assert len(fewer.pictures) == len(fewer.people) == 1
    assert np.array_equal(fewer.values[RAW], shown.values[RAW][:1])


def write_calibration(path: Path, model: Model, **changed: object) -> Path:
    """Write a calibration of 100 random patterns of 9 x 9 pixels before an optic of ours."""
    rng = np.random.default_rng(2)
    sensor = model.sensor
    patterns = rng.uniform(0, 1, (100, 9, 9))
    optic = rng.uniform(0, 5, (sensor.n_pixels, 81))
    responses = (patterns.reshape(100, -1) @ optic.T).reshape(100, sensor.n_rows, sensor.n_cols)
    arrays = {"patterns": patterns, "responses": responses} | changed
    np.savez(path, **arrays)  # type: ignore[arg-type]  # wrong ones as well
    return path


def test_an_optic_is_found_from_the_responses_to_patterns(dynamic: Model, tmp_path: Path) -> None:
    """Patterns and responses of a linear optic give its matrix, and readouts with it."""
    optic = calibrated_optic(write_calibration(tmp_path / "c.npz", dynamic), dynamic.sensor)
    rng = np.random.default_rng(2)
    rng.uniform(0, 1, (100, 9, 9))
    wanted = rng.uniform(0, 5, (dynamic.sensor.n_pixels, 81))
    assert optic.matrix == pytest.approx(wanted, abs=1e-6)
    lit, dark = optic.expose(np.ones((200, 81)), 0.0, np.random.default_rng(1))
    difference = lit.astype(float).mean(axis=0) - dark.astype(float).mean(axis=0)
    assert difference.ravel() == pytest.approx(wanted.sum(axis=1), rel=0.03)


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"responses": np.zeros((100, 3, 3))}, "rows and columns"),
        ({"responses": np.zeros((7, 32, 32))}, "number of responses"),
        ({"patterns": np.full((100, 9, 9), np.nan)}, "patterns"),
        ({"patterns": -np.ones((100, 9, 9))}, "patterns"),
        ({"patterns": np.zeros((100, 9, 9))}, "patterns"),
        ({"patterns": np.ones((100, 3, 3))}, "height and width"),
        ({"patterns": np.array([{"a": 1}], dtype=object)}, "content"),
    ],
)
def test_a_wrong_calibration_is_refused_in_one_line(
    dynamic: Model, tmp_path: Path, changed: dict[str, object], what: str
) -> None:
    """Another sensor, numbers that are none, pickled objects: each is told by name."""
    path = write_calibration(tmp_path / "c.npz", dynamic, **changed)
    with pytest.raises(FormatError, match=what):
        calibrated_optic(path, dynamic.sensor)


def test_a_cut_calibration_is_refused_at_every_length(dynamic: Model, tmp_path: Path) -> None:
    """A file that ends early, or is no archive, is one line and no traceback."""
    whole = write_calibration(tmp_path / "c.npz", dynamic).read_bytes()
    for n in (0, 1, 4, 30, 200, len(whole) // 2, len(whole) - 1):
        path = tmp_path / "cut.npz"
        path.write_bytes(whole[:n])
        with pytest.raises(FormatError):
            calibrated_optic(path, dynamic.sensor)


def test_of_many_takes_everybody_keeps_some(
    heard: ChainTakes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of more takes than are attacked, each person keeps the same share of theirs."""
    monkeypatch.setattr(scenes, "MOST_TAKES", 16)
    shown = made_again(heard)
    assert shown is not None
    names, counts = np.unique(shown.people, return_counts=True)
    assert names.tolist() == ["P01", "P02", "P03", "P04"]
    assert counts.tolist() == [4, 4, 4, 4]
