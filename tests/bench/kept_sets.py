"""Data sets that a benchmark keeps: each says what it was made with, and serves nothing else."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from runtime.errors import UsageError

__all__ = ["MADE_WITH", "make_once"]

MADE_WITH = "made_with.json"
"""In a data set's folder."""
REPOSITORY = Path(__file__).parents[2]
PLAYERS = (
    "capture/cues", "capture/emulated", "capture/store", "tests/trainer/invented_people.py",
    "tests/worlds",
)  # fmt: skip
"""What plays and writes invented people: after a change of these a set is made anew."""
_TEXTS = (".py", ".toml")


def make_once(folder: Path, wanted: Mapping[str, object], make: Callable[[Path], None]) -> None:
    """Let a data set be made, unless it is there and was made with the same by the same program.

    It is made beside its place and put there when it is whole.

    Parameters
    ----------
    folder : pathlib.Path
    wanted : mapping of str to object
        Who is in it and what they did, as JSON has it.
    make : callable
        Makes it in the folder that it is given.

    Raises
    ------
    UsageError
        The folder is there and was made with something else, or does not say with what.
    """
    text = json.dumps({**wanted, "program": _program()}, sort_keys=True)
    if folder.exists():
        note = folder / MADE_WITH
        found = note.read_text(encoding="utf-8") if note.is_file() else "not said"
        if found != text:
            raise UsageError(
                str(folder), "what it was made with", found, text,
                "remove the folder, or name another one",
            )  # fmt: skip
        return
    part = folder.with_name(folder.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    make(part)
    (part / MADE_WITH).write_text(text, encoding="utf-8")
    part.rename(folder)


def _program() -> str:
    """Return the SHA-256 of the texts that play people and write what a sensor saw of them."""
    digest = hashlib.sha256()
    for path in _player_texts():
        name = path.relative_to(REPOSITORY).as_posix()
        digest.update(f"{name}\0".encode() + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _player_texts() -> Iterator[Path]:
    for name in PLAYERS:
        at = REPOSITORY / name
        for path in sorted(at.rglob("*")) if at.is_dir() else [at]:
            if path.suffix in _TEXTS:
                yield path
