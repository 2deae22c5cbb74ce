"""Readouts for the review page: energy of a whole session, frame pairs from any place in it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.cues.energy import EnergyMeter
from capture.frames import Counts, FrameBlock
from capture.store.session import Session, read_session
from runtime.errors import FormatError, UsageError

__all__ = ["Shelf", "frame_bytes"]

MAX_REPLY_BYTES = 8 << 20
"""How much of a session one request may ask for."""
_SAMPLE_EVERY = 16
_SAMPLES = 256


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A session seen once from end to end.

    Parameters
    ----------
    session : Session
        Where it is; its labels are not read.
    time_us : int64 array, shape (n_frames,)
        Device clock of each frame pair, microseconds.
    energy : float32 array, shape (n_frames,)
        Readout energy, counts; see `capture.cues.energy`.
    ranges : dict
        Usual lowest and highest counts of ``difference``, ``lit`` and ``dark``: the 0.5th and
        99.5th percentile of a sample of frame pairs.
    gaps : tuple of int
        Index of the last frame pair before each lost connection.
    """

    session: Session
    time_us: npt.NDArray[np.int64]
    energy: npt.NDArray[np.float32]
    ranges: dict[str, tuple[float, float]]
    gaps: tuple[int, ...] = ()

    @property
    def gaps_s(self) -> list[tuple[float, float]]:
        """Start and end of each lost connection, seconds from the first frame pair."""
        time_s = self.time_s
        return [(float(time_s[index]), float(time_s[index + 1])) for index in self.gaps]

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """Seconds from the first frame pair, shape (n_frames,)."""
        return (self.time_us - self.time_us[:1]) / 1e6

    @property
    def duration_s(self) -> float:
        """First to last frame pair, seconds."""
        return float(self.time_us[-1] - self.time_us[0]) / 1e6 if self.time_us.size else 0.0


def survey(session: Session) -> Survey:
    """Read a session once, in bounded memory.

    Raises
    ------
    FormatError
        It is damaged.
    """
    times: list[npt.NDArray[np.int64]] = []
    sequences: list[npt.NDArray[np.int64]] = []
    energies: list[npt.NDArray[np.float32]] = []
    samples: list[FrameBlock] = []
    n_samples = 0
    meter = EnergyMeter()
    for block in session.blocks(64):
        times.append(block.time_us)
        sequences.append(block.sequence)
        energies.append(meter.add(block.lit, block.dark).astype(np.float32))
        if n_samples < _SAMPLES:
            samples.append(FrameBlock.stack(list(block[::_SAMPLE_EVERY])))
            n_samples += len(samples[-1])
    return Survey(
        session,
        np.concatenate(times) if times else np.zeros(0, np.int64),
        np.concatenate(energies) if energies else np.zeros(0, np.float32),
        _ranges(FrameBlock.concatenate(samples)) if samples else {},
        _gaps(session, np.concatenate(sequences)) if sequences else (),
    )


def _gaps(session: Session, sequence: npt.NDArray[np.int64]) -> tuple[int, ...]:
    """Return the index of the last frame pair before each gap that the recorder noted."""
    before = [entry.get("after_sequence") for entry in session.journal("/gaps")]
    noted = [after for after in before if isinstance(after, int) and 0 <= after < 2**32]
    steps = np.flatnonzero(np.isin(sequence[:-1], noted))
    return tuple(int(index) for index in steps)


def _ranges(block: FrameBlock) -> dict[str, tuple[float, float]]:
    parts: dict[str, npt.NDArray[np.int32] | Counts] = {
        "difference": block.lit.astype(np.int32) - block.dark,
        "lit": block.lit,
        "dark": block.dark,
    }
    found = {}
    for name, counts in parts.items():
        low, high = np.percentile(counts, [0.5, 99.5])
        found[name] = (float(low), float(max(high, low + 1.0)))
    return found


def frame_bytes(known: Survey, first: int, count: int) -> bytes:
    """Return frame pairs as bytes: for each its lit, then its dark counts, uint16 little-endian.

    Parameters
    ----------
    known : Survey
        Of the session.
    first, count : int
        Index of the first frame pair, and how many; as many as there are and as the limit of a
        reply allows are returned.

    Raises
    ------
    UsageError
        There is no such frame pair.
    """
    n_frames = known.time_us.size
    if not 0 <= first < n_frames or count < 1:
        raise UsageError(
            known.session.path.name, "the first frame pair", first, f"0 to {n_frames - 1}"
        )
    sensor = known.session.sensor
    pair_bytes = 4 * sensor.n_rows * sensor.n_cols
    count = min(count, n_frames - first, max(1, MAX_REPLY_BYTES // pair_bytes))
    since_us = int(known.time_us[first])
    pairs = (
        pair
        for block in known.session.blocks(64, since_us=since_us)
        for pair in block
        if pair.time_us >= since_us
    )
    found = [
        counts.astype("<u2").tobytes()
        for pair in islice(pairs, count)
        for counts in (pair.lit, pair.dark)
    ]
    if len(found) < 2 * count:
        raise FormatError(str(known.session.path), "the file", "shorter than before", "unchanged")
    return b"".join(found)


class Shelf:
    """The surveys of the sessions that were looked at last; made once for each state of a file."""

    def __init__(self, n_kept: int = 8) -> None:
        self._n_kept = n_kept
        self._kept: OrderedDict[tuple[Path, int, int], Survey] = OrderedDict()
        self._busy = threading.Lock()

    def get(self, path: Path) -> Survey:
        """Return the survey of a session's file.

        Raises
        ------
        UsageError
            It is being recorded, or gone.
        FormatError
            It is damaged.
        """
        session = read_session(path, with_labels=False)
        state = path.stat()
        key = (path, state.st_size, state.st_mtime_ns)
        with self._busy:
            if key not in self._kept:
                self._kept[key] = survey(session)
            self._kept.move_to_end(key)
            while len(self._kept) > self._n_kept:
                self._kept.popitem(last=False)
            return self._kept[key]

    def keep_only(self, paths: Iterable[Path]) -> None:
        """Let go of sessions that are no longer there: a participant may have been forgotten."""
        present = set(paths)
        with self._busy:
            for key in [key for key in self._kept if key[0] not in present]:
                del self._kept[key]
