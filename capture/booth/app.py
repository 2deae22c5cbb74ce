"""The booth's addresses: pages, the live web socket, and JSON for recording and review."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import datetime
import logging
from collections.abc import AsyncIterator, Iterable, Sequence
from pathlib import Path
from typing import Literal, TypeVar

import pydantic
from pydantic import ConfigDict, Field
from serial.tools import list_ports
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from capture.booth.guard import SUBPROTOCOL, Guard, refusal
from capture.booth.labelling import Edit, StaleRevisionError, Table, apply_edit, open_table
from capture.booth.readouts import Shelf, frame_bytes
from capture.booth.recording_desk import Desk, Order
from capture.cues.labels import GOOD, read_events
from capture.cues.script import BUILT_IN, Script, load_script, schedule
from capture.store.dataset import Participant, SessionInfo, find_sessions, read_participants
from runtime.errors import Error, UsageError

__all__ = ["build_app"]

_STATIC = Path(__file__).parent / "static"
_PAGES = {"/": "record.html", "/review": "review.html"}
_MAX_BODY = 64 * 1024
_CLOSED_SCHEMES = ("spy:", "alt:", "hwgrep:", "cp2110:")
"""Ports of pyserial that write files, load code by name or search; a page must not open them."""
_log = logging.getLogger(__name__)
_Body = TypeVar("_Body", bound=pydantic.BaseModel)


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
    port: str = Field(pattern="^[ -~]{1,200}$")
    distance_mm: float | None = Field(default=None, ge=10.0, le=1000.0)


class _Wish(pydantic.BaseModel):
    """A key or button of the running recording."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    wish: Literal["pause", "redo", "stop"]


class _Booth:
    """What the addresses answer.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    ports : sequence of str
        Ports to offer first.
    scripts : sequence of str
        Files of cue scripts to offer beside the built-in ones.
    """

    def __init__(self, root: Path, ports: Sequence[str], scripts: Sequence[str]) -> None:
        self._root = root
        self._ports = tuple(ports)
        self._scripts: dict[str, Script] = {}
        for source in (*scripts, *BUILT_IN):
            script = load_script(source)
            self._scripts.setdefault(script.name, script)
        self._shelf = Shelf()
        self.desk = Desk(root)

    def choices(self, request: Request) -> Response:
        """Tell what the recording form offers."""
        table = self._root / "participants.tsv"
        people = read_participants(table) if table.exists() else ()
        found = sorted(port.device for port in list_ports.comports())
        return JSONResponse(
            {
                "data_set": self._root.resolve().name,
                "ports": list(dict.fromkeys((*self._ports, *found))),
                "scripts": [_script_json(script) for script in self._scripts.values()],
                "participants": [dataclasses.asdict(person) for person in people],
            }
        )

    async def start(self, request: Request) -> Response:
        """Begin a recording."""
        wanted = await _read_body(request, _Wanted)
        if wanted.script not in self._scripts:
            raise UsageError("booth", "script", repr(wanted.script[:40]), ", ".join(self._scripts))
        if wanted.port.strip().lower().startswith(_CLOSED_SCHEMES):
            raise UsageError("booth", "port", repr(wanted.port[:40]), "a device, socket or rfc2217")
        person = Participant(
            wanted.participant,
            wanted.consent,
            wanted.hand_length_mm,
            wanted.hand_breadth_mm,
            wanted.handedness,
            wanted.skin_reflectance,
            wanted.locked,
        )
        script, port = self._scripts[wanted.script], wanted.port.strip()
        self.desk.start(Order(person, script, wanted.seed, port, wanted.distance_mm))
        return JSONResponse(self.desk.state, 202)

    async def wish(self, request: Request) -> Response:
        """Pause, redo or stop the running recording."""
        self.desk.wish((await _read_body(request, _Wish)).wish)
        return JSONResponse({}, 202)

    async def live(self, socket: WebSocket) -> None:
        """Send the state of the recording as JSON and each readout as bytes."""
        await socket.accept(SUBPROTOCOL if SUBPROTOCOL in socket.scope["subprotocols"] else None)
        sending = asyncio.create_task(self._send_live(socket))
        try:
            # Nothing is asked through it: it only ends.
            while (await socket.receive())["type"] != "websocket.disconnect":
                pass
        finally:
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sending

    async def _send_live(self, socket: WebSocket) -> None:
        with contextlib.suppress(WebSocketDisconnect):
            async with contextlib.aclosing(self.desk.messages()) as messages:
                async for message in messages:
                    if isinstance(message, bytes):
                        await socket.send_bytes(message)
                    else:
                        await socket.send_json(message)

    def sessions(self, request: Request) -> Response:
        """List the sessions; how their takes were judged only to who does not review blind."""
        found = find_sessions(self._root)
        self._shelf.keep_only(info.path for info in found)
        blind = request.query_params.get("blind") == "yes"
        return JSONResponse({"sessions": [_session_json(info, blind) for info in found]})

    def session(self, request: Request) -> Response:
        """Describe one session and give its time line."""
        info = self._find(request)
        known = self._shelf.get(info.path)
        sensor = known.session.sensor
        return JSONResponse(
            {
                "id": _id(info),
                "n_rows": sensor.n_rows,
                "n_cols": sensor.n_cols,
                "saturation_counts": sensor.saturation_counts,
                "frame_rate_hz": sensor.frame_rate_hz,
                "unit": known.session.unit,
                "duration_s": known.duration_s,
                "ranges": known.ranges,
                "labels": list(self._labels(info)),
            }
        )

    def energy(self, request: Request) -> Response:
        """Give time in seconds (float64) of all frame pairs, then their energy (float32)."""
        known = self._shelf.get(self._find(request).path)
        return _bytes_reply(
            known.time_s.astype("<f8").tobytes() + known.energy.astype("<f4").tobytes()
        )

    def frames(self, request: Request) -> Response:
        """Give `count` frame pairs from the `first` on."""
        known = self._shelf.get(self._find(request).path)
        return _bytes_reply(frame_bytes(known, _whole(request, "first"), _whole(request, "count")))

    def labels(self, request: Request) -> Response:
        """Give the labels as one labeller may see them."""
        query = request.query_params
        return _table_reply(
            open_table(self._find(request), query.get("labeller", ""), query.get("blind") == "yes")
        )

    async def edit(self, request: Request) -> Response:
        """Carry out and save one edit."""
        edit = await _read_body(request, Edit)
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")

        def carry_out() -> Table:
            info = self._find(request)
            duration_s = self._shelf.get(info.path).duration_s
            return apply_edit(info, edit, self._labels(info), duration_s, now)

        return _table_reply(await run_in_threadpool(carry_out))

    def _labels(self, info: SessionInfo) -> tuple[str, ...]:
        """Return what a take of a session may be called: the labels of its script."""
        return self._shelf.get(info.path).session.script.trial_types

    def _find(self, request: Request) -> SessionInfo:
        """Return a session of the listing; what the request says is compared, never opened."""
        wanted = request.path_params["id"]
        for info in find_sessions(self._root):
            if _id(info) == wanted:
                return info
        raise HTTPException(404, "There is no such session; it may have been removed.")


def _id(info: SessionInfo) -> str:
    return f"sub-{info.participant_id}_ses-{info.session}_task-{info.task}"


def _script_json(script: Script) -> dict[str, object]:
    cues = schedule(script, 0)
    return {
        "name": script.name,
        "instruction": script.instruction,
        "n_cues": len(cues),
        "duration_s": cues[-1].end_us / 1e6 + script.lead_in_s,
    }


def _session_json(info: SessionInfo, blind: bool) -> dict[str, object]:
    entry: dict[str, object] = {
        "id": _id(info),
        "participant": info.participant_id,
        "session": info.session,
        "task": info.task,
    }
    if not info.events_path.exists():
        return entry | {"note": "no labels yet: being recorded, or cut off; open it to repair it"}
    if not blind:
        try:
            events = read_events(info.events_path)
        except Error as error:
            return entry | {"note": str(error)}
        people = {event.labeller for event in events} - {"script", "energy"}
        entry["n_takes"] = len(events)
        entry["n_rejected"] = sum(event.status != GOOD for event in events)
        entry["labellers"] = sorted(people)
    return entry


def _table_reply(table: Table) -> Response:
    return JSONResponse(dataclasses.asdict(table))


def _bytes_reply(content: bytes) -> Response:
    return Response(content, media_type="application/octet-stream")


def _whole(request: Request, name: str) -> int:
    text = request.query_params.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 12):
        raise UsageError("request", name, repr(text[:40]), "a whole number from 0")
    return int(text)


async def _read_body(request: Request, model: type[_Body]) -> _Body:
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise HTTPException(415, "The request's content type is not application/json.")
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > _MAX_BODY:
            raise HTTPException(413, f"The request is longer than {_MAX_BODY} bytes.")
    try:
        return model.model_validate_json(bytes(body))
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise HTTPException(400, f"request: {place}: {first['msg']}.") from None


def _tell_http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    text = error.detail if isinstance(error, HTTPException) else ""
    return refusal(status, text)


def _tell_error(request: Request, error: Exception) -> Response:
    return refusal(409 if isinstance(error, StaleRevisionError) else 400, str(error))


def _tell_fault(request: Request, error: Exception) -> Response:
    return refusal(500, "The booth failed on this request; its terminal says why.")


def build_app(
    root: Path,
    *,
    hosts: Iterable[str],
    token: str | None = None,
    ports: Sequence[str] = (),
    scripts: Sequence[str] = (),
) -> Starlette:
    """Return the booth as an ASGI application.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    hosts : iterable of str
        Hosts with port under which it is reached, such as ``127.0.0.1:8137``.
    token : str, optional
        What each request for data must present.
    ports : sequence of str
        Ports to offer first.
    scripts : sequence of str
        Files of cue scripts to offer beside the built-in ones.

    Raises
    ------
    FormatError
        A script is wrong.
    """
    booth = _Booth(root, ports, scripts)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(booth.desk.close)

    def page(name: str) -> Route:
        return Route(name, lambda request: FileResponse(_STATIC / _PAGES[name]))

    one = "/api/sessions/{id}"
    app = Starlette(
        routes=[
            *(page(name) for name in _PAGES),
            Mount("/static", StaticFiles(directory=_STATIC)),
            WebSocketRoute("/live", booth.live),
            Route("/api/choices", booth.choices),
            Route("/api/recording", booth.start, methods=["POST"]),
            Route("/api/recording/wishes", booth.wish, methods=["POST"]),
            Route("/api/sessions", booth.sessions),
            Route(one, booth.session),
            Route(f"{one}/energy", booth.energy),
            Route(f"{one}/frames", booth.frames),
            Route(f"{one}/labels", booth.labels),
            Route(f"{one}/edits", booth.edit, methods=["POST"]),
        ],
        middleware=[Middleware(Guard, hosts=tuple(hosts), token=token)],
        exception_handlers={
            HTTPException: _tell_http,
            Error: _tell_error,
            Exception: _tell_fault,
        },
        lifespan=lifespan,
    )
    app.state.desk = booth.desk
    return app
