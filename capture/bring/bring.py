"""Bringing readouts in: everything is checked, then written as the recorder writes it, or nothing.

The files of a session get their names only when all sessions are whole, labels first, so that a
crash leaves no session that is not.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.bring.checked import Clock, checked_counts
from capture.bring.plan import Plan, Sources, plan_all
from capture.bring.readouts import read_frames
from capture.cues.labels import GOOD, write_events
from capture.cues.script import Script
from capture.frames import FramePair
from capture.store.container import messages
from capture.store.dataset import (
    add_participant,
    hold_kind,
    prepare_dataset,
    remembered,
    session_path,
)
from capture.store.session import Session, events_path
from capture.store.writer import SessionWriter
from runtime.errors import FormatError, UsageError

__all__ = ["Brought", "bring"]

_MOSTLY = 0.75
"""Of an empty scene half of the lit exposures are the darker ones, by noise."""


@dataclass(frozen=True, slots=True)
class Brought:
    """One session that was brought in: where it is now, its frame pairs and good takes."""

    path: Path
    n_pairs: int
    n_takes: int


def bring(
    sources: Sources,
    out: Path,
    script: Script | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[Brought, ...]:
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
    tuple of Brought
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
    plans = plan_all(sources, script)
    made = not out.exists()
    prepare_dataset(out)
    try:
        hold_kind(out, sources.kind)
        done = _write(plans, sources, out, tell)
    except BaseException:
        if made:
            _remove_empty(out)
        raise
    return done


def _write(
    plans: Sequence[Plan], sources: Sources, out: Path, tell: Callable[[str], None]
) -> tuple[Brought, ...]:
    places = [
        session_path(out, p.header.participant, p.header.session, p.header.script.name)
        for p in plans
    ]
    for place in places:
        if place.exists() or events_path(place).exists():
            raise UsageError(
                str(place), "the session", "there already", "a new one", "give it another number"
            )
    parts = [place.with_name(f".{place.name}.{os.getpid()}.part") for place in places]
    try:
        for number, (plan, place, part) in enumerate(zip(plans, places, parts, strict=True), 1):
            try:
                place.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise UsageError(
                    str(place.parent), "the folder", f"not to be made ({error.strerror})"
                ) from None
            with SessionWriter(part, plan.header) as writer:
                duration_s = _fill(writer, plan, sources)
            _check_end(plan, duration_s)
            tell(f"{plan.source.name}: {plan.n_pairs} frame pairs ({number} of {len(plans)})")
        for person in {p.person.participant_id: p.person for p in plans}.values():
            add_participant(out, remembered(out, person))
        for plan, place, part in zip(plans, places, parts, strict=True):
            write_events(events_path(place), plan.events)
            part.replace(place)
    finally:
        for part in parts:
            part.unlink(missing_ok=True)
            for folder in (part.parent, part.parent.parent):
                with contextlib.suppress(OSError):  # something else is in it
                    folder.rmdir()
    return tuple(
        Brought(place, plan.n_pairs, sum(event.status == GOOD for event in plan.events))
        for plan, place in zip(plans, places, strict=True)
    )


def _remove_empty(out: Path) -> None:
    """Take away the folder of a data set that was made for nothing."""
    with contextlib.suppress(OSError):
        if {path.name for path in out.iterdir()} <= {"dataset_description.json"}:
            (out / "dataset_description.json").unlink()
            out.rmdir()


def _fill(writer: SessionWriter, plan: Plan, sources: Sources) -> float:
    """Write the frame pairs of a recording; return how long it is, seconds."""
    if plan.session is not None:
        return _copy(writer, plan, plan.session)
    sensor = plan.header.description.sensor
    clock = Clock(str(plan.source), sensor)
    balance, n_darker = 0.0, 0
    for found in read_frames(plan.source, plan.dark_source, sources.order, sensor):
        lit, dark = (
            checked_counts(a, plan.source, sensor, plan.n_pairs) for a in (found.lit, found.dark)
        )
        sequence, time_us, dark_us = clock.place(found)
        for i in range(len(lit)):
            pair = FramePair(int(sequence[i]), int(time_us[i]), lit[i], dark[i], int(dark_us[i]))
            writer.add(pair, pair.sequence, pair.time_us)
        light = lit.mean(axis=(1, 2)) - dark.mean(axis=(1, 2))
        balance += float(light.sum())
        n_darker += int((light < 0).sum())
        plan.n_pairs += len(lit)
    if plan.n_pairs < 2:
        raise FormatError(str(plan.source), "number of frame pairs", plan.n_pairs, "at least 2")
    if balance < 0 and n_darker > _MOSTLY * plan.n_pairs:  # the LED only ever adds light
        raise FormatError(
            str(plan.source), "frame pairs whose lit exposure is the darker one",
            f"{n_darker / plan.n_pairs:.0%}", "few",
            "lit and dark seem to be swapped: choose another --lit-dark",
        )  # fmt: skip
    return clock.finish()


def _copy(writer: SessionWriter, plan: Plan, session: Session) -> float:
    first_us = last_us = 0
    for block in session.blocks():  # every frame pair is checked before one is copied
        first_us = first_us if plan.n_pairs else int(block.time_us[0])
        last_us = int(block.time_us[-1])
        plan.n_pairs += len(block)
    if not plan.n_pairs:
        raise FormatError(str(plan.source), "number of frame pairs", 0, "at least 1")
    for message in messages(session.path, not session.finished):
        writer.copy(message.topic, message.data, message.sequence, message.time_us)
    return (last_us - first_us) / 1e6


def _check_end(plan: Plan, duration_s: float) -> None:
    period_s = plan.header.description.sensor.frame_period_us / 1e6
    for event in plan.events:
        if event.end_s > duration_s + period_s:
            raise FormatError(
                plan.where, f"end of {event.trial_type}", f"{event.end_s:g} s",
                f"within the readouts' {duration_s:g} s",
                "onset and duration are seconds from the recording's first frame pair",
            )  # fmt: skip
