"""The emulated sensor as its host meets it: commands in, packets out, without a port or a clock.

It speaks ``capture.wire.codec`` and nothing else. The participant in front of it follows the script
of its settings; a START begins the session anew, at device time 0.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from capture.cues.script import Script, load_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.points.scene import PointScene, read_scene
from capture.emulated.points.session import PointSession
from capture.emulated.points.stage import asks_for_a_rig
from capture.emulated.port.device_settings import DeviceSettings
from capture.emulated.session import (
    EmulatedSession,
    check_script,
    refuse_scene,
    warming_k,
)
from capture.frames import FrameBlock
from capture.store.source_truth import Truth
from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Description,
    Exposure,
    Result,
    Status,
    encode,
)
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor

__all__ = ["FIRMWARE", "Device"]


def _rig_of(settings: DeviceSettings, script: Script) -> PointScene | None:
    """Return what the rig holds that the script asks for; None where it asks for people."""
    if asks_for_a_rig(script.trial_types):
        refuse_scene(script, settings.scene)
        return PointScene() if settings.rig is None else read_scene(Path(settings.rig))
    if settings.rig is not None:
        asked = ", ".join(script.trial_types)
        raise UsageError("emulated sensor", "cues of a rig's script", asked, "cues of a rig alone")
    return None


FIRMWARE = "emulated 1"


class Device:
    """Commands in, packets out; knows no port and no clock.

    Parameters
    ----------
    settings : DeviceSettings
        What to emulate.

    Attributes
    ----------
    runs : int
        How often a START was carried out.

    Raises
    ------
    UsageError, FormatError
        There is no such script, it is wrong, or it asks for an unknown act.
    """

    def __init__(self, settings: DeviceSettings) -> None:
        self.settings = settings
        self._script = load_script(settings.script)
        self._rig = _rig_of(settings, self._script)
        if self._rig is None:
            check_script(self._script, settings.scene)
        start = settings.start
        led_ma = settings.led_current_ma
        self._whole: Sensor = dataclasses.replace(
            start.sensor,
            n_rows=SENSORS[start.sensor.name].n_rows,
            apertures=SENSORS[start.sensor.name].apertures,
            led_current_ma=start.sensor.led_current_ma if led_ma is None else led_ma,
        )
        self._first_row, self._n_rows = start.first_row, start.sensor.n_rows
        self._session: EmulatedSession | PointSession | None = None
        self.runs = 0
        self._time_us = 0
        self._next_status_us = 0
        self._last: Acknowledge | None = None
        self._cable = np.random.default_rng([settings.seed, 3])

    @property
    def running(self) -> bool:
        """Whether exposures are being sent."""
        return self._session is not None

    @property
    def sensor(self) -> Sensor:
        """The setting in force, with the rows that are read."""
        return self._whole.reading_rows(self._first_row, self._n_rows)

    def handle(self, command: Command, now_us: int | None = None) -> bytes:
        """Carry out a command and return the answer; `now_us` is the device's clock if one runs.

        A command with the number of the last one is answered again and not carried out again: the
        host repeats a command when the answer was lost.
        """
        if self._last is not None and command.sequence == self._last.sequence:
            return encode(self._last)
        result, value = self._carry_out(command)
        clock = command.kind is CommandKind.CLOCK
        time_us = now_us if clock and now_us is not None else self._time_us
        self._last = Acknowledge(command.kind, result, value, command.sequence, time_us)
        answer = encode(self._last)
        if result is Result.DONE and command.kind not in (CommandKind.STOP, CommandKind.CLOCK):
            answer += encode(self._description())
        return answer

    def _description(self) -> Description:
        return Description(
            self.sensor, self.settings.unit, FIRMWARE, self._first_row, self._time_us
        )

    def _carry_out(self, command: Command) -> tuple[Result, int]:
        match command.kind:
            case CommandKind.DESCRIBE | CommandKind.CLOCK:
                return Result.DONE, 0
            case CommandKind.START:
                self._session = self._begin()
                self.runs += 1
                self._time_us = self._next_status_us = 0
                return Result.DONE, 0
            case CommandKind.STOP:
                self._session = None
                return Result.DONE, 0
            case _:
                if self.running:
                    return Result.NOT_NOW, 0
                return self._set(command.kind, command.value)

    def _begin(self) -> EmulatedSession | PointSession:
        settings, sensor = self.settings, self._whole
        about = self._script, settings.participant, settings.seed, sensor, settings.unit
        if self._rig is None:
            return EmulatedSession(*about, settings.scene)
        return PointSession(*about, self._rig)

    def truth(self) -> Truth:
        """Return where a rig's lights will be, on the clock of each run.

        Raises
        ------
        UsageError
            The script is not a rig's.
        """
        session = self._begin()
        if not isinstance(session, PointSession):
            asked = ", ".join(self._script.trial_types)
            raise UsageError("emulated sensor", "cues of a truth's script", asked, "cues of a rig")
        return session.truth()

    def _set(self, kind: CommandKind, value: int) -> tuple[Result, int]:
        if kind is CommandKind.SET_ROWS:
            first_row, n_rows = value & 0xFFFF, value >> 16
            try:
                self._whole.reading_rows(first_row, n_rows)
            except FormatError:
                return Result.OUT_OF_RANGE, self._first_row | self._n_rows << 16
            self._first_row, self._n_rows = first_row, n_rows
            return Result.DONE, value
        field = {
            CommandKind.SET_EXPOSURE: "exposure_us",
            CommandKind.SET_LED_CURRENT: "led_current_ma",
            CommandKind.SET_FRAME_RATE: "frame_rate_hz",
        }.get(kind)
        if field is None:
            return Result.UNKNOWN, 0
        try:
            self._whole = dataclasses.replace(self._whole, **{field: value / 1000.0})  # type: ignore[arg-type]  # the field is one of the three float fields above
        except FormatError:
            return Result.OUT_OF_RANGE, round(getattr(self._whole, field) * 1000.0)
        return Result.DONE, value

    def next_packets(self) -> list[tuple[int, bytes]]:
        """Return the packets of the next block with the device time at which each is ready.

        Without a session there are none. After the script's end the participant stays at rest.
        """
        if self._session is None:
            return []
        block = self._session.next_block()
        packets = []
        for k in range(len(block)):
            packets += self._pair(block, k)
        self._time_us = packets[-1][0]
        return packets

    def _pair(self, block: FrameBlock, k: int) -> list[tuple[int, bytes]]:
        rows = slice(self._first_row, self._first_row + self._n_rows)
        sequence, lit_us = int(block.sequence[k]), int(block.time_us[k])
        dark_us = int(block.dark_time_us[k])
        ready_us = dark_us + round(self._whole.exposure_us)
        packets = []
        if lit_us >= self._next_status_us:
            packets.append((lit_us, encode(Status(lit_us, self._temperature_c(lit_us), 3300, 0))))
            self._next_status_us += 1_000_000
        bits = self._whole.bit_depth
        for lit, time_us, counts in ((True, lit_us, block.lit[k]), (False, dark_us, block.dark[k])):
            exposure = Exposure(lit, sequence, time_us, counts[rows], bits, self._first_row)
            packet = self._through_cable(encode(exposure))
            if packet:
                packets.append((ready_us, packet))
        return packets or [(ready_us, b"")]

    def _temperature_c(self, time_us: int) -> float:
        if isinstance(self._session, PointSession):
            return 25.0 + self._session.warmer_k(time_us * 1e-6)
        return 25.0 + warming_k(6.0, time_us * 1e-6)

    def _through_cable(self, packet: bytes) -> bytes:
        """Return the packet as it arrives: whole, with one wrong byte, or not at all."""
        if self.settings.loss and self._cable.uniform() < self.settings.loss:
            return b""
        if self.settings.corruption and self._cable.uniform() < self.settings.corruption:
            place = int(self._cable.integers(len(packet) - 1))
            wrong = packet[place] ^ int(self._cable.integers(1, 256))
            return packet[:place] + bytes([wrong]) + packet[place + 1 :]
        return packet
