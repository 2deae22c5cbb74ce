"""Who asks a process to end, and who answers for a while."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

__all__ = ["ENDING", "answered"]

ENDING = (signal.SIGTERM, *((signal.SIGHUP,) if sys.platform != "win32" else ()))
"""A request to end, and a terminal that closes."""


@contextmanager
def answered(
    signals: Sequence[signal.Signals], answer: Callable[[int, FrameType | None], None]
) -> Iterator[None]:
    """Let `answer` meet signals, and give them back afterwards.

    What is ignored stays so: that is what nohup asks for. Outside the main thread nobody can ask.
    """
    asked = signals if threading.current_thread() is threading.main_thread() else ()
    before = [(each, signal.getsignal(each)) for each in asked]
    before = [(each, handler) for each, handler in before if handler is not signal.SIG_IGN]
    try:
        for each, _ in before:
            signal.signal(each, answer)
        yield
    finally:
        for each, handler in before:
            signal.signal(each, handler)
