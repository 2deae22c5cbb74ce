"""A damaged session repaired at somebody's wish."""

from __future__ import annotations

from pathlib import Path

from capture.store.damaged.mending import Mended
from capture.store.damaged.salvage import Damage, salvaged
from capture.store.session import mend_session, read_session
from capture.store.writer import hold_for_writing
from runtime.errors import UsageError

__all__ = ["repair"]


def repair(path: Path | str) -> Mended | None:
    """Keep every whole chunk of a damaged session, mark what is lost, and keep the original.

    Parameters
    ----------
    path : Path or str
        A session's file.

    Returns
    -------
    Mended or None
        What was kept and what is lost; None if there is nothing to repair. A file that its recorder
        left unfinished is finished on the way, as on every opening.

    Raises
    ------
    UsageError
        There is no such file, it is being recorded, cannot be written, or has been repaired before
        and its original is still there.
    FormatError
        It is no session, or its header is damaged: then nothing says what its readouts are.
    """
    session = read_session(path, with_labels=False)
    damage = Damage()
    for _ in salvaged(session.path, damage):
        pass
    if not damage.n_stretches:
        return None
    try:
        with session.path.open("r+b") as file:
            hold_for_writing(file.fileno(), session.path)
            return mend_session(session)
    except OSError as error:
        raise UsageError(
            str(session.path), "the session", f"not to be written ({error.strerror})"
        ) from None
