"""The locked set of a study: drawn once, before the first recording, and checked ever after."""

from __future__ import annotations

import datetime
from pathlib import Path

from capture.store.dataset import find_sessions
from capture.study.orders import stream
from capture.study.plan import Study, StudyFile, open_study
from capture.tsv_tables import alone_in
from runtime.errors import FormatError, UsageError
from runtime.files import read_limited, write_whole

__all__ = ["check_drawn", "draw_locked", "locked_set"]


def locked_set(study: Study, n_people: int) -> tuple[str, ...]:
    """Return whom the study's seed draws of the first `n_people` of its list, in their order."""
    drawn = stream(study.seed, "locked").permutation(n_people)[: study.n_locked]
    return tuple(study.people[index] for index in sorted(drawn.tolist()))


def check_drawn(file: StudyFile) -> None:
    """Refuse a plan whose locked set is not drawn, or is another than was drawn.

    Raises
    ------
    UsageError
        It is not drawn yet.
    FormatError
        The seed draws others: the list, the seed, the number or the people were changed since.
    """
    study = file.study
    if study.drawn is None:
        raise UsageError(
            str(file.path), "the locked set", "not drawn", "drawn before the first recording",
            f"draw it with: palmwatt study {file.path.parent} --draw",
        )  # fmt: skip
    n_people = study.drawn.n_people
    if n_people > len(study.people) or locked_set(study, n_people) != study.drawn.locked:
        raise FormatError(
            str(file.path), "drawn.locked", "not what the seed draws", "as it was drawn",
            "people may only be added at the end of the list, or listed as withdrawn",
        )  # fmt: skip


def draw_locked(root: Path, today: datetime.date) -> tuple[str, ...]:
    """Draw the locked set of a data set's study and write it at the end of ``study.toml``.

    Raises
    ------
    UsageError
        It is drawn already, or somebody was recorded already.
    FormatError
        The plan is wrong.
    """
    with alone_in(root):
        file = open_study(root)
        if file.study.drawn is not None:
            raise UsageError(
                str(file.path), "the locked set", f"drawn on {file.study.drawn.date}", "not drawn"
            )
        found = find_sessions(root)
        if found:
            raise UsageError(
                str(root), "number of sessions", len(found), "0 when the locked set is drawn",
                "keep these elsewhere, and begin the study without them",
            )  # fmt: skip
        n_people = len(file.study.people)
        locked = locked_set(file.study, n_people)
        names = ", ".join(f'"{name}"' for name in locked)
        table = f"\n[drawn]\ndate = {today}\nn_people = {n_people}\nlocked = [{names}]\n"
        text = read_limited(file.path)
        write_whole(file.path, text.rstrip(b"\n") + b"\n" + table.encode())
        check_drawn(open_study(root))
    return locked
