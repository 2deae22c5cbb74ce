"""The model folder: everything a model is handed on as, the same bytes each time.

The folder is written under another name and renamed when it is whole.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np

from capture.store.session import read_session
from runtime.errors import UsageError
from runtime.firmware.emit.generate import write_firmware
from runtime.model import save_model
from runtime.onnx.graph import save_step_graph, save_window_graph
from trainer.corpus.recordings import Recording
from trainer.fit.training import Trained
from trainer.judge.worst_takes import readouts_of
from trainer.learn.float_onnx import float_onnx
from trainer.tell.card import model_card
from trainer.tell.page import evaluation_page
from trainer.tell.quantity import quantity_page

__all__ = ["N_TEST_FRAMES", "refuse_used_folder", "write_model_folder"]

N_TEST_FRAMES = 512


def refuse_used_folder(out: Path) -> None:
    """Refuse an output folder that already holds something.

    Raises
    ------
    UsageError
        `out` is a file, or a folder that is not empty.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UsageError(str(out), "output folder", "in use", "missing or empty", "name another")


def write_model_folder(trained: Trained, out: Path) -> None:
    """Write a trained model as a folder.

    model.json and weights, fixed.onnx (integers only, one frame pair), fixed_window.onnx (the same
    over many), float.onnx, firmware/, evaluation.json and the page that shows it, card.md, and
    test_frames.npz: recorded frames of held-out participants, for `palmwatt verify`.

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
    refuse_used_folder(out)
    part = out.with_name(f".{out.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    try:
        part.mkdir(parents=True)
    except OSError as error:
        raise UsageError(
            str(out), "output folder", f"refused ({error.strerror})", "writable"
        ) from None
    try:
        save_model(trained.model, part)
        save_step_graph(trained.model, part / "fixed.onnx")
        save_window_graph(trained.model, part / "fixed_window.onnx")
        write_firmware(trained.model, part / "firmware")
        graph = float_onnx(trained.classifier, trained.model.name, trained.n_features)
        (part / "float.onnx").write_bytes(graph)
        text = json.dumps(trained.evaluation, indent=2, sort_keys=True) + "\n"
        (part / "evaluation.json").write_text(text, "utf-8")
        if "quantity" in trained.evaluation:
            page = quantity_page(trained.evaluation)
        else:
            page = evaluation_page(trained.evaluation, trained.worst, readouts_of(trained.worst))
        (part / "evaluation.html").write_text(page, "utf-8")
        (part / "card.md").write_text(model_card(trained.model, trained.evaluation), "utf-8")
        _write_test_frames(trained.test, part / "test_frames.npz")
        if out.exists():
            out.rmdir()
        part.rename(out)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _write_test_frames(test: tuple[Recording, ...], path: Path) -> None:
    """Store the first frames of the held-out recordings, as they came from the sensor."""
    parts: list[Any] = []
    missing = N_TEST_FRAMES
    for recording in test:
        for block in read_session(recording.path).blocks(missing):
            parts.append(block[:missing])
            missing -= len(parts[-1])
            if missing == 0:
                break
        if missing == 0:
            break
    np.savez_compressed(
        path,
        lit=np.concatenate([part.lit for part in parts]),
        dark=np.concatenate([part.dark for part in parts]),
    )
