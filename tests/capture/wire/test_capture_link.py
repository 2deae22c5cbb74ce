"""A serial port as messages: what cannot be opened, and what is sent."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_sensor import SENSOR, BenchSensor

from capture.wire.codec import CommandKind, Description, Result
from capture.wire.link import SerialLink
from runtime.errors import PortError


def test_a_missing_port_is_one_clear_line(tmp_path: Path) -> None:
    """A port that is not there, or an impossible URL, is refused by name."""
    for url in (str(tmp_path / "tty"), "socket://nowhere", "socket://127.0.0.1:1", "odd://x"):
        with pytest.raises(PortError, match="the port is not open") as error:
            SerialLink(url)
        assert "\n" not in str(error.value)


def test_messages_of_a_link_are_those_of_the_wire(bench_sensor: BenchSensor) -> None:
    """A link hands out what the sensor sends and numbers its commands."""
    with SerialLink(bench_sensor.url) as link:
        assert link.describe() == Description(SENSOR, "unit-1", "test")
        assert link.ask(CommandKind.STOP).result == Result.DONE
    first, second = (command.sequence for command in bench_sensor.commands)
    assert second == first + 1


def test_a_program_is_answered_whatever_the_one_before_asked(bench_sensor: BenchSensor) -> None:
    """The first command of a new link is carried out, not taken for a repeat of an old one."""
    for _ in range(3):
        with SerialLink(bench_sensor.url) as link:
            assert link.describe().unit == "unit-1"
    assert len(bench_sensor.commands) == 3


def test_a_port_has_one_link_at_a_time(bench_sensor: BenchSensor) -> None:
    """A second link to a port is refused, and the first goes on."""
    with SerialLink(bench_sensor.url) as link:
        with pytest.raises(PortError, match="that no other program holds it"):
            SerialLink(bench_sensor.url)
        assert link.describe().unit == "unit-1"
    SerialLink(bench_sensor.url).close()
