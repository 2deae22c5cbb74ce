"""Frame pairs: one lit and one dark exposure, alone or as a block of many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from runtime.errors import FormatError
from runtime.stages.contract.stage import Counts

__all__ = ["Counts", "FrameBlock", "FramePair"]


def _check_counts(where: str, lit: Counts, dark: Counts, n_axes: int) -> None:
    for name, counts in (("lit", lit), ("dark", dark)):
        if counts.dtype != np.uint16:
            raise FormatError(where, f"dtype of {name}", counts.dtype, "uint16")
        if counts.ndim != n_axes:
            raise FormatError(where, f"axes of {name}", counts.ndim, n_axes)
    if lit.shape != dark.shape:
        raise FormatError(where, "shape of dark", dark.shape, f"{lit.shape} as lit")


@dataclass(frozen=True, slots=True, eq=False)
class FramePair:
    """One lit and one dark exposure taken together.

    Parameters
    ----------
    sequence : int
        Number of the pair since the sensor was started, from 0.
    time_us : int
        Device clock at the start of the lit exposure, microseconds.
    lit, dark : uint16 array, shape (n_rows, n_cols)
        Counts as the sensor sent them.
    dark_time_us : int
        Device clock at the start of the dark exposure, microseconds; 0 if not known.

    Raises
    ------
    FormatError
        An array has another dtype or number of axes, or the two shapes differ.
    """

    sequence: int
    time_us: int
    lit: Counts
    dark: Counts
    dark_time_us: int = 0

    def __post_init__(self) -> None:
        _check_counts("frame pair", self.lit, self.dark, 2)


@dataclass(frozen=True, slots=True, eq=False)
class FrameBlock:
    """Consecutive frame pairs as arrays; what every reader yields.

    Parameters
    ----------
    sequence : int64 array, shape (n_frames,)
        Strictly increasing; a step above 1 is a gap.
    time_us : int64 array, shape (n_frames,)
        Device clock at the start of each lit exposure, microseconds.
    lit, dark : uint16 array, shape (n_frames, n_rows, n_cols)
        Counts.
    dark_time_us : int64 array, shape (n_frames,)
        Device clock at the start of each dark exposure, microseconds; 0 where it is not known, and
        so throughout where it is left out.

    Raises
    ------
    FormatError
        A dtype, a number of axes or a length does not fit the others.
    """

    sequence: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]
    lit: Counts
    dark: Counts
    dark_time_us: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    def __post_init__(self) -> None:
        _check_counts("frame block", self.lit, self.dark, 3)
        if not len(self.dark_time_us):
            object.__setattr__(self, "dark_time_us", np.zeros(len(self.lit), np.int64))
        for name in ("sequence", "time_us", "dark_time_us"):
            values = getattr(self, name)
            if values.dtype != np.int64:
                raise FormatError("frame block", f"dtype of {name}", values.dtype, "int64")
            if values.shape != (len(self.lit),):
                raise FormatError(
                    "frame block", f"shape of {name}", values.shape, f"({len(self.lit)},)"
                )

    def __len__(self) -> int:
        return len(self.lit)

    def __iter__(self) -> Iterator[FramePair]:
        for i in range(len(self)):
            numbers = int(self.sequence[i]), int(self.time_us[i])
            yield FramePair(*numbers, self.lit[i], self.dark[i], int(self.dark_time_us[i]))

    def __getitem__(self, rows: slice) -> FrameBlock:
        return FrameBlock(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def empty(cls, n_rows: int, n_cols: int) -> FrameBlock:
        """Return a block of no frame pairs."""
        none = np.zeros(0, np.int64)
        counts = np.zeros((0, n_rows, n_cols), np.uint16)
        return cls(none, none, counts, counts)

    @classmethod
    def stack(cls, pairs: Sequence[FramePair]) -> FrameBlock:
        """Return a block holding a copy of at least one frame pair.

        Raises
        ------
        FormatError
            `pairs` is empty, or its shapes differ.
        """
        if not pairs:
            raise FormatError("frame block", "number of frame pairs", 0, "at least 1")
        shapes = {pair.lit.shape for pair in pairs}
        if len(shapes) > 1:
            raise FormatError("frame block", "shapes of its pairs", sorted(shapes), "one shape")
        return cls(
            np.array([pair.sequence for pair in pairs], np.int64),
            np.array([pair.time_us for pair in pairs], np.int64),
            np.stack([pair.lit for pair in pairs]),
            np.stack([pair.dark for pair in pairs]),
            np.array([pair.dark_time_us for pair in pairs], np.int64),
        )

    @classmethod
    def concatenate(cls, blocks: Sequence[FrameBlock]) -> FrameBlock:
        """Return one block of the frame pairs of at least one block, in the given order."""
        if not blocks:
            raise FormatError("frame block", "number of blocks", 0, "at least 1")
        return cls(*(np.concatenate([getattr(b, f.name) for b in blocks]) for f in fields(cls)))
