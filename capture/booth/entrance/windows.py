"""Open windows of a page: each is told how something stands, and none holds up the others."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator

from starlette.websockets import WebSocket, WebSocketDisconnect

from capture.booth.entrance.guard import SUBPROTOCOL

__all__ = ["Message", "Windows", "show"]

Message = bytes | dict[str, object]
_WAITING = 8
"""Messages kept for a window that does not keep up; what it misses is recorded all the same."""


class Windows:
    """The windows that look at one thing, told by whatever thread it runs in.

    Attributes
    ----------
    state : dict of str to object
        How the thing stands, JSON values: what a window is told first.
    """

    def __init__(self, state: dict[str, object]) -> None:
        self.state = state
        self._open: set[asyncio.Queue[Message]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None

    def __bool__(self) -> bool:
        """Tell whether anybody looks."""
        return bool(self._open)

    async def messages(self) -> AsyncGenerator[Message]:
        """Yield the state now, then each message as it is sent."""
        self._loop = asyncio.get_running_loop()
        window: asyncio.Queue[Message] = asyncio.Queue()
        self._open.add(window)
        try:
            yield self.state
            while True:
                yield await window.get()
        finally:
            self._open.discard(window)

    def tell(self, state: dict[str, object]) -> None:
        """Change the state, and tell it."""
        self.state = state
        self.send(state)

    def send(self, message: Message) -> None:
        """Hand a message from any thread to the server's."""
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the server has ended: nobody looks any more
                self._loop.call_soon_threadsafe(self._deliver, message)

    def _deliver(self, message: Message) -> None:
        for window in self._open:
            if window.qsize() >= _WAITING:
                if isinstance(message, bytes):
                    continue
                window.get_nowait()
            window.put_nowait(message)


async def show(socket: WebSocket, messages: AsyncGenerator[Message]) -> None:
    """Send messages through a web socket until it ends; nothing is asked through it."""
    await socket.accept(SUBPROTOCOL if SUBPROTOCOL in socket.scope["subprotocols"] else None)
    sending = asyncio.create_task(_send(socket, messages))
    try:
        while (await socket.receive())["type"] != "websocket.disconnect":
            pass
    finally:
        sending.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await sending


async def _send(socket: WebSocket, messages: AsyncGenerator[Message]) -> None:
    with contextlib.suppress(WebSocketDisconnect):
        async with contextlib.aclosing(messages):
            async for message in messages:
                if isinstance(message, bytes):
                    await socket.send_bytes(message)
                else:
                    await socket.send_json(message)
