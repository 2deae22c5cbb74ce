"""A model's folder for programs: written whole, the same each time, and fit for what comes next."""

from __future__ import annotations

import filecmp
import json
from pathlib import Path

import numpy as np
import pytest

import runtime
from runtime.errors import FormatError, UsageError
from runtime.firmware.emit.folder import write_firmware
from runtime.firmware.setting import read_setting

MODELS = Path(__file__).resolve().parents[3] / "models"


def recorded(name: str, n_frames: int) -> tuple[runtime.Model, np.ndarray, np.ndarray]:
    frames = np.load(MODELS / name / "test_frames.npz")
    return (
        runtime.load_model(MODELS / name), frames["lit"][:n_frames], frames["dark"][:n_frames]
    )  # fmt: skip


def test_an_exported_folder_holds_the_same_bytes_as_a_trained_one(tmp_path: Path) -> None:
    """Exported again with its own frames, a trained model's files are the same, byte for byte."""
    model, lit, dark = recorded("dynamic", 512)
    folder = runtime.export(model, tmp_path / "again", lit, dark)
    trained = MODELS / "dynamic"
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    names.remove("fingerprints.json")  # a trained folder holds more files
    assert {"model.json", "weights.npz", "fixed.onnx", "fixed_window.onnx"} <= set(names)
    assert "firmware/pw_model.c" in names
    # A trained folder's device.toml says how its device watches; an export has the sensor's own.
    write_firmware(model, folder / "firmware", read_setting(trained, model.sensor))
    _, differing, failed = filecmp.cmpfiles(folder, trained, names, shallow=False)
    assert not differing
    assert not failed


def test_a_refused_export_leaves_nothing(tmp_path: Path) -> None:
    """An export that fails half-way leaves neither the folder nor a part of it."""
    model, lit, dark = recorded("finger_count", 4)
    with pytest.raises(FormatError, match="shape of dark"):
        runtime.export(model, tmp_path / "m", lit, dark[:2])
    with pytest.raises(UsageError, match="number of frame pairs is 0"):
        runtime.export(model, tmp_path / "m", lit[:0], dark[:0])
    assert not list(tmp_path.iterdir())
    (tmp_path / "m").mkdir()
    (tmp_path / "m" / "notes").write_text("mine", "utf-8")
    with pytest.raises(UsageError, match="in use"):
        runtime.export(model, tmp_path / "m", lit, dark)
    assert [path.name for path in tmp_path.rglob("*")] == ["m", "notes"]


@pytest.mark.slow
def test_pricing_from_a_program_is_what_the_command_prices(tmp_path: Path) -> None:
    """The same folder and parts give the budget that lies in it; limits decide if it is kept."""
    folder = MODELS / "finger_count"
    told = json.loads((folder / "budget.json").read_text("utf-8"))
    limits = tmp_path / "limits.toml"
    limits.write_text("[limits]\nram_bytes = 10\n", "utf-8")
    budget = runtime.price(folder, cores=["cortex-m4"], limits=limits, mcu="stm32u385")
    # To the last bits: a command holds its arithmetic steady before NumPy is loaded.
    average_uw = json.loads(json.dumps(budget.to_json()))["average_uw"]
    assert average_uw == pytest.approx(told["average_uw"], rel=1e-12)
    assert not budget.keeps()
    limits.write_text("[limits]\nram_bytes = 1000000\n", "utf-8")
    assert runtime.price(folder, cores=[], limits=limits).keeps()
