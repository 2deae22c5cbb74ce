"""What participant and operator see in the terminal while a session is recorded, and their keys."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.text import Text

from capture.cues.script import Script
from capture.lead.record import RecordingStatus
from runtime.front.ending import ENDING, answered

__all__ = ["Screen", "keys", "picture", "stop_asked"]

_GONE = "the sensor is gone, and is waited for: plug it in again"
_BACK = "frame pairs come again"
_KEYS = {" ": "pause", "p": "pause", "r": "redo", "q": "stop"}


class Screen:
    """The cue in large, the countdown to it, and the quality of what comes in.

    Parameters
    ----------
    script : Script
        Whose prompts are shown.
    quiet : bool
        Show nothing.
    """

    def __init__(self, script: Script, quiet: bool = False) -> None:
        self._script = script
        self._quiet = quiet
        self._live = Live(console=Console(stderr=True), refresh_per_second=20, transient=True)
        self._gone = False

    def __enter__(self) -> Screen:
        if not self._quiet:
            if self._script.instruction:
                self._live.console.print(self._script.instruction)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def show(self, progress: RecordingStatus) -> None:
        """Show how the recording stands; without a terminal, when the sensor goes and comes."""
        if self._quiet:
            return
        gone = progress.moment.phase == "disconnected"
        if gone != self._gone and not self._live.console.is_terminal:
            self._live.console.print(_GONE if gone else _BACK)
        self._gone = gone
        self._live.update(picture(progress, self._script))


def picture(progress: RecordingStatus, script: Script) -> Group:
    """Return the screen's content: cue, progress, quality, keys."""
    moment = progress.moment
    cue = script.text(moment.trial_type) if moment.trial_type else ""
    if moment.phase == "cue":
        big, style = cue.upper(), "bold reverse"
    elif moment.phase == "disconnected":
        big, style = "SENSOR IS GONE: plug it in again (q gives up)", "bold red"
    elif moment.phase == "paused":
        big, style = "PAUSED", "bold yellow"
    elif cue:
        big, style = f"next: {cue} in {moment.remaining_s:.0f}", "dim"
    else:
        big, style = "rest", "dim"
    came = (
        f"cues done {progress.n_cues_done} of {script.n_cues}   {progress.n_pairs} frame pairs   "
        f"missing {progress.missing}   corrupt packets {progress.corrupt}"
    )
    if progress.clock_leaps:
        came += f"   the sensor's clock leapt {progress.clock_leaps} times"
    light = (
        f"level {progress.mean_lit_counts:.0f} counts   saturated "
        f"{progress.saturated_fraction:.1%}   lit minus dark {progress.level_change:+.0%} "
        "since the start"
    )
    return Group(
        Panel(Text(f"\n{big}\n", style=style, justify="center")),
        ProgressBar(total=max(progress.total_s, 1e-3), completed=progress.time_s),
        Text(came),
        Text(light),
        Text("space: pause or go on   r: once more   q: stop early", style="dim"),
    )


@contextmanager
def stop_asked() -> Iterator[Callable[[], bool]]:
    """Yield a function that tells whether somebody asked this process to stop.

    Ctrl-C, a request to end and a terminal that closes are asked about between readouts: an
    exception in the midst of one would leave it half-written. A second Ctrl-C does not wait. What
    is ignored stays so: that is what nohup asks for. Outside the main thread nobody can ask.
    """
    asked = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            signal.default_int_handler(number, frame)
        asked.set()

    with answered((signal.SIGINT, *ENDING), ask):
        yield asked.is_set


@contextmanager
def keys() -> Iterator[Callable[[], str | None]]:
    """Yield a function that tells the wish behind the last key, if one was pressed.

    Without a terminal (a pipe, a service) it never tells one.
    """
    if sys.platform == "win32":
        import msvcrt

        yield lambda: _KEYS.get(msvcrt.getwch()) if msvcrt.kbhit() else None
        return
    import termios
    import tty

    if not sys.stdin.isatty():
        yield lambda: None
        return
    keyboard = sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)

    def wish() -> str | None:
        ready, _, _ = select.select([keyboard], [], [], 0)
        # Past the buffer of sys.stdin, in which a second key would lie unseen.
        return _KEYS.get(os.read(keyboard, 1).decode("ascii", "replace")) if ready else None

    try:
        tty.setcbreak(keyboard)
        yield wish
    finally:
        termios.tcsetattr(keyboard, termios.TCSADRAIN, before)
