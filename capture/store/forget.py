"""Removes a participant from a data set for good, and names the models that knew them.

Beside the recordings, training keeps working files in ``derivatives/palmwatt``: folders of arrays,
each with an ``index.json`` that says whose readouts an array was made from,
``{"<64 hex digits>.npy": {"participant": "P01", ...}, ...}``, and folders without one. All of them
can be made anew, so that whatever is not surely one other participant's goes.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from capture.store.dataset import (
    Participant,
    read_description,
    read_participants,
    write_participants,
)
from capture.store.forgotten import note_forgotten
from capture.tsv_tables import alone_in
from runtime.errors import Error, UsageError
from runtime.files import read_limited, write_whole

__all__ = ["Forgotten", "forget"]

_ARRAY = re.compile(r"[0-9a-f]{64}\.npy")
_MAX_INDEX_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was removed, and what a removal cannot reach.

    Parameters
    ----------
    n_files : int
        Files removed: readouts, labels of every labeller, logs of edits: everything under the
        participant's folder.
    n_working_files : int
        Working files of training removed.
    trained : tuple of Path
        Model folders whose training used the participant; they stay as they are.
    tested : tuple of Path
        Model folders whose final test used the participant.
    unclear : tuple of Path
        Model folders that do not say on whom they were trained.
    with_readouts : tuple of Path
        Those of `tested` that hold recorded frames of their test.
    naming : tuple of Path
        Logs of the data set that go on naming the pseudonym, without readouts.
    """

    n_files: int
    n_working_files: int
    trained: tuple[Path, ...]
    tested: tuple[Path, ...]
    unclear: tuple[Path, ...]
    with_readouts: tuple[Path, ...]
    naming: tuple[Path, ...]


def forget(root: Path, participant_id: str, models: Path | None = None) -> Forgotten:
    """Remove a participant's readouts, labels, working files and row from a data set.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    participant_id : str
        Pseudonym.
    models : Path, optional
        Folder with model folders in it, to be searched for the participant.

    Raises
    ------
    UsageError
        The folder is no data set, nobody of that name is in it, or a file cannot be removed.
    FormatError
        The name is no pseudonym, or the table of participants is wrong.

    Notes
    -----
    That somebody is forgotten is written first and the row goes last: a removal that is cut short
    can be called again. Readouts whose row was deleted by hand go as well. An older copy of the
    data set does not bring the participant back (:mod:`capture.store.forgotten`).
    """
    Participant(participant_id)  # a pseudonym, and so part of no other path
    read_description(root)
    table = root / "participants.tsv"
    folder = root / f"sub-{participant_id}"
    working = root / "derivatives" / "palmwatt"
    try:
        others = _others(table, participant_id)
        if len(others) == len(read_participants(table)) and not folder.exists():
            raise UsageError(str(table), "participant", repr(participant_id), "one of the data set")
        note_forgotten(root, participant_id)
        n_files = _remove(folder)
        names = {person.participant_id for person in others}
        n_working = sum(_forget_arrays(arrays, names) for arrays in _folders(working))
        with alone_in(root):
            write_participants(root, _others(table, participant_id))
    except OSError as error:
        raise UsageError(
            str(error.filename or root), "removing", f"refused ({error.strerror})"
        ) from None
    trained, tested, unclear = _search(models, participant_id)
    return Forgotten(
        n_files,
        n_working,
        trained,
        tested,
        unclear,
        tuple(model for model in tested if (model / "test_frames.npz").exists()),
        tuple(path for path in sorted(working.glob("*.json")) if _names(path, participant_id)),
    )


def _others(table: Path, participant_id: str) -> tuple[Participant, ...]:
    return tuple(p for p in read_participants(table) if p.participant_id != participant_id)


def _folders(parent: Path) -> Iterator[Path]:
    """Yield the folders in a folder; a link to one elsewhere is not followed."""
    for path in sorted(parent.iterdir()) if parent.is_dir() else ():
        if path.is_dir() and not path.is_symlink():
            yield path


def _remove(folder: Path) -> int:
    """Remove a folder with all that is in it; return how many files that were."""
    if not folder.exists():
        return 0
    n_files = sum(path.is_file() for path in folder.rglob("*"))
    shutil.rmtree(folder)
    return n_files


def _forget_arrays(folder: Path, others: set[str]) -> int:
    """Remove what training keeps in one folder and is not of one of the others; return how much."""
    path = folder / "index.json"
    if not path.is_file():
        return _remove(folder)
    with alone_in(folder):
        index = _read_index(path)
        kept = {
            name: entry
            for name, entry in index.items()
            if _ARRAY.fullmatch(name)
            and isinstance(entry, dict)
            and str(entry.get("participant")) in others
        }
        stale = [file for file in folder.glob("*.npy") if file.name not in kept]
        for file in stale:
            file.unlink()
        write_whole(path, (json.dumps(kept, indent=0, sort_keys=True) + "\n").encode())
    return len(stale)


def _read_index(path: Path) -> dict[str, object]:
    try:
        content = json.loads(read_limited(path, _MAX_INDEX_BYTES))
    except (Error, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _names(path: Path, participant_id: str) -> bool:
    try:
        return f'"{participant_id}"'.encode() in read_limited(path)
    except Error:
        return True


def _search(
    models: Path | None, participant_id: str
) -> tuple[tuple[Path, ...], tuple[Path, ...], tuple[Path, ...]]:
    """Return the model folders trained on a participant, tested on them, and those not telling."""
    trained, tested, unclear = [], [], []
    for model in _folders(models) if models is not None else ():
        if not (model / "model.json").is_file():
            continue
        try:
            people_of = json.loads(read_limited(model / "evaluation.json"))["participants"]
            names = {part: [str(name) for name in people_of[part]] for part in ("train", "test")}
        except (Error, ValueError, KeyError, TypeError, RecursionError):
            unclear.append(model)
            continue
        if participant_id in names["train"]:
            trained.append(model)
        if participant_id in names["test"]:
            tested.append(model)
    return tuple(trained), tuple(tested), tuple(unclear)
