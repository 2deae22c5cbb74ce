"""The booth's addresses for review: sessions, their readouts, and the edits of their labels."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from capture.booth.doubtful import Doubtful
from capture.booth.label_sheet import Table
from capture.booth.labelling import Edit, apply_edit, open_table
from capture.booth.readouts import Shelf, frame_bytes
from capture.booth.request_bodies import read_body, whole_number
from capture.cues.labels import GOOD, read_events
from capture.store.dataset import SessionInfo, find_sessions
from runtime.errors import Error

__all__ = ["ReviewAddresses"]


class ReviewAddresses:
    """What the review page asks for.

    Parameters
    ----------
    root : Path
        Folder of the data set.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._shelf = Shelf()
        self._doubtful = Doubtful(root)

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
                "gaps": known.gaps_s,
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
        return _bytes_reply(
            frame_bytes(known, whole_number(request, "first"), whole_number(request, "count"))
        )

    def labels(self, request: Request) -> Response:
        """Give the labels as one labeller may see them."""
        query = request.query_params
        return _table_reply(
            open_table(self._find(request), query.get("labeller", ""), query.get("blind") == "yes")
        )

    def doubts(self, request: Request) -> Response:
        """Say which takes to look at first; nothing to who reviews blind."""
        if request.query_params.get("blind") == "yes":
            return JSONResponse({"whole": [], "takes": []})
        return JSONResponse(self._doubtful.of(self._find(request)))

    async def edit(self, request: Request) -> Response:
        """Carry out and save one edit."""
        edit = await read_body(request, Edit)
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
