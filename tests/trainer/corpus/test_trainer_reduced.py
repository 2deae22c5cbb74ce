"""Excerpts of reduced recordings: all while they are few, evenly spaced runs when they are many."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.corpus.recordings import Recording
from trainer.corpus.reduced import RUN_FRAMES, EntryOutputs, Reduced, excerpts
from trainer.work.cache import Cache

WHO = Recording(Path("session"), "P01", "unit-a", "none", False, "digest")


def recording(n_frames: int, window_frames: list[int]) -> Reduced:
    """Return a recording whose values are the numbers of its frames."""
    frames = np.array(window_frames, dtype=np.int64)
    values = np.arange(n_frames, dtype=np.int32)[:, None]
    return Reduced(WHO, values, np.zeros((n_frames, 2)), [], [], [], [], frames, frames % 7)


@settings(max_examples=30, deadline=None)
@given(
    lengths=st.lists(st.integers(2, 3000), min_size=1, max_size=6),
    max_frames=st.integers(64, 4000),
    seed=st.integers(0, 2**32 - 1),
)
def test_excerpts_are_bounded_runs_with_their_windows(
    lengths: list[int], max_frames: int, seed: int
) -> None:
    """No more frames than asked for, a run aside; windows keep their frame and their class."""
    rng = np.random.default_rng(seed)
    recordings = [recording(n, rng.integers(0, n, 20).tolist()) for n in lengths]
    kept = excerpts(recordings, max_frames)
    if sum(lengths) <= max_frames:
        assert [len(e.values) for e in kept] == lengths
    assert sum(len(e.values) for e in kept) <= max_frames + RUN_FRAMES * len(lengths)
    for whole, excerpt in zip(recordings, kept, strict=True):
        frames = excerpt.values[:, 0]
        assert frames[0] == 0 and (np.diff(frames) > 0).all()
        # Every frame but those that begin a run follows the one before it.
        begins = np.flatnonzero(np.diff(frames) != 1) + 1
        assert (frames[begins] % RUN_FRAMES == 0).all()
        shown = excerpt.values[excerpt.frames, 0]
        expected = [f for f in whole.frames.tolist() if f in set(frames.tolist())]
        assert shown.tolist() == expected
        np.testing.assert_array_equal(excerpt.labels, shown % 7)


def test_every_recording_is_in_the_excerpts() -> None:
    """However many the recordings are, each person is among what is learned from."""
    kept = excerpts([recording(500, [3]) for _ in range(200)], max_frames=1000)
    assert all(len(excerpt.values) == RUN_FRAMES for excerpt in kept)


def test_values_are_int32_whatever_is_stored(tmp_path: Path) -> None:
    """Values that are kept in 16 bits come back in the 32 that stages take."""
    values = np.arange(12, dtype=np.int32).reshape(6, 2)
    times = np.array([[0.0, 5.0], [0.1, 6.0], [0.2, 7.0], [0.3, 8.0], [0.4, 9.0], [0.5, 10.0]])
    kept = Cache(tmp_path, bytes(32)).store({"a" * 64: values, "b" * 64: times}, "P01", "s", "1")
    reduced = EntryOutputs(WHO, *kept)
    assert kept[0].dtype == "<i2" and reduced.values.dtype == np.int32
    np.testing.assert_array_equal(reduced.values, values)
    np.testing.assert_array_equal(reduced.time_s, times[:, 0])
    np.testing.assert_array_equal(reduced.dark, times[:, 1])
    assert reduced.n_frames == 6
