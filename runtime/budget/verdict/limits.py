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
from runtime.tomlfile import read_toml

__all__ = ["Check", "Limits", "check", "junit_xml", "load_limits"]


class Limits(BaseModel):
    """What a limits file may hold, all optional, in one table ``[limits]``."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    cycles_per_frame: int | None = Field(default=None, gt=0)
    latency_ms: float | None = Field(default=None, gt=0)
    flash_bytes: int | None = Field(default=None, gt=0)
    ram_bytes: int | None = Field(default=None, gt=0)
    stack_bytes: int | None = Field(default=None, gt=0)
    average_uw: float | None = Field(default=None, gt=0)
    accuracy: float | None = Field(default=None, gt=0, le=1)
    false_events_per_hour: float | None = Field(default=None, ge=0)
    hidden_runs: int = Field(default=30, ge=2, le=1_000_000)


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
class Check:
    """One limit held against its value.

    ``state`` is ``kept``, ``broken``, ``crossed`` (the typical value keeps the limit, the interval
    does not) or ``unknown`` (the model folder does not hold the value; counts as broken).
    """

    what: str
    unit: str
    value: Interval | None
    limit: float
    at_least: bool
    state: Literal["kept", "broken", "crossed", "unknown"]
    kind: Kind | Literal["computed"]
    origin: str

    @property
    def margin(self) -> float | None:
        """Distance to the limit as a share of it; negative when broken."""
        if self.value is None:
            return None
        distance = self.limit - self.value.typical
        if self.at_least:
            distance = -distance
        return distance / self.limit if self.limit else (0.0 if distance == 0 else -1.0)

    @property
    def line(self) -> str:
        """State, value and limit in one line, for a terminal or a log."""
        found = "not known" if self.value is None else f"{self.value.typical:,.7g} {self.unit}"
        side = "at least" if self.at_least else "at most"
        limit = f"limit {side} {self.limit:,.7g} {self.unit}"
        return f"{self.state:8} {self.what}: {found}, {limit}"

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
            "origin": f"{self.kind}: {self.origin}",
        }


def check(
    what: str,
    unit: str,
    value: Interval | None,
    limit: float,
    at_least: bool = False,
    kind: Kind | Literal["computed"] = "computed",
    origin: str = "power model",
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
    kind, origin : str
        Where the value comes from.
    """
    state: Literal["kept", "broken", "crossed", "unknown"] = "kept"
    if value is None:
        state = "unknown"
    else:
        sign = -1.0 if at_least else 1.0
        worst = value.low if at_least else value.high
        if sign * value.typical > sign * limit:
            state = "broken"
        elif sign * worst > sign * limit:
            state = "crossed"
    return Check(what, unit, value, limit, at_least, state, kind, origin)


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
