"""Serves the booth until it is stopped."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import logging
import re
import secrets
import socket
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from capture.booth.app import build_app
from capture.booth.entrance.doors import door_protocols
from capture.store.dataset import prepare_dataset
from runtime.errors import UsageError

__all__ = ["serve"]

_TOKEN = re.compile(r"[A-Za-z0-9_-]{16,128}")


def serve(
    root: Path,
    *,
    listen: str = "127.0.0.1:8137",
    token: str | None = None,
    ports: Sequence[str] = (),
    scripts: Sequence[str] = (),
    models: Sequence[Path] = (),
    ready: Callable[[str], None] = print,
) -> None:
    """Serve the booth of a data set until SIGINT or SIGTERM.

    Parameters
    ----------
    root : Path
        Folder of the data set; made if missing.
    listen : str
        Address and TCP port; port 0 is any free one. An address that other machines can reach
        needs a token, and gets one if none is given.
    token : str, optional
        What the page must present: at least 16 letters, digits, ``-`` and ``_``.
    ports, scripts : sequence of str
        To offer on the recording page.
    models : sequence of Path
        Folders of models that can learn their owner, to offer on the enrolment page.
    ready : callable
        Called with the address to open, token included, once it answers.

    Raises
    ------
    UsageError
        The folder is no data set; the address or the token cannot be used; a model cannot learn.
    """
    prepare_dataset(root)
    host, tcp_port = _split(listen)
    if token is not None and not _TOKEN.fullmatch(token):
        raise UsageError(
            "booth", "the token", f"{len(token)} signs long", "16 to 128 letters, digits, - and _"
        )
    if token is None and not _is_loopback(host):
        token = secrets.token_urlsafe(24)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as door:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind((host, tcp_port))
        except OSError as error:
            raise UsageError(
                "booth", f"the address {listen}", f"not usable ({error.strerror})", "a free one",
                "choose another with --listen",
            ) from None  # fmt: skip
        tcp_port = door.getsockname()[1]
        names = {host} | ({"127.0.0.1", "localhost"} if _is_loopback(host) else set())
        hosts = {f"[{name}]:{tcp_port}" if ":" in name else f"{name}:{tcp_port}" for name in names}
        app = build_app(root, hosts=hosts, token=token, ports=ports, scripts=scripts, models=models)
        requests, windows = door_protocols()
        config = uvicorn.Config(
            app,
            http=requests,
            ws=windows,
            log_level="warning",
            access_log=False,
            ws_per_message_deflate=False,
            ws_max_size=1024,
            server_header=False,
            timeout_graceful_shutdown=2,
        )
        logging.getLogger("uvicorn.error").addFilter(not_broken_off)
        address = f"[{host}]" if ":" in host else host
        secret = f"#token={token}" if token else ""
        door.listen()
        ready(f"http://{address}:{tcp_port}/{secret}")
        try:
            with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is how it ends
                uvicorn.Server(config).run(sockets=[door])
        finally:
            app.state.close()


def not_broken_off(record: logging.LogRecord) -> bool:
    """Tell whether a line of the log is a fault: a request that the end broke off is none."""
    return not (record.exc_info and isinstance(record.exc_info[1], asyncio.CancelledError))


def _split(listen: str) -> tuple[str, int]:
    host, _, number = listen.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not (number.isascii() and number.isdigit() and int(number) < 65_536):
        raise UsageError("booth", "the address", repr(listen[:80]), "such as 127.0.0.1:8137")
    if host != "localhost":
        try:
            address = ipaddress.ip_address(host)
        except ValueError:
            raise UsageError("booth", "the address", repr(host[:80]), "an IP address") from None
        if address.is_unspecified:
            raise UsageError(
                "booth", "the address", host, "one address of this machine",
                "name the one by which the page is to be reached",
            )  # fmt: skip
    return host, int(number)


def _is_loopback(host: str) -> bool:
    return host == "localhost" or ipaddress.ip_address(host).is_loopback
