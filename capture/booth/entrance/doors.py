"""How many connections the booth holds, and which it lets go when there are too many.

A page needs two or three. Somebody who opens many more, or a program that forgets to close them,
must neither shut the others out nor fill the memory: past the bound, the connection that has been
silent longest, of the client that holds most, is closed, and the new one is served.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable

from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

__all__ = ["MOST_CONNECTIONS", "MOST_WINDOWS", "Doors", "door_protocols"]

MOST_CONNECTIONS = 64
"""Connections for requests. Each holds at most a body of 64 KiB and an answer of 8 MiB."""
MOST_WINDOWS = 32
"""Web sockets, one for each open window of the recording or the participant's page."""


class Doors:
    """The open connections of one kind, those heard from longest ago first.

    Parameters
    ----------
    most : int
        How many may be open at once.
    at_work : callable
        Whether the booth is working for a connection; such a one is closed last.
    """

    def __init__(self, most: int, at_work: Callable[[asyncio.Protocol], bool]) -> None:
        self._most = most
        self._at_work = at_work
        self._open: dict[asyncio.Protocol, tuple[asyncio.Transport, str]] = {}

    def enter(self, connection: asyncio.Protocol, transport: asyncio.Transport) -> None:
        """Count a new connection in, and close another one if there are too many."""
        peer = transport.get_extra_info("peername")
        self._open[connection] = (transport, str(peer[0]) if peer else "")
        if len(self._open) > self._most:
            self._close_one()

    def hear(self, connection: asyncio.Protocol) -> None:
        """Note that a connection was heard from."""
        known = self._open.pop(connection, None)
        if known is not None:
            self._open[connection] = known

    def leave(self, connection: asyncio.Protocol) -> None:
        """Count a connection out."""
        self._open.pop(connection, None)

    def _close_one(self) -> None:
        held = Counter(client for _, client in self._open.values())
        most = max(held.values())
        of_the_greediest = [c for c, (_, client) in self._open.items() if held[client] == most]
        idle = [connection for connection in of_the_greediest if not self._at_work(connection)]
        transport, _ = self._open.pop((idle or of_the_greediest)[0])
        transport.abort()  # who does not read would keep a close in order waiting


def _answering(connection: asyncio.Protocol) -> bool:
    """Return whether a request is whole, and its answer being made or taken."""
    if not isinstance(connection, H11Protocol) or connection.cycle is None:
        return False
    cycle = connection.cycle
    waiting = cycle.more_body or connection.flow.write_paused
    return not (cycle.response_complete or waiting)


def door_protocols() -> tuple[type[asyncio.Protocol], type[asyncio.Protocol]]:
    """Return uvicorn's protocols of requests and of web sockets, bounded for one server."""
    requests = Doors(MOST_CONNECTIONS, _answering)
    windows = Doors(MOST_WINDOWS, lambda connection: False)

    class Request(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
            super().connection_made(transport)
            requests.enter(self, transport)

        def data_received(self, data: bytes) -> None:
            requests.hear(self)
            super().data_received(data)

        def connection_lost(self, exc: Exception | None) -> None:
            requests.leave(self)
            super().connection_lost(exc)

        def handle_websocket_upgrade(self, event: object) -> None:
            requests.leave(self)
            super().handle_websocket_upgrade(event)  # type: ignore[arg-type]  # handed on as it came

    class Window(WebSocketsSansIOProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            super().connection_made(transport)
            windows.enter(self, self.transport)

        def connection_lost(self, exc: Exception | None) -> None:
            windows.leave(self)
            super().connection_lost(exc)

    return Request, Window
