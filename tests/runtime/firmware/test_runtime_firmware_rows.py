"""Rows that are missing, twice, out of order or no counts: an error, no decision, nothing lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import unicorn
from firmware_models import dense, random_frames, small_model

from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import Machine
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision

ROWS, COUNTS = -2, -3
N = 16


def written(model: Model, folder: Path) -> Path:
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return folder


class Board:
    """A core that is fed row by row."""

    def __init__(self, folder: Path, *flags: str) -> None:
        self.machine = Machine(compile_for(folder, "cortex-m0plus", extra=("-Werror", *flags)))
        self.state = self.machine.image.symbol("harness_state").address

    def call(self, name: str, *arguments: int) -> int:
        answer = self.machine.call(name, self.state, *arguments)
        return answer - (1 << 32) if answer >> 31 else answer

    def feed(self, lit: np.ndarray, dark: np.ndarray, rows: list[int]) -> tuple[list[int], int]:
        """Feed these rows in this order and finish; returns the status of each, and the answer."""
        at = self.machine.write_exposures(lit, dark)
        n = 2 * lit.shape[1]
        told = [
            self.call("pw_feed_row", row, *(a + n * (row % len(lit)) for a in at)) for row in rows
        ]
        return told, self.call("pw_finish")

    def lasting(self) -> bytes:
        """What the state remembers from frame to frame."""
        n_bytes = 4 * 4
        return bytes(self.machine.uc.mem_read(self.state, n_bytes))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(small_model(), tmp_path_factory.mktemp("rows"))


@pytest.fixture(scope="module")
def board(folder: Path) -> Board:
    return Board(folder)


RIGHT = list(range(N))
WRONG = {
    "missing first": RIGHT[1:], "missing last": RIGHT[:-1],
    "missing within": [*RIGHT[:7], *RIGHT[8:]],
    "none": [], "twice": [*RIGHT[:5], 4, *RIGHT[5:]], "last twice": [*RIGHT, N - 1],
    "out of order": [1, 0, *RIGHT[2:]], "backwards": RIGHT[::-1], "a frame twice": RIGHT + RIGHT,
    "beyond": [*RIGHT, N], "far beyond": [2**31, *RIGHT],
}  # fmt: skip


@pytest.mark.parametrize("what", list(WRONG))
def test_rows_that_are_not_a_frame_are_an_error(board: Board, what: str) -> None:
    """No decision, the state as it was, and the next whole frame is taken again."""
    model = small_model()
    lit, dark = random_frames(model, 4)
    board.call("pw_init")
    before = [board.feed(lit[i], dark[i], RIGHT)[1] for i in range(2)]
    kept = board.lasting()
    told, answer = board.feed(lit[2], dark[2], WRONG[what])
    assert answer == ROWS
    assert set(told) <= {0, ROWS}
    assert board.lasting() == kept
    after = board.feed(lit[3], dark[3], RIGHT)[1]
    order = [0, 1, 3]
    assert [*before, after] == model.run(lit[order], dark[order]).events.tolist()


@pytest.mark.parametrize(("row", "col", "which"), [(0, 0, 0), (9, 15, 1), (15, 3, 0)])
@pytest.mark.parametrize("bits", [0x8000, 0x1000])
def test_counts_over_the_maximum_are_an_error(
    board: Board, row: int, col: int, which: int, bits: int
) -> None:
    """A status bit of the converter in any count of either exposure: told with that row."""
    frames = [x[3].copy() for x in random_frames(small_model(), 4)]
    frames[which][row, col] |= np.uint16(bits)
    board.call("pw_init")
    told, answer = board.feed(frames[0], frames[1], RIGHT)
    assert answer == COUNTS
    assert told == [0] * row + [COUNTS] * (N - row)


def test_the_largest_count_is_none_over_it(board: Board) -> None:
    """PW_MAX_COUNTS itself is a count."""
    full = np.full((N, N), 4095, np.uint16)
    board.call("pw_init")
    assert board.feed(full, np.zeros_like(full), RIGHT)[1] >= -1


def test_rows_that_are_not_read_are_free(tmp_path: Path) -> None:
    """Outside the range read, rows may come or not, in any order, with any counts."""
    head = dense(np.eye(3, 4, dtype=np.int8), 32)
    stages = (Bins(12, 8, 2, 2, 4, 8), head, Decision((False,) * 3, 1, 0, 1, 0))
    model = Model("middle", "t", Sensor("t", 12, 8), ("a", "b", "c"), stages)
    lit, dark = random_frames(model, 4)
    board = Board(written(model, tmp_path))
    wanted = model.run(lit[3:], dark[3:]).events.tolist()
    lit[3, 0, 0] = 0x8FFF
    for rows in ([4, 5, 6, 7], [11, 0, 4, 5, 2, 6, 7, 1]):
        board.call("pw_init")
        told, answer = board.feed(lit[3], dark[3], rows)
        assert [answer] == wanted
        assert set(told) == {0}
    board.call("pw_init")
    assert board.feed(lit[3], dark[3], [5, 6, 7])[1] == ROWS


def test_trusted_rows_are_not_checked(folder: Path) -> None:
    """With PW_TRUST_ROWS only the rows' own work is left, and it is less."""
    lit, dark = random_frames(small_model(), 4)
    trusting = Board(folder, "-DPW_TRUST_ROWS")
    assert trusting.feed(lit[3], dark[3], RIGHT[:-1])[1] >= -1
    counts = []
    for flags in ((), ("-DPW_TRUST_ROWS",)):
        one, executed = Board(folder, *flags), list[int]()
        one.machine.uc.hook_add(
            unicorn.UC_HOOK_CODE, lambda uc, address, size, data, e=executed: e.append(address)
        )
        one.call("pw_init")
        one.feed(lit[3], dark[3], RIGHT)
        counts.append(len(executed))
    per_count = (counts[0] - counts[1]) / (2 * N * N)
    assert 1.0 <= per_count <= 2.4


def test_whole_frames_are_checked_where_asked(folder: Path) -> None:
    """With PW_CHECK_COUNTS a whole frame with a status bit gives the same error as its row."""
    lit, dark = random_frames(small_model(), 4)
    board = Board(folder, "-DPW_CHECK_COUNTS")
    clean = board.call("pw_step", *board.machine.write_exposures(lit[3], dark[3]))
    assert clean == small_model().run(lit[3:], dark[3:]).events[0]
    dark[3, 15, 15] |= 0x8000
    assert board.call("pw_step", *board.machine.write_exposures(lit[3], dark[3])) == COUNTS


def test_the_header_is_taken_by_cpp(folder: Path, tmp_path: Path) -> None:
    """A C++ program that includes the header calls C functions."""
    source = tmp_path / "board.cpp"
    source.write_text(
        '#include "pw_model.h"\nextern pw_state s;\nint f() { return (int)pw_finish(&s); }\n'
    )
    out = tmp_path / "board.o"
    subprocess.run(
        [sys.executable, "-m", "ziglang", "c++", "-Wall", "-Wextra", "-Werror", f"-I{folder}", "-c",
         str(source), "-o", str(out)],
        check=True,
    )  # fmt: skip
    assert b"_Z9pw_finish" not in out.read_bytes()
