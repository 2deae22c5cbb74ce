"""Instruction profiles of a model on every core, kept in the model folder by the hash of its C.

What is priced is the firmware on disk, as `runtime.verification.verify` verifies it; where the
folder holds none, the firmware that the model gives.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeVar

from runtime.errors import FormatError
from runtime.files import read_limited, refresh_fingerprint, write_whole
from runtime.firmware.day.cost import DeviceCost, device_cost
from runtime.firmware.day.run import compile_device
from runtime.firmware.emit.device.program import DEVICE_FILES, device_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import WATCH_FILES, watch_text
from runtime.firmware.machine.compile import CompiledFirmware, compiler_version
from runtime.firmware.profile import CoreProfile, profile
from runtime.firmware.setting import DeviceSetting, read_setting
from runtime.firmware.watching import watching_model
from runtime.model import Model
from runtime.sample_frames import read_test_frames

__all__ = ["Profiles", "profiles_of", "write_json"]

_MAX_BYTES = 16 << 20
_FRAMES = 40
_FOLDER = "firmware"
_SOURCES = ("pw_model.c", "pw_model.h", "pw_weights.h")
_DEVICE_SOURCES = (*_SOURCES, *WATCH_FILES, *DEVICE_FILES)
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)

_Kept = TypeVar("_Kept", CoreProfile, DeviceCost)
Firmware = Literal["on disk", "on disk, changed", "on disk, set otherwise", "generated"]


@dataclass(frozen=True, slots=True)
class Profiles:
    """Profiles by core: of the model, of the watching stage, and of the device program with both.

    `firmware` tells which C was priced: the folder's own, which is what the model gives; the
    folder's own, which is something else; the folder's own, which is set to other rates, rows or
    currents than are priced; or newly generated, as the folder has none.
    """

    active: dict[str, CoreProfile]
    watching: dict[str, CoreProfile]
    device: dict[str, DeviceCost]
    firmware: Firmware

    @property
    def as_emitted(self) -> bool:
        """Whether what is priced is the program that the model gives, at the setting priced."""
        return self.firmware in ("on disk", "generated")


def write_json(path: Path, data: object) -> None:
    """Write JSON that is the same bytes each time, to a temporary name first; its fingerprint too.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    text = json.dumps(data, indent=1, sort_keys=True, allow_nan=False) + "\n"
    write_whole(path, text.encode())
    refresh_fingerprint(path)


def _cached(path: Path, key: str, kind: type[_Kept]) -> dict[str, _Kept]:
    """Profiles or costs kept under a hash; an unreadable or older file simply is not used."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            return {}
        data: Any = json.loads(path.read_text(encoding="utf-8"))
        cores = data[key]
        return {str(c): kind.from_json(p, f"{path}: {c}") for c, p in cores.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _key(sources: Mapping[str, str], compiler: str, names: Sequence[str] = _SOURCES) -> str:
    """Hash of what is compiled, comments aside, and with which compiler."""
    found = hashlib.sha256(compiler_version(compiler).encode())
    for name in names:
        found.update(f"\0{name}\0{_bare(sources[name])}".encode())
    return found.hexdigest()


def _bare(source: str) -> str:
    """C text without its comments and line ends."""
    return " ".join(_COMMENT.sub(" ", source).split())


def _read_firmware(folder: Path) -> dict[str, str]:
    """Read the C of a firmware folder.

    Raises
    ------
    FormatError, UsageError
        A file is missing, too long, or not text.
    """
    found = {}
    for name in _DEVICE_SOURCES:
        try:
            found[name] = read_limited(folder / name).decode("utf-8")
        except UnicodeDecodeError:
            where = str(folder / name)
            raise FormatError(where, "the C", "not UTF-8", "text", "export it anew") from None
    return found


def profiles_of(
    model_dir: Path,
    model: Model,
    setting: DeviceSetting,
    cores: Sequence[str],
    device_core: str,
    compiler: str = "zig",
    keep: bool = True,
) -> Profiles:
    """Return profiles on the cores required, executing only what is not kept yet.

    What is newly executed is kept in the model's folder, unless `keep` is false.

    Parameters
    ----------
    model_dir : Path
    model : Model
    setting : DeviceSetting
        What is priced: generated where the folder holds no firmware.
    cores : sequence of str
        Where model and watching stage are executed.
    device_core : str
        Where the whole device program is: on that of the controller that is priced.
    compiler : str
        As for `runtime.firmware.machine.compile.compile_for`.
    keep : bool

    Raises
    ------
    FormatError, UsageError, ToolError
        The firmware on disk is faulty, or as `compile_for` and `profile_compiled` raise them.

    Notes
    -----
    ``profile.json`` maps the hash of the C, which holds the model's own hash, to its profiles by
    core; the watching stage and the device program have their own. Executes 40 recorded frame
    pairs a core, or as many as are a multiple of the model's period, and as many by rows within
    the device program.
    """
    watching = watching_model(model.sensor, setting.watching_rows)
    own, firmware = _firmware_of(model_dir, model, setting)
    path = model_dir / "profile.json"
    priced = ((model, own), (watching, generate(watching)))
    keys = [_key(sources, compiler) for _, sources in priced]
    whole = _key(own, compiler, _DEVICE_SOURCES)
    every = dict(zip(keys, priced, strict=True))
    kept = {key: _cached(path, key, CoreProfile) for key in every}
    devices = _cached(path, whole, DeviceCost)
    missing = [(key, core) for key in every for core in cores if core not in kept[key]]
    if missing or device_core not in devices:
        lit, dark = read_test_frames(model_dir, model, _n_frames(model))

        def measure(wanted: tuple[str, str]) -> CoreProfile:
            one, sources = every[wanted[0]]
            return profile(one, wanted[1], lit, dark, compiler=compiler, sources=sources)

        with ThreadPoolExecutor(max_workers=2) as pool:
            for (key, core), found in zip(missing, pool.map(measure, missing), strict=True):
                kept[key][core] = found
        if device_core not in devices:
            compiled = _device(own, device_core, compiler)
            devices[device_core] = device_cost(
                compiled, lit, dark, setting, always_on=model.entry.always_on
            )
        if keep:
            _keep(path, {**kept, whole: devices})
    active, asleep = (kept[key] for key in keys)
    return Profiles(
        {c: active[c] for c in cores}, {c: asleep[c] for c in cores},
        {device_core: devices[device_core]}, firmware,
    )  # fmt: skip


def _n_frames(model: Model) -> int:
    """Return how many frames to execute: whole periods, so that their mean is that of all time."""
    return max(model.period, _FRAMES // model.period * model.period)


def _device(sources: Mapping[str, str], core: str, compiler: str) -> CompiledFirmware:
    """Compile the whole program for a core."""
    with tempfile.TemporaryDirectory(prefix="pw-device-") as folder:
        for name, text in sources.items():
            if name in _DEVICE_SOURCES:
                (Path(folder) / name).write_text(text, encoding="utf-8")
        return compile_device(folder, core, compiler=compiler)


def _firmware_of(
    model_dir: Path, model: Model, setting: DeviceSetting
) -> tuple[dict[str, str], Firmware]:
    """Return the C to price, the folder's own where it has one, and which one that is."""
    on_disk = model_dir / _FOLDER
    if not on_disk.is_dir():
        return _given(model, setting), "generated"
    own, exported = _read_firmware(on_disk), read_setting(model_dir, model.sensor)
    given = _given(model, exported)
    if any(_bare(own[name]) != _bare(given[name]) for name in _DEVICE_SOURCES):
        return own, "on disk, changed"
    return own, "on disk" if exported == setting else "on disk, set otherwise"


def _given(model: Model, setting: DeviceSetting) -> dict[str, str]:
    """Return the whole program that a model gives at a setting."""
    watch = watch_text(model.sensor, setting.watching_rows)
    return generate(model) | watch | device_text(model, setting)


def _keep(path: Path, kept: Mapping[str, Mapping[str, CoreProfile | DeviceCost]]) -> None:
    write_json(
        path,
        {
            key: {core: found.to_json() for core, found in sorted(by_core.items())}
            for key, by_core in kept.items()
        },
    )
