"""The two ends of the emulated sensor's cable: a pseudo-terminal, or a loopback socket."""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
from typing import Protocol

from runtime.errors import PortError, UsageError

__all__ = ["Port", "open_port"]

_READ_BYTES = 65_536


class Port(Protocol):
    """A byte stream that never blocks for longer than requested."""

    url: str
    """What a host opens."""

    def wait(self, timeout_s: float | None, to_write: bool) -> None:
        """Sleep until there is something to read, room to write if required, or the time is up."""

    def read(self) -> bytes:
        """Return what has come; empty when nothing has."""

    def write(self, data: bytes | bytearray) -> int:
        """Send what fits now and return how much that was."""

    def close(self) -> None:
        """Release it."""


class PseudoTerminal:
    """The master side of a pseudo-terminal; the host opens the other side by its path."""

    def __init__(self) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise PortError(
                "emulated sensor", "pseudo-terminal", "not known here", do="use transport socket"
            ) from None
        # The slave stays open and raw: otherwise it echoes, and a host that leaves hangs it up.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._master, selectors.EVENT_READ)

    def wait(self, timeout_s: float | None, to_write: bool) -> None:
        """See Port."""
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if to_write else 0)
        self._selector.modify(self._master, events)
        self._selector.select(timeout_s)

    def read(self) -> bytes:
        """See Port."""
        try:
            return os.read(self._master, _READ_BYTES)
        except BlockingIOError:
            return b""

    def write(self, data: bytes | bytearray) -> int:
        """See Port."""
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """See Port."""
        self._selector.close()
        os.close(self._master)
        os.close(self._slave)


class LoopbackSocket:
    """A socket on 127.0.0.1 for one host at a time; the next may come when it has left."""

    def __init__(self, number: int = 0) -> None:
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._listener.bind(("127.0.0.1", number))
        except OSError as error:
            self._listener.close()
            raise PortError("emulated sensor", f"port {number}", error.strerror) from None
        self._listener.listen(1)
        self._listener.setblocking(False)
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._host: socket.socket | None = None
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)

    def wait(self, timeout_s: float | None, to_write: bool) -> None:
        """See Port."""
        if self._host is not None:
            events = selectors.EVENT_READ | (selectors.EVENT_WRITE if to_write else 0)
            self._selector.modify(self._host, events)
        ready = self._selector.select(timeout_s)
        if self._host is None and ready:
            with contextlib.suppress(BlockingIOError):
                self._host, _ = self._listener.accept()
                self._host.setblocking(False)
                # without it small packets wait for the host's delayed acknowledgement
                self._host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._selector.unregister(self._listener)
                self._selector.register(self._host, selectors.EVENT_READ)

    def read(self) -> bytes:
        """See Port."""
        if self._host is None:
            return b""
        try:
            data = self._host.recv(_READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._leave()
        return data

    def write(self, data: bytes | bytearray) -> int:
        """See Port; bytes for a host that has left go nowhere, as on an open cable."""
        if self._host is None:
            return len(data)
        try:
            return self._host.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._leave()
            return len(data)

    def _leave(self) -> None:
        if self._host is not None:
            self._selector.unregister(self._host)
            self._host.close()
            self._host = None
            self._selector.register(self._listener, selectors.EVENT_READ)

    @property
    def connected(self) -> bool:
        """Whether a host is there."""
        return self._host is not None

    def close(self) -> None:
        """See Port."""
        self._leave()
        self._selector.close()
        self._listener.close()


def open_port(transport: str, number: int = 0) -> Port:
    """Open ``pty``, ``socket``, or ``auto``: a pseudo-terminal where the system has them."""
    if transport == "auto":
        transport = "pty" if os.name == "posix" else "socket"
    if transport == "pty":
        return PseudoTerminal()
    if transport == "socket":
        return LoopbackSocket(number)
    raise UsageError("emulated sensor", "transport", transport, "auto, pty or socket")
