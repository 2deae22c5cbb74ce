"""Takes that a reviewer should look at first, worked out once for a data set's sessions."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np

from capture.cues.labels import Event
from capture.store.dataset import SessionInfo, find_sessions
from capture.store.session import Session, read_session
from capture.truth.truth import Doubt, doubts, read_recorded
from runtime.errors import Error

__all__ = ["Doubtful"]

_Key = tuple[tuple[Path, int], ...]


class Doubtful:
    """Judges the labels of all sessions of a task together; keeps the last answer.

    Sessions that come or go are judged anew. Edits are not: they answer what was doubted, and the
    list stays what it was while somebody works through it.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._alone = threading.Lock()  # two windows do not ask for the same work twice
        self._key: _Key = ()
        self._found: list[Doubt] = []
        self._sessions: dict[str, Session] = {}

    def of(self, wanted: SessionInfo) -> dict[str, Any]:
        """Return what is doubted of one session, the most doubtful first.

        ``whole`` holds the reasons that concern all of it; ``takes`` the cue's time (of a take
        without one, its own) and the reason of each doubtful take.
        """
        with self._alone:
            same = [info for info in find_sessions(self._root) if info.task == wanted.task]
            key = tuple((info.path, info.path.stat().st_mtime_ns) for info in same)
            if key != self._key:
                self._judge(same)
                self._key = key
            name = wanted.path.name
            own = [doubt for doubt in self._found if doubt.session == name]
            events = self._sessions[name].events if name in self._sessions else ()
        return {
            "whole": [doubt.text for doubt in own if doubt.row is None],
            "takes": [
                {"cue_onset_s": _when(events[doubt.row]), "text": doubt.text}
                for doubt in own
                if doubt.row is not None
            ],
        }

    def _judge(self, same: list[SessionInfo]) -> None:
        self._sessions = {}
        recorded = []
        for info in same:
            try:
                session = read_session(info.path)
                recorded.append(read_recorded(session))
            except Error:
                continue  # being recorded, or damaged: said where it is opened
            self._sessions[info.path.name] = session
        self._found = doubts(recorded, np.random.default_rng(0))


def _when(event: Event) -> float:
    """Return the start of the cue; of a take that was added without one, its own."""
    return event.onset_s if event.cue_onset_s is None else event.cue_onset_s
