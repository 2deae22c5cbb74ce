"""Emulated sensors forked from one process that is ready, so that each starts at once.

Building the optic takes longer than emulating a minute before it. Each sensor is still a process of
its own behind a serial port, and sends the same bytes as one started by itself.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection

from capture.emulated.port.device import DeviceSettings, run_device, running_device
from runtime.errors import Error, PortError

__all__ = ["running_fork"]


@contextmanager
def running_fork(settings: DeviceSettings) -> Iterator[str]:
    """Run a device in a process of its own; gives the URL that a host opens.

    As :func:`capture.emulated.port.device.running_device`, which it is where processes cannot be
    forked.

    Raises
    ------
    PortError
        The process ended before it had a port.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        with running_device(settings) as url:
            yield url
        return
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["capture.emulated.port.preloaded"])
    receive, send = context.Pipe(duplex=False)
    process = context.Process(target=_run, args=(settings, send), daemon=True)
    process.start()
    send.close()
    try:
        try:
            url = receive.recv()
        except EOFError:
            raise PortError("emulated sensor", "its process", "ended", "a port") from None
        if isinstance(url, Error):
            raise url
        yield url
    finally:
        receive.close()
        process.terminate()
        process.join(10.0)


def _run(settings: DeviceSettings, announce: Connection) -> None:
    try:
        run_device(settings, announce.send)
    except Error as error:
        announce.send(error)
