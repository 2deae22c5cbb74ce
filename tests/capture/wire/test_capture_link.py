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
    for url in (
        str(tmp_path / "tty"),
        "socket://127.0.0.1:1",
        "odd://x",
        "hwgrep://(",
        "loop://?x=1",
    ):
        with pytest.raises(PortError, match="the port is not open") as error:
            SerialLink(url)
        assert "\n" not in str(error.value)


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
@pytest.mark.parametrize(
    "rest", ["", "nowhere", "127.0.0.1", ":80", "host:99999", "host:abc", "host:0", "[::1"]
)
def test_a_url_without_its_parts_is_told_in_plain_words(scheme: str, rest: str) -> None:
    """A network port without a host or a number says what is missing, and shows a whole one."""
    with pytest.raises(PortError) as error:
        SerialLink(f"{scheme}://{rest}")
    assert str(error.value) == (
        f"{scheme}://{rest}: the port is without a host and a number from 1 to 65535, expected a "
        f"URL such as {scheme}://127.0.0.1:4000."
    )


@pytest.mark.parametrize("url", ["loop://?logging=zz", "socket://127.0.0.1:1?logging="])
def test_an_option_that_a_port_does_not_know_is_refused(url: str) -> None:
    """A level of logging that there is not is refused in one line."""
    with pytest.raises(PortError, match="the option logging is unknown, expected one of debug"):
        SerialLink(url)


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
