"""What to record: what a study asks for next, or what the call names."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

from capture.cues.script import Script, load_script
from capture.study.plan import open_study
from capture.study.provenance import Origin
from capture.study.seen import Lookout
from capture.study.standing import standing
from runtime.errors import Error, UsageError

__all__ = ["Call", "Wanted", "asked_for", "plan_scripts", "planned_recording"]


@dataclass(frozen=True, slots=True)
class Wanted:
    """One recording to be made.

    Parameters
    ----------
    participant : str
        Pseudonym.
    script : Script
    seed : int
        Seed of the order of its cues.
    locked : bool
        The person is kept for the final test.
    out : Path
        Data set.
    origin : Origin
        What is written beside it.
    unit : str or None
        The device that the plan wants; None without a plan.
    """

    participant: str
    script: Script
    seed: int
    locked: bool
    out: Path
    origin: Origin
    unit: str | None = None

    def check_unit(self, unit: str) -> None:
        """Refuse another device than the plan has at this station: UsageError."""
        if self.unit not in (None, unit):
            raise UsageError(
                f"station {self.origin.station}", "the sensor", unit, self.unit,
                "plug that in, or change the station's unit in study.toml",
            )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Call:
    """What a call says of a recording; None where it says nothing.

    Parameters
    ----------
    study : Path or None
        Data set with a plan.
    participant, script : str or None
    seed : int or None
    out : Path or None
        Data set, without a plan.
    locked : bool
        Asked for beside what the plan says.
    """

    study: Path | None = None
    participant: str | None = None
    script: str | None = None
    seed: int | None = None
    out: Path | None = None
    locked: bool = False


def planned_recording(
    root: Path,
    origin: Origin,
    participant: str | None = None,
    task: str | None = None,
    seed: int | None = None,
) -> Wanted:
    """Return what a study asks for next at a station, or of a person, script or seed.

    Parameters
    ----------
    root : Path
        Data set with a plan.
    origin : Origin
        Its station is where the recording will be; filled up with what the plan says.

    Raises
    ------
    UsageError, FormatError
        There is no plan, it is wrong, its locked set is not drawn, or nothing is left.
    """
    file = open_study(root)
    now = standing(file, Lookout().look(root), root)
    step = now.next_step(origin.station, participant, task, seed)
    told = dataclasses.replace(
        origin,
        station=origin.station or step.station,
        consent_form=file.study.consent.form,
        study_sha256=file.sha256,
    )
    unit = next(one.unit for one in file.study.station if one.name == told.station)
    script = next(script for script in file.scripts if script.name == step.task)
    locked = step.person in file.study.locked
    return Wanted(step.person, script, step.seed, locked, root, told, unit)


def plan_scripts(root: Path) -> tuple[Script, ...]:
    """Return the scripts of a data set's plan; none where there is no plan, or a wrong one."""
    try:
        return open_study(root).scripts
    except Error:
        return ()


def asked_for(call: Call, origin: Origin) -> Wanted:
    """Return what is to be recorded, by a study's plan or by what the call names.

    Raises
    ------
    UsageError
        Something is missing, or said beside a plan that says it; and what `planned_recording` and
        `capture.cues.script.load_script` raise.
    """
    if call.study is not None:
        for name in ("seed", "out"):
            if getattr(call, name) is not None:
                raise UsageError(
                    "record", f"--{name}", "given beside --study", "left to the study's plan"
                )
        wanted = planned_recording(call.study, origin, call.participant, call.script)
        return dataclasses.replace(wanted, locked=wanted.locked or call.locked)
    for name in ("participant", "script", "out"):
        if getattr(call, name) is None:
            raise UsageError(
                "record", f"--{name}", "missing", "given, or --study with a data set's plan"
            )
    script = load_script(call.script or "")
    # One order for everybody: a session can be given again as it was, and no two people differ by
    # what they did first. Whoever wants orders balanced between people has a study.
    seed = 1 if call.seed is None else call.seed
    return Wanted(call.participant or "", script, seed, call.locked, call.out or Path(), origin)
