"""The enrolment that the page leads: one at a time, in a thread of its own."""

from __future__ import annotations

import dataclasses
import logging
import threading
from collections.abc import AsyncGenerator, Sequence
from dataclasses import dataclass

from capture.booth.entrance.windows import Message, Windows
from capture.lead.live import Watch
from capture.lead.owner.enrolling import Enrolling, Wish
from capture.wire.link import SerialLink
from runtime.errors import Error, UsageError
from runtime.model import Model
from runtime.verification.engines import reference

__all__ = ["EnrolmentDesk", "Learner", "Lesson"]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Learner:
    """A model that can learn its owner, and the one unit that it is calibrated for, if any."""

    model: Model
    calibrated: str | None = None


@dataclass(frozen=True, slots=True)
class Lesson:
    """What is to be learned: by which model, through which port, from which takes."""

    learner: Learner
    port: str
    wishes: Sequence[Wish]


class EnrolmentDesk:
    """Leads enrolments for the page and tells every open window how it stands."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._windows = Windows({"state": "ready"})
        self._learned: bytes | None = None

    @property
    def state(self) -> dict[str, object]:
        """JSON values; ``state`` is ready, connecting, enrolling, done, stopped or failed."""
        return self._windows.state

    @property
    def busy(self) -> bool:
        """Whether somebody is being enrolled."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, lesson: Lesson) -> None:
        """Begin an enrolment; what was learned before is forgotten.

        Raises
        ------
        UsageError
            One is going on.
        """
        with self._lock:
            if self.busy:
                raise UsageError(
                    "booth", "an enrolment", "running", "none", "stop it or wait for its end"
                )
            self._stopping.clear()
            self._learned = None
            n_asked = len(lesson.wishes)
            self._windows.tell(
                {"state": "connecting", "model": lesson.learner.model.name, "n_asked": n_asked}
            )
            self._thread = threading.Thread(target=self._run, args=(lesson,), name="enrolment")
            self._thread.start()

    def stop(self) -> None:
        """End a running enrolment: half a lesson is none, and nothing of it is kept.

        Raises
        ------
        UsageError
            Nobody is being enrolled.
        """
        if not self.busy:
            raise UsageError("booth", "an enrolment", "not running", "one to stop")
        self._stopping.set()

    def learned(self) -> bytes:
        """Return what was learned, as ``palmwatt live --enrolled`` takes it.

        Raises
        ------
        UsageError
            There is nothing.
        """
        if self._learned is None:
            raise UsageError("booth", "what was learned", "nothing", "an enrolment to its end")
        return self._learned

    def erase(self) -> None:
        """Forget what was learned; harmless where there is nothing.

        Raises
        ------
        UsageError
            Somebody is being enrolled.
        """
        with self._lock:
            if self.busy:
                raise UsageError("booth", "an enrolment", "running", "none", "stop it first")
            self._learned = None
            self._windows.tell({"state": "ready"})

    def close(self) -> None:
        """Stop a running enrolment and wait for its end."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()

    def messages(self) -> AsyncGenerator[Message]:
        """Yield the state now, then each change of it as it comes."""
        return self._windows.messages()

    def _run(self, lesson: Lesson) -> None:
        first = dict(self.state)
        try:
            leading = self._led(lesson, first)
        except Error as error:
            if self._stopping.is_set():  # a lost connection that is not waited for any more
                self._windows.tell(first | {"state": "stopped"})
            else:
                self._windows.tell(first | {"state": "failed", "error": str(error)})
        except Exception:
            _log.exception("the enrolment failed")
            self._windows.tell(
                first | {"state": "failed", "error": "The enrolment failed; its terminal says why."}
            )
        else:
            self._windows.tell(first | self._outcome(leading))

    def _led(self, lesson: Lesson, first: dict[str, object]) -> Enrolling:
        """Lead one enrolment to its end, or until it is stopped."""
        model, notices = lesson.learner.model, [""]
        leading = Enrolling(model, lesson.wishes, lambda _: None)
        with SerialLink(lesson.port) as link:
            engine = reference(model, leading.before)
            watch = Watch(link, link.describe(), model, engine, leading.missed)
            first["cautions"] = watch.cautions(lesson.learner.calibrated)

            def notice(text: str) -> None:
                notices[0] = text

            def progress(now: Watch) -> None:
                if leading.done or self._stopping.is_set():
                    now.stop()
                lost = "" if now.connected else notices[0]
                self._windows.tell(
                    first | {"state": "enrolling", "lost": lost} | _progress(leading)
                )

            watch.run(lambda _: None, progress=progress, notice=notice)
        return leading

    def _outcome(self, leading: Enrolling) -> dict[str, object]:
        """Return how it ended; what was learned is kept where there is anything."""
        if not leading.done:
            return {"state": "stopped"}
        if leading.n_kept:
            self._learned = leading.learned("booth")
        return {"state": "done"} | _progress(leading)


def _progress(leading: Enrolling) -> dict[str, object]:
    return {
        "moment": dataclasses.asdict(leading.moment),
        "n_kept": leading.n_kept,
        "n_refused": leading.n_refused,
        "answers": list(leading.answers),
    }
