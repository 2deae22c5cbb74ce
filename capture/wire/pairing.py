"""Exposures to frame pairs, in the order of their sequence."""

from __future__ import annotations

from dataclasses import dataclass, field

from capture.frames import FramePair
from capture.wire.codec import Description, Exposure

__all__ = ["PairCounts", "Pairer"]

_LATEST_US = (2**63 - 1) // 1000
"""Latest clock of an exposure: recordings count nanoseconds in 64 bits, which is 292 years."""


@dataclass(slots=True)
class PairCounts:
    """What became of the exposures; grows as the pairer works.

    Parameters
    ----------
    pairs : int
        Frame pairs handed out.
    missing : int
        Sequence numbers passed over because an exposure of theirs never came in time.
    foreign : int
        Exposures of another geometry than the description says, or of a clock beyond what a
        recording can hold; thrown away.
    late : int
        Exposures of a sequence already passed over; thrown away.
    """

    pairs: int = 0
    missing: int = 0
    foreign: int = 0
    late: int = 0


@dataclass(slots=True)
class Pairer:
    """Joins lit and dark exposures of one run; holds at most a few incomplete pairs.

    Parameters
    ----------
    description : Description
        What every exposure must look like.
    counts : PairCounts
        Where to count; may be shared by the pairers of several runs.
    hold : int
        How many sequence numbers an exposure may arrive behind the newest one.
    """

    description: Description
    counts: PairCounts = field(default_factory=PairCounts)
    hold: int = 4
    _waiting: dict[int, list[Exposure | None]] = field(default_factory=dict)
    _next: int = 0
    _newest: int = 0

    def add(self, exposure: Exposure) -> list[FramePair]:
        """Take one exposure; return the frame pairs that can be handed out now, in order."""
        sensor = self.description.sensor
        if (
            exposure.counts.shape != (sensor.n_rows, sensor.n_cols)
            or exposure.first_row != self.description.first_row
            or exposure.bits != sensor.bit_depth
            or exposure.time_us > _LATEST_US
        ):
            self.counts.foreign += 1
            return []
        self._newest = max(self._newest, exposure.sequence)
        if exposure.sequence < max(self._next, self._newest - self.hold):
            self.counts.late += 1
            return []
        slot = self._waiting.setdefault(exposure.sequence, [None, None])
        slot[not exposure.lit] = exposure
        return self._ready(self._newest - self.hold)

    def flush(self) -> list[FramePair]:
        """Return the whole pairs still held back: the run is over, the rest was never sent."""
        whole = [sequence for sequence, pair in self._waiting.items() if None not in pair]
        return self._ready(max(whole, default=-1) + 1)

    def _ready(self, give_up_before: int) -> list[FramePair]:
        pairs = []
        for sequence in sorted(self._waiting):
            lit, dark = self._waiting[sequence]
            whole = lit is not None and dark is not None
            if sequence >= give_up_before and not (whole and sequence == self._next):
                break
            del self._waiting[sequence]
            self.counts.missing += sequence - self._next
            self._next = sequence + 1
            if lit is None or dark is None:
                self.counts.missing += 1
                continue
            self.counts.pairs += 1
            pairs.append(FramePair(sequence, lit.time_us, lit.counts, dark.counts, dark.time_us))
        return pairs
