"""Run a scripted day: the whole image on an emulated core, in time that jumps to the next wake."""

from __future__ import annotations

import shutil
import struct
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from runtime.errors import FormatError, ToolError
from runtime.firmware.day.script import BoardTimes, DayScript, Kind
from runtime.firmware.day.tally import DayTally
from runtime.firmware.machine.board import BOARD_C, FAULTS, MOST_TOLD, TALLIED
from runtime.firmware.machine.compile import OPTIMISE, CompiledFirmware, compile_for
from runtime.firmware.machine.execute import Machine
from runtime.stages.contract.stage import Counts

__all__ = ["Board", "DayRun", "compile_device", "run_day"]

_CLOCK = struct.Struct("<QQQQQQ IIIIII IIIII 4x")
_MOST_STATE = 3
_SETTING = struct.Struct("<QIII4x")
_TOLD = struct.Struct("<Qi4x")


@dataclass(frozen=True, slots=True)
class DayRun:
    """A day as it was executed.

    Attributes
    ----------
    tally : DayTally
    dropped_rows, dropped_counts : int
        Frames that told nothing, for missing, repeated or late rows, and for counts over the
        maximum.
    told : int
        Times that the program told its host something.
    events : tuple of (seconds, event)
        The first of them, 4,096 at most.
    fed : int
        Times that the watchdog was fed.
    state : int
        In which the day ended, one of ``PW_STATE_``.
    """

    tally: DayTally
    dropped_rows: int
    dropped_counts: int
    told: int
    events: tuple[tuple[float, int], ...]
    fed: int
    state: int


def compile_device(
    folder: Path | str, core: str, *, compiler: str = "zig", optimise: str = OPTIMISE,
    extra: tuple[str, ...] = (),
) -> CompiledFirmware:  # fmt: skip
    """Compile a firmware folder with its device program and the board whose time jumps.

    Parameters
    ----------
    folder : path
        A firmware folder, left as it is.
    core, compiler, optimise, extra
        As for `runtime.firmware.machine.compile.compile_for`; the core is an emulated one.

    Raises
    ------
    FormatError, ToolError
        A file is missing, or does not compile.
    """
    folder = Path(folder)
    for name in ("pw_device.c", "pw_watch.c"):
        if not (folder / name).is_file():
            raise FormatError(str(folder), "firmware source", f"without {name}", "present",
                              "export the model anew")  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="pw-day-") as name:
        for path in folder.iterdir():
            if path.suffix in (".c", ".h"):
                shutil.copy(path, name)
        (Path(name) / "harness_board.c").write_text(BOARD_C)
        return compile_for(name, core, compiler=compiler, optimise=optimise, extra=extra)


class Board:
    """The emulated core with a device program, its board, and a script that it is shown."""

    def __init__(
        self, compiled: CompiledFirmware, script: DayScript, times: BoardTimes,
        *, counting: bool = False,
    ) -> None:  # fmt: skip
        self.machine = Machine(compiled, counting=counting)
        self._layout, self._script = self.machine.layout, script
        self._address = {
            name: self.machine.image.symbol(f"harness_{name}").address
            for name in ("clock", "setting", "lit", "dark", "fault", "kind", "tally", "told")
        }
        self._faults = list(script.faults)
        self._shown: tuple[Counts, Counts] | None = None
        row_ns = round(2e3 * times.pixel_us * self._layout.n_cols)
        self._write("setting", _SETTING.pack(
            round(1e6 * script.seconds), round(1e3 * times.settle_us),
            round(1e3 * times.start_up_us), row_ns,
        ))  # fmt: skip
        self.machine.at("harness_scene", self._scene)
        self.before_scene: Callable[[], None] = lambda: None

    def run(self) -> None:
        """Let the whole script go by."""
        for name in ("harness_begin", "harness_day"):
            self.machine.call(name)

    def kind(self) -> Kind:
        """Return the kind of the frame that is read."""
        return "active" if self._words("kind", 1)[0] else "watching"

    def result(self) -> DayRun:
        """Return what became of the script."""
        clock = _CLOCK.unpack(self._read("clock", _CLOCK.size))
        _, slept_us, waited_us, *lit_us, exposed_us = clock[:6]
        _, slept_ns, waited_ns, *lit_ns, exposed_ns = clock[6:12]
        current_ua, other = clock[12:14], clock[14]
        if other:
            raise ToolError("scripted day", "LED current", "changing", "one of each state")
        lit = [us + ns / 1e3 for us, ns in zip(lit_us, lit_ns, strict=True)]
        words = dict(zip(TALLIED, self._words("tally", len(TALLIED)), strict=True))
        if words["state"] > _MOST_STATE:
            raise ToolError("scripted day", "the program", "stuck: no time goes by", "going on")
        charge = [ua * us / 1e6 for ua, us in zip(current_ua, lit, strict=True)]
        tally = DayTally(
            words["watching_frames"], words["active_frames"], words["wakes"], words["wake_ups"],
            charge[0], charge[1], (waited_us + exposed_us + (waited_ns + exposed_ns) / 1e3) / 1e6,
            (slept_us + slept_ns / 1e3) / 1e6,
        )  # fmt: skip
        told = self._read("told", _TOLD.size * min(words["told"], MOST_TOLD))
        events = tuple((us / 1e6, event) for us, event in _TOLD.iter_unpack(told))
        return DayRun(
            tally, words["dropped_rows"], words["dropped_counts"], words["told"], events,
            words["fed"], words["state"],
        )  # fmt: skip

    def _scene(self) -> None:
        """Another frame begins."""
        self.before_scene()
        self._show()

    def _show(self) -> None:
        """Put what the sensor would read into memory."""
        us, *_ = struct.unpack("<Q", self._read("clock", 8))
        t_s = us / 1e6
        frames = self._script.readout(t_s, self.kind())
        fault = 0
        if self._faults and t_s >= self._faults[0][0] - 1e-9:
            fault = FAULTS.index(self._faults.pop(0)[1])
        self._write("fault", struct.pack("<I", fault))
        if self._shown is None or any(a is not b for a, b in zip(frames, self._shown, strict=True)):
            for name, exposure in zip(("lit", "dark"), frames, strict=True):
                self._write(name, self._checked(name, exposure))
            self._shown = frames

    def _checked(self, name: str, exposure: Counts) -> bytes:
        """Return an exposure's bytes, refused unless it fits the model's sensor."""
        expected = (self._layout.n_rows, self._layout.n_cols)
        if exposure.shape != expected or exposure.dtype != np.uint16:
            got = f"{exposure.dtype} {exposure.shape}"
            raise FormatError("day", f"{name} exposure", got, f"uint16 {expected}")
        return np.ascontiguousarray(exposure, dtype="<u2").tobytes()

    def _read(self, name: str, n_bytes: int) -> bytes:
        return self.machine.read(self._address[name], n_bytes)

    def _write(self, name: str, data: bytes) -> None:
        self.machine.write(self._address[name], data)

    def _words(self, name: str, n: int) -> tuple[int, ...]:
        return struct.unpack(f"<{n}I", self._read(name, 4 * n))


def run_day(
    compiled: CompiledFirmware, script: DayScript, times: BoardTimes | None = None
) -> DayRun:
    """Execute the device program for a scripted day, from a cold start on.

    Parameters
    ----------
    compiled : CompiledFirmware
        As `compile_device` gives it, for an emulated core.
    script : DayScript
        What happens, and what the sensor reads.
    times : BoardTimes, optional
        What the board's hardware takes.

    Raises
    ------
    FormatError
        A readout does not fit the model's sensor.
    ToolError
        The program faulted.
    """
    board = Board(compiled, script, times or BoardTimes())
    board.run()
    return board.result()
