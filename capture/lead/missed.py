"""Cues that nothing answered: takes in which the readout shows no movement where one was asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from capture.cues.labels import GOOD, Event, refine
from capture.cues.script import asks_to_move

__all__ = ["NO_MOVEMENT", "Missed", "moved"]

NO_MOVEMENT = "no movement"
"""Why a take is rejected whose cue was given again because nothing moved."""
_MOST_TIMES = 2


def moved(event: Event, energy: Sequence[float], time_s: Sequence[float]) -> bool:
    """Return whether a movement stands out of the rest of what was seen so far.

    The rule is that of :func:`capture.cues.labels.refine`, which then moves the take's ends.

    Parameters
    ----------
    event : Event
        A good take as cued.
    energy, time_s : sequence of float
        Readout energy of each frame pair so far, counts, and its time, seconds; rising.
    """
    (found,) = refine((event,), np.array(energy), np.array(time_s))
    return found.labeller == "energy"


class Missed:
    """Looks at each take once, when its cue has ended.

    Parameters
    ----------
    movement : bool
        Whether the script asks for movements at all.
    """

    def __init__(self, movement: bool) -> None:
        self._movement = movement
        self._n_seen = 0
        self._missed: list[int] = []
        self._again: Counter[tuple[str, int]] = Counter()

    def look(
        self, ended: Sequence[Event], energy: Sequence[float], time_s: Sequence[float]
    ) -> tuple[str, ...]:
        """Return the trial types of the cues that were missed, in order.

        Not of takes that somebody had given again.

        Parameters
        ----------
        ended : sequence of Event
            Takes whose cues have ended; it only grows, but a status may change.
        energy, time_s : sequence of float
            As of :func:`moved`.
        """
        for index in range(self._n_seen, len(ended)):
            event = ended[index]
            asked = self._movement and event.status == GOOD and asks_to_move(event.trial_type)
            if asked and not moved(event, energy, time_s):
                self._missed.append(index)
        self._n_seen = len(ended)
        stands = (ended[i] for i in self._missed)
        return tuple(e.trial_type for e in stands if e.status == GOOD or e.reason == NO_MOVEMENT)

    def wants_again(self, ended: Sequence[Event]) -> bool:
        """Return whether the last cue was missed and is to be given again; at most twice each."""
        if not self._missed or self._missed[-1] != len(ended) - 1 or ended[-1].status != GOOD:
            return False
        cue = ended[-1].trial_type, ended[-1].repetition
        self._again[cue] += 1
        return self._again[cue] <= _MOST_TIMES
