"""Recording for programs: one call from the name of a port to a session on disk."""

from __future__ import annotations

from pathlib import Path

from capture.cues.script import Script, load_script
from capture.lead.record import RecordedSession, SessionNotes
from capture.lead.record import record as record_over
from capture.store.dataset import Participant, require_consent
from capture.wire.link import SerialLink
from runtime.errors import ArgumentError
from runtime.files import as_path

__all__ = ["record"]


def record(
    port: str,
    participant: Participant,
    script: Script | str | Path,
    out: Path | str,
    *,
    seed: int = 1,
    session: str | None = None,
    distance_mm: float | None = None,
) -> RecordedSession:
    """Record one session and leave it finished and labelled in a data set.

    Nobody is led through the cues here: `palmwatt record` and the booth show them. Whoever shows
    them in a program of its own takes :func:`capture.lead.record.record`, which tells how far it is
    and asks for pauses.

    Parameters
    ----------
    port : str
        Any pyserial URL: ``/dev/ttyACM0``, ``COM3``, ``socket://host:port``.
    participant : Participant
        Must have given consent. The row in ``participants.tsv`` is written before the first frame.
    script : Script, or name or path of one
        What to ask for.
    out : path
        Folder of the data set; made if missing.
    seed : int
        Of the order of the cues, >= 0.
    session : str, optional
        Number of the session, such as ``01``; by default the next free one of this task.
    distance_mm : float, optional
        Distance of the hand that the participant was asked for, 10 to 1000; noted in the file.

    Returns
    -------
    RecordedSession
        Its ``path``, counts, and the labels as written.

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong, consent is missing, or the session is there already.
    FormatError
        There is no such script, or it is faulty.
    PortError
        The port cannot be opened, or the sensor did not come back; what came before is kept.
    """
    if not isinstance(port, str):
        raise ArgumentError("record", "port", type(port).__name__, "the name of a port")
    if not isinstance(participant, Participant):
        got = type(participant).__name__
        raise ArgumentError("record", "participant", got, "a Participant")
    if not isinstance(script, Script | str | Path):
        raise ArgumentError("record", "script", type(script).__name__, "a Script, or its name")
    if isinstance(seed, bool) or not isinstance(seed, int):
        raise ArgumentError("record", "seed", repr(seed), "a whole number")
    folder = as_path(out, "out")
    require_consent(participant)
    cues = script if isinstance(script, Script) else load_script(script)
    with SerialLink(port) as link:
        return record_over(
            link, participant, cues, seed, folder, notes=SessionNotes(session, distance_mm)
        )
