"""What was learned over a reset, with power lost at any moment: what was before, or what is now."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from enrol_models import corner_model, corners

from runtime.enrolment import carry_out, enrolment_bytes, learned_arrays, learned_bytes
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import HOST, compile_for
from runtime.firmware.machine.elf import read_sizes
from runtime.firmware.machine.execute import HostLibrary
from runtime.stages.contract.stage import State

MODEL = corner_model()
SIZE = enrolment_bytes(MODEL)["kept"]
SAVE, LOAD, FORGET = 5, 6, 4


class _PowerLostError(Exception):
    """The next byte was not changed any more."""


class _Flash:
    """Two places that are erased and written a byte at a time, until power fails."""

    def __init__(self) -> None:
        self.places = [bytearray(b"\xff" * SIZE), bytearray(b"\xff" * SIZE)]
        self.steps = 10**9

    def _set(self, place: int, at: int, value: int) -> None:
        if self.steps == 0:
            raise _PowerLostError
        self.steps -= 1
        self.places[place][at] = value

    def erase(self, place: int) -> None:
        for at in range(SIZE):
            self._set(place, at, 0xFF)

    def write(self, place: int, data: bytes) -> None:
        for at, value in enumerate(data):
            self._set(place, at, value)


class _Board:
    """Does what the firmware's README says, by its C."""

    def __init__(self, host: HostLibrary, flash: _Flash) -> None:
        self._host, self._flash, self._loaded = host, flash, 0
        host.command(FORGET)
        for place in (0, 1):
            host.put_learned(bytes(flash.places[place]))
            if host.command(LOAD, SIZE) == 0:
                self._loaded = place
                break

    def learned(self) -> bytes:
        self._host.command(SAVE)
        return self._host.learned(SIZE)

    def save(self) -> None:
        other = 1 - self._loaded
        data = self.learned()
        self._flash.erase(other)
        self._flash.write(other, data)
        self._flash.erase(self._loaded)
        self._loaded = other

    def learn(self, data: bytes) -> None:
        self._host.put_learned(data)
        assert self._host.command(LOAD, SIZE) == 0


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> HostLibrary:
    folder = tmp_path_factory.mktemp("firmware")
    for name, text in generate(MODEL).items():
        (folder / name).write_text(text)
    return HostLibrary(compile_for(folder, HOST))


def lessons() -> Iterator[bytes]:
    """Give what was learned after one take, after two and after three."""
    state: State = MODEL.initial_state()
    for seed in range(3):
        state, _ = carry_out(MODEL, state, "begin", 0)
        state = MODEL.run(*corners("top", 4, seed), state).state
        state, kept = carry_out(MODEL, state, "add")
        state, _ = carry_out(MODEL, state, "finish")
        assert kept == 1 and np.array_equal(learned_arrays(MODEL, state)["taught"][0], seed + 1)
        yield learned_bytes(MODEL, state)


def test_power_lost_at_any_byte_leaves_the_old_or_the_new(host: HostLibrary) -> None:
    """Wherever it fails, and fails again in the save after it, nothing else is ever loaded."""
    none = learned_bytes(MODEL, MODEL.initial_state())
    first, second, third = lessons()
    for cut in range(0, 3 * SIZE + 1, 7):
        flash = _Flash()
        board = _Board(host, flash)
        assert board.learned() == none
        board.learn(first)
        board.save()
        flash.steps = cut
        _saved(host, flash, second)
        found = _Board(host, flash).learned()
        assert found in (first, second)
        flash.steps = (5 * cut) % (3 * SIZE)
        _saved(host, flash, third)
        assert _Board(host, flash).learned() in (found, third)
        flash.steps = 10**9
        _saved(host, flash, third)
        assert _Board(host, flash).learned() == third


def _saved(host: HostLibrary, flash: _Flash, data: bytes) -> None:
    """Start the board, let it learn, and save until power fails."""
    board = _Board(host, flash)
    board.learn(data)
    try:
        board.save()
    except _PowerLostError:
        return


def test_functions_of_a_take_are_not_unrolled(tmp_path: Path) -> None:
    """What runs once a take is as small at -O2, as it is priced, as where size alone counts."""
    for name, text in generate(MODEL).items():
        (tmp_path / name).write_text(text)
    for_speed, for_size = (
        sum(
            size
            for name, size in read_sizes(
                compile_for(tmp_path, "cortex-m0plus", optimise=optimise)
            ).by_symbol.items()
            if name.startswith(("pw_enrol_", "pw_forget", "pw_restart"))
        )
        for optimise in ("-O2", "-Oz")
    )
    assert 0 < for_speed <= 1.2 * for_size


@pytest.mark.parametrize("n_own", [0, 1])
def test_gcc_accepts_a_model_that_learns_at_every_level(
    n_own: int, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """With and without places for own gestures, no warning at any level of optimisation."""
    for name, text in generate(corner_model(n_own=n_own)).items():
        (tmp_path / name).write_text(text)
    for level in ("-O0", "-O2", "-O3", "-Os"):
        words = [need_tool("gcc"), "-std=c99", level, "-Wall", "-Wextra", "-Werror", "-c"]
        subprocess.run([*words, "pw_model.c", "-o", "pw_model.o"], cwd=tmp_path, check=True)


def test_the_readme_says_how() -> None:
    """The firmware's README tells of two places, in which order, and that forgetting takes both."""
    said = " ".join(generate(MODEL)["README.md"].split())
    for words in ("two places", "erase and write the other", "then erase the one", "both places"):
        assert words in said


def test_the_header_names_classes_that_no_take_can_be_of() -> None:
    """Whoever calls pw_enrol_begin knows before which classes it refuses."""
    said = " ".join(generate(MODEL)["pw_model.h"].replace(" * ", " ").split())
    assert "No take can be of class 2, which is no gesture." in said


def test_the_header_says_what_becomes_of_a_gesture_that_is_taught_again() -> None:
    """A mean goes on from where it is: another gesture in its place wants all forgotten first."""
    said = " ".join(generate(MODEL)["pw_model.h"].replace(" * ", " ").split())
    assert "taught again goes on from where it is" in said and "pw_forget first" in said
