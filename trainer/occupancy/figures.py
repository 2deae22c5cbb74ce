"""Figures of presence and count: how often right, how far off, how often it tells of nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.intervals import garwood, garwood_upper
from runtime.stages.contract.stage import Float64, Int64
from trainer.judge.evaluate import rounded_figure
from trainer.judge.quantity_figures import mean_over_people

__all__ = ["Counted", "choose_thresholds", "occupancy_figures", "shares_of"]


@dataclass(frozen=True, slots=True)
class Counted:
    """One recording, frame by frame.

    Parameters
    ----------
    place : str
        Whose it is: what is held out whole.
    truth : int64 (n_frames,)
        How many there were; -1 while people come and go.
    told : int64 (n_frames,)
        How many the device told.
    frame_s : float
    lag_s : float
        For how long what is told may still be of those who were there before.
    """

    place: str
    truth: Int64
    told: Int64
    frame_s: float
    lag_s: float = 0.0

    @property
    def n_false(self) -> int:
        """Times that somebody was told of where there was nobody.

        What was told before anyone could know that nobody is left, and goes on for no longer than
        the lag of the device's own mean, is late and not false; what goes on for longer is.
        """
        empty = self.truth == 0
        present = np.concatenate([[False], (self.told > 0) & empty, [False]]).astype(np.int8)
        begins, stops = (np.flatnonzero(np.diff(present) == sign) for sign in (1, -1))
        held_over = (begins > 0) & ~empty[begins - 1] & (self.told[begins - 1] > 0)
        late = held_over & ((stops - begins) * self.frame_s <= self.lag_s)
        return int((~late).sum())

    @property
    def empty_hours(self) -> float:
        """Time without anybody."""
        return float((self.truth == 0).sum()) * self.frame_s / 3600.0


def choose_thresholds(
    levels: Sequence[Float64], truths: Sequence[Int64], most: int
) -> tuple[float, ...]:
    """Return the levels from which there is one more, rising.

    Each lies where the shares of frames with one fewer above it, and of those with just as many
    below it, are least together: so it does not hang on how often people were there when it was
    recorded. As many as the last threshold tells, and more, count alike.

    Parameters
    ----------
    levels, truths : sequences of (n_frames,)
        Of recordings that the fit had not seen; frames with a truth below 0 are left out.
    most : int
        Number of thresholds.

    Raises
    ------
    UsageError
        A number of people is never there.
    """
    level, truth = np.concatenate(levels), np.concatenate(truths)
    truth = np.minimum(truth, most)
    found: list[float] = []
    for n in range(1, most + 1):
        fewer, more = np.sort(level[truth == n - 1]), np.sort(level[truth == n])
        if not fewer.size or not more.size:
            what = f"frames with {n - 1 if not fewer.size else n} there"
            raise UsageError("training", what, 0, "at least 1")
        steps = np.unique(np.concatenate([fewer, more]))
        wrong = 1.0 - np.searchsorted(fewer, steps, side="left") / len(fewer)
        missed = np.searchsorted(more, steps, side="left") / len(more)
        at = int(np.argmin(wrong + missed))
        lowest = found[-1] + 0.05 if found else -np.inf
        found.append(max(float(steps[at]), lowest))
    return tuple(found)


def shares_of(most: int) -> tuple[str, ...]:
    """Return the shares that are told of a model: one that tells presence alone counts nothing.

    Of it, to be within one would always hold.
    """
    return ("balanced_accuracy",) if most == 1 else ("balanced_accuracy", "exact", "within_one")


def occupancy_figures(recordings: Sequence[Counted], most: int) -> dict[str, Any]:
    """Return the figures of one pipeline, with 95 % intervals over places.

    Balanced accuracy of presence is the mean of the shares of frames right with and without
    anybody; each place counts alike. A false presence is a change to somebody while nobody is
    there, or what is told of those before for longer than the device lags; its bound is that of a
    Poisson rate, one-sided, at 95 %.
    """
    by_place: dict[str, list[Counted]] = {}
    for each in recordings:
        by_place.setdefault(each.place, []).append(each)
    rows = [_of_place(name, own, most) for name, own in sorted(by_place.items())]
    n_false, hours = sum(r["n_false"] for r in rows), sum(r["empty_hours"] for r in rows)
    low, high = garwood(n_false, hours)
    figures: dict[str, Any] = {
        name: _figure([row[name] for row in rows]) for name in shares_of(most)
    }
    n_frames = sum(r["n_frames"] for r in rows)
    for figure in figures.values():
        figure["n_takes"] = n_frames
    return figures | {
        "false_presences_per_hour": {
            "value": round(n_false / hours, 6),
            "low": round(low, 6),
            "high": round(high, 6),
            "upper_95": round(garwood_upper(n_false, hours), 6),
            "n_events": n_false,
            "hours": round(hours, 6),
        },
        "per_place": rows,
        "confusion": _confusion(recordings, most).tolist(),
    }


def _figure(values: Sequence[float]) -> dict[str, Any]:
    """Return a mean over places with Student's interval, within 0 and 1."""
    mean = float(np.mean(values))
    low, high = mean_over_people(np.array(values))
    figure = rounded_figure(mean, (max(low, 0.0), min(high, 1.0)))
    return {**figure, "n_participants": len(values)}


def _of_place(name: str, recordings: Sequence[Counted], most: int) -> dict[str, Any]:
    truth = np.concatenate([r.truth for r in recordings])
    told = np.concatenate([r.told for r in recordings])
    known = truth >= 0
    truth, told = np.minimum(truth[known], most), told[known]
    there = truth > 0
    if there.all() or not there.any():
        raise UsageError(
            name, "frames with somebody", f"{int(there.sum())} of {len(there)}", "some, not all"
        )
    right = (told > 0) == there
    shares = {
        "balanced_accuracy": float((right[there].mean() + right[~there].mean()) / 2),
        "exact": _balanced(told == truth, truth),
        "within_one": _balanced(np.abs(told - truth) <= 1, truth),
    }
    return {
        "place": name,
        "n_frames": len(truth),
        **{share: round(shares[share], 6) for share in shares_of(most)},
        "n_false": sum(r.n_false for r in recordings),
        "empty_hours": round(sum(r.empty_hours for r in recordings), 6),
    }


def _balanced(right: NDArray[np.bool_], truth: Int64) -> float:
    """Return the mean over numbers of people of the share of their frames that are right."""
    return float(np.mean([right[truth == n].mean() for n in np.unique(truth)]))


def _confusion(recordings: Sequence[Counted], most: int) -> Int64:
    """Return frames by truth and told, int64 (most + 1, most + 1)."""
    found = np.zeros((most + 1, most + 1), dtype=np.int64)
    for each in recordings:
        known = each.truth >= 0
        np.add.at(found, (np.minimum(each.truth[known], most), each.told[known]), 1)
    return found
