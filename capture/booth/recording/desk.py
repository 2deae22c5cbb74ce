"""The recording that the page leads: one at a time, in a thread of its own."""

from __future__ import annotations

import dataclasses
import logging
import queue
import struct
import threading
import time
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from pathlib import Path

from capture.booth.entrance.windows import Message, Windows
from capture.cues.script import Script
from capture.frames import FramePair
from capture.lead.preparation import prepare
from capture.lead.record import (
    Operator,
    RecordedSession,
    RecordingStatus,
    SessionNotes,
    record,
)
from capture.store.dataset import Participant, prepare_dataset, require_consent
from capture.store.session import READOUTS_SUFFIX
from capture.study.planned import Wanted
from capture.study.provenance import Origin
from capture.wire.codec import CommandKind
from capture.wire.link import SerialLink
from capture.wording import recording_figures
from runtime.errors import Error, UsageError

__all__ = ["LIVE_HEAD", "Desk", "Order"]

LIVE_HEAD = struct.Struct("<HH4xdd")
"""Head of a live readout: n_rows, n_cols, four unused bytes, time in seconds, readout energy in
counts; lit and dark follow, uint16, all little-endian."""
WISHES = ("start", "practice", "pause", "redo", "stop")
"""What may be wished: the first two only before the first cue."""
_UNSEEN_S = 60.0
"""How long checks go on, and the LED with them, though no window is open."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Order:
    """What to record: whom, with which script and order of cues, through which port, how far.

    `origin` is written beside it; `planned` is the step of the study that it follows. A cue in
    which nothing moved is given again where `repeat_missed` says so.
    """

    participant: Participant
    script: Script
    seed: int
    port: str
    distance_mm: float | None = None
    origin: Origin | None = None
    planned: Wanted | None = None
    repeat_missed: bool = False


class Desk:
    """Runs the recorder for the page and tells every open window how it stands.

    Parameters
    ----------
    out : Path
        Folder of the data set.
    """

    def __init__(self, out: Path) -> None:
        self._out = out
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._wishes: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._windows = Windows({"state": "ready"})

    @property
    def state(self) -> dict[str, object]:
        """JSON values; ``state`` is ready, checking, connecting, recording, done or failed."""
        return self._windows.state

    @property
    def busy(self) -> bool:
        """Whether a session is being recorded."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, order: Order, checks_first: bool = False) -> None:
        """Begin to record, or to check until the wish ``start`` comes.

        Raises
        ------
        UsageError
            A session is being recorded, or the participant has not given consent.
        """
        with self._lock:
            if self.busy:
                raise UsageError(
                    "booth", "a recording", "running", "none", "stop it or wait for its end"
                )
            require_consent(order.participant)
            self._wishes = queue.SimpleQueue()
            self._windows.tell(
                {
                    "state": "connecting",
                    "participant": order.participant.participant_id,
                    "script": order.script.name,
                    "instruction": order.script.instruction,
                    "n_cues": order.script.n_cues,
                    "n_practice": len(order.script.cues),
                    "prompts": {kind: order.script.text(kind) for kind in order.script.trial_types},
                }
            )
            self._thread = threading.Thread(
                target=self._run, args=(order, checks_first), name="recorder"
            )
            self._thread.start()

    def wish(self, wish: str) -> None:
        """Ask what is running for one of ``WISHES``; ``pause`` and ``practice`` again end it.

        Raises
        ------
        UsageError
            Nothing is being recorded, or there is no such wish.
        """
        if wish not in WISHES:
            raise UsageError("booth", "the wish", repr(wish[:40]), f"one of {', '.join(WISHES)}")
        if not self.busy:
            raise UsageError("booth", "a recording", "not running", "one to command")
        self._wishes.put(wish)

    def close(self) -> None:
        """Stop a running recording, wait until its file is finished, and let the windows go."""
        if self._thread is not None and self._thread.is_alive():
            self._wishes.put("stop")
            self._thread.join()

    def messages(self) -> AsyncGenerator[Message]:
        """Yield the state now, then each change of it and each readout as they come."""
        return self._windows.messages()

    def _run(self, order: Order, checks_first: bool) -> None:
        first = dict(self.state)
        try:
            with SerialLink(order.port) as link:
                if order.planned is not None:
                    order.planned.check_unit(link.describe().unit)
                if checks_first and not self._checked(link, order, first):
                    link.ask(CommandKind.STOP)
                    self._windows.tell({"state": "ready"})
                    return
                self._windows.tell(first)
                recording = record(
                    link,
                    order.participant,
                    order.script,
                    order.seed,
                    self._out,
                    notes=SessionNotes(None, order.distance_mm, True, order.origin),
                    operator=Operator(
                        lambda now: self._windows.tell(
                            first | {"state": "recording", "progress": _progress(now)}
                        ),
                        self._next_wish,
                        self._watch,
                        repeat_missed=order.repeat_missed,
                    ),
                )
        except Error as error:
            self._windows.tell(first | {"state": "failed", "error": str(error)})
        except Exception:
            _log.exception("the recorder failed")
            self._windows.tell(
                first | {"state": "failed", "error": "The recorder failed; its terminal says why."}
            )
        else:
            self._windows.tell(first | {"state": "done", "result": _result(recording)})

    def _checked(self, link: SerialLink, order: Order, first: dict[str, object]) -> bool:
        """Check and practise until the operator begins; return whether to record."""
        prepare_dataset(self._out)
        seen_s = time.monotonic()

        def wish() -> str | None:
            nonlocal seen_s
            now_s = time.monotonic()
            seen_s = now_s if self._windows else seen_s
            return self._next_wish() if now_s - seen_s < _UNSEEN_S else "stop"

        return prepare(
            link,
            order.script,
            self._out,
            lambda now: self._windows.tell(
                first | {"state": "checking", **dataclasses.asdict(now)}
            ),
            wish,
            self._watch,
        )

    def _next_wish(self) -> str | None:
        try:
            return self._wishes.get_nowait()
        except queue.Empty:
            return None

    def _watch(self, pair: FramePair, time_s: float, energy: float) -> None:
        if self._windows:
            head = LIVE_HEAD.pack(*pair.lit.shape, time_s, energy)
            counts = (part.astype("<u2", copy=False).tobytes() for part in (pair.lit, pair.dark))
            self._windows.send(b"".join((head, *counts)))


def _progress(now: RecordingStatus) -> dict[str, object]:
    return dataclasses.asdict(now)


def _result(recording: RecordedSession) -> dict[str, object]:
    session = recording.path.name.removesuffix(READOUTS_SUFFIX)
    return recording_figures(recording) | {"session": session}
