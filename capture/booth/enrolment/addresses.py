"""The booth's addresses for enrolment: what the form offers, and the enrolment as it goes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

import pydantic
from pydantic import ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.websockets import WebSocket

from capture.booth.enrolment.desk import EnrolmentDesk, Learner, Lesson
from capture.booth.entrance.windows import show
from capture.booth.request_bodies import Port, offered_ports, open_port, read_body
from capture.lead.live import calibrated_unit
from capture.lead.owner.enrolling import TAKES, wishes
from runtime.enrolment import enrol_place, refuse_without
from runtime.errors import UsageError
from runtime.model import load_model

__all__ = ["EnrolmentAddresses"]

_MOST_CLASSES = 256


class _Wanted(pydantic.BaseModel):
    """The form of the enrolment page."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    model: Annotated[str, Field(max_length=200)]
    port: Port
    classes: Annotated[list[Annotated[str, Field(max_length=200)]], Field(max_length=_MOST_CLASSES)]
    takes: int


class _Wish(pydantic.BaseModel):
    """A button of the page."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    wish: Literal["stop", "erase"]


class EnrolmentAddresses:
    """What the enrolment page asks for.

    Parameters
    ----------
    root : Path
        Folder of the data set, whose name the page shows; nothing of an enrolment goes there.
    ports : sequence of str
        Ports to offer first.
    models : sequence of Path
        Folders of models that can learn their owner.

    Raises
    ------
    UsageError
        A model cannot learn, or two have the same name.
    FormatError
        A model is damaged.
    """

    def __init__(self, root: Path, ports: Sequence[str], models: Sequence[Path]) -> None:
        self._root, self._ports = root, tuple(ports)
        self._learners: dict[str, Learner] = {}
        for folder in models:
            model = load_model(folder)
            refuse_without(model)
            if model.name in self._learners:
                raise UsageError("booth", "models", f"{model.name} twice", "each once")
            self._learners[model.name] = Learner(model, calibrated_unit(folder))
        self.desk = EnrolmentDesk()

    def choices(self, request: Request) -> Response:
        """Tell what the form offers: models with the classes that each can learn."""
        return JSONResponse(
            {
                "data_set": self._root.resolve().name,
                "ports": offered_ports(self._ports),
                "models": [_offered(name, each) for name, each in self._learners.items()],
            }
        )

    async def start(self, request: Request) -> Response:
        """Begin an enrolment."""
        wanted = await read_body(request, _Wanted)
        learner = self._learners.get(wanted.model)
        if learner is None:
            expected = ", ".join(self._learners) or "one given to the command by --model"
            raise UsageError("booth", "model", repr(wanted.model[:40]), expected)
        if not wanted.classes:
            raise UsageError("booth", "gestures to enrol", "none", "at least one")
        asked = wishes(learner.model, wanted.takes, wanted.classes)
        self.desk.start(Lesson(learner, open_port(wanted.port), asked))
        return JSONResponse(self.desk.state, 202)

    async def wish(self, request: Request) -> Response:
        """Stop what is running, or erase what was learned."""
        wish = (await read_body(request, _Wish)).wish
        if wish == "stop":
            self.desk.stop()
        else:
            self.desk.erase()
        return JSONResponse({}, 202)

    def learned(self, request: Request) -> Response:
        """Give what was learned, once it is there, as the file that ``--enrolled`` takes."""
        return Response(self.desk.learned(), media_type="application/octet-stream")

    async def live(self, socket: WebSocket) -> None:
        """Send the state of the enrolment as JSON: no readout, and nothing of what is learned."""
        await show(socket, self.desk.messages())


def _offered(name: str, learner: Learner) -> dict[str, object]:
    _, stage = enrol_place(learner.model)
    n_known = stage.sizes.n_known
    return {
        "name": name,
        "classes": [
            {"name": label, "own": number >= n_known}
            for number, label in enumerate(learner.model.classes)
            if number >= n_known or stage.learnable[number]
        ],
        "takes": min(TAKES, stage.n_takes),
        "most_takes": stage.n_takes,
        "moves": stage.moves,
    }
