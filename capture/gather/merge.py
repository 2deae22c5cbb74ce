"""One data set of several: nothing is lost, nothing is half written, no source is touched."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from capture.gather.joining import (
    JOINED,
    Joined,
    is_log,
    join_descriptions,
    join_logs,
    join_people,
)
from capture.gather.tree import SetFile, Tree, copy_checked, list_files
from capture.store.container import DAMAGE, MAGIC, messages, metadata
from capture.store.dataset import find_sessions
from capture.store.forgotten import digest_of, forgotten_in
from capture.store.kind import kind_of
from capture.store.session import READOUTS_SUFFIX
from runtime.errors import Error, FormatError, UsageError
from runtime.files import refuse_used_folder, whole_folder, write_whole

__all__ = ["Merged", "merge"]


@dataclass(frozen=True, slots=True)
class Merged:
    """What came of a merge.

    Parameters
    ----------
    out : Path
    n_files, n_bytes : int
        Copied and checked, beside the tables that were joined.
    n_sessions, n_people : int
        In the new data set.
    left_out : tuple of str
        Files and folders that are no part of a data set: half-written ones, what training can make
        anew, and people who were forgotten.
    cautions : tuple of str
        What to look at.
    conflicts : tuple of str
        What disagrees; if anything does, nothing was written.
    """

    out: Path
    n_files: int = 0
    n_bytes: int = 0
    n_sessions: int = 0
    n_people: int = 0
    left_out: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """Return it as plain JSON values."""
        return {
            "out": str(self.out),
            "merged": not self.conflicts,
            "n_files": self.n_files,
            "n_bytes": self.n_bytes,
            "n_sessions": self.n_sessions,
            "n_people": self.n_people,
            "left_out": list(self.left_out),
            "cautions": list(self.cautions),
            "conflicts": list(self.conflicts),
        }

    def lines(self) -> list[str]:
        """Return it in lines."""
        told = [f"conflict: {conflict}" for conflict in self.conflicts]
        told += [f"caution: {caution}" for caution in self.cautions]
        told += [f"left out: {name}" for name in self.left_out]
        if self.conflicts:
            return [*told, f"{len(self.conflicts)} conflicts: nothing was written"]
        return [
            *told,
            f"{self.out}: {self.n_sessions} sessions of {self.n_people} people, {self.n_files} "
            f"files ({self.n_bytes / 1e6:.1f} MB) copied, each with the hash of its source",
        ]


def merge(sources: Sequence[Path], out: Path) -> Merged:
    """Make one data set of several.

    Files that several hold must have the same bytes in all; tables of people, descriptions and logs
    of final tests are joined. A session whose recorder was killed is copied as it is, and finished
    when it is first opened. Who was forgotten in one of the sets is left out of all.

    Parameters
    ----------
    sources : sequence of Path
        At least two data sets; they stay as they are.
    out : Path
        Missing or empty folder; it appears under its name when everything is in it.

    Returns
    -------
    Merged
        With `conflicts`, nothing was written.

    Raises
    ------
    UsageError
        A source is no data set or is given twice, `out` is in use or inside a source, a session is
        being recorded, or the disk is too small.
    FormatError
        A table or description is wrong.
    Error
        A file changed while it was copied, or the disk refuses; nothing is left of `out`.
    """
    _check_places(sources, out)
    joined = Joined()
    join_descriptions(joined, sources)
    gone = frozenset[str]().union(*(forgotten_in(root) for root in sources))
    join_people(joined, sources, gone)
    trees = [_without(list_files(root), gone) for root in sources]
    files = _union(trees, joined)
    joined.conflicts += _kinds(sources)
    cautions = tuple(_cautions(sources, files))
    left_out = tuple(f"{tree.root}/{name}" for tree in trees for name in tree.left_out)
    if joined.conflicts:
        return Merged(out, cautions=cautions, left_out=left_out, conflicts=tuple(joined.conflicts))
    n_bytes = sum(file.n_bytes for file in files.values())
    _check_room(out, n_bytes)
    with whole_folder(out) as part:
        for name, file in files.items():
            copy_checked(file, part / name)
        if joined.people:
            joined.write_people(part / "participants.tsv")
        write_whole(part / "dataset_description.json", _json(joined.description))
        for name, entries in joined.logs.items():
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            write_whole(part / name, _json(entries))
    n_sessions = len(find_sessions(out))
    return Merged(out, len(files), n_bytes, n_sessions, len(joined.people), left_out, cautions)


def _without(tree: Tree, gone: frozenset[str]) -> Tree:
    """Return a data set's files without those of people who were forgotten in one of the sets."""
    folders = {name.partition("/")[0] for name in tree.files if "/" in name}
    known = {folder for folder in folders if digest_of(folder.removeprefix("sub-")) in gone}
    left_out = (f"{folder}/ (forgotten)" for folder in sorted(known))
    files = {n: file for n, file in tree.files.items() if n.partition("/")[0] not in known}
    return Tree(tree.root, files, (*tree.left_out, *left_out))


def _check_places(sources: Sequence[Path], out: Path) -> None:
    if len(sources) < 2:
        raise UsageError("merge", "number of data sets", len(sources), "at least 2")
    whole = [root.resolve() for root in sources]
    for root, place in zip(sources, whole, strict=True):
        if whole.count(place) > 1:
            raise UsageError(str(root), "the data set", "given twice", "given once")
        if out.resolve() == place or place in out.resolve().parents:
            raise UsageError(str(out), "output folder", f"in {root}", "outside the sources")
        if any(place in other.parents for other in whole):
            raise UsageError(str(root), "the data set", "around another", "beside it")
    refuse_used_folder(out)


def _check_room(out: Path, n_bytes: int) -> None:
    place = next(folder for folder in out.resolve().parents if folder.is_dir())
    free = shutil.disk_usage(place).free
    if free < n_bytes:
        raise UsageError(
            str(out), "room on the disk", f"{free / 1e6:.0f} MB", f"{n_bytes / 1e6:.0f} MB or more"
        )


def _union(trees: Sequence[Tree], joined: Joined) -> dict[str, SetFile]:
    """Return every file to be copied, and note where two sets hold another one under one name."""
    files: dict[str, SetFile] = {}
    logs: dict[str, list[Path]] = {}
    for tree in trees:
        for name, file in tree.files.items():
            if name in JOINED:
                continue
            if is_log(name):
                logs.setdefault(name, []).append(file.path)
                continue
            before = files.setdefault(name, file)
            if before.sha256 != file.sha256:
                joined.conflicts.append(
                    f"{name}: {before.path} (SHA-256 {before.sha256[:12]}) and {file.path} "
                    f"({file.sha256[:12]}) are not the same"
                )
    folders = {
        name.rsplit("/", depth)[0] for name in files for depth in range(1, name.count("/") + 1)
    }
    joined.conflicts += [f"{name}: a file in one set, a folder in another"
                         for name in sorted(folders & files.keys())]  # fmt: skip
    for name, paths in logs.items():
        join_logs(joined, name, paths)
    return files


def _kinds(sources: Sequence[Path]) -> list[str]:
    """Return a conflict if the sets hold different kinds of data."""
    kinds: dict[str, Path] = {}
    for root in sources:
        for info in find_sessions(root):
            try:
                kinds.setdefault(kind_of(metadata(info.path, "session")["firmware"]), root)
            except (Error, *DAMAGE):
                continue  # copied as it is: `inspect` tells what is wrong
    if len(kinds) < 2:
        return []
    told = " and ".join(f"{kind} in {root}" for kind, root in kinds.items())
    return [f"kind of data: {told}; keep each in a data set of its own"]


def _cautions(sources: Sequence[Path], files: Mapping[str, SetFile]) -> list[str]:
    told = []
    homes: dict[str, set[frozenset[str]]] = {}  # sessions of each person, as each set has them
    for root in sources:
        known = sorted((info.participant_id, info.path.name) for info in find_sessions(root))
        for person, named in groupby(known, key=itemgetter(0)):
            homes.setdefault(person, set()).add(frozenset(name for _, name in named))
    kept = {name.partition("/")[0].removeprefix("sub-") for name in files}
    both = [name for name in sorted(homes.keys() & kept) if len(homes[name]) > 1]
    if both:
        told.append(
            f"{', '.join(both)}: recorded in more than one of the sets; make sure that each "
            "pseudonym is one person"
        )
    for name, file in files.items():
        if not name.endswith(READOUTS_SUFFIX):
            continue
        if not _finished(file.path):
            told.append(f"{name}: its recorder was killed; it is finished when it is first opened")
        elif damage := _damage(file.path):
            told.append(f"{name}: copied as it is, but {damage}")
    return told


def _damage(path: Path) -> str:
    """Return what is wrong in a recording by its own check sums; on its way it may be damaged."""
    try:
        for _ in messages(path):
            pass
    except FormatError as error:
        return f"{error.what} is {error.got}: repair it with palmwatt repair"
    return ""


def _finished(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - len(MAGIC)))
        return file.read() == MAGIC


def _json(content: object) -> bytes:
    return (json.dumps(content, indent=2) + "\n").encode()
