"""Where a recording comes from: one JSON file beside it, written before its first frame pair.

``sub-P01_ses-01a_task-dynamic_readouts.json`` lies beside ``..._readouts.mcap``, so that forgetting
the participant removes it too. Recordings without one still open.
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import importlib.metadata
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pydantic
from pydantic import ConfigDict, Field

from capture.cues.script import Script
from capture.store.writer import SessionHeader
from runtime.errors import FormatError, UsageError
from runtime.files import read_limited, write_whole

__all__ = [
    "NOW",
    "STATION",
    "Origin",
    "Provenance",
    "keep_provenance",
    "moment",
    "provenance_path",
    "read_provenance",
    "script_sha256",
]

STATION = r"^[a-z][a-z0-9]{0,11}$"
"""Pattern of a station's name: it becomes part of the session's."""
NOW = "now"
"""Stands in an `Origin` for the moment at which the recording begins."""
_PSEUDONYM = r"^[A-Za-z0-9]{1,32}$"
_MOMENT = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"
_SHA256 = r"^[0-9a-f]{64}$"

_LIMITS = {
    "recorded": (_MOMENT, "ISO 8601 in UTC, such as 2026-11-02T09:30:00Z"),
    "station": (STATION, "a small letter, then small letters and digits, at most 12"),
    "operator": (_PSEUDONYM, "a pseudonym of letters and digits"),
    "notes": (r"^.{0,400}$", "one line of at most 400 printable signs"),
    "consent_form": (r"^.{1,80}$", "1 to 80 printable signs"),
    "study_sha256": (_SHA256, "64 hexadecimal digits"),
}


def moment(now: datetime.datetime | None = None) -> str:
    """Return a moment, or now, as files hold it: ISO 8601 in UTC, to the second."""
    now = (now or datetime.datetime.now(datetime.UTC)).astimezone(datetime.UTC)
    return now.strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True)
class Origin:
    """What the people around a recording say of it.

    Parameters
    ----------
    recorded : str or None
        When it begins, as `moment` writes it; by default when it does. None leaves it out, for
        recordings that are to be the same bytes whenever they are made.
    station : str or None
        Name of the place: a small letter, then small letters and digits, at most 12.
    operator : str or None
        Pseudonym of who leads it.
    notes : str
        Up to 400 printable signs.
    consent_form : str or None
        Version of the form that the participant signed.
    study_sha256 : str or None
        Hash of the plan that it was recorded for.

    Raises
    ------
    UsageError
        A value is out of range; the message names it.
    """

    recorded: str | None = NOW
    station: str | None = None
    operator: str | None = None
    notes: str = ""
    consent_form: str | None = None
    study_sha256: str | None = None

    def __post_init__(self) -> None:
        for name, (pattern, expected) in _LIMITS.items():
            value = getattr(self, name)
            if value is None or (name, value) == ("recorded", NOW):
                continue
            if not (re.fullmatch(pattern, value) and value.isprintable()):
                raise UsageError("session", name, repr(value)[:60], expected)
        if self.recorded not in (None, NOW):
            try:
                datetime.datetime.fromisoformat(str(self.recorded))
            except ValueError:
                raise UsageError("session", "recorded", self.recorded, "a moment") from None


class Provenance(pydantic.BaseModel):
    """What ``*_readouts.json`` says; keys that a later version adds are passed over.

    Parameters
    ----------
    recorded : str or None
        When the recording began, ISO 8601 in UTC.
    station, operator : str or None
        Where, and pseudonym of who led it.
    notes : str
        What they noted.
    palmwatt : str
        Version of the program.
    script_sha256 : str
        Hash of the cue script as the recording holds it.
    unit, firmware : str
        The physical sensor and its program, as it described itself.
    consent_form : str or None
        Version of the form that the participant signed.
    study_sha256 : str or None
        Hash of the plan that it was recorded for.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    recorded: Annotated[str, Field(pattern=_MOMENT)] | None = None
    station: Annotated[str, Field(pattern=STATION)] | None = None
    operator: Annotated[str, Field(pattern=_PSEUDONYM)] | None = None
    notes: str = Field(default="", max_length=400)
    palmwatt: str = Field(max_length=40)
    script_sha256: Annotated[str, Field(pattern=_SHA256)]
    unit: str = Field(max_length=200)
    firmware: str = Field(max_length=200)
    consent_form: Annotated[str, Field(max_length=80)] | None = None
    study_sha256: Annotated[str, Field(pattern=_SHA256)] | None = None

    @pydantic.field_validator("recorded")
    @classmethod
    def _moment(cls, recorded: str | None) -> str | None:
        if recorded is not None:
            datetime.datetime.fromisoformat(recorded)  # the 31st of February is none
        return recorded

    @pydantic.field_validator("notes")
    @classmethod
    def _printable(cls, notes: str) -> str:
        if not notes.isprintable():
            raise ValueError("notes must be printable, on one line")
        return notes


def script_sha256(script: Script) -> str:
    """Return the hash of a script as a recording holds it, 64 hexadecimal digits."""
    return hashlib.sha256(script.model_dump_json(by_alias=True).encode()).hexdigest()


def provenance_path(readouts: Path) -> Path:
    """Return where the provenance of a session's file is."""
    return readouts.with_suffix(".json")


def provenance_of(header: SessionHeader, origin: Origin) -> Provenance:
    """Join what people say of a recording with what it says itself."""
    return Provenance(
        recorded=moment() if origin.recorded == NOW else origin.recorded,
        station=origin.station,
        operator=origin.operator,
        notes=origin.notes,
        palmwatt=_version(),
        script_sha256=script_sha256(header.script),
        unit=header.description.unit,
        firmware=header.description.firmware,
        consent_form=origin.consent_form,
        study_sha256=origin.study_sha256,
    )


@functools.cache
def _version() -> str:
    """Return the program's version; looking it up takes as long as recording ten frames."""
    return importlib.metadata.version("palmwatt")


def keep_provenance(readouts: Path, header: SessionHeader, origin: Origin) -> None:
    """Write the provenance of a session beside its file.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    content = provenance_of(header, origin).model_dump(exclude_none=True)
    write_whole(provenance_path(readouts), (json.dumps(content, indent=2) + "\n").encode())


def read_provenance(readouts: Path) -> Provenance | None:
    """Read the provenance of a session's file; None if it has none, as older ones.

    Raises
    ------
    FormatError
        It is wrong; the message names the key.
    """
    path = provenance_path(readouts)
    if not path.exists():
        return None
    try:
        return Provenance.model_validate_json(read_limited(path, 65_536))
    except pydantic.ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        name = ".".join(str(part) for part in first["loc"]) or "the text"
        raise FormatError(str(path), name, "wrong", first["msg"]) from None
