"""Limits of an audit: the most that an attacker may gain, and whether it is kept.

A file of limits is TOML: ``[[limit]]`` tables, each with the most gain over a blind guess that is
let through. It is kept where the interval of the gain lies below it, broken where it lies above;
where the interval holds it, or too few people were asked, nobody can tell, and that is no pass. No
more is a limit that even an attacker who is never wrong would keep, in any measure that it is held
against: of 8 people somebody who names each one gains 0.875, and no overlap is more than 1.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from runtime.errors import FormatError, UsageError
from runtime.tomlfile import read_toml
from trainer.audit.chain import Step
from trainer.audit.findings import LEAST_PEOPLE, Finding, Planned

__all__ = [
    "Held",
    "Limit",
    "PrivacyLimits",
    "Verdict",
    "held",
    "load_privacy_limits",
    "refuse_unknown_names",
    "verdict_of",
]

Verdict = Literal["pass", "broken", "cannot tell"]


class Limit(BaseModel):
    """The most that an attacker may gain.

    ``question`` is what is asked: ``picture``, ``identity``, ``same person``, ``membership`` or an
    attribute's name. ``step`` is a step's name, ``leaves`` for what leaves the device, ``stored``
    for what is kept between frames, or ``any``. ``measure`` and ``scenes`` narrow it; any without.
    ``most_gain`` is in the measure's own unit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    question: Annotated[str, Field(min_length=1, max_length=80)]
    most_gain: Annotated[float, Field(ge=0)]
    step: Annotated[str, Field(min_length=1, max_length=80)] = "any"
    measure: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    scenes: Annotated[str, Field(min_length=1, max_length=80)] | None = None


class PrivacyLimits(BaseModel):
    """A file of limits: one table ``[[limit]]`` or more."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    limit: Annotated[list[Limit], Field(min_length=1, max_length=200)]


@dataclass(frozen=True, slots=True)
class Held:
    """A limit held against the findings.

    Parameters
    ----------
    limit : Limit
    verdict : str
        ``pass``, ``broken`` or ``cannot tell``.
    worst : Finding or None
        The finding that decides.
    why : str
        Why nobody can tell; empty otherwise.
    """

    limit: Limit
    verdict: Verdict
    worst: Finding | None
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        worst = None if self.worst is None else dataclasses.asdict(self.worst)
        return self.limit.model_dump() | {"verdict": self.verdict, "worst": worst, "why": self.why}


def load_privacy_limits(path: Path) -> PrivacyLimits:
    """Read a file of limits.

    Raises
    ------
    FormatError
        The file is faulty, or two limits are about the same, so that only the stricter would ever
        decide; the message names line, key and reason.
    """
    file = read_toml(path)
    with file.faults():
        limits = PrivacyLimits.model_validate(file.data)
    first: dict[tuple[str, str, str | None, str | None], int] = {}
    for number, limit in enumerate(limits.limit, start=1):
        about = limit.question, limit.step, limit.measure, limit.scenes
        if first.setdefault(about, number) != number:
            raise FormatError(
                str(path), f"limit {number}", f"about the same as limit {first[about]}",
                "one limit on each", "leave the one that is meant",
            )  # fmt: skip
    return limits


def refuse_unknown_names(
    limits: PrivacyLimits, planned: Iterable[Planned], steps: Sequence[Step]
) -> None:
    """Refuse limits about what no attacker will be asked, before any of them begins.

    Parameters
    ----------
    limits : PrivacyLimits
    planned : iterable of Planned
        All that will be asked.
    steps : sequence of Step
        Of the model, with what a device learns where it can learn.

    Raises
    ------
    UsageError
        A limit names a question, a step, a measure or scenes that there is not, or that is not
        asked together with what stands before it; the message lists what may stand there.
    """
    every = list(planned)
    for limit in limits.limit:
        left = every
        for key in ("question", "step", "measure", "scenes"):
            asked = getattr(limit, key)
            if asked is None:
                continue
            words = {word for each in left for word in _names(key, each, steps)}
            if asked not in words:
                expected = "one of " + ", ".join(sorted(words))
                raise UsageError("limits", f"{key} of a limit", repr(asked), expected)
            left = [each for each in left if asked in _names(key, each, steps)]


def _names(key: str, planned: Planned, steps: Sequence[Step]) -> tuple[str, ...]:
    """Return by what a limit may name what is planned: at a step, also by where it lies."""
    if key != "step":
        return (str(getattr(planned, key)),)
    return (planned.step, *_groups_of(planned.step, steps))


def _groups_of(name: str, steps: Sequence[Step]) -> tuple[str, ...]:
    """Return the groups of steps that one of them belongs to."""
    mine = [step for step in steps if step.name == name]
    leaves, stored = any(s.leaves_device for s in mine), any(s.stored for s in mine)
    return ("any", *(("leaves",) if leaves else ()), *(("stored",) if stored else ()))


def held(
    limits: PrivacyLimits, findings: Sequence[Finding], steps: Sequence[Step]
) -> tuple[Held, ...]:
    """Hold every limit against the findings of every attacker.

    What nobody can tell has no measure: it leaves every limit of its question undecided there, of
    the scenes that it is about.
    """
    return tuple(_held(limit, findings, steps) for limit in limits.limit)


def verdict_of(outcome: Sequence[Held]) -> Verdict:
    """Return the verdict of all: broken where one is, and a pass only where every one is kept."""
    verdicts = {each.verdict for each in outcome}
    if "broken" in verdicts:
        return "broken"
    return "pass" if verdicts == {"pass"} else "cannot tell"


def _held(limit: Limit, findings: Sequence[Finding], steps: Sequence[Step]) -> Held:
    asked = [finding for finding in findings if _concerns(limit, finding, steps)]
    told = [finding for finding in asked if finding.told != "cannot tell"]
    broken = [finding for finding in told if (finding.low or 0.0) > limit.most_gain]
    if broken:
        return Held(limit, "broken", max(broken, key=_gain))
    if not told or len(told) < len(asked):
        untold = [finding for finding in asked if finding.told == "cannot tell"]
        why = _why_untold(untold[0]) if untold else "nothing was tried there"
        return Held(limit, "cannot tell", untold[0] if untold else None, why)
    worst = max(told, key=lambda finding: finding.high or 0.0)
    if (worst.high or 0.0) > limit.most_gain:
        return Held(limit, "cannot tell", worst, "the interval holds the limit: ask more people")
    least = min(told, key=lambda finding: finding.most_gain)
    if limit.most_gain >= least.most_gain:
        why = f"nobody could break it: who is never wrong gains {least.most_gain:.3f} over a blind "
        why += "guess here" + (f" ({least.measure})" if limit.measure is None else "")
        return Held(limit, "cannot tell", worst, why)
    return Held(limit, "pass", worst)


def _why_untold(finding: Finding) -> str:
    if finding.why_not or finding.n_people >= LEAST_PEOPLE:
        return finding.why_not or "what was found is no number"
    return f"only {finding.n_people} of at least {LEAST_PEOPLE} people"


def _gain(finding: Finding) -> float:
    return finding.gain or 0.0


def _concerns(limit: Limit, finding: Finding, steps: Sequence[Step]) -> bool:
    if finding.question != limit.question:
        return False
    if limit.step not in (finding.step, *_groups_of(finding.step, steps)):
        return False
    if limit.scenes not in (None, finding.scenes):
        return False
    return not finding.measure or limit.measure in (None, finding.measure)
