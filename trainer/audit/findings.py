"""A finding: what one attacker gains at one step over a blind guess, and how sure it is."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from runtime.errors import UsageError
from runtime.intervals import CONFIDENCE
from trainer.judge.intervals import IMAGINED

__all__ = [
    "LEAST_PEOPLE",
    "Finding",
    "Planned",
    "Told",
    "gain_over_people",
    "per_person",
    "strongest",
]

Told = Literal["leaks", "nothing found", "cannot tell"]

LEAST_PEOPLE = 6
"""People below whom nothing is claimed: of fewer, Student's 95 % interval of a mean is wider than
the spread of the people themselves (of 6: its quantile, 2.57, over the root of 6 is 1.05)."""
_MOST = {"psnr_db": 20.0 * math.log10(65_535.0 * math.sqrt(12.0))}
"""What pictures without a fault reach in measures that do not end at 1: half a step of 16 bits."""
_OFTEN = 0.8
"""Of audits that should find a gain for it to be called one that would have been found (J. Cohen,
Statistical Power Analysis for the Behavioral Sciences, 1988, from memory)."""
_FOUND_FROM = 1.0 + float(special.ndtri(_OFTEN) / special.ndtri(0.5 + CONFIDENCE / 2))
"""So many times half an interval's width a gain must be, to be found so often."""
_SURENESS: tuple[Told, ...] = ("cannot tell", "nothing found", "leaks")
_PLACES = 6
"""Decimals that are kept and compared: less than a millionth is arithmetic, and no leak."""


class Planned(NamedTuple):
    """What will be asked at a step, of what, and told in which measure; as a finding has them."""

    question: str
    step: str
    scenes: str
    measure: str


@dataclass(frozen=True, slots=True)
class Finding:
    """What an attacker found at a step of the chain.

    Parameters
    ----------
    step : str
        Name of the step, as :class:`trainer.audit.steps.Step` has it; or what is attacked whole,
        such as the model's files.
    question : str
        ``picture``, ``identity``, ``same person``, ``membership``, or an attribute's name.
    scenes : str
        What was attacked: ``takes`` of the recordings, or named stand-in scenes.
    attacker : str
        In a few words.
    knows : str
        What the attacker was given.
    measure : str
        Such as ``iou`` or ``accuracy``.
    value, blind : float or None
        What the attacker and a blind guess reach in that measure; None where nothing can be told.
    gain : float or None
        How much better than blind, larger where more leaks: ``value - blind``, or the reverse of
        measures that are better when small.
    low, high : float or None
        Interval of the gain over people.
    n_people : int
        People that the interval is over.
    why_not : str
        Why nothing can be told; empty otherwise.
    run_on_to : str
        A later step, where the attacker found it after it had run the model on; empty where it
        attacked the step itself.
    """

    step: str
    question: str
    scenes: str
    attacker: str
    knows: str
    measure: str
    value: float | None
    blind: float | None
    gain: float | None
    low: float | None
    high: float | None
    n_people: int
    why_not: str = ""
    run_on_to: str = ""

    @property
    def told(self) -> Told:
        """Whether it leaks; never an all-clear from too few people, or from no number at all."""
        if self.why_not or self.low is None or self.high is None or self.n_people < LEAST_PEOPLE:
            return "cannot tell"
        if not math.isfinite(self.low + self.high):
            return "cannot tell"
        return "leaks" if self.low > 0 else "nothing found"

    @property
    def found_from(self) -> float | None:
        """From which gain on this attack would have found one in four audits of five.

        By a gain's distance to its interval's farther end, as wide as it is here: an estimate that
        is off by its error must still lie so far above zero. Of an interval that is wide for many
        attackers somewhat less would do. None where nothing can be told.
        """
        if self.told == "cannot tell" or self.gain is None:
            return None
        if self.low is None or self.high is None:
            return None
        return round(_FOUND_FROM * max(self.gain - self.low, self.high - self.gain), _PLACES)

    @property
    def most_gain(self) -> float:
        """What an attacker who is never wrong would gain; infinite where nothing can be told."""
        if self.blind is None or self.value is None or self.gain is None:
            return math.inf
        if self.measure in _MOST:
            return _MOST[self.measure] - self.blind
        small_is_better = self.gain * (self.value - self.blind) < 0
        return self.blind if small_is_better else 1.0 - self.blind

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values, ``told`` and ``found_from`` among them."""
        return dataclasses.asdict(self) | {"told": self.told, "found_from": self.found_from}


def gain_over_people(
    reached: Sequence[float] | NDArray[np.float64],
    blind: Sequence[float] | NDArray[np.float64],
    n_tried: int = 1,
    *,
    better: Literal["large", "small"] = "large",
    most: float | None = None,
    no_more: bool = True,
) -> dict[str, Any]:
    """Return the figures of a finding: Student's interval of the people's own gains.

    What makes a person easy for the attacker and for the blind guess alike has no part in it. Of
    several attackers the strongest is told; each of their intervals is wide enough that all of them
    together hold as often as a single one would (C. E. Bonferroni, 1936).

    Few people who happen to be alike say little of how different others are, and a step that never
    changed is not known never to. So the upper end counts, with those met, a quarter of a person
    of whom everything is told (as :func:`trainer.judge.intervals.over_participants` does on either
    side); the lower end does not: what leaks is called so no later for it.

    Parameters
    ----------
    reached, blind : float (n_people,)
        What the attacker and the blind guess reach on each person, in the same order.
    n_tried : int
        Attackers among whom the strongest is told.
    better : str
        ``small`` of measures that are better when small, such as an error.
    most : float, optional
        What is reached of a person of whom everything is told; without it none is imagined.
    no_more : bool
        Whether nobody can reach more than `most`, so that no gain lies above it. It may be the most
        of anybody met, where a measure has no end: then it only widens the interval.

    Returns
    -------
    dict
        Arguments ``value``, ``blind``, ``gain``, ``low``, ``high``, ``n_people`` and ``why_not`` of
        :class:`Finding`; the interval is None for fewer than :data:`LEAST_PEOPLE`.

    Raises
    ------
    UsageError
        Not the same people, or none.
    """
    own, guessed = np.asarray(reached, np.float64), np.asarray(blind, np.float64)
    n = len(own)
    if n == 0 or len(guessed) != n or n_tried < 1:
        raise UsageError("gain", "people and attackers", (n, len(guessed), n_tried), "1 or more")
    gains = own - guessed if better == "large" else guessed - own
    mean = float(gains.mean())
    figures: dict[str, Any] = {
        "value": round(float(own.mean()), _PLACES),
        "blind": round(float(guessed.mean()), _PLACES),
        "gain": round(mean, _PLACES),
        "n_people": n,
    }
    if n < LEAST_PEOPLE:
        people = f"only {n} of at least {LEAST_PEOPLE} people"
        return figures | {"low": None, "high": None, "why_not": people}
    quantile = float(special.stdtrit(n - 1, 1.0 - (1.0 - CONFIDENCE) / (2 * n_tried)))
    squares = float(((gains - mean) ** 2).sum())
    low = mean - quantile * math.sqrt(squares / (n - 1) / n)
    imagined, end = 0.0, math.inf
    if most is not None:
        told = abs(most - float(guessed.mean()))
        imagined = IMAGINED
        squares += IMAGINED * (told - mean) ** 2
        end = told if no_more else math.inf
    high = min(end, mean + quantile * math.sqrt(squares / (n + imagined - 1) / n))
    return figures | {"low": round(low, _PLACES), "high": round(high, _PLACES), "why_not": ""}


def per_person(
    people: Sequence[str] | NDArray[np.str_], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return each person's mean of values, people in the order of their names, float64 (n,)."""
    names, places = np.unique(np.asarray(people), return_inverse=True)
    sums = np.bincount(places, weights=np.asarray(values, np.float64), minlength=len(names))
    return np.asarray(sums / np.bincount(places, minlength=len(names)))


def strongest(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the strongest attacker's finding at each step, of each question, scenes and measure.

    The one with the largest gain, in the order in which they first came; but one that leaks before
    any that may be chance, and one that can tell nothing only where no other can.
    """
    best: dict[tuple[str, str, str, str], Finding] = {}
    for finding in findings:
        key = (finding.step, finding.question, finding.scenes, finding.measure)
        if key not in best or _rank(finding) > _rank(best[key]):
            best[key] = finding
    return tuple(best.values())


def _rank(finding: Finding) -> tuple[int, float]:
    gain = -math.inf if finding.gain is None else finding.gain
    return _SURENESS.index(finding.told), gain
