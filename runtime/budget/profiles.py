"""Instruction profiles of a model on every core, kept in the model folder by the hash of its C."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.files import write_whole
from runtime.firmware.compile import compiler_version
from runtime.firmware.generate import generate
from runtime.firmware.profile import CoreProfile, profile
from runtime.frames import read_test_frames
from runtime.model import Model

__all__ = ["Profiles", "profiles_of", "write_json"]

_MAX_BYTES = 16 << 20
_FRAMES = 40

Counts = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Profiles:
    """Profiles by core: of the model, and of the watching stage that wakes it."""

    active: dict[str, CoreProfile]
    watching: dict[str, CoreProfile]


def write_json(path: Path, data: object) -> None:
    """Write JSON that is the same bytes each time, to a temporary name first.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    text = json.dumps(data, indent=1, sort_keys=True, allow_nan=False) + "\n"
    write_whole(path, text.encode())


def _cached(path: Path, key: str) -> dict[str, CoreProfile]:
    """Profiles kept under a hash; an unreadable or older file simply is not used."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            return {}
        data: Any = json.loads(path.read_text(encoding="utf-8"))
        cores = data[key]
        return {str(c): CoreProfile.from_json(p, f"{path}: {c}") for c, p in cores.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _key(model: Model, compiler: str) -> str:
    """Hash of what is compiled, and with which compiler: a new generator is measured anew."""
    found = hashlib.sha256(compiler_version(compiler).encode())
    for name, text in sorted(generate(model).items()):
        found.update(f"\0{name}\0{text}".encode())
    return found.hexdigest()


def profiles_of(
    model_dir: Path, model: Model, watching: Model, cores: Sequence[str], compiler: str = "zig"
) -> Profiles:
    """Return profiles on the cores asked for, executing only what is not kept yet.

    Notes
    -----
    ``profile.json`` maps the hash of the generated C, which holds the model's own hash, to its
    profiles by core; the watching stage has its own. Executes 40 recorded frame pairs a core.
    """
    path = model_dir / "profile.json"
    kept: dict[str, dict[str, CoreProfile]] = {}
    frames: tuple[Counts, Counts] | None = None
    before: dict[str, dict[str, CoreProfile]] = {}
    keys = _key(model, compiler), _key(watching, compiler)
    for one, key in zip((model, watching), keys, strict=True):
        before[key] = _cached(path, key)
        kept[key] = dict(before[key])
        for core in cores:
            if core not in kept[key]:
                if frames is None:
                    frames = read_test_frames(model_dir, model, _FRAMES)
                kept[key][core] = profile(one, core, *frames, compiler=compiler)
    if kept != before:
        write_json(
            path,
            {
                key: {core: found.to_json() for core, found in sorted(by_core.items())}
                for key, by_core in kept.items()
            },
        )
    active, asleep = (kept[key] for key in keys)
    return Profiles({c: active[c] for c in cores}, {c: asleep[c] for c in cores})
