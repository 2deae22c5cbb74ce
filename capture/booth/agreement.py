"""How a second labeller's names agree with the first labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capture.agree.added import added_takes
from capture.agree.tables import name_of
from capture.booth.editlog import Entry
from capture.cues.labels import Event, kappa

__all__ = ["Agreement", "agreement", "measure_agreement"]


@dataclass(frozen=True, slots=True)
class Agreement:
    """How a second labeller's names agree with the first table.

    Parameters
    ----------
    labeller : str
        The second labeller.
    kappa : float
        Cohen's kappa over the cues, when the second labeller finished; a rejected take counts as
        a name of its own.
    n_takes, n_alike : int
        Cues compared then, and those that both called the same.
    differences : tuple of (float, str, str)
        Onset of the cue, or of the added take, in seconds, first name, second name, wherever they
        differ today.
    """

    labeller: str
    kappa: float
    n_takes: int
    n_alike: int
    differences: tuple[tuple[float, str, str], ...]


def _names(first: Sequence[Event], second: Sequence[Event]) -> list[tuple[float, str, str]]:
    """Return when and what both tables call what both hold: cues, and takes that were added."""
    mine, theirs = ({e.cue_onset_s: e for e in events} for events in (first, second))
    both = [
        (cue, name_of(mine[cue]), name_of(theirs[cue]))
        for cue in mine.keys() & theirs.keys()
        if cue is not None
    ]
    for takes in added_takes({"first": first, "second": second}):
        onset_s = min(take.onset_s for take in takes.values() if take is not None)
        both.append((onset_s, name_of(takes["first"]), name_of(takes["second"])))
    return sorted(both)


def measure_agreement(first: Sequence[Event], second: Sequence[Event]) -> dict[str, object]:
    """Return ``kappa``, ``n_takes`` and ``n_alike`` over the cues that both tables hold.

    Takes that somebody added are among them: what only one marked, the other calls absent.

    Raises
    ------
    FormatError
        They hold nothing together.
    """
    both = _names(first, second)
    return {
        "kappa": kappa([one for _, one, _ in both], [other for _, _, other in both]),
        "n_takes": len(both),
        "n_alike": sum(one == other for _, one, other in both),
    }


def agreement(
    first: Sequence[Event], labeller: str, log: Sequence[Entry], second: Sequence[Event]
) -> Agreement:
    """Return a finished review's agreement as its log keeps it, and where the names differ now."""
    end = next(entry for entry in log if entry.act == "finish")
    return Agreement(
        labeller,
        end.kappa or 0.0,
        end.n_takes or 0,
        end.n_alike or 0,
        tuple(each for each in _names(first, second) if each[1] != each[2]),
    )
