"""Removes a participant from a data set for good, and names the models that knew them."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from capture.dataset import read_description, read_participants, write_participants
from capture.files import alone_in
from runtime.errors import Error, UsageError
from runtime.files import read_limited

__all__ = ["Forgotten", "forget"]


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was removed, and what a removal cannot reach.

    Parameters
    ----------
    n_files : int
        Files removed: readouts, labels, everything under the participant's folder.
    trained : tuple of Path
        Model folders whose training used the participant; they stay as they are.
    tested : tuple of Path
        Model folders whose final test used the participant.
    unclear : tuple of Path
        Model folders that do not say on whom they were trained.
    """

    n_files: int
    trained: tuple[Path, ...]
    tested: tuple[Path, ...]
    unclear: tuple[Path, ...]


def forget(root: Path, participant_id: str, models: Path | None = None) -> Forgotten:
    """Remove a participant's readouts, labels and row from a data set.

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
        The folder is no data set, or nobody of that name is in it.

    Notes
    -----
    The row goes last: a removal that is cut short can be called again.
    """
    read_description(root)
    table = root / "participants.tsv"
    with alone_in(root):
        people = read_participants(table)
        rest = tuple(person for person in people if person.participant_id != participant_id)
        if len(rest) == len(people):
            raise UsageError(str(table), "participant", repr(participant_id), "one of the table")
        folder = root / f"sub-{participant_id}"
        n_files = sum(path.is_file() for path in folder.rglob("*"))
        if folder.exists():
            shutil.rmtree(folder)
        write_participants(root, rest)
    trained, tested, unclear = [], [], []
    for model in sorted(models.iterdir()) if models is not None and models.is_dir() else ():
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
    return Forgotten(n_files, tuple(trained), tuple(tested), tuple(unclear))
