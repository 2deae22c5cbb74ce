"""What the page of a study asks for: how it stands, and its sessions in a list."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from capture.study.plan import open_study, study_path
from capture.study.seen import Lookout, Seen, session_name
from capture.study.standing import DONE, DOUBTFUL, MISSING, Standing, standing
from capture.study.words import hours, standing_figures

__all__ = ["StudyAddresses"]

UNPLANNED, REPLACED = "not planned", "replaced"
"""States of a session that no step asks for, and of one that was done again without a doubt."""


class StudyAddresses:
    """Answers for the page of a study.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._lookout = Lookout()
        self._alone = threading.Lock()

    def study(self, request: Request) -> Response:
        """Tell how the study stands, and list every session that is planned or there."""
        with self._alone:
            seen = self._lookout.look(self._root)
        answer: dict[str, object] = {"data_set": self._root.resolve().name, "study": None}
        if not study_path(self._root).exists():
            return JSONResponse(answer | {"rows": list(_rows(None, seen))})
        now = standing(open_study(self._root), seen, self._root)
        figures = standing_figures(now) | {"left": hours(now.left_s)}
        del figures["steps"], figures["unplanned"]
        return JSONResponse(answer | {"study": figures, "rows": list(_rows(now, seen))})


def _rows(now: Standing | None, seen: Sequence[Seen]) -> Iterator[dict[str, object]]:
    """Yield a row for each session that is there, and for each that is planned and missing."""
    known = {session_name(one.info): one for one in seen}
    withdrawn = now.file.study.withdrawn if now else ()
    planned = now.held if now else ()
    for held in planned:
        step = held.step
        if held.state == MISSING and step.person in withdrawn:
            continue
        for name in held.sessions or (None,):
            row = _row(known.pop(name, None) if name else None)
            why = [doubt.removeprefix(f"{name}: ") for doubt in held.doubts
                   if name and doubt.startswith(f"{name}: ")]  # fmt: skip
            yield row | {
                "participant": step.person, "task": step.task, "station": step.station,
                "state": held.state, "why": why, "seed": step.seed,
            }  # fmt: skip
    steps = {
        (each.step.person, each.step.task, each.step.seed) for each in (now.held if now else ())
    }
    reasons = dict(line.split(": ", 1) for line in (now.unplanned if now else ()))
    for name, one in known.items():
        why = [reasons[name]] if name in reasons else list(one.faults)
        if (one.info.participant_id, one.info.task, one.seed) in steps:
            state = REPLACED
        else:
            state = UNPLANNED if now else DOUBTFUL if one.faults else DONE
        said = one.provenance
        yield _row(one) | {
            "participant": one.info.participant_id, "task": one.info.task,
            "station": said.station if said else None, "state": state, "why": why,
        }  # fmt: skip


def _row(one: Seen | None) -> dict[str, object]:
    """Return what a session says itself, as far as it is there."""
    said = one.provenance if one else None
    return {
        "session": session_name(one.info) if one else None,
        "n_good": one.n_good if one else None,
        "n_rejected": one.n_rejected if one else None,
        "recorded": said.recorded if said else None,
        "operator": said.operator if said else None,
        "notes": said.notes if said else "",
        "seed": one.seed if one else None,
    }
