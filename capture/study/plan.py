"""``study.toml`` in a data set: who is to do what, where, in which order; read and checked.

::

    name = "Sixty people at two stations"
    authors = ["A. Collector"]
    people = ["P01-P60"]        # pseudonyms, and runs of them
    withdrawn = []              # of them, who does not go on: nothing more is expected
    order = "latin"             # of the scripts between people; or "shuffle"
    seed = 2026
    n_locked = 12               # people kept for the final test
    changeover_s = 120.0        # between two recordings at a station, until that is measured

    [consent]
    form = "2.1"
    date = 2026-11-02           # of that version of the form

    [[script]]
    script = "dynamic"          # built in, or a file beside this one
    repetitions = 2             # sessions of it a person

    [[device]]
    unit = "unit-a"             # as the sensor calls itself
    notes = "first board"

    [[station]]
    name = "a"
    unit = "unit-a"

    [drawn]                     # written by palmwatt study DIR --draw, never by hand
    date = 2026-11-03
    n_people = 60               # the list was that long
    locked = ["P04", "P11"]
"""

from __future__ import annotations

import datetime
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import pydantic
from pydantic import ConfigDict, Field

from capture.cues.script import BUILT_IN, Script, load_script
from capture.store.forgotten import digest_of, forgotten_in
from capture.study.provenance import STATION
from runtime.errors import FormatError, UsageError
from runtime.tomlfile import TomlFile, read_toml

__all__ = [
    "STUDY_FILE",
    "Consent",
    "Device",
    "Drawn",
    "PlannedScript",
    "Station",
    "Study",
    "StudyFile",
    "open_study",
    "study_path",
]

STUDY_FILE = "study.toml"
_MAX_PEOPLE = 10_000
_MAX_SESSIONS = 100_000
_RUN = re.compile(r"([A-Za-z]*)(\d{1,6})-([A-Za-z]*)(\d{1,6})")
_PSEUDONYM = re.compile(r"[A-Za-z0-9]{1,32}")
_UNIT = r"^[ -~]{1,80}$"
_Text = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]{1,200}$")]


class Consent(pydantic.BaseModel):
    """The form that people sign.

    Parameters
    ----------
    form : str
        Its version; noted beside each recording.
    date : date
        Of that version.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    form: Annotated[str, Field(pattern=r"^[ -~]{1,80}$")]
    date: datetime.date


class PlannedScript(pydantic.BaseModel):
    """A script that everybody does.

    Parameters
    ----------
    script : str
        Name of a built-in cue script, or of a file beside ``study.toml``.
    repetitions : int
        In how many sessions each person does it, 1 to 100.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    script: Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.-]{0,79}$")]
    repetitions: int = Field(default=1, ge=1, le=100)


class Device(pydantic.BaseModel):
    """One physical sensor.

    Parameters
    ----------
    unit : str
        As it calls itself.
    notes : str
        What is to be remembered of it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    unit: Annotated[str, Field(pattern=_UNIT)]
    notes: str = Field(default="", max_length=400)


class Station(pydantic.BaseModel):
    """A place where people are recorded: one laptop and one sensor.

    Parameters
    ----------
    name : str
        A small letter, then small letters and digits; part of its sessions' names.
    unit : str
        The device that stands there.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: Annotated[str, Field(pattern=STATION)]
    unit: Annotated[str, Field(pattern=_UNIT)]


class Drawn(pydantic.BaseModel):
    """The locked set, drawn before the first recording; a hand never writes it.

    Parameters
    ----------
    date : date
        When it was drawn.
    n_people : int
        How many people stood in the list then; those that came later are not in the draw.
    locked : tuple of str
        Whom it drew.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    date: datetime.date
    n_people: int = Field(ge=1, le=_MAX_PEOPLE)
    locked: Annotated[tuple[str, ...], Field(strict=False)]


class Study(pydantic.BaseModel):
    """The plan of a study; frozen.

    Parameters
    ----------
    name : str
        What the study is called.
    authors : tuple of str
        Who is named when the data set is given away.
    people : tuple of str
        Pseudonyms in the order in which they come; ``P01-P60`` stands for sixty.
    withdrawn : tuple of str
        Of them, from whom nothing more is expected.
    order : str
        How the order of the scripts differs between people: ``latin``, Williams' design, in which
        each script comes equally often in each place and behind each other one; or ``shuffle``, an
        order drawn for each person.
    seed : int
        What is drawn follows from it: orders, seeds of the cues, the locked set.
    n_locked : int
        How many people are kept for the final test.
    changeover_s : float
        Time between two recordings at a station, seconds, for the estimate of the time left until
        recordings show how long it is.
    consent : Consent
    script : tuple of PlannedScript
        Each with another name.
    device : tuple of Device
    station : tuple of Station
        Each with another name, at one of the devices; people are shared out between them.
    drawn : Drawn or None
        None until the locked set is drawn.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: _Text
    authors: Annotated[tuple[_Text, ...], Field(strict=False, max_length=200)] = ()
    people: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=_MAX_PEOPLE)]
    withdrawn: Annotated[tuple[str, ...], Field(strict=False)] = ()
    order: Literal["latin", "shuffle"] = "latin"
    seed: int = Field(ge=0, lt=2**32)
    n_locked: int = Field(default=0, ge=0, le=_MAX_PEOPLE)
    changeover_s: Annotated[float, Field(ge=0.0, le=86_400.0, allow_inf_nan=False)] = 120.0
    consent: Consent
    script: Annotated[tuple[PlannedScript, ...], Field(strict=False, min_length=1, max_length=100)]
    device: Annotated[tuple[Device, ...], Field(strict=False, min_length=1, max_length=100)]
    station: Annotated[tuple[Station, ...], Field(strict=False, min_length=1, max_length=100)]
    drawn: Drawn | None = None

    @pydantic.field_validator("people", "withdrawn")
    @classmethod
    def _each_once(cls, given: tuple[str, ...]) -> tuple[str, ...]:
        people = tuple(name for entry in given for name in _run(entry))
        if len(people) > _MAX_PEOPLE:
            raise ValueError(f"it names {len(people)} people, at most {_MAX_PEOPLE}")
        _no_repeat("person", people)
        return people

    @pydantic.model_validator(mode="after")
    def _whole(self) -> Study:
        _no_repeat("station", [station.name for station in self.station])
        _no_repeat("device", [device.unit for device in self.device])
        _no_repeat("script", [one.script for one in self.script])
        units = {device.unit for device in self.device}
        for station in self.station:
            if station.unit not in units:
                raise ValueError(
                    f"station {station.name} has {station.unit}, which is no [[device]]"
                )
        for name in self.withdrawn:
            if name not in self.people:
                raise ValueError(f"withdrawn {name} is not among the people")
        n_sessions = len(self.people) * sum(one.repetitions for one in self.script)
        if n_sessions > _MAX_SESSIONS:
            raise ValueError(f"it plans {n_sessions} sessions, at most {_MAX_SESSIONS}")
        if self.n_locked >= len(self.people):
            raise ValueError(f"n_locked is {self.n_locked}, expected fewer than the people")
        return self

    @property
    def locked(self) -> frozenset[str]:
        """Who is kept for the final test; nobody until it is drawn."""
        return frozenset(self.drawn.locked if self.drawn else ())


@dataclass(frozen=True, slots=True)
class StudyFile:
    """A study's plan as it was read.

    Parameters
    ----------
    path : Path
        The file.
    study : Study
        What it says.
    scripts : tuple of Script
        Its scripts, as `Study.script` lists them.
    sha256 : str
        Hash of what decides who does what; withdrawals, authors and notes do not.
    """

    path: Path
    study: Study
    scripts: tuple[Script, ...]
    sha256: str


def study_path(root: Path) -> Path:
    """Return where the plan of a data set is."""
    return root / STUDY_FILE


def open_study(root: Path) -> StudyFile:
    """Read the plan of a data set; who was forgotten in it counts as withdrawn.

    Raises
    ------
    UsageError
        It has none.
    FormatError
        The plan or one of its scripts is wrong; the message names line and key.
    """
    path = study_path(root)
    if not path.is_file():
        raise UsageError(
            str(root), "the plan of the study", "missing", STUDY_FILE,
            "write one as the reference shows (Files, study.toml)",
        )  # fmt: skip
    file = read_toml(path)
    with file.faults():
        study = Study.model_validate(file.data)
    gone = forgotten_in(root)
    out = (*study.withdrawn, *(name for name in study.people if digest_of(name) in gone))
    study = study.model_copy(update={"withdrawn": tuple(dict.fromkeys(out))})
    scripts = tuple(_script(file, number, one) for number, one in enumerate(study.script))
    names = [script.name for script in scripts]
    for number, name in enumerate(names):
        if name in names[:number]:
            place = file.place("script", number, "script")
            raise FormatError(place, "task name of the script", name, "one of its own")
    return StudyFile(path, study, scripts, _hash(study, scripts))


def _script(file: TomlFile, number: int, one: PlannedScript) -> Script:
    if one.script in BUILT_IN:
        return load_script(one.script)
    path = Path(file.where).parent / one.script
    if not path.is_file():
        raise FormatError(
            file.place("script", number, "script"), "the script", one.script,
            f"a file beside {STUDY_FILE}, or one of {', '.join(BUILT_IN)}",
        )  # fmt: skip
    return load_script(path)


def _hash(study: Study, scripts: tuple[Script, ...]) -> str:
    said = study.model_dump_json(
        exclude={"name", "authors", "withdrawn", "changeover_s", "device"}
    ) + "".join(script.model_dump_json(by_alias=True) for script in scripts)
    return hashlib.sha256(said.encode()).hexdigest()


def _run(entry: str) -> list[str]:
    """Return the pseudonyms that an entry of the list stands for."""
    if _PSEUDONYM.fullmatch(entry):
        return [entry]
    found = _RUN.fullmatch(entry)
    if not found or found[3] != found[1] or len(found[2]) > len(found[4]):
        raise ValueError(f"{entry[:40]!r} is no pseudonym such as P01, and no run such as P01-P60")
    first, last = int(found[2]), int(found[4])
    if not first <= last < first + _MAX_PEOPLE:
        raise ValueError(f"the run {entry} must rise, by at most {_MAX_PEOPLE}")
    return [f"{found[1]}{number:0{len(found[2])}d}" for number in range(first, last + 1)]


def _no_repeat(what: str, names: list[str] | tuple[str, ...]) -> None:
    seen: set[str] = set()
    for name in names:
        # A file system may not tell capitals from small letters.
        if name.lower() in seen:
            raise ValueError(f"the {what} {name} stands there twice")
        seen.add(name.lower())
