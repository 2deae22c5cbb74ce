"""Proven ranges of stages that remember, worked out by hand, and the C types that follow."""

from __future__ import annotations

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.stages.contract.c_text import Edge
from runtime.stages.motion import Motion
from runtime.stages.window import Window


def test_a_windows_range_takes_in_the_frames_before_the_first() -> None:
    """Sums of three values within 1..5 and -4..-2 lie in 0..15 and -12..0, halved: zeros count."""
    low, high = Window(2, 2, 3, shift=1).bounds(np.array([1, -4]), np.array([5, -2]))
    assert low.tolist() == [0, -6, 0, -6]
    assert high.tolist() == [8, 0, 8, 0]


def test_a_window_of_nothing_needs_no_wide_sum() -> None:
    """A value that is always 0 is summed in one byte, however long the segment."""
    nothing = Edge("int8_t", 1, 0, 0)
    members = {m.key: m.ctype for m in Window(1, 1, 129).c("s0", nothing, nothing).state}
    assert members["sums"] == "int8_t"
    members = {
        m.key: m.ctype for m in Window(1, 1, 129).c("s0", Edge("int8_t", 1, 0, 1), nothing).state
    }
    assert members["sums"] == "int16_t"


def test_a_window_keeps_a_million_values_at_most() -> None:
    """2^20 values are kept, one frame more of them is refused, and so is none."""
    assert Window(4096, 1, 256).n_frames == 256
    for wrong in ((4096, 1, 257), (0, 1, 1), (1, 0, 1), (1, 1, 0)):
        with pytest.raises(FormatError, match="window"):
            Window(*wrong)


def test_motions_range_is_the_widest_change_from_nothing() -> None:
    """Values within 3..5 and -2..-1 change by 5 and 2 at most, since they begin from 0."""
    low, high = Motion(2, 0, 16).bounds(np.array([3, -2]), np.array([5, -1]))
    assert low.tolist() == [3, -2, 0]
    assert high.tolist() == [5, -1, 7]
