"""The model folder: everything a model is handed on as, the same bytes each time.

The folder is written under another name and renamed when it is whole.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from runtime.files import whole_folder, write_fingerprints
from runtime.firmware.sensor_file import SENSOR_FILE, SensorFile
from runtime.front.model_folder import write_executions
from runtime.sample_frames import write_test_frames
from trainer.corpus.at_setting import AtSetting
from trainer.corpus.recordings import Recording
from trainer.fit.records import write_measured, write_records
from trainer.fit.training import Trained
from trainer.judge.worst_takes import readouts_of
from trainer.learn.float_onnx import float_onnx
from trainer.tell.card import model_card
from trainer.tell.occupancy import occupancy_page
from trainer.tell.page import evaluation_page
from trainer.tell.quantity import quantity_page
from trainer.tell.source import source_page

__all__ = ["N_TEST_FRAMES", "write_model_folder"]

N_TEST_FRAMES = 512
N_SPREAD_FRAMES = 64
"""Of a rig's recordings, spread over all its stops: its first frames would show but a few."""


def write_model_folder(trained: Trained, out: Path) -> None:
    """Write a trained model as a folder.

    model.json and weights, fixed.onnx (integers only, one frame pair), fixed_window.onnx (the same
    over many), float.onnx, firmware/, evaluation.json and the page that shows it, the tables that
    its figures can be made from again (predictions.csv; of events, events.csv, sessions.csv and
    margins.csv), card.md,
    test_frames.npz: recorded frames of held-out participants, for `palmwatt verify`, and
    fingerprints.json, to which that command holds what it cannot make again. A model for a setting
    that was asked for holds it twice: device.toml, for its program and its price, and sensor.toml,
    for those who record or emulate at it.

    Parameters
    ----------
    trained : Trained
    out : pathlib.Path
        Missing or empty folder.

    Raises
    ------
    UsageError
        `out` is in use.
    """
    with whole_folder(out) as part:
        at = trained.at
        write_executions(trained.model, part, None if at is None else at.device)
        if trained.classifier is not None:
            graph = float_onnx(trained.classifier, trained.model.name, trained.n_features)
            (part / "float.onnx").write_bytes(graph)
        text = json.dumps(trained.evaluation, indent=2, sort_keys=True) + "\n"
        (part / "evaluation.json").write_text(text, "utf-8")
        if trained.records is not None:
            write_records(trained.records, part)
        if trained.measured:
            write_measured(trained.measured, part)
        if "source" in trained.evaluation:
            page = source_page(trained.evaluation)
        elif "quantity" in trained.evaluation:
            page = quantity_page(trained.evaluation)
        elif "occupancy" in trained.evaluation:
            page = occupancy_page(trained.evaluation)
        else:
            page = evaluation_page(trained.evaluation, trained.worst, readouts_of(trained.worst))
        (part / "evaluation.html").write_text(page, "utf-8")
        (part / "card.md").write_text(model_card(trained.model, trained.evaluation), "utf-8")
        if "source" in trained.evaluation:
            _write_spread_frames(trained.test, part)
        else:
            _write_test_frames(trained.test, part)
        if at is not None:
            _write_setting(trained, at, part)
        write_fingerprints(part)


def _write_setting(trained: Trained, at: AtSetting, folder: Path) -> None:
    """Store what the sensor is set to, for those who record or emulate at it."""
    rows = None if at.thinning is None else at.thinning.rows
    first_row = rows[0] if rows else 0
    file = SensorFile(trained.model.sensor, first_row, at.device)
    (folder / SENSOR_FILE).write_text(file.to_toml(), "utf-8")


def _write_test_frames(test: tuple[Recording, ...], folder: Path) -> None:
    """Store the first frames of the held-out recordings, as they came from the sensor."""
    parts: list[Any] = []
    missing = N_TEST_FRAMES
    for recording in test:
        for block in recording.readouts(missing):
            parts.append(block[:missing])
            missing -= len(parts[-1])
            if missing == 0:
                break
        if missing == 0:
            break
    lit = np.concatenate([part.lit for part in parts])
    write_test_frames(folder, lit, np.concatenate([part.dark for part in parts]))


def _write_spread_frames(test: tuple[Recording, ...], folder: Path) -> None:
    """Store frames of the held-out recordings, evenly spread, as they came from the sensor."""
    total = sum(len(block.lit) for recording in test for block in recording.readouts())
    chosen = np.unique(np.linspace(0, total - 1, N_SPREAD_FRAMES).astype(int))
    pairs, first = [], 0
    for block in (block for recording in test for block in recording.readouts()):
        own = chosen[(chosen >= first) & (chosen < first + len(block.lit))] - first
        pairs.append((block.lit[own], block.dark[own]))
        first += len(block.lit)
    lit, dark = (np.concatenate([pair[k] for pair in pairs]) for k in (0, 1))
    write_test_frames(folder, lit, dark)
