"""The booth's addresses for recording: what the form offers, and the recording as it goes."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import pydantic
from pydantic import ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.websockets import WebSocket

from capture.booth.entrance.windows import show
from capture.booth.recording.desk import Desk, Order
from capture.booth.recording.participant_view import for_participant
from capture.booth.recording.planned_order import as_planned
from capture.booth.request_bodies import Port, offered_ports, open_port, read_body
from capture.cues.script import BUILT_IN, Script, load_script, schedule
from capture.store.dataset import Participant, read_participants
from capture.study.planned import plan_scripts
from capture.study.provenance import NOW, Origin
from runtime.errors import UsageError

__all__ = ["RecordingAddresses"]


class _Wanted(pydantic.BaseModel):
    """The form of the recording page."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    participant: str
    consent: bool
    hand_length_mm: float | None = None
    hand_breadth_mm: float | None = None
    handedness: str | None = None
    skin_reflectance: float | None = None
    locked: bool = False
    script: str
    seed: int = Field(ge=0, lt=2**32)
    port: Port
    distance_mm: float | None = Field(default=None, ge=10.0, le=1000.0)
    station: str | None = None
    operator: str | None = None
    notes: str = ""
    planned: bool = False
    repeat_missed: bool = False


class _Wish(pydantic.BaseModel):
    """A key or button of the running recording."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    wish: Literal["start", "practice", "pause", "redo", "stop"]


class RecordingAddresses:
    """What the recording page asks for.

    Parameters and errors are those of :func:`capture.booth.app.build_app`.
    """

    def __init__(self, root: Path, ports: Sequence[str], scripts: Sequence[str]) -> None:
        self._root = root
        self._ports = tuple(ports)
        self._scripts: dict[str, Script] = {}
        for source in (*scripts, *BUILT_IN):
            script = load_script(source)
            self._scripts.setdefault(script.name, script)
        self.desk = Desk(root)

    def choices(self, request: Request) -> Response:
        """Tell what the recording form offers."""
        table = self._root / "participants.tsv"
        people = read_participants(table) if table.exists() else ()
        return JSONResponse(
            {
                "data_set": self._root.resolve().name,
                "ports": offered_ports(self._ports),
                "scripts": [_script_json(script) for script in self._known_scripts().values()],
                "participants": [dataclasses.asdict(person) for person in people],
            }
        )

    def _known_scripts(self) -> dict[str, Script]:
        """Return the scripts by name; those of the data set's plan come first."""
        planned = {script.name: script for script in plan_scripts(self._root)}
        return planned | {name: s for name, s in self._scripts.items() if name not in planned}

    async def start(self, request: Request) -> Response:
        """Begin a recording; a planned one only if it is still what the plan asks for."""
        return await self._begin(request, checks_first=False)

    async def check(self, request: Request) -> Response:
        """Check sensor, light and hand until a wish begins the recording."""
        return await self._begin(request, checks_first=True)

    async def _begin(self, request: Request, checks_first: bool) -> Response:
        wanted = await read_body(request, _Wanted)
        scripts = self._known_scripts()
        if wanted.script not in scripts:
            raise UsageError("booth", "script", repr(wanted.script[:40]), ", ".join(scripts))
        person = Participant(
            wanted.participant,
            wanted.consent,
            wanted.hand_length_mm,
            wanted.hand_breadth_mm,
            wanted.handedness,
            wanted.skin_reflectance,
            wanted.locked,
        )
        origin = Origin(NOW, wanted.station or None, wanted.operator or None, wanted.notes)
        order = Order(
            person,
            scripts[wanted.script],
            wanted.seed,
            open_port(wanted.port),
            wanted.distance_mm,
            origin,
            repeat_missed=wanted.repeat_missed,
        )
        if wanted.planned:
            order = await run_in_threadpool(as_planned, order, self._root)
        self.desk.start(order, checks_first)
        return JSONResponse(self.desk.state, 202)

    async def wish(self, request: Request) -> Response:
        """Begin, practise, pause, redo or stop what is running."""
        self.desk.wish((await read_body(request, _Wish)).wish)
        return JSONResponse({}, 202)

    async def live(self, socket: WebSocket) -> None:
        """Send the state of the recording as JSON and each readout as bytes."""
        await show(socket, self.desk.messages())

    async def cues(self, socket: WebSocket) -> None:
        """Send what the participant is to see, as JSON: no readout, and nothing about quality."""
        await show(socket, for_participant(self.desk.messages()))


def _script_json(script: Script) -> dict[str, object]:
    cues = schedule(script, 0)
    return {
        "name": script.name,
        "instruction": script.instruction,
        "n_cues": len(cues),
        "duration_s": cues[-1].end_us / 1e6 + script.lead_in_s,
    }
