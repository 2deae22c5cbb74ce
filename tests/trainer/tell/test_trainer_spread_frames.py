"""A rig's test frames: spread over all its recordings, whatever the size of their blocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from trainer.tell.export import N_SPREAD_FRAMES, _write_spread_frames


@dataclass(frozen=True)
class Block:
    """Frame pairs of one pixel, whose count is their number in all."""

    lit: np.ndarray
    dark: np.ndarray


@dataclass(frozen=True)
class Rig:
    """A recording of so many frames, read in blocks."""

    first: int
    n_frames: int
    size: int

    def readouts(self) -> Iterator[Block]:
        """Yield the blocks."""
        numbers = np.arange(self.first, self.first + self.n_frames, dtype=np.uint16)
        for begin in range(0, self.n_frames, self.size):
            lit = numbers[begin : begin + self.size, None, None]
            yield Block(lit, lit + np.uint16(1))


@pytest.mark.parametrize("sizes", [(7, 7), (200, 31), (1, 400)])
def test_a_rigs_test_frames_are_spread_over_its_recordings(
    tmp_path: Path, sizes: tuple[int, int]
) -> None:
    """The first and the last frame are among them, and the steps between differ by one at most."""
    rigs = (Rig(0, 200, sizes[0]), Rig(200, 300, sizes[1]))
    _write_spread_frames(cast(Any, rigs), tmp_path)
    found = np.load(tmp_path / "test_frames.npz")
    chosen = found["lit"].ravel().astype(int)
    assert len(chosen) == N_SPREAD_FRAMES
    assert chosen[0] == 0
    assert chosen[-1] == 499
    assert np.ptp(np.diff(chosen)) <= 1
    np.testing.assert_array_equal(found["dark"].ravel(), chosen + 1)


def test_fewer_frames_than_are_wanted_are_all_kept(tmp_path: Path) -> None:
    """A recording of five frames keeps each once."""
    _write_spread_frames(cast(Any, (Rig(0, 5, 2),)), tmp_path)
    assert np.load(tmp_path / "test_frames.npz")["lit"].ravel().tolist() == [0, 1, 2, 3, 4]
