"""How long what is left of a study takes: the scripts' lengths, and the time between recordings."""

from __future__ import annotations

import datetime
import itertools
import statistics
from collections.abc import Mapping, Sequence

from capture.cues.script import Script, schedule
from capture.study.seen import Seen

__all__ = ["length_s", "usual_changeover_s"]

_LONGEST_CHANGEOVER_S = 3600.0
"""A longer pause between two recordings is a meal or a night, and not part of the next one."""
_FEWEST_CHANGEOVERS = 5
"""A median of fewer says little; common practice, no source."""


def length_s(script: Script) -> float:
    """Return how long a script takes, seconds; how it is shuffled hardly matters."""
    return schedule(script, 0)[-1].end_us / 1e6 + script.lead_in_s


def usual_changeover_s(seen: Sequence[Seen], lengths_s: Mapping[str, float]) -> float | None:
    """Return the median time from the end of a recording to the next one of its station.

    Parameters
    ----------
    seen : sequence of Seen
        Sessions; those that do not say when and where they were recorded are passed over.
    lengths_s : mapping of str to float
        How long each script takes, seconds, by its name.

    Returns
    -------
    float or None
        Seconds; None where too few recordings show it.
    """
    by_station: dict[str, list[tuple[datetime.datetime, float]]] = {}
    for one in seen:
        said = one.provenance
        if said and said.recorded and said.station and one.info.task in lengths_s:
            begin = datetime.datetime.fromisoformat(said.recorded)
            by_station.setdefault(said.station, []).append((begin, lengths_s[one.info.task]))
    gaps = [
        (after - before).total_seconds() - long_s
        for begins in by_station.values()
        for (before, long_s), (after, _) in itertools.pairwise(sorted(begins))
    ]
    usual = [gap for gap in gaps if 0.0 <= gap <= _LONGEST_CHANGEOVER_S]
    return statistics.median(usual) if len(usual) >= _FEWEST_CHANGEOVERS else None
