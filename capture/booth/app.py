"""The booth as one application: pages, addresses, who may ask, and how errors are answered."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Iterable, Sequence
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles

from capture.booth.enrolment.addresses import EnrolmentAddresses
from capture.booth.entrance.guard import Guard, refusal
from capture.booth.labelling import StaleRevisionError
from capture.booth.recording.addresses import RecordingAddresses
from capture.booth.review_addresses import ReviewAddresses
from capture.study.addresses import StudyAddresses
from runtime.errors import Error

__all__ = ["build_app"]

_STATIC = Path(__file__).parent / "static"
_PAGES = {
    "/": "record.html",
    "/participant": "participant.html",
    "/review": "review.html",
    "/study": "study.html",
    "/enrol": "enrol.html",
}


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
    models: Sequence[Path] = (),
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
    models : sequence of Path
        Folders of models that can learn their owner, to offer on the enrolment page.

    Raises
    ------
    UsageError
        A model cannot learn, or two have the same name.
    FormatError
        A script is wrong, or a model damaged.
    """
    recording, review = RecordingAddresses(root, ports, scripts), ReviewAddresses(root)
    enrolment = EnrolmentAddresses(root, ports, models)

    def close() -> None:
        recording.desk.close()
        enrolment.desk.close()

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(close)

    def page(name: str) -> Route:
        return Route(name, lambda request: FileResponse(_STATIC / _PAGES[name]))

    one = "/api/sessions/{id}"
    app = Starlette(
        routes=[
            *(page(name) for name in _PAGES),
            Mount("/static", StaticFiles(directory=_STATIC)),
            WebSocketRoute("/live", recording.live),
            WebSocketRoute("/cues", recording.cues),
            Route("/api/choices", recording.choices),
            Route("/api/check", recording.check, methods=["POST"]),
            Route("/api/recording", recording.start, methods=["POST"]),
            Route("/api/recording/wishes", recording.wish, methods=["POST"]),
            WebSocketRoute("/api/enrolment/live", enrolment.live),
            Route("/api/enrolment", enrolment.choices),
            Route("/api/enrolment", enrolment.start, methods=["POST"]),
            Route("/api/enrolment/wishes", enrolment.wish, methods=["POST"]),
            Route("/api/enrolment/learned", enrolment.learned),
            Route("/api/study", StudyAddresses(root).study),
            Route("/api/sessions", review.sessions),
            Route(one, review.session),
            Route(f"{one}/energy", review.energy),
            Route(f"{one}/frames", review.frames),
            Route(f"{one}/labels", review.labels),
            Route(f"{one}/doubts", review.doubts),
            Route(f"{one}/edits", review.edit, methods=["POST"]),
        ],
        middleware=[Middleware(Guard, hosts=tuple(hosts), token=token)],
        exception_handlers={
            HTTPException: _tell_http,
            Error: _tell_error,
            Exception: _tell_fault,
        },
        lifespan=lifespan,
    )
    app.state.desk, app.state.close = recording.desk, close
    return app
