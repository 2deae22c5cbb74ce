"""Short stretches of noise that two recordings share: what is left of a copy with frames left out.

Where frames are missing here and there and times are written anew, no delay fits a whole copy, and
its movements have other lengths. Between two missing frames its noise is still its original's, in
each of some sums of pixels. So stretches are looked for by themselves, wherever they are.

Noise that was added leaves a part of it; what people, lamps and optics have in common is taken out
first. Second differences in time leave little of what moves or shines steadily. Frames that move
more than noise does are passed over. Of the rest all directions are made equal, so that a flicker,
which is one or two among sixteen, says next to nothing.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.measure.rhythm import Alike
from capture.measure.signs import N_SUMS, Signs

__all__ = ["LEAST_STRETCHES", "STRETCH", "find_shared_stretches"]

STRETCH = 12
"""Second differences, of 14 frames: with as much noise again, two agree by 0.71, 7 standard errors.
Of frames left out at random, one in ten leaves every fourth stretch whole, one in four every
50th."""
LEAST_STANDARD_ERRORS = 6.0
"""Beyond which a stretch agrees: 1 in 10**9 of two people's. Some 5,000 of a recording are held
against another's, so that one in 200,000 recordings has such a stretch by chance."""
LEAST_STRETCHES = 3
"""Apart from each other and in one order, forwards or backwards: what happens once to everybody (a
lamp is switched) is one stretch."""
_ADDED_VARIANCE = 1.0 + 2.0 * ((4.0 / 6.0) ** 2 + (1.0 / 6.0) ** 2)
"""Second differences of white noise agree with their neighbours by -4/6 and 1/6: they say less."""
_QUIET_QUANTILE, _OF_NORMAL = 0.25, 0.3186
"""Most frames of a recording may be of hands that move: noise is told by the stillest quarter of
the stillest direction, as a multiple of what the sensor states: a copy may have another gain."""
_STILL = 4.0
"""Standard deviations that noise hardly ever passes, 1 in 16,000."""
_CUT = 3.0
"""Standard deviations beyond which a step is cut, 1 in 370 of noise: no single jump may make a
stretch agree by itself."""
_LEAST_POWER = 1e-6
"""Of the strongest direction: below it one is rounding alone."""
_AT_AN_END = 1.0 / 6.0
"""Of what a whole stretch has to agree by, at a third of it: half of its share. Where frames are no
copy's, one end in 30 agrees so by chance, and a copy's is 4 standard errors above."""
N_TABLES = 16
"""Each finds one in 140 of a copy's stretches, with as much noise again (a sign is kept in 3 of 4
cases, and 17 signs in all, say): in 2,000 frames with a tenth left out some 30."""
_SEED = 6
_MOST_SAME = 8
"""Neighbours in the order of their signs that are compared: a few chance ones, and the copy's."""

Floats = npt.NDArray[np.float32]
Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Noise:
    """Noise of all recordings, one behind the other.

    Parameters
    ----------
    values : float32 array, shape (n, 16)
        Second differences of sums, in standard deviations of noise; 0 where more moves.
    owner : int64 array, shape (n,)
        Which recording each is of.
    starts : int64 array, shape (n_recordings,)
        Where each begins.
    middles : int64 array
        Where there is noise alone from the one before to the one behind, within one recording.
    """

    values: Floats
    owner: Places
    starts: Places
    middles: Places


def find_shared_stretches(people: Sequence[str], signs: Sequence[Signs]) -> list[Alike]:
    """Find recordings of different people that share stretches of noise, the surest first.

    Candidates agree in some signs of noise, drawn at random (locality-sensitive hashing: P. Indyk
    and R. Motwani, ACM STOC 1998; signs of projections: M. Charikar, ACM STOC 2002; from memory),
    so many that chance ones are about as many as there are frames. So time grows with the number of
    recordings, not of their pairs. Around each the correlation decides.

    Parameters
    ----------
    people : sequence of str
        Whose each recording is.
    signs : sequence of Signs

    Returns
    -------
    list of Alike
        Whose share is that of the shorter one's frames which stretches were found for, at least.
    """
    noise = _noise_of(signs)
    found: dict[tuple[int, int], list[list[tuple[int, int]]]] = {}
    for first, second, backwards in _agreeing(noise):
        a, b = noise.owner[first], noise.owner[second]
        for k in np.flatnonzero([people[i] != people[j] for i, j in zip(a, b, strict=True)]):
            here = int(first[k] - noise.starts[a[k]]), int(second[k] - noise.starts[b[k]])
            pair, at = (int(a[k]), int(b[k])), here
            if pair[0] > pair[1]:
                pair, at = pair[::-1], here[::-1]
            found.setdefault(pair, [[], []])[int(backwards)].append(at)
    alike = []
    for (first_one, second_one), ways in found.items():
        n = max(_in_order(ways[0]), _in_order([(place, -other) for place, other in ways[1]]))
        if n >= LEAST_STRETCHES:
            shorter = min(len(signs[i].values) for i in (first_one, second_one))
            alike.append(Alike(first_one, second_one, min(1.0, n * STRETCH / shorter)))
    return sorted(alike, key=lambda each: (-each.share, each.first, each.second))


def _noise_of(signs: Sequence[Signs]) -> _Noise:
    parts = [_whitened(each) for each in signs]
    lengths = [len(values) for values, _ in parts]
    owner = np.repeat(np.arange(len(parts)), lengths)
    quiet = np.concatenate([np.zeros(0, bool), *(quiet for _, quiet in parts)])
    whole = quiet[:-2] & quiet[1:-1] & quiet[2:] & (owner[:-2] == owner[2:])
    values = np.concatenate([np.zeros((0, 2 * N_SUMS), np.float32), *(v for v, _ in parts)])
    starts = np.cumsum([0, *lengths])[: len(parts)]
    return _Noise(values, owner, starts, np.flatnonzero(whole) + 1)


def _whitened(signs: Signs) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return second differences of sums with all directions alike, and which are noise alone.

    The others are nothing, so that products of two people's have at most the spread of noise.

    Nothing is returned of a recording that is too short, that has hardly any noise, so that its
    counts repeat themselves, or of fewer than 8 by 8 pixels, whose sums hang together.
    """
    nothing = np.zeros((0, 2 * N_SUMS), np.float32), np.zeros(0, bool)
    if len(signs.values) < LEAST_STRETCHES * (STRETCH + 2):
        return nothing
    steps = np.diff(signs.sums, n=2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):  # a single pixel's sum has no noise
        steps /= signs.sums_noise[1:-1] * math.sqrt(6.0)  # the sum of squares of 1, -2 and 1
    spread = np.quantile(np.abs(steps), _QUIET_QUANTILE, axis=0).min() / _OF_NORMAL
    if not spread > 0.0:
        return nothing
    steps /= spread
    quiet = np.asarray((np.abs(steps) < _STILL).all(axis=1))
    if quiet.sum() < LEAST_STRETCHES * STRETCH:
        return nothing
    steps = np.clip(steps, -_CUT, _CUT)
    power, directions = np.linalg.eigh(steps[quiet].T @ steps[quiet] / quiet.sum())
    if (power > _LEAST_POWER * power[-1]).sum() < len(power):
        return nothing
    whitened = steps @ (directions / np.sqrt(power)) @ directions.T
    return np.where(quiet[:, None], whitened, 0.0).astype(np.float32), quiet


def _agreeing(noise: _Noise) -> Iterator[tuple[Places, Places, bool]]:
    """Yield the middles of stretches of two recordings that agree, and whether backwards."""
    if len(noise.middles) < 2:
        return
    n_directions = noise.values.shape[1]
    before, here, behind = (noise.values[noise.middles + k] for k in (-1, 0, 1))
    # Both are the same whichever way time runs, and of white noise they are independent.
    signs = np.concatenate([here > 0.0, 3.0 * (before + behind) + 4.0 * here > 0.0], axis=1)
    n_signs = min(2 * n_directions, len(noise.middles).bit_length() + 1)
    rng = np.random.default_rng(_SEED)
    for _ in range(N_TABLES):
        keys = np.zeros(len(signs), np.int64)
        for bit, column in enumerate(rng.permutation(2 * n_directions)[:n_signs]):
            keys |= signs[:, column].astype(np.int64) << bit
        order = np.argsort(keys, kind="stable")
        keys, places = keys[order], noise.middles[order]
        same = [np.flatnonzero(keys[k:] == keys[:-k]) for k in range(1, _MOST_SAME + 1)]
        first = places[np.concatenate(same)]
        second = places[np.concatenate([each + k for k, each in enumerate(same, 1)])]
        other = noise.owner[first] != noise.owner[second]
        first, second = first[other], second[other]
        for backwards in (False, True):
            sure = _agree(noise, first, second, backwards)
            yield first[sure], second[sure], backwards


def _agree(noise: _Noise, first: Places, second: Places, backwards: bool) -> Places:
    """Return which pairs of places lie in the middle of stretches that agree."""
    way = -1 if backwards else 1
    kept = np.flatnonzero(_inside(noise, first, 1) & _inside(noise, second, way))
    least = LEAST_STANDARD_ERRORS * math.sqrt(STRETCH * noise.values.shape[1] * _ADDED_VARIANCE)
    # What made them candidates lies in the middle: most fall by one end alone.
    end, rest = np.split(np.arange(STRETCH) - STRETCH // 2, [STRETCH // 3])
    product = np.zeros(len(kept))
    for steps, enough in ((end, _AT_AN_END * least), (rest, least)):
        for step in steps:
            here, there = (
                noise.values[at] for at in (first[kept] + step, second[kept] + way * step)
            )
            product += np.einsum("nd,nd->n", here, there)
        sure = product > enough
        kept, product = kept[sure], product[sure]
    return kept


def _inside(noise: _Noise, places: Places, way: int) -> npt.NDArray[np.bool_]:
    """Return whether both ends of a stretch are of the recording that its middle is of."""
    ends = [places - way * (STRETCH // 2), places + way * (STRETCH - STRETCH // 2 - 1)]
    n, owner = len(noise.owner), noise.owner
    inside = np.ones(len(places), bool)
    for at in ends:
        inside &= (at >= 0) & (at < n) & (owner[np.clip(at, 0, n - 1)] == owner[places])
    return inside


def _in_order(pairs: Sequence[tuple[int, int]]) -> int:
    """Return how many stretches, apart in both recordings, come one after the other in both.

    The longest of such rows, as a longest rising subsequence is found (M. Fredman, Discrete
    Mathematics 11, 1975; from memory): for each length, where in the second the first row of it
    ends.
    """
    ordered = sorted(set(pairs))
    ends: list[int] = []
    lengths: list[int] = []
    n_behind = 0  # of those that end before the one looked at begins
    for place, other in ordered:
        while ordered[n_behind][0] + STRETCH <= place:
            length, end = lengths[n_behind], ordered[n_behind][1] + STRETCH
            if length > len(ends):
                ends.append(end)
            ends[length - 1] = min(ends[length - 1], end)
            n_behind += 1
        lengths.append(bisect_right(ends, other) + 1)
    return max(lengths, default=0)
