"""What a request to the booth says: its JSON body by a model, numbers and ports, within limits."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Annotated, TypeVar

import pydantic
from pydantic import Field
from serial.tools import list_ports
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request

from runtime.errors import UsageError

__all__ = ["Port", "offered_ports", "open_port", "read_body", "whole_number"]

_MAX_BODY = 64 * 1024
_BODY_S = 10.0
_CLOSED_SCHEMES = ("spy:", "alt:", "hwgrep:", "cp2110:")
"""Ports of pyserial that write files, load code by name or search; a page must not open them."""
Port = Annotated[str, Field(pattern="^[ -~]{1,200}$")]
_Body = TypeVar("_Body", bound=pydantic.BaseModel)


async def read_body(request: Request, model: type[_Body]) -> _Body:
    """Return a request's JSON body as a model.

    Raises
    ------
    HTTPException
        It is no JSON (415), too long (413), too slow (408), or not what the model holds (400).
    """
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise HTTPException(415, "The request's content type is not application/json.")
    try:
        async with asyncio.timeout(_BODY_S):
            body = await _whole_body(request)
    except TimeoutError:
        raise HTTPException(408, f"The request took longer than {_BODY_S:g} s.") from None
    except ClientDisconnect:  # nobody hears this, and it is nobody's fault here
        raise HTTPException(400, "The request was broken off.") from None
    try:
        return model.model_validate_json(body)
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise HTTPException(400, f"request: {place}: {first['msg']}.") from None


async def _whole_body(request: Request) -> bytes:
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > _MAX_BODY:
            raise HTTPException(413, f"The request is longer than {_MAX_BODY} bytes.")
    return bytes(body)


def whole_number(request: Request, name: str) -> int:
    """Return a whole number of a request's query.

    Raises
    ------
    UsageError
        It is missing, or no number of at most twelve digits.
    """
    text = request.query_params.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 12):
        raise UsageError("request", name, repr(text[:40]), "a whole number from 0")
    return int(text)


def offered_ports(first: Sequence[str]) -> list[str]:
    """Return the ports that a page offers: those named at the start, then those of the machine."""
    found = sorted(port.device for port in list_ports.comports())
    return list(dict.fromkeys((*first, *found)))


def open_port(text: str) -> str:
    """Return a port as it is to be opened; raises UsageError where a page must not open it."""
    if text.strip().lower().startswith(_CLOSED_SCHEMES):
        raise UsageError("booth", "port", repr(text[:40]), "a device, socket or rfc2217")
    return text.strip()
