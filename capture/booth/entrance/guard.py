"""What stands before the booth's pages: who may ask, from where, and what a browser may do."""

from __future__ import annotations

import hmac
from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["SUBPROTOCOL", "Guard", "refusal"]

SUBPROTOCOL = "palmwatt-booth"
"""Of the web socket; a token travels beside it as ``token.`` and itself, because a browser cannot
set other headers there."""
_GUARDED = ("/api/", "/live", "/cues")
_POLICY = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Refuses foreign requests and tells the browser to load nothing from elsewhere.

    A page of another site, opened in the same browser, can send requests here too, and by DNS
    rebinding even under a name of its own. So the Host must be one of ours, and an Origin, which
    browsers send with each post and web socket, must be ours as well.

    Parameters
    ----------
    app : ASGI application
        What is guarded.
    hosts : iterable of str
        Hosts, with port, under which the booth is reached.
    token : str or None
        What each request for data must present; pages and scripts hold no secrets.
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str], token: str | None) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request: ASGI's own call."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return

        async def send_with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_POLICY)
            await send(message)

        refused = self._refuse(scope)
        if refused is None:
            await self._app(scope, receive, send_with_policy)
        elif scope["type"] == "http":
            await refusal(*refused)(scope, receive, send_with_policy)
        else:
            await send({"type": "websocket.close", "code": 1008, "reason": refused[1]})

    def _refuse(self, scope: Scope) -> tuple[int, str] | None:
        """Return status and reason, or None if the request may pass."""
        headers = Headers(scope=scope)
        if [value.lower() for value in headers.getlist("host")] not in [[h] for h in self._hosts]:
            return 403, "The request names another host than the booth's."
        origins = headers.getlist("origin")
        changes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if origins not in [[f"http://{host}"] for host in self._hosts] and (origins or changes):
            return 403, "The request comes from a page that is not the booth's."
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "The request comes from a page that is not the booth's."
        if self._token is not None and scope["path"].startswith(_GUARDED):
            given = _given_token(headers)
            if not hmac.compare_digest(given.encode(), self._token.encode()):
                return 401, "The token is missing or wrong: open the address the command printed."
        return None


def _given_token(headers: Headers) -> str:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return token
    for offer in headers.get("sec-websocket-protocol", "").split(","):
        if offer.strip().startswith("token."):
            return offer.strip().removeprefix("token.")
    return ""


def refusal(status: int, text: str) -> JSONResponse:
    """Return an error as the booth reports it: one plain line in JSON."""
    return JSONResponse({"error": " ".join(text.split())}, status)
