"""A firmware folder whole: the model's files and the watching stage's."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from runtime.files import write_whole
from runtime.firmware.emit.generate import MODEL_FILES, generate
from runtime.firmware.emit.scenes import choose_scenes
from runtime.firmware.emit.watch import WATCH_FILES, watch_text
from runtime.firmware.measure.footprint import measure_footprint
from runtime.model import Model

__all__ = ["FIRMWARE_FILES", "firmware_text", "write_firmware"]

FIRMWARE_FILES = (*MODEL_FILES, *WATCH_FILES)
"""Every file of a firmware folder."""

_SIZES_CORE = "cortex-m0plus"
_TRIES = 400
"""How often a scene is changed in search of an event: some seconds for the largest models."""


def firmware_text(model: Model, keys: Sequence[int] | None = None) -> dict[str, str]:
    """Return the folder's files, its header stating the bytes measured on the smallest core.

    `keys` are the scenes of the self-test; when absent they are searched for, some seconds long.
    """
    with tempfile.TemporaryDirectory(prefix="pw-size-") as trial:
        _write(generate(model), Path(trial))
        footprint = measure_footprint(Path(trial), _SIZES_CORE)
    scenes = choose_scenes(model, _TRIES) if keys is None else keys
    return generate(model, footprint, scenes) | watch_text(model.sensor)


def write_firmware(model: Model, folder: Path | str) -> None:
    """Write what `firmware_text` gives, each file under a temporary name and renamed."""
    folder = Path(folder)
    files = firmware_text(model)
    folder.mkdir(parents=True, exist_ok=True)
    _write(files, folder)


def _write(files: Mapping[str, str], folder: Path) -> None:
    """Write each file whole."""
    for name, text in files.items():
        write_whole(folder / name, text.encode("ascii"))
