"""The emulated sensor on its cable."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import numpy as np
import pytest
import serial

from capture.cues.script import load_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.device import DeviceSettings, main, running_device
from capture.emulated.port.emulated_device import FIRMWARE, Device
from capture.emulated.port.ports import open_port
from capture.emulated.session import BLOCK_FRAMES, emulate_session
from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Message,
    Result,
    Status,
    encode,
)
from runtime.errors import PortError, UsageError
from trainer.cli import main as palmwatt


def _answer(device: Device, kind: CommandKind, value: int = 0, number: int = 1) -> list[Message]:
    return Decoder().feed(device.handle(Command(kind, value, number)))


def _sent(device: Device) -> list[Message]:
    return Decoder().feed(b"".join(packet for _, packet in device.next_packets()))


def test_describe_is_acknowledged_and_tells_the_sensor() -> None:
    """The answer to DESCRIBE is an acknowledge and the description."""
    device = Device(DeviceSettings(sensor="lensless64", unit="unit-x"))
    acknowledge, description = _answer(device, CommandKind.DESCRIBE, number=7)
    assert acknowledge == Acknowledge(CommandKind.DESCRIBE, Result.DONE, 0, 7, 0)
    assert description == Description(SENSORS["lensless64"], "unit-x", FIRMWARE)


def test_the_led_current_asked_for_is_told_and_in_force() -> None:
    """A device started with another LED current describes it."""
    device = Device(DeviceSettings(led_current_ma=500.0))
    _, description = _answer(device, CommandKind.DESCRIBE)
    assert isinstance(description, Description)
    assert description.sensor == dataclasses.replace(SENSORS["lensless32"], led_current_ma=500.0)


def test_nothing_is_sent_before_start_and_after_stop() -> None:
    """Exposures flow from START to STOP; another START begins anew at time 0."""
    device = Device(DeviceSettings())
    assert device.next_packets() == []
    _answer(device, CommandKind.START, number=1)
    first = _sent(device)
    _answer(device, CommandKind.STOP, number=2)
    assert device.next_packets() == []
    _answer(device, CommandKind.START, number=3)
    again = _sent(device)
    assert [type(m) for m in again] == [type(m) for m in first]
    assert isinstance(again[0], Status) and again[0].time_us == 0
    assert isinstance(again[1], Exposure) and again[1].sequence == 0


def test_the_wire_carries_the_counts_of_the_session() -> None:
    """The exposures that arrive are those that emulate_session yields for the same settings."""
    settings = DeviceSettings(participant=2, seed=9, script="finger_count")
    device = Device(settings)
    _answer(device, CommandKind.START)
    exposures = [m for m in _sent(device) if isinstance(m, Exposure)]
    block = next(
        emulate_session(
            load_script("finger_count"), participant=2, seed=9, sensor=SENSORS["lensless32"]
        )
    )
    assert len(exposures) == 2 * len(block)
    for exposure in exposures:
        counts = block.lit if exposure.lit else block.dark
        np.testing.assert_array_equal(exposure.counts, counts[exposure.sequence])


def test_a_repeated_command_is_answered_again_but_carried_out_once() -> None:
    """The host repeats a command whose answer was lost; START must not start twice."""
    device = Device(DeviceSettings())
    _answer(device, CommandKind.START, number=5)
    device.next_packets()
    (acknowledge,) = _answer(device, CommandKind.START, number=5)
    assert isinstance(acknowledge, Acknowledge) and acknowledge.result is Result.DONE
    later = next(m for m in _sent(device) if isinstance(m, Exposure))
    assert later.sequence == BLOCK_FRAMES


@pytest.mark.parametrize(
    ("kind", "value", "field", "setting"),
    [
        (CommandKind.SET_EXPOSURE, 100_000, "exposure_us", 100.0),
        (CommandKind.SET_LED_CURRENT, 50_000, "led_current_ma", 50.0),
        (CommandKind.SET_FRAME_RATE, 60_000, "frame_rate_hz", 60.0),
        (CommandKind.SET_ROWS, 4 | 8 << 16, "n_rows", 8),
    ],
)
def test_settings_are_taken_over_while_stopped_and_refused_while_running(
    kind: CommandKind, value: int, field: str, setting: float
) -> None:
    """SET_* changes the described sensor; while exposures flow it answers NOT_NOW."""
    device = Device(DeviceSettings())
    acknowledge, description = _answer(device, kind, value, number=1)
    assert acknowledge == Acknowledge(kind, Result.DONE, value, 1, 0)
    assert isinstance(description, Description)
    assert getattr(description.sensor, field) == setting
    _answer(device, CommandKind.START, number=2)
    (refused,) = _answer(device, kind, value, number=3)
    assert isinstance(refused, Acknowledge) and refused.result is Result.NOT_NOW


def test_only_the_rows_asked_for_are_sent() -> None:
    """After SET_ROWS an exposure holds just those rows, and says where they begin."""
    device, whole = Device(DeviceSettings()), Device(DeviceSettings())
    _answer(device, CommandKind.SET_ROWS, 4 | 8 << 16, number=1)
    for one in (device, whole):
        _answer(one, CommandKind.START, number=2)
    part = next(m for m in _sent(device) if isinstance(m, Exposure))
    full = next(m for m in _sent(whole) if isinstance(m, Exposure))
    assert part.first_row == 4
    np.testing.assert_array_equal(part.counts, full.counts[4:12])


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (CommandKind.SET_EXPOSURE, 0),
        (CommandKind.SET_FRAME_RATE, 2**32 - 1),
        (CommandKind.SET_ROWS, 30 | 8 << 16),
        (CommandKind.SET_ROWS, 0),
    ],
)
def test_a_setting_out_of_range_changes_nothing(kind: CommandKind, value: int) -> None:
    """An impossible value is answered OUT_OF_RANGE and the sensor stays as it was."""
    device = Device(DeviceSettings())
    before = device.sensor
    (acknowledge,) = _answer(device, kind, value)
    assert isinstance(acknowledge, Acknowledge) and acknowledge.result is Result.OUT_OF_RANGE
    assert device.sensor == before


def test_less_led_current_gives_less_light() -> None:
    """Half the LED current halves lit minus dark."""
    levels = []
    for current in (100_000, 50_000):
        device = Device(DeviceSettings(participant=4))
        _answer(device, CommandKind.SET_LED_CURRENT, current, number=1)
        _answer(device, CommandKind.START, number=2)
        exposures = [m for m in _sent(device) if isinstance(m, Exposure)]
        levels.append(sum((1 if m.lit else -1) * int(m.counts.sum()) for m in exposures))
    assert levels[0] / levels[1] == pytest.approx(2.0, rel=0.05)


def test_real_time_is_kept_and_a_new_start_begins_it_anew() -> None:
    """At speed 4 a packet comes no earlier than a quarter of its device time, in each run."""
    with (
        running_device(DeviceSettings(speed=4.0)) as url,
        serial.serial_for_url(url, timeout=0.2) as port,
    ):
        for number in (1, 2):
            decoder = Decoder()
            port.write(encode(Command(CommandKind.START, 0, number)))
            begin, last, fresh = time.monotonic(), 0, False
            while last < 2_000_000 and time.monotonic() < begin + 60.0:
                for message in decoder.feed(port.read(max(1, port.in_waiting))):
                    fresh |= isinstance(message, Acknowledge) and message.sequence == number
                    if fresh and isinstance(message, Exposure):
                        last = message.time_us
            assert last >= 2_000_000
            assert time.monotonic() - begin > 0.45


def test_the_cable_loses_and_corrupts_as_asked_and_nothing_wrong_gets_through() -> None:
    """Lost packets are missing and corrupt ones are refused; what arrives is right."""
    bad, good = Device(DeviceSettings(loss=0.2, corruption=0.2)), Device(DeviceSettings())
    decoder, arrived, sent = Decoder(), {}, {}
    for device, seen, reader in ((bad, arrived, decoder), (good, sent, Decoder())):
        device.handle(Command(CommandKind.START, 0, 1))
        for _ in range(256 // 2 // BLOCK_FRAMES):
            for _, packet in device.next_packets():
                for message in reader.feed(packet):
                    if isinstance(message, Exposure):
                        seen[message.sequence, message.lit] = message.counts
    assert len(sent) == 256
    assert 100 < len(arrived) < 220
    assert decoder.counts.corrupt > 10
    for key, counts in arrived.items():
        np.testing.assert_array_equal(counts, sent[key])


def _exchange(url: str, seconds: float) -> tuple[list[Message], list[Message]]:
    """Start, listen until 100 exposures have come, stop; returns what came before and after."""
    with serial.serial_for_url(url, timeout=0.2) as port:
        decoder, before, after = Decoder(), [], []
        port.write(encode(Command(CommandKind.START, 0, 1)))
        limit = time.monotonic() + seconds
        while sum(isinstance(m, Exposure) for m in before) < 100 and time.monotonic() < limit:
            before += decoder.feed(port.read(4096))
        port.write(encode(Command(CommandKind.STOP, 0, 2)))
        while time.monotonic() < limit:
            after += decoder.feed(port.read(4096))
            if any(isinstance(m, Acknowledge) for m in after):
                break
        assert decoder.counts.corrupt == 0 and decoder.counts.missing == 0
        return before, after


@pytest.mark.parametrize("transport", ["pty", "socket"])
def test_the_device_serves_real_serial_bytes_from_its_own_process(transport: str) -> None:
    """Over a pseudo-terminal and a socket: START, exposures, STOP, and a second host after it."""
    settings = DeviceSettings(speed=0.0, transport=transport)
    with running_device(settings) as url:
        for _ in range(2):
            before, after = _exchange(url, 60.0)
            assert any(isinstance(m, Acknowledge) and m.kind == CommandKind.START for m in before)
            assert any(isinstance(m, Description) for m in before)
            exposures = [m for m in before if isinstance(m, Exposure)]
            assert len(exposures) >= 100
            assert exposures[-1].time_us > exposures[0].time_us
            assert any(isinstance(m, Acknowledge) and m.kind == CommandKind.STOP for m in after)


@pytest.mark.parametrize(
    "wrong",
    [
        {"sensor": "nosuch"},
        {"participant": -1},
        {"seed": -1},
        {"speed": -1.0},
        {"led_current_ma": 1000.1},
        {"loss": 1.5},
        {"corruption": float("nan")},
        {"port": 70_000},
        {"unit": ""},
        {"unit": "u" * 33},
        {"unit": "a b"},
        {"unit": "unit-ä"},
    ],
)
def test_impossible_settings_are_refused_by_name(wrong: dict[str, float | str]) -> None:
    """A wrong setting names itself and its limits."""
    with pytest.raises(UsageError, match=next(iter(wrong))):
        dataclasses.replace(DeviceSettings(), **wrong)  # type: ignore[arg-type]  # wrong on purpose


def test_wrong_calls_end_in_one_line_and_code_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The process answers a wrong script or transport with one line and exit code 2."""
    script = f"--script={tmp_path / 'none.toml'}"
    for option in (script, "--transport=pigeon", "--seed=-3", f"--unit={'u' * 90}"):
        assert main([option]) == 2
        assert len(capsys.readouterr().err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("option", "value", "named"),
    [
        ("--participant", "01", "participant is '01', expected P01 to P99"),
        ("--participant", "P00", "participant is 'P00'"),
        ("--participant", "P100", "participant is 'P100'"),
        ("--unit", "a b", "unit is 'a b'"),
        ("--sensor", "nosuch", "sensor is nosuch"),
        ("--script", "no-such-script.toml", "no-such-script.toml"),
    ],
)
def test_the_command_tells_errors_as_every_other_does(
    option: str, value: str, named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong emulated sensor is one line after the program's name, and exit code 2."""
    with pytest.raises(SystemExit) as end:
        palmwatt(["emulate", option, value])
    assert end.value.code == 2
    text = capsys.readouterr().err
    assert text.startswith("palmwatt: ") and text.count("\n") == 1
    assert named in text


def test_a_taken_socket_is_a_port_error() -> None:
    """Two devices cannot have the same socket."""
    first = open_port("socket")
    try:
        with pytest.raises(PortError, match="port"):
            open_port("socket", int(first.url.rsplit(":", 1)[1]))
    finally:
        first.close()


def test_a_pair_describes_its_apertures_with_the_rows_that_are_read() -> None:
    """After SET_ROWS the apertures are cut to the rows that are read, as their pixels are."""
    device = Device(DeviceSettings(sensor="lensless32pair", script="rig_points"))
    pair = SENSORS["lensless32pair"]
    _, description = _answer(device, CommandKind.DESCRIBE, number=1)
    assert isinstance(description, Description) and description.sensor == pair
    _, description = _answer(device, CommandKind.SET_ROWS, 8 | 10 << 16, number=2)
    assert isinstance(description, Description)
    assert description.sensor == pair.reading_rows(8, 10)
    assert [(a.first_row, a.n_rows) for a in description.sensor.apertures] == [(0, 10), (0, 10)]
    _answer(device, CommandKind.START, number=3)
    exposure = next(m for m in _sent(device) if isinstance(m, Exposure))
    assert exposure.counts.shape == (10, 64) and exposure.first_row == 8
