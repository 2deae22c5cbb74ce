"""Before the first cue: checks go on until the operator begins, with a practice round if wished.

Nothing of it is kept. The practice round gives each cue of the script once, in the script's order,
with a longer rest before it, on the host's clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from capture.cues.conductor import Conductor, Moment
from capture.cues.script import Script, schedule
from capture.frames import FramePair
from capture.lead.incoming_pairs import PairWatcher
from capture.lead.missed import Missed
from capture.lead.readiness_checks import Check, ReadinessChecks
from capture.wire.codec import CommandKind, Exposure, Message
from capture.wire.link import SerialLink
from capture.wire.pairing import Pairer

__all__ = ["Preparation", "practice_script", "prepare"]

_REPORT_S = 0.05
_CHECK_S = 0.5
_REST_S = 2.0
_LEAD_IN_S = 3.0
_LONGEST_S = 5.0  # a cue in practice; what is asked is clear by then


@dataclass(frozen=True, slots=True)
class Preparation:
    """How the preparation stands.

    Parameters
    ----------
    checks : tuple of Check
        What holds.
    moment : Moment or None
        What the participant sees in the practice round; None outside of it.
    n_practised : int
        Cues of the practice round that are behind; of the last one where none stands.
    n_missed : int
        Those of them in which nothing moved.
    """

    checks: tuple[Check, ...]
    moment: Moment | None = None
    n_practised: int = 0
    n_missed: int = 0


def practice_script(script: Script) -> Script:
    """Return a script that gives each cue once, in order, with time to read it."""
    cues = tuple(
        kind.model_copy(update={"repetitions": 1, "duration_s": min(kind.duration_s, _LONGEST_S)})
        for kind in script.cues
    )
    return script.model_copy(
        update={
            "cues": cues,
            "shuffle": False,
            "rest_s": (_REST_S, _REST_S),
            "lead_in_s": _LEAD_IN_S,
        }
    )


class _Round:
    """One practice round on the host's clock."""

    def __init__(self, script: Script, now_s: float) -> None:
        practice = practice_script(script)
        self._conductor = Conductor(schedule(practice, 0), 0)
        self._missed = Missed(script.movement)
        self._began_s = now_s
        self._energy: list[float] = []
        self._time_s: list[float] = []
        self.n_missed = 0

    def add(self, energy: float, now_s: float) -> None:
        """Take the energy of a frame pair that came now."""
        time_s = now_s - self._began_s
        if not self._time_s or time_s > self._time_s[-1]:
            self._energy.append(energy)
            self._time_s.append(time_s)

    def stands(self, now_s: float) -> tuple[Moment, int]:
        """Return what the participant sees now, and how many cues are behind."""
        moment = self._conductor.advance(round(1e6 * (now_s - self._began_s)))
        missed = self._missed.look(self._conductor.ended, self._energy, self._time_s)
        self.n_missed = len(missed)
        return moment, self._conductor.n_done


class _Bench:
    """The sensor before the session: pairs its exposures and hands them to the checks."""

    def __init__(
        self, link: SerialLink, script: Script, out: Path, watch: PairWatcher | None
    ) -> None:
        description = link.describe()
        self._pairer = Pairer(description)
        self._watch = watch
        self._first_us: int | None = None
        self.checks = ReadinessChecks(description.sensor, script, out)
        self.round: _Round | None = None
        self.practised = 0, 0  # cues that are behind in the last round, and those missed

    def take(self, message: Message) -> None:
        """Take one message from the sensor."""
        if isinstance(message, Exposure):
            for pair in self._pairer.add(message):
                self._see(pair)

    def _see(self, pair: FramePair) -> None:
        energy = self.checks.add(pair)
        if self.round is not None:
            self.round.add(energy, time.monotonic())
        if self._first_us is None:
            self._first_us = pair.time_us
        if self._watch is not None:
            self._watch(pair, (pair.time_us - self._first_us) / 1e6, energy)


def prepare(
    link: SerialLink,
    script: Script,
    out: Path,
    show: Callable[[Preparation], None],
    wish: Callable[[], str | None],
    watch: PairWatcher | None = None,
) -> bool:
    """Check until the operator begins or leaves; return whether to begin.

    Parameters
    ----------
    link : SerialLink
        Open port of a sensor; left running.
    script : Script
        What is to be recorded.
    out : Path
        Where it is to be written; there already.
    show : callable
        Called about 20 times a second with how it stands.
    wish : callable
        Called as often; returns ``start``, ``practice`` (again to end the round), ``stop`` or None.
    watch : callable, optional
        Sees each frame pair, with its time in seconds and its readout energy in counts.

    Raises
    ------
    PortError
        The sensor is gone, or does not say what it is.
    """
    bench = _Bench(link, script, out, watch)
    link.ask(CommandKind.START, after=bench.take)
    reported = checked = 0.0
    checks = bench.checks.results()
    while True:
        for message in link.read():
            bench.take(message)
        now = time.monotonic()
        if now - checked >= _CHECK_S:
            checked, checks = now, bench.checks.results()
        if now - reported < _REPORT_S:
            continue
        reported = now
        show(_standing(bench, checks, now))
        wished = wish()
        if wished == "practice":
            bench.round = None if bench.round is not None else _Round(script, now)
        elif wished in ("start", "stop"):
            return wished == "start"


def _standing(bench: _Bench, checks: tuple[Check, ...], now: float) -> Preparation:
    moment: Moment | None = None
    if bench.round is not None:
        moment, n_done = bench.round.stands(now)
        bench.practised = n_done, bench.round.n_missed
        if moment.phase == "done":
            moment = bench.round = None
    return Preparation(checks, moment, *bench.practised)
