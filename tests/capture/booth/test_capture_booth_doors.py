"""Connections that are opened and left: the page stays open to others, and memory stays bounded."""

from __future__ import annotations

import asyncio
import logging
import socket
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from booth_browser import open_booth
from websockets.sync.client import connect

from capture.booth.entrance.doors import MOST_CONNECTIONS, MOST_WINDOWS, Doors
from capture.booth.server import not_broken_off


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with open_booth(tmp_path_factory.mktemp("doors") / "set") as address:
        yield address


def status(address: str) -> int:
    with urllib.request.urlopen(f"{address}api/choices", timeout=5.0) as reply:  # noqa: S310  # our own address
        return int(reply.status)


def test_many_open_windows_do_not_shut_the_page(address: str) -> None:
    """Eighty web sockets that stay open leave the page open, and the newest is served."""
    host = address.split("/")[2]
    with ExitStack() as stack:

        def window() -> str:
            socket = connect(f"ws://{host}/live", origin=f"http://{host}", close_timeout=1)
            return str(stack.enter_context(socket).recv(timeout=5.0))

        told = [window() for _ in range(80)]
        assert len(told) > MOST_WINDOWS
        assert status(address) == 200


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: ",
        b"POST /api/recording HTTP/1.1\r\nHost: {}\r\nOrigin: http://{}\r\n"
        b"Content-Type: application/json\r\nContent-Length: 60000\r\n\r\n[",
    ],
)
def test_connections_that_say_nothing_more_are_let_go(address: str, said: bytes) -> None:
    """Silent, half said or half sent: three hundred of them leave the page open to the next one."""
    host = address.split("/")[2]
    name, _, number = host.partition(":")
    with ExitStack() as stack:
        for _ in range(300):
            held = stack.enter_context(socket.create_connection((name, int(number)), 5.0))
            held.sendall(said.replace(b"{}", host.encode()))
        assert status(address) == 200
        assert MOST_CONNECTIONS < 300


class Wire:
    """A transport as far as the doors know one: where it comes from, and whether it was cut."""

    def __init__(self, client: str) -> None:
        self.client, self.cut = client, False

    def get_extra_info(self, name: str) -> tuple[str, int]:
        assert name == "peername"
        return self.client, 1

    def abort(self) -> None:
        self.cut = True


def test_who_holds_most_loses_the_one_silent_longest() -> None:
    """Past the bound one connection goes: the greediest client's, idle, silent longest."""
    wires = [Wire(client) for client in ("a", "b", "b", "b", "b")]
    busy = {1}
    doors = Doors(4, lambda connection: connection in busy)  # type: ignore[arg-type, comparison-overlap]  # any key does
    for name, wire in enumerate(wires[:4]):
        doors.enter(name, wire)  # type: ignore[arg-type]  # as the doors know one
    doors.hear(2)  # type: ignore[arg-type]
    doors.enter(4, wires[4])  # type: ignore[arg-type]
    assert [wire.cut for wire in wires] == [False, False, False, True, False]
    doors.leave(0)  # type: ignore[arg-type]
    doors.enter(5, Wire("c"))  # type: ignore[arg-type]
    assert sum(wire.cut for wire in wires) == 1


def test_a_request_that_the_end_broke_off_is_no_fault() -> None:
    """Ctrl-C in the middle of an answer shows nobody a traceback; a fault of the booth does."""
    for error, shown in ((asyncio.CancelledError("shutdown"), False), (ValueError("odd"), True)):
        told = (type(error), error, None)
        record = logging.LogRecord("uvicorn.error", logging.ERROR, "", 0, "failed", (), told)
        assert not_broken_off(record) == shown
    assert not_broken_off(logging.LogRecord("uvicorn.error", 30, "", 0, "slow", (), None))
