"""The ground floor's commands as a user calls them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from runtime.cli import commands
from runtime.errors import FormatError, UsageError
from runtime.firmware.emit.folder import write_firmware
from runtime.model import Model, save_model
from runtime.onnx.graph import save_step_graph
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.dense import Dense


def _call(name: str, *arguments: str) -> Any:
    command = next(c for c in commands if c.name == name)
    return CliRunner().invoke(command, list(arguments))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a whole small model folder with 8 recorded frames."""
    rng = np.random.default_rng(0)
    weights = rng.integers(-127, 128, (3, 16)).astype(np.int8)
    bias = np.zeros(3, dtype=np.int32)
    head = Dense(
        weights, bias, 1, 0, False, 32,
        real_weights=weights.astype(np.float64), real_bias=bias.astype(np.float64),
    )  # fmt: skip
    model = Model(
        name="small",
        task="small",
        sensor=Sensor("8x8", 8, 8),
        classes=("other", "swipe_left", "swipe_right"),
        stages=(Bins(8, 8, 4, 4), head, Decision((True, False, False), 100, 0, 1, 0)),
        provenance={"made by": "a test"},
    )
    path = tmp_path / "small"
    path.mkdir()
    save_model(model, path)
    save_step_graph(model, path / "fixed.onnx")
    write_firmware(model, path / "firmware")
    lit = rng.integers(64, 4000, (8, 8, 8)).astype(np.uint16)
    np.savez(path / "test_frames.npz", lit=lit, dark=lit // 4)
    return path


def test_verify_says_yes_then_no_when_one_weight_is_changed_by_hand(folder: Path) -> None:
    """Exit code 0 for the C as generated, 1 after one of its weights was changed."""
    done = _call("verify", str(folder), "--core", "cortex-m4", "--frames", "8", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["ok"] is True
    source = folder / "firmware" / "pw_weights.h"
    text = source.read_text()
    start = re.search(r"const int8_t \w+\[\d+\] = \{", text)
    assert start is not None
    number = re.compile(r"-?\d+").search(text, start.end())
    assert number is not None
    other = "5" if number[0] != "5" else "6"
    source.write_text(text[: number.start()] + other + text[number.end() :])
    changed = _call("verify", str(folder), "--core", "cortex-m4", "--frames", "8")
    assert changed.exit_code == 1
    assert "differs" in changed.output


def test_unknown_core_is_our_own_error(folder: Path) -> None:
    """A core that does not exist is a wrong call, raised before anything runs."""
    result = _call("verify", str(folder), "--core", "cortex-m99")
    assert isinstance(result.exception, UsageError)


@pytest.mark.parametrize("name", ["verify", "budget"])
def test_folder_without_a_model_is_our_own_error(name: str, tmp_path: Path) -> None:
    """An empty folder gives the one-line error that the front door prints, not a traceback."""
    assert isinstance(_call(name, str(tmp_path)).exception, FormatError)


def test_damaged_onnx_is_our_own_error(folder: Path) -> None:
    """A foreign file in the graph's place is named."""
    (folder / "fixed.onnx").write_bytes(b"not a graph")
    result = _call("verify", str(folder), "--core", "cortex-m4", "--frames", "4")
    assert isinstance(result.exception, FormatError)
    assert "fixed.onnx" in str(result.exception)


def test_commands_are_light() -> None:
    """Asking for help loads no heavy library."""
    import subprocess
    import sys

    probe = (
        "import sys, runtime.cli; "
        "print([m for m in ('numpy', 'scipy', 'onnx', 'pydantic', 'unicorn') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
