"""How a second labeller's names agree with the first labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from capture.booth.editlog import Entry
from capture.cues.labels import GOOD, REJECTED, Event, kappa

__all__ = ["Agreement", "agreement", "measure_agreement", "name_of"]


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
        Onset of the cue in seconds, first name, second name, wherever they differ today.
    """

    labeller: str
    kappa: float
    n_takes: int
    n_alike: int
    differences: tuple[tuple[float, str, str], ...]


def name_of(event: Event) -> str:
    """Return what a take is called: its label, or ``rejected``."""
    return event.trial_type if event.status == GOOD else REJECTED


def _names(events: Sequence[Event]) -> dict[float, str]:
    """Return what each cue's take is called, by the cue's onset."""
    return {e.cue_onset_s: name_of(e) for e in events if e.cue_onset_s is not None}


def measure_agreement(first: Sequence[Event], second: Sequence[Event]) -> dict[str, object]:
    """Return ``kappa``, ``n_takes`` and ``n_alike`` over the cues that both tables hold.

    Raises
    ------
    FormatError
        They hold no cue together.
    """
    mine, theirs = _names(first), _names(second)
    both = sorted(mine.keys() & theirs.keys())
    names = [mine[cue] for cue in both], [theirs[cue] for cue in both]
    return {
        "kappa": kappa(*names),
        "n_takes": len(both),
        "n_alike": sum(a == b for a, b in zip(*names, strict=True)),
    }


def agreement(
    first: Sequence[Event], labeller: str, log: Sequence[Entry], second: Sequence[Event]
) -> Agreement:
    """Return a finished review's agreement as its log keeps it, and where the names differ now."""
    end = next(entry for entry in log if entry.act == "finish")
    mine, theirs = _names(first), _names(second)
    return Agreement(
        labeller,
        end.kappa or 0.0,
        end.n_takes or 0,
        end.n_alike or 0,
        tuple(
            (cue, mine[cue], theirs[cue])
            for cue in sorted(mine.keys() & theirs.keys())
            if mine[cue] != theirs[cue]
        ),
    )
