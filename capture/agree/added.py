"""Takes that no cue asked for, as several labellers marked them: which of them are one movement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from capture.cues.labels import GOOD, Event

__all__ = ["ABSENT", "added_takes"]

ABSENT = "absent"
"""What a labeller called a movement that others marked and they did not."""


def added_takes(tables: Mapping[str, Sequence[Event]]) -> list[dict[str, Event | None]]:
    """Return the movements without a cue that somebody marked, in order of time.

    Parameters
    ----------
    tables : mapping of str to sequence of Event
        By labeller, the whole table of each. What a labeller marked and rejected was not marked.

    Returns
    -------
    list of dict
        For each movement what each labeller made of it; None where they marked nothing. Takes of
        two labellers are one movement where they have time in common; where there is a choice,
        those that have most.
    """
    marked = sorted(
        (
            (labeller, event)
            for labeller, events in tables.items()
            for event in events
            if event.cue_onset_s is None and event.status == GOOD
        ),
        key=lambda one: one[1].onset_s,
    )
    movements = [{labeller: event} for labeller, event in marked]
    for i, j in _shared([event for _, event in marked]):
        one, other = movements[i], movements[j]
        if not one.keys() & other.keys():
            one |= other
            movements = [one if takes is other else takes for takes in movements]
    found = {id(takes): takes for takes in movements}.values()
    return [{labeller: takes.get(labeller) for labeller in tables} for takes in found]


def _shared(events: Sequence[Event]) -> list[tuple[int, int]]:
    """Return which takes, in order of onset, have time in common; those with most first."""
    pairs = []
    for i, one in enumerate(events):
        for j, other in enumerate(events[i + 1 :], start=i + 1):
            if other.onset_s >= one.end_s:
                break
            pairs.append((min(one.end_s, other.end_s) - other.onset_s, i, j))
    return [(i, j) for _, i, j in sorted(pairs, key=lambda pair: (-pair[0], pair[1:]))]
