"""The core in unicorn: an interrupt ends a run, and nothing of it stays."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from runtime.firmware.machine.cores import find_core
from runtime.firmware.machine.emulator import Room
from runtime.firmware.machine.unicorn_core import UnicornCore

CODE, STACK, STOP = 0x1_0000, 0x1_1000, 0x1_0800
COUNT_DOWN = bytes.fromhex("0138fdd17047")  # subs r0, #1; bne to it; bx lr


def test_an_interrupt_ends_a_run_in_which_blocks_are_noted() -> None:
    """It is raised by the call, not printed and lost; the next call runs, as interruptible."""
    core = UnicornCore(find_core("cortex-m0plus"), [Room(CODE, 0x1000)], counting=True)
    core.write(CODE, COUNT_DOWN)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        for _ in range(2):
            timer = threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT))
            timer.start()
            with pytest.raises(KeyboardInterrupt):
                core.call(CODE, [4_000_000], STACK, STOP)
            timer.join()
            assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
            assert core.call(CODE, [9], STACK, STOP) == 0
            assert len(core.blocks()) >= 9
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_programs_own_way_with_interrupts_is_left_to_it() -> None:
    """What it does on one is done while the core runs on."""
    core, came = UnicornCore(find_core("rv32imc"), [Room(CODE, 0x1000)], counting=True), []
    core.write(CODE, bytes.fromhex("7d157dfd8280"))  # addi a0, -1; bnez a0 to it; ret
    before = signal.signal(signal.SIGINT, lambda *_: came.append(1))
    try:
        core.at(CODE + 4, lambda: os.kill(os.getpid(), signal.SIGINT))
        assert core.call(CODE, [9], STACK, STOP) == 0
        assert came == [1]
    finally:
        signal.signal(signal.SIGINT, before)
