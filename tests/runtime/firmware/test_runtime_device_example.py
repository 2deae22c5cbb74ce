"""The worked board, executed: its image on an emulated core, its peripherals imitated by registers.

Time goes by only while the core waits for an interrupt. Registers do what the product specification
says of those that the example uses; the sensor is the one that the example's comment invents.
"""

from __future__ import annotations

import io
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import unicorn
from elftools.elf.elffile import ELFFile
from firmware_models import random_frames, small_model

from runtime.firmware.day.script import DayScript, Kind, played
from runtime.firmware.emit.folder import write_firmware
from runtime.stages.contract.stage import Counts

MODEL = small_model()
BLOCKS = ((0x4000_0000, 0x12000), (0x5000_0000, 0x1000), (0xE000_E000, 0x1000))
SPIM, TIMER, RTC, GPIO = 0x4000_3000, 0x4000_8000, 0x4001_1000, 0x5000_0000
EXPOSE, WEAK, FULL = 1 << 31, 1 << 12, 1 << 13
TICK_US = 1e6 / 32768
STOP = 0x000F_FFF0


class Chip:
    """An nRF52840, as far as the example asks for it, with the example's sensor."""

    def __init__(self, image: bytes, script: DayScript) -> None:
        self.script, self.now_us, self.outputs = script, 0.0, 0
        self.due: dict[str, float] = {}
        self.pending: list[str] = []
        self.lit_us = {WEAK: 0.0, FULL: 0.0}
        self.pulses = {WEAK: 0, FULL: 0}
        self.since: dict[int, float] = {}
        self.exposed_us: list[float] = []
        self.shown: list[tuple[Counts, Counts]] = []
        self.n_fed = 0
        self.step = 0
        elf = ELFFile(io.BytesIO(image))
        table = elf.get_section_by_name(".symtab")
        self.at = {s.name: int(s["st_value"]) & ~1 for s in table.iter_symbols() if s.name}
        self.uc = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
        self.uc.ctl_set_cpu_model(unicorn.arm_const.UC_CPU_ARM_CORTEX_M4)
        for start, size in ((0, 1 << 20), (0x2000_0000, 1 << 18), *BLOCKS):
            self.uc.mem_map(start, size)
        for segment in elf.iter_segments():
            if segment["p_type"] == "PT_LOAD" and segment["p_filesz"]:
                self.uc.mem_write(int(segment["p_paddr"]), segment.data())
        for start, size in BLOCKS:
            self.uc.hook_add(
                unicorn.UC_HOOK_MEM_WRITE, self.written, begin=start, end=start + size - 1
            )
        counter = RTC + 0x504
        self.uc.hook_add(unicorn.UC_HOOK_MEM_READ, self.counted, begin=counter, end=counter + 3)
        code = elf.get_section_by_name(".text").data()
        waiting = {"wfi": self.wait, "cpsie": self.serve}
        for address, word in instructions(code):
            if word in waiting:
                self.uc.hook_add(unicorn.UC_HOOK_CODE, waiting[word], begin=address, end=address)

    def get(self, address: int) -> int:
        return int(struct.unpack("<I", self.uc.mem_read(address, 4))[0])

    def put(self, address: int, value: int) -> None:
        self.uc.mem_write(address, struct.pack("<I", value & 0xFFFF_FFFF))

    def counted(self, *_: object) -> None:
        self.put(RTC + 0x504, int(self.now_us / TICK_US) & 0xFF_FFFF)

    def written(self, _uc: Any, _kind: int, address: int, _size: int, value: int, _: Any) -> None:
        if address == 0x4000_0008:
            self.put(0x4000_0104, 1)
        elif address == TIMER:
            self.due["TIMER"] = self.now_us + self.get(TIMER + 0x540) / 16.0
        elif address == TIMER + 4:
            self.due.pop("TIMER", None)
        elif address == SPIM + 0x10:
            n_bytes = max(self.get(SPIM + 0x538), self.get(SPIM + 0x548))
            self.due["SPIM"] = self.now_us + n_bytes
        elif address == SPIM + 0x14:
            self.due.pop("SPIM", None)
            self.step = 0
            self.put(SPIM + 0x104, 1)
        elif address == RTC + 0x540:
            ahead = (value - int(self.now_us / TICK_US)) & 0xFF_FFFF
            self.due["RTC"] = (int(self.now_us / TICK_US) + ahead) * TICK_US
        elif address == 0x4001_0600:
            assert value == 0x6E52_4635
            self.n_fed += 1
        elif address in (GPIO + 0x508, GPIO + 0x50C):
            self.pins(self.outputs | value if address == GPIO + 0x508 else self.outputs & ~value)

    def pins(self, new: int) -> None:
        """Notice the LED and the exposure; a lit one begins a frame of the script."""
        for pin in (WEAK, FULL):
            if new & ~self.outputs & pin:
                self.since[pin] = self.now_us
                self.pulses[pin] += 1
            elif self.outputs & ~new & pin:
                self.lit_us[pin] += self.now_us - self.since[pin]
        if new & ~self.outputs & EXPOSE:
            self.since[EXPOSE] = self.now_us
            if new & (WEAK | FULL):
                kind: Kind = "active" if new & FULL else "watching"
                self.shown.append(self.script.readout(self.now_us / 1e6, kind))
        elif self.outputs & ~new & EXPOSE:
            self.exposed_us.append(self.now_us - self.since[EXPOSE])
        self.outputs = new

    def wait(self, *_: object) -> None:
        """Let time go by until something happens, and keep its interrupt."""
        name = min(self.due, key=lambda one: self.due[one])
        self.now_us = max(self.now_us, self.due.pop(name))
        self.put({"TIMER": TIMER + 0x140, "RTC": RTC + 0x140, "SPIM": SPIM + 0x118}[name], 1)
        if name == "SPIM":
            self.transfer()
        self.pending.append(name)
        if self.now_us > 1e6 * self.script.seconds:
            self.uc.emu_stop()

    def transfer(self) -> None:
        """Put what the sensor sends into memory: an answer, lit rows, dark rows."""
        to, n_bytes = self.get(SPIM + 0x534), self.get(SPIM + 0x538)
        if self.step == 0:
            command = bytes(self.uc.mem_read(self.get(SPIM + 0x544), 2))
            self.first, self.n_rows = command
            self.uc.mem_write(to, bytes([0, self.first]))
        else:
            exposure = self.shown[-1][self.step - 1]
            rows = exposure[self.first : self.first + self.n_rows].astype("<u2").tobytes()
            assert n_bytes == len(rows)
            self.uc.mem_write(to, rows)
        self.step = (self.step + 1) % 3

    def serve(self, *_: object) -> None:
        if self.pending:
            self.uc.emu_stop()

    def run(self) -> None:
        """Begin at reset; serve interrupts where they are allowed, until the script is over."""
        arm = unicorn.arm_const
        self.uc.reg_write(arm.UC_ARM_REG_SP, self.get(0))
        place = self.at["Reset_Handler"]
        while self.now_us <= 1e6 * self.script.seconds:
            self.uc.emu_start(place | 1, STOP)
            place = int(self.uc.reg_read(arm.UC_ARM_REG_PC)) & ~1
            kept = self.uc.context_save()
            while self.pending:
                self.uc.reg_write(arm.UC_ARM_REG_SP, self.uc.reg_read(arm.UC_ARM_REG_SP) - 32)
                self.uc.reg_write(arm.UC_ARM_REG_LR, STOP | 1)
                self.uc.emu_start(self.at[f"{self.pending.pop(0)}_Handler"] | 1, STOP)
            self.uc.context_restore(kept)


def instructions(code: bytes) -> Iterator[tuple[int, str]]:
    """The places of every wfi and cpsie: 0xBF30 and 0xB662, Thumb, 16 bits."""
    for address in range(0, len(code) - 1, 2):
        word = int.from_bytes(code[address : address + 2], "little")
        if word in (0xBF30, 0xB662):
            yield address, "wfi" if word == 0xBF30 else "cpsie"


def test_the_worked_board_lives_through_a_visit(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """From reset on: self-test, watching, a wake, the reference's events, and sleep again.

    It holds for two seconds from the last movement or event on.
    """
    make = need_tool("make")
    need_tool("arm-none-eabi-gcc")
    write_firmware(MODEL, tmp_path / "firmware")
    subprocess.run(
        [make, "CROSS=arm-none-eabi-", "example"], cwd=tmp_path / "firmware", check=True,
        capture_output=True,
    )  # fmt: skip
    flat = np.zeros((1, 16, 16), np.uint16)
    bright = np.stack([flat[0] + 600, flat[0] + 1800]).astype(np.uint16)
    lit, dark = random_frames(MODEL, 90, 3)
    day = played(9.0, ((3.0, 5.0),), (), ((flat, flat), (bright, np.zeros_like(bright))))
    n_shown = 0

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        nonlocal n_shown
        if kind == "watching":
            return day.readout(round(t_s / 0.2) * 0.2, kind)
        n_shown += 1
        return lit[(n_shown - 1) % 90], dark[(n_shown - 1) % 90]

    chip = Chip(
        (tmp_path / "firmware/build/nrf52840.elf").read_bytes(),
        DayScript(9.0, day.visits, (), readout),
    )
    chip.run()
    at = [i % 90 for i in range(30 * 9)]
    events = MODEL.run(lit[at], dark[at]).events
    n_frames = 30 * (2 + 2)
    for frame in np.flatnonzero(events != -1):
        if frame < n_frames:
            n_frames = max(n_frames, int(frame) + 30 * 2)
    assert n_frames > 30 * (2 + 2)  # one event comes after the visit
    assert chip.pulses == {WEAK: 45, FULL: n_frames}
    assert chip.n_fed >= 45 + n_frames - 1
    for pin, n in chip.pulses.items():
        assert chip.lit_us[pin] / n == pytest.approx(200.0 + 5.0, abs=0.1)
    assert chip.exposed_us == pytest.approx([200.0] * len(chip.exposed_us), abs=0.1)
    told = events[:n_frames]
    assert chip.get(chip.at["board_event"]) == told[told != -1][-1]
