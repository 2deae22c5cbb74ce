"""The limits file and the gate: value against limit, with margin, for a firmware team's CI."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree

from pydantic import BaseModel, ConfigDict, Field

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.inputs.values import Kind
from runtime.budget.verdict.host import RANK, Verdict
from runtime.tomlfile import read_toml

__all__ = ["Basis", "Check", "Limits", "check", "junit_xml", "load_limits", "verdict_check"]

State = Literal["kept", "broken", "crossed", "unknown"]


class Limits(BaseModel):
    """What a limits file may hold, all optional, in one table ``[limits]``.

    ``verdict`` is the worst that is let through; undecided then crosses ``hidden``. Accuracy, that
    of the worst group (the one that breaks it, or is least known to keep it), event F1 and the
    light margin (limit for the eye over value) are floors, all others ceilings. Where a group has
    too few people to be named, or its interval holds the limit, a limit for the worst is not known
    to be kept: whoever is in it may be served worse.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    cycles_per_frame: int | None = Field(default=None, gt=0)
    latency_ms: float | None = Field(default=None, gt=0)
    flash_bytes: int | None = Field(default=None, gt=0)
    ram_bytes: int | None = Field(default=None, gt=0)
    stack_bytes: int | None = Field(default=None, gt=0)
    average_uw: float | None = Field(default=None, gt=0)
    accuracy: float | None = Field(default=None, gt=0, le=1)
    worst_group: float | None = Field(default=None, gt=0, le=1)
    false_events_per_hour: float | None = Field(default=None, ge=0)
    event_f1: float | None = Field(default=None, gt=0, le=1)
    verdict: Literal["hidden", "undecided"] | None = None
    percent_per_day: float | None = Field(default=None, gt=0)
    minutes_per_charge: float | None = Field(default=None, gt=0)
    light_margin: float | None = Field(default=None, gt=0)


def load_limits(path: Path) -> Limits:
    """Read a limits file.

    Raises
    ------
    FormatError
        The file is faulty; the message names line, key and reason.
    """
    file = read_toml(path)
    with file.faults():
        return _File.model_validate(file.data).limits


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
    limits: Limits


@dataclass(frozen=True, slots=True)
class Basis:
    """Where a value comes from, and how much was counted or drawn for it.

    ``missing`` says of whom no value is known, or too little, though they might break the limit;
    empty where the value is of everybody.
    """

    kind: Kind | Literal["computed"]
    origin: str
    counted: str = ""
    missing: str = ""


POWER_MODEL = Basis("computed", "power model")


@dataclass(frozen=True, slots=True)
class Check:
    """One limit held against its value.

    ``state`` is ``kept``, ``broken``, ``crossed`` (the value keeps the limit, a part of its
    interval does not) or ``unknown`` (the model folder does not hold the value, or not of everybody
    whom the limit is about; counts as broken). The value is the median where there are draws.
    ``word`` is the answer where it is a word.
    """

    what: str
    unit: str
    value: Interval | None
    limit: float
    at_least: bool
    state: State
    basis: Basis
    word: str = ""

    @property
    def margin(self) -> float | None:
        """Distance to the limit as a share of it; negative when broken."""
        if self.value is None:
            return None
        distance = self.limit - self.value.median
        if self.at_least:
            distance = -distance
        return distance / self.limit if self.limit else (0.0 if distance == 0 else -1.0)

    @property
    def line(self) -> str:
        """State, value, interval, limit and how much was counted: one line for a log."""
        side = "at least" if self.at_least else "at most"
        limit = f"limit {side} {_number(self.limit, self.unit)}"
        if self.value is None:
            missing = f"; {self.basis.missing}" if self.basis.missing else ""
            return f"{self.state:8} {self.what}: not known, {limit}{missing}"
        found = _number(self.value.median, self.unit)
        if self.value.low < self.value.high:
            found += f" ({_number(self.value.low)} to {_number(self.value.high)})"
        said = f"{self.word}, {found}" if self.word else found
        further = (self.basis.counted, self.basis.missing)
        counted = "".join(f"; {words}" for words in further if words)
        return f"{self.state:8} {self.what}: {said}, {limit}{counted}"

    def keeps(self, strict: bool = False) -> bool:
        """Whether the gate opens for this limit."""
        return self.state == "kept" or (self.state == "crossed" and not strict)

    def to_json(self) -> dict[str, object]:
        """Return plain JSON values."""
        return {
            "what": self.what,
            "unit": self.unit,
            "value": self.value.to_json() if self.value else None,
            "limit": self.limit,
            "at_least": self.at_least,
            "state": self.state,
            "margin": self.margin,
            "origin": f"{self.basis.kind}: {self.basis.origin}",
            "counted": "; ".join(filter(None, (self.basis.counted, self.basis.missing))),
            "word": self.word or None,
        }


def _number(value: float, unit: str = "") -> str:
    text = f"{value:,.0f}" if abs(value) >= 10_000.0 else f"{value:,.5g}"
    return f"{text} {unit}".rstrip()


def check(
    what: str,
    unit: str,
    value: Interval | None,
    limit: float,
    at_least: bool = False,
    basis: Basis = POWER_MODEL,
) -> Check:
    """Hold one value against one limit.

    Parameters
    ----------
    what, unit : str
        For the table.
    value : Interval or None
        None when the value is not known.
    limit : float
        The limit itself still keeps it.
    at_least : bool
        Whether the limit is a floor.
    basis : Basis
        What it rests on.
    """
    state: State = "kept"
    if value is None:
        state = "unknown"
    else:
        sign = -1.0 if at_least else 1.0
        worst = value.low if at_least else value.high
        if sign * value.median > sign * limit:
            state = "broken"
        elif basis.missing:
            state = "unknown"
        elif sign * worst > sign * limit:
            state = "crossed"
    return Check(what, unit, value, limit, at_least, state, basis)


def verdict_check(found: Verdict, worst: str, counted: str) -> Check:
    """Hold the host verdict against the worst that is let through.

    Parameters
    ----------
    found : Verdict
    worst : str
        ``hidden``, which an undecided verdict crosses, or ``undecided``.
    counted : str
        How much was drawn for it.
    """
    state: State = "kept" if RANK[found.word] <= RANK[worst] else "crossed"
    if found.word == "visible":
        state = "broken"
    return Check(
        f"verdict {worst}" if worst == "hidden" else "verdict not visible", found.margin.unit,
        found.bounds, found.margin.value, False, state,
        Basis("computed", "from the inputs by the formulas, held against the margin", counted),
        found.word,
    )  # fmt: skip


def junit_xml(checks_of: Sequence[tuple[str, Sequence[Check]]], strict: bool) -> bytes:
    """Return the gate as JUnit XML: one suite a model, one case a limit."""
    every = [c for _, checks in checks_of for c in checks]
    root = ElementTree.Element(
        "testsuites",
        name="palmwatt budget",
        tests=str(len(every)),
        failures=str(sum(not c.keeps(strict) for c in every)),
    )
    for model, checks in checks_of:
        failed = [c for c in checks if not c.keeps(strict)]
        suite = ElementTree.SubElement(
            root, "testsuite", name=model, tests=str(len(checks)), failures=str(len(failed))
        )
        for c in checks:
            case = ElementTree.SubElement(suite, "testcase", classname=model, name=c.what)
            if c in failed:
                ElementTree.SubElement(case, "failure", type=c.state, message=c.line)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"
