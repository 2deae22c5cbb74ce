"""A firmware folder whole: the model's files, the watching stage's, the device program's."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from runtime.files import refresh_fingerprint, write_whole
from runtime.firmware.emit.device.program import (
    BUILD_FILES,
    DEVICE_FILES,
    build_text,
    device_text,
)
from runtime.firmware.emit.generate import MODEL_FILES, generate
from runtime.firmware.emit.scenes import choose_scenes
from runtime.firmware.emit.watch import WATCH_FILES, watch_text
from runtime.firmware.measure.footprint import measure_footprint
from runtime.firmware.setting import SETTING_FILE, DeviceSetting
from runtime.model import Model

__all__ = ["FIRMWARE_FILES", "firmware_text", "write_firmware"]

FIRMWARE_FILES = (*MODEL_FILES, *WATCH_FILES, *DEVICE_FILES, *BUILD_FILES)
"""Every file of a firmware folder."""

_SIZES_CORE = "cortex-m0plus"
_TRIES = 400
"""How often a scene is changed in search of an event: some seconds for the largest models."""


def firmware_text(
    model: Model, keys: Sequence[int] | None = None, setting: DeviceSetting | None = None
) -> dict[str, str]:
    """Return the folder's files, its header stating the bytes measured on the smallest core.

    Parameters
    ----------
    model : Model
    keys : sequence of int, optional
        Scenes of the self-test; when absent they are searched for, some seconds long.
    setting : DeviceSetting, optional
        Of the device program; the sensor's own when absent.
    """
    setting = setting or DeviceSetting.of(model.sensor)
    with tempfile.TemporaryDirectory(prefix="pw-size-") as trial:
        _write(generate(model), Path(trial))
        footprint = measure_footprint(Path(trial), _SIZES_CORE)
    scenes = choose_scenes(model, _TRIES) if keys is None else keys
    return (
        generate(model, footprint, scenes, setting)
        | watch_text(model.sensor, setting.watching_rows)
        | device_text(model, setting)
        | build_text(setting)
    )


def write_firmware(model: Model, folder: Path | str, setting: DeviceSetting | None = None) -> None:
    """Write what `firmware_text` gives, each file under a temporary name and renamed.

    A setting that is given is written as ``device.toml`` beside the folder, where `verify` and the
    budget look for it; where the model's folder keeps fingerprints, with its own.
    """
    folder = Path(folder)
    files = firmware_text(model, setting=setting)
    folder.mkdir(parents=True, exist_ok=True)
    _write(files, folder)
    if setting is not None:
        path = folder.parent / SETTING_FILE
        write_whole(path, setting.to_toml().encode("ascii"))
        refresh_fingerprint(path)


def _write(files: Mapping[str, str], folder: Path) -> None:
    """Write each file whole."""
    for name, text in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        write_whole(folder / name, text.encode("ascii"))
