"""Emulated sensors that are forked from one that is ready."""

from __future__ import annotations

import multiprocessing

import pytest
from test_emulated_device import _exchange

from capture.emulated.port.device import DeviceSettings, running_device
from capture.emulated.port.forked import _IDLE, _serve, running_fork
from capture.wire.codec import CommandKind, Exposure
from capture.wire.link import SerialLink
from runtime.errors import FormatError

N_COMPARED = 64


def first_exposures(url: str) -> list[tuple[int, int, bytes]]:
    before, _ = _exchange(url, 60.0)
    exposures = [m for m in before if isinstance(m, Exposure)]
    return [(m.sequence, m.time_us, m.counts.tobytes()) for m in exposures[:N_COMPARED]]


def test_a_forked_sensor_sends_what_one_alone_sends() -> None:
    """Two sensors forked from one process send what each sends when started by itself."""
    for participant in (3, 4):
        settings = DeviceSettings(participant=participant, seed=9, speed=0.0)
        with running_fork(settings) as url:
            forked = first_exposures(url)
        with running_device(settings) as url:
            assert first_exposures(url) == forked
        assert len(forked) == N_COMPARED


def test_a_sensor_stopped_while_it_sends_leaves_its_process_to_the_next() -> None:
    """A sensor whose host leaves in the middle does not keep the next one from its own bytes."""
    settings = DeviceSettings(participant=5, seed=9, speed=0.0)
    with running_fork(settings) as url:
        whole = first_exposures(url)
    other = DeviceSettings(participant=6, seed=9, speed=0.0)
    with running_fork(other) as url, SerialLink(url) as link:
        link.ask(CommandKind.START)
    with running_fork(settings) as url:
        assert first_exposures(url) == whole


def test_a_process_that_ended_while_it_waited_is_passed_over() -> None:
    """Whatever ended it, a signal to all of a terminal's processes or a lack of memory."""
    settings = DeviceSettings(participant=5, seed=9, speed=0.0)
    with running_fork(settings) as url:
        whole = first_exposures(url)
    waiting = _IDLE.get_nowait()
    waiting.process.kill()
    waiting.process.join(20.0)
    _IDLE.put(waiting)
    with running_fork(settings) as url:
        assert first_exposures(url) == whole


def test_a_sensor_whose_asker_is_gone_ends_without_a_word() -> None:
    """Stopped when nobody listens any more, a sensor's process ends as one that was well."""
    context = multiprocessing.get_context("forkserver")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(there,))
    process.start()
    there.close()
    here.send(DeviceSettings(participant=7, seed=9, speed=0.0))
    assert here.recv().startswith("/dev/")
    here.close()
    process.terminate()
    process.join(20.0)
    assert process.exitcode == 0


def test_a_fault_of_a_forked_sensor_arrives_whole() -> None:
    """A script that cannot be acted is told by name, as from a sensor started by itself."""
    with (
        pytest.raises(FormatError, match="no_such_script"),
        running_fork(DeviceSettings(script="no_such_script")),
    ):
        pass
