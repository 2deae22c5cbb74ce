"""What is being done, for who waits: one line that changes in a terminal, plain lines elsewhere."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click
from rich.console import Console

__all__ = ["shown_progress"]

_PAUSE_S = 2.0
"""Lines that differ in their numbers only come no faster, so that a log stays readable."""
_NUMBER = re.compile(r"\d+")


@contextmanager
def shown_progress(console: Console | None = None) -> Iterator[Callable[[str], None]]:
    """Yield a function that shows in a few words what begins, on standard error.

    Parameters
    ----------
    console : Console, optional
        Where to; standard error by default.
    """
    console = console or Console(stderr=True)
    if console.is_terminal:
        with console.status("starting") as status:
            yield status.update
        return
    last_kind, last_s = "", 0.0

    def tell(words: str) -> None:
        nonlocal last_kind, last_s
        kind, now_s = _NUMBER.sub("#", words), time.monotonic()
        if kind != last_kind or now_s - last_s >= _PAUSE_S:
            click.echo(words, file=console.file)
            last_kind, last_s = kind, now_s

    yield tell
