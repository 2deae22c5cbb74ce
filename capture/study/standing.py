"""How a study stands: the plan held against what is there, who is next, and the time left."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.store.dataset import Participant, read_participants
from capture.study.drawing import check_drawn
from capture.study.orders import Step, steps_of
from capture.study.plan import Station, StudyFile
from capture.study.provenance import script_sha256
from capture.study.seen import Seen, session_name
from capture.study.time_left import length_s, usual_changeover_s
from runtime.errors import UsageError

__all__ = ["DONE", "DOUBTFUL", "MISSING", "RUNNING", "Held", "Standing", "StationLeft", "standing"]

DONE, DOUBTFUL, RUNNING, MISSING = "done", "doubtful", "running", "missing"


@dataclass(frozen=True, slots=True)
class Held:
    """A step of the plan, and what there is of it.

    Parameters
    ----------
    step : Step
    state : str
        ``done``, ``doubtful``, ``running`` or ``missing``.
    sessions : tuple of str
        Names of its sessions: those without a doubt, or all if each has one.
    doubts : tuple of str
        Why it is doubtful, each with the name of the session.
    """

    step: Step
    state: str
    sessions: tuple[str, ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StationLeft:
    """What is left to do at a station.

    Parameters
    ----------
    station, unit : str
    next : Step or None
        What to record next; None if nothing is left.
    n_left : int
        Sessions that are missing.
    left_s : float
        Estimate of the time that they take, seconds.
    """

    station: str
    unit: str
    next: Step | None
    n_left: int
    left_s: float


@dataclass(frozen=True, slots=True)
class Standing:
    """How a study stands.

    Parameters
    ----------
    file : StudyFile
        The plan.
    held : tuple of Held
        Each step of it, by person and place.
    stations : tuple of StationLeft
    unplanned : tuple of str
        Names of sessions that no step of the plan asks for, each with the reason.
    cautions : tuple of str
        What is wrong beyond single sessions.
    changeover_s : float
        Time between two recordings that the estimate counts with.
    changeover_measured : bool
        Whether that is what the recordings show.
    """

    file: StudyFile
    held: tuple[Held, ...]
    stations: tuple[StationLeft, ...]
    unplanned: tuple[str, ...]
    cautions: tuple[str, ...]
    changeover_s: float
    changeover_measured: bool

    @property
    def left_s(self) -> float:
        """Time until the last station is through, seconds."""
        return max(station.left_s for station in self.stations)

    def count(self, state: str) -> int:
        """Return how many steps are in a state; withdrawn people's missing ones are in none."""
        return sum(held.state == state and self._expected(held) for held in self.held)

    def _expected(self, held: Held) -> bool:
        return held.state != MISSING or held.step.person not in self.file.study.withdrawn

    def next_step(
        self,
        station: str | None,
        person: str | None = None,
        task: str | None = None,
        seed: int | None = None,
    ) -> Step:
        """Return what to record next.

        Parameters
        ----------
        station : str or None
            At which station; may be left out where there is one, or with a person.
        person, task : str or None
            Of this person, and of this script, only. If nothing of theirs is missing, what is
            doubtful is done again.
        seed : int or None
            This very step.

        Raises
        ------
        UsageError
            There is no such station, person or script, or nothing is left.
        FormatError
            The locked set is not what was drawn.
        """
        check_drawn(self.file)
        study, where = self.file.study, str(self.file.path)
        names = [one.name for one in study.station]
        tasks = [script.name for script in self.file.scripts]
        going = [name for name in study.people if name not in study.withdrawn]
        for what, given, known, words in (
            ("station", station, names, ", ".join(names)),
            ("participant", person, going, "somebody of the study who is not withdrawn"),
            ("script", task, tasks, ", ".join(tasks)),
        ):
            if given is not None and given not in known:
                raise UsageError(where, what, repr(given[:40]), words)
        if station is None and person is None and len(names) > 1:
            raise UsageError(where, "station", "not given", ", ".join(names), "name one of them")
        wanted = [
            held
            for held in self.held
            if held.step.person in going
            and person in (None, held.step.person)
            and task in (None, held.step.task)
            and seed in (None, held.step.seed)
            and (person is not None or station in (None, held.step.station))
        ]
        for state in (MISSING,) if person is None else (MISSING, DOUBTFUL):
            step = _first([each for each in wanted if each.state == state], self.held)
            if step is not None:
                return step
        raise UsageError(where, "sessions left to record", 0, "at least 1")


def standing(file: StudyFile, seen: Sequence[Seen], root: Path) -> Standing:
    """Hold a plan against what is there.

    Parameters
    ----------
    file : StudyFile
    seen : sequence of Seen
        All sessions of the data set.
    root : Path
        Its folder.

    Raises
    ------
    FormatError
        The table of participants is wrong.
    """
    table = root / "participants.tsv"
    people = {p.participant_id: p for p in (read_participants(table) if table.exists() else ())}
    by_step: dict[tuple[str, str, int | None], list[Seen]] = {}
    for one in seen:
        by_step.setdefault((one.info.participant_id, one.info.task, one.seed), []).append(one)
    hashes = {script.name: script_sha256(script) for script in file.scripts}
    units = {station.name: station.unit for station in file.study.station}
    wanted = _Wanted(hashes, units, people)
    held = tuple(
        _hold(step, by_step.pop((step.person, step.task, step.seed), []), wanted)
        for steps in steps_of(file).values()
        for step in steps
    )
    left = [one for sessions in by_step.values() for one in sessions]
    lengths_s = {script.name: length_s(script) for script in file.scripts}
    measured_s = usual_changeover_s(seen, lengths_s)
    changeover_s = file.study.changeover_s if measured_s is None else measured_s
    return Standing(
        file,
        held,
        tuple(_left(one, held, file, lengths_s, changeover_s) for one in file.study.station),
        tuple(_why_unplanned(one, file) for one in left if not one.running),
        (*_cautions(file, seen, people), *_elsewhere(held, seen)),
        changeover_s,
        measured_s is not None,
    )


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Hashes of the scripts by task, units by station, and people by pseudonym."""

    hashes: Mapping[str, str]
    units: Mapping[str, str]
    people: Mapping[str, Participant]


def _hold(step: Step, sessions: list[Seen], wanted: _Wanted) -> Held:
    running = tuple(session_name(one.info) for one in sessions if one.running)
    if running:
        return Held(step, RUNNING, running, ())
    doubts = {session_name(one.info): _doubts(one, step, wanted) for one in sessions}
    sound = tuple(name for name, found in doubts.items() if not found)
    if not doubts:
        return Held(step, MISSING, (), ())
    if sound:
        return Held(step, DONE, sound, ())
    told = tuple(f"{name}: {doubt}" for name, found in doubts.items() for doubt in found)
    return Held(step, DOUBTFUL, tuple(doubts), told)


def _doubts(one: Seen, step: Step, wanted: _Wanted) -> list[str]:
    doubts = list(one.faults)
    if one.script_sha256 != wanted.hashes[step.task]:
        doubts.append(f"its script {step.task} is not the study's")
    # Somebody may be recorded at another station than planned, but with the device that is there.
    station = one.provenance.station if one.provenance else None
    unit = wanted.units.get(station or step.station, step.unit)
    if one.unit != unit:
        doubts.append(f"recorded with {one.unit}, planned with {unit}")
    person = wanted.people.get(step.person)
    if person is None or not person.consent:
        doubts.append("no consent is noted")
    return doubts


def _why_unplanned(one: Seen, file: StudyFile) -> str:
    name = session_name(one.info)
    if one.info.participant_id not in file.study.people:
        return f"{name}: {one.info.participant_id} is not among the study's people"
    if one.info.task not in [script.name for script in file.scripts]:
        return f"{name}: {one.info.task} is not among the study's scripts"
    if one.seed is None:
        return f"{name}: {'; '.join(one.faults)}"
    return f"{name}: no session of {one.info.participant_id} is planned with seed {one.seed}"


def _cautions(
    file: StudyFile, seen: Sequence[Seen], people: Mapping[str, Participant]
) -> Iterable[str]:
    study = file.study
    if study.drawn is None:
        yield f"the locked set is not drawn: palmwatt study {file.path.parent} --draw"
        return
    for name in study.people:
        known = people.get(name)
        if known is not None and known.locked != (name in study.locked):
            drawn, noted = ("", "not ") if name in study.locked else ("not ", "")
            yield f"{name} is {drawn}drawn to be locked, and {noted}locked in participants.tsv"
    early = [
        session_name(one.info)
        for one in seen
        if one.provenance and (one.provenance.recorded or "9") < study.drawn.date.isoformat()
    ]
    if early:
        yield f"{early[0]} and {len(early) - 1} more were recorded before the locked set was drawn"


def _elsewhere(held: Iterable[Held], seen: Sequence[Seen]) -> Iterable[str]:
    """Yield who was recorded at another station than planned: that takes from the balance."""
    stations = {session_name(one.info): one.provenance.station for one in seen if one.provenance}
    for each in held:
        for name in each.sessions:
            at = stations.get(name)
            if at is not None and at != each.step.station:
                yield f"{name}: recorded at station {at}, planned at {each.step.station}"


def _left(
    station: Station,
    held: Sequence[Held],
    file: StudyFile,
    lengths_s: Mapping[str, float],
    changeover_s: float,
) -> StationLeft:
    missing = [
        each
        for each in held
        if each.state == MISSING
        and each.step.station == station.name
        and each.step.person not in file.study.withdrawn
    ]
    left_s = sum(lengths_s[each.step.task] + changeover_s for each in missing)
    return StationLeft(station.name, station.unit, _first(missing, held), len(missing), left_s)


def _first(due: Sequence[Held], held: Sequence[Held]) -> Step | None:
    """Return the first of the steps due of who has begun, else of who comes first in the list."""
    begun = {each.step.person for each in held if each.state != MISSING}
    steps = [each.step for each in due]
    return next((step for step in steps if step.person in begun), steps[0] if steps else None)
