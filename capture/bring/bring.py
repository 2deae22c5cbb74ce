"""Bringing readouts in: all is checked while it is written, and kept only if all is right."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from capture.bring.checked import Clock, Light, checked_counts
from capture.bring.new_sessions import Filled, NewSession, Written, write_sessions
from capture.bring.plan import Plan, Sources, plan_all
from capture.bring.readouts import Order, read_frames
from capture.cues.script import Script
from capture.frames import FramePair
from capture.store.container import messages
from capture.store.session import Session
from capture.store.writer import SessionWriter
from runtime.errors import FormatError

__all__ = ["bring"]


def bring(
    sources: Sources,
    out: Path,
    script: Script | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[Written, ...]:
    """Bring recordings into a data set, as if they had been recorded into it.

    Parameters
    ----------
    sources : Sources
        The tables; ``IMPORT.md`` beside this file is the tutorial.
    out : Path
        Data set; made if missing. Sessions that are there already are never replaced.
    script : Script, optional
        What the people were asked to do. By default one is made of each recording's events.
    tell : callable, optional
        Is told in a few words what was done.

    Returns
    -------
    tuple of Written
        One for each row of the table of recordings.

    Raises
    ------
    UsageError
        A file is missing, consent is, or a session is there already; nothing was written.
    FormatError
        A table, an array or a value is wrong; nothing was written.
    Error
        The disk is full; nothing stays of what was written.
    """
    sessions = [
        NewSession(
            p.where, p.person, p.header, p.events, partial(_fill, p, sources.order, tell), p.truth
        )
        for p in plan_all(sources, script, tell)
    ]
    return write_sessions(sessions, sources.kind, out, tell)


def _fill(plan: Plan, order: Order, tell: Callable[[str], None], writer: SessionWriter) -> Filled:
    """Write the frame pairs of a recording."""
    if plan.session is not None:
        return _copy(plan.session, writer)
    sensor = plan.header.description.sensor
    clock = Clock(str(plan.source), sensor)
    light = Light(str(plan.source), sensor)
    for found in read_frames(plan.source, plan.dark_source, order, sensor):
        lit, dark = (
            checked_counts(a, plan.source, sensor, light.n_pairs) for a in (found.lit, found.dark)
        )
        sequence, time_us, dark_us = clock.place(found)
        for i in range(len(lit)):
            pair = FramePair(int(sequence[i]), int(time_us[i]), lit[i], dark[i], int(dark_us[i]))
            writer.add(pair, pair.sequence, pair.time_us)
        light.add(lit, dark)
    for caution in light.finish():
        tell(f"caution: {caution}")
    return Filled(light.n_pairs, clock.finish())


def _copy(session: Session, writer: SessionWriter) -> Filled:
    n_pairs = first_us = last_us = 0
    for block in session.blocks():  # every frame pair is checked before one is copied
        first_us = first_us if n_pairs else int(block.time_us[0])
        last_us = int(block.time_us[-1])
        n_pairs += len(block)
    if not n_pairs:
        raise FormatError(str(session.path), "number of frame pairs", 0, "at least 1")
    for message in messages(session.path, not session.finished):
        writer.copy(message.topic, message.data, message.sequence, message.time_us)
    return Filled(n_pairs, (last_us - first_us) / 1e6)
