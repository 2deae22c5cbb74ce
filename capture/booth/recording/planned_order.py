"""An order of the page held against the plan of the study that it says it follows."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from capture.booth.recording.desk import Order
from capture.study.planned import planned_recording
from capture.study.provenance import Origin

__all__ = ["as_planned"]


def as_planned(order: Order, root: Path) -> Order:
    """Return an order with what the plan adds: who is locked, the consent form, the device.

    Raises
    ------
    UsageError
        The plan does not ask for it, or not any more; and what
        `capture.study.planned.planned_recording` raises.
    """
    person = order.participant
    origin = order.origin or Origin()
    task = order.script.name
    wanted = planned_recording(root, origin, person.participant_id, task, order.seed)
    return dataclasses.replace(
        order,
        participant=dataclasses.replace(person, locked=person.locked or wanted.locked),
        script=wanted.script,
        origin=wanted.origin,
        planned=wanted,
    )
