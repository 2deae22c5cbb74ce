"""Jobs that do little, or harm; in a file of their own, because other processes import it."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from runtime.errors import UsageError

__all__ = ["Deadly", "Patient", "Square", "Weigh", "Wrong"]


@dataclass(frozen=True)
class Square:
    """A job that kills its worker the first time, if it is told of a file to leave behind."""

    n: int
    marker: Path | None = None

    def run(self) -> int:
        if self.marker is not None and not self.marker.exists():
            self.marker.write_text("was here")
            os.kill(os.getpid(), signal.SIGKILL)
        return self.n * self.n


@dataclass(frozen=True)
class Wrong:
    """A job that cannot be done."""

    def run(self) -> int:
        raise UsageError("training", "windows of class", 3, "windows of every class")


@dataclass(frozen=True)
class Deadly:
    """A job that kills every worker it runs in."""

    def run(self) -> int:
        os.kill(os.getpid(), signal.SIGKILL)
        return 0


@dataclass(frozen=True)
class Patient:
    """A job that waits for a file, and no longer than a minute."""

    begun: Path
    end: Path

    def run(self) -> int:
        self.begun.write_text("begun")
        until = time.monotonic() + 60.0
        while not self.end.exists() and time.monotonic() < until:
            time.sleep(0.05)
        return 1


@dataclass(frozen=True)
class Weigh:
    """A job that brings much with it."""

    load: bytes

    def run(self) -> int:
        return len(self.load)
