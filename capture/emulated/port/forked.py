"""Emulated sensors forked from one process that is ready, so that each starts at once.

Building the optic takes longer than emulating a minute before it, and a new process's memory as
long as a short session. Each sensor is still a process of its own behind a serial port, and sends
the same bytes as one started by itself; a process that was one becomes the next one.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

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
    running, answer = _asked_for(settings)
    if isinstance(answer, Error):
        _IDLE.put(running)
        raise answer
    try:
        yield answer
    finally:
        running.stop()


@dataclass(frozen=True, slots=True)
class _Running:
    """A process that is one sensor after another, and how it is told which."""

    process: BaseProcess
    connection: Connection

    def stop(self) -> None:
        """Stop the sensor; its process is then ready for another one."""
        try:
            if self.process.pid is not None and self.process.is_alive():
                os.kill(self.process.pid, signal.SIGTERM)
            if self.connection.poll(10.0) and self.connection.recv() == _STOPPED:
                _IDLE.put(self)
                return
        except (EOFError, OSError):
            pass  # it ended by itself
        self.end()

    def end(self) -> None:
        """End the process."""
        self.connection.close()
        self.process.terminate()
        self.process.join(10.0)


_IDLE: queue.SimpleQueue[_Running] = queue.SimpleQueue()
_STOPPED = "stopped"


def _asked_for(settings: DeviceSettings) -> tuple[_Running, Error | str]:
    """Return a process that was asked for a sensor, and its answer; one that ended is let go."""
    while True:
        try:
            running, is_new = _IDLE.get_nowait(), False
        except queue.Empty:
            running, is_new = _fork(), True
        try:
            running.connection.send(settings)
            return running, running.connection.recv()
        except (EOFError, OSError):
            running.end()
            if is_new:
                raise PortError("emulated sensor", "its process", "ended", "a port") from None
        except BaseException:  # a signal: nobody would stop that sensor any more
            running.end()
            raise


def _fork() -> _Running:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["capture.emulated.port.preloaded"])
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(there,), daemon=True)
    process.start()
    there.close()
    return _Running(process, here)


def _serve(connection: Connection) -> None:
    """Be the sensors that are asked for, each until a signal stops it."""
    # Whoever asked may be gone, or say by itself that Ctrl-C was pressed: nothing is left to say.
    with contextlib.suppress(EOFError, ConnectionError, KeyboardInterrupt):
        while True:
            settings = connection.recv()
            answer: Error | str = _STOPPED
            try:
                run_device(settings, connection.send)
            except Error as error:
                answer = error
            except SystemExit:
                pass
            connection.send(answer)
