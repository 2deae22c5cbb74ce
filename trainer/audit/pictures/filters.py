"""A picture drawn whole by layers of filters, from what simple attackers made of the scene.

What is linear in a step's values cannot know that a finger has two sides, and what compares whole
pictures has to have seen each hand. Filters see surroundings wherever these lie, so that a few
hundred people's pictures teach them how hands are drawn. They are shown what simple attackers make
of people whom these did not learn from, as they will be of those asked.

Cells are taken two by two, so that a layer sees as far as two would for a quarter of the work (W.
Shi et al., Real-Time Single Image and Video Super-Resolution, 2016, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from runtime.stages.contract.stage import Float64
from runtime.stages.kernels.filters import PatchGrid
from trainer.audit.pictures.learned import Guess, Parted
from trainer.audit.pictures.measures import OUTLINE
from trainer.learn.networks.adam import Adam

__all__ = ["FILTERS", "filtered"]

FILTERS = "filters over what simple attackers made"
Float32 = NDArray[np.float32]

_BLOCK = 2  # cells of a block are channels of one place
_SIZE = 3
_N_FILTERS, _N_HIDDEN = 32, 3  # four layers of 3 x 3: nine blocks wide
_BATCH, _RATE, _WARM = 24, 3e-3, 50  # so many steps grow, as moments of few gradients mislead
_MOST_SHOWN, _MOST_TURNS = 40_000, 10
"""Pictures shown in all, and how often each: 40,000 take half a minute of processor time at a step,
about as long as the attackers that they are shown, and find what a larger network does that is
shown 60,000 (tests/bench/MEASURED.md)."""
_AT_ONCE = 100  # pictures, to bound memory
_SEED = 2


def filtered(
    made: Sequence[Parted], pictures: Float64, apart: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> Guess:
    """Draw pictures by filters over what several attackers made.

    Parameters
    ----------
    made : sequence of Parted
        What each made of the pairs shown, of those set apart and of those asked.
    pictures : float64 (n_pairs, n_cells)
    apart : bool (n_pairs,)
    inside : bool (height, width)
        Cells of a picture that are seen.

    Returns
    -------
    Guess
        Brightness, and by itself each cell's chance to be lit.
    """
    shown = ~apart
    means = [(one.shown.mean(), one.shown.std() + 1e-9) for one in made]
    parts = [
        _blocks([(each[k] - mean) / size for each, (mean, size) in zip(made, means, strict=True)],
                inside)
        for k in range(3)
    ]  # fmt: skip
    lit = (pictures[shown] > OUTLINE).astype(np.float32)
    targets = _blocks([lit, pictures[shown]], inside)
    network = _Network(parts[0].shape[1:], targets.shape[-1])
    network.fit(parts[0], targets, _blocks([np.ones((1, lit.shape[1]))] * 2, inside))
    told = [_cells(network.tell(part), inside) for part in parts[1:]]
    return Guess(told[0][1], told[1][1], outlines=(told[0][0], told[1][0]))


def _blocks(kinds: Sequence[NDArray[np.floating]], inside: NDArray[np.bool_]) -> Float32:
    """Return pictures in blocks, (n, n_down, n_across, n_kinds * 4); dark outside."""
    down, across = (-(-side // _BLOCK) for side in inside.shape)
    rows, cols = np.nonzero(inside)
    full = np.zeros((len(kinds[0]), down * _BLOCK, across * _BLOCK, len(kinds)), np.float32)
    for kind, cells in enumerate(kinds):
        full[:, rows, cols, kind] = cells
    split = full.reshape(len(full), down, _BLOCK, across, _BLOCK, len(kinds))
    return np.ascontiguousarray(split.transpose(0, 1, 3, 5, 2, 4)).reshape(
        len(full), down, across, -1
    )


def _cells(blocks: Float32, inside: NDArray[np.bool_]) -> list[Float64]:
    """Return the cells inside of each kind, float64 (n, n_cells): :func:`_blocks` undone."""
    n, down, across, n_channels = blocks.shape
    split = blocks.reshape(n, down, across, n_channels // _BLOCK**2, _BLOCK, _BLOCK)
    full = split.transpose(3, 0, 1, 4, 2, 5).reshape(-1, n, down * _BLOCK, across * _BLOCK)
    height, width = inside.shape
    return [each[:, :height, :width][:, inside].astype(np.float64) for each in full]


class _Network:
    """Hidden layers of filters, and a last one that sees what the first was given as well."""

    def __init__(self, shape: tuple[int, ...], n_out: int) -> None:
        rng = np.random.default_rng(_SEED)
        down, across, n_in = shape
        edge = _SIZE - 1
        widths = (n_in, *[_N_FILTERS] * _N_HIDDEN)
        self._grids = [PatchGrid(down + edge, across + edge, n, _SIZE, 1) for n in widths]
        sides = [(grid.n_patch, n) for grid, n in zip(self._grids, widths[1:], strict=False)]
        # Of half of what they see at most, half is cut off: K. He et al., Delving Deep, 2015.
        self._weights = [
            np.asarray(rng.normal(0.0, math.sqrt(2.0 / a), (a, b)), np.float32) for a, b in sides
        ]
        self._weights += [np.zeros((grid.n_patch, n_out), np.float32) for grid in
                          (self._grids[-1], self._grids[0])]  # fmt: skip
        self._shifts = [np.zeros(b, np.float32) for _, b in sides] + [np.zeros(n_out, np.float32)]

    def fit(self, x: Float32, targets: Float32, seen: Float32) -> None:
        """Learn by cross-entropy of all that is seen, each picture again and again.

        The step is brought to nothing along half a cosine (I. Loshchilov and F. Hutter, SGDR,
        2017), so that the last pictures shown count for no more than the others.
        """
        rng, adam = np.random.default_rng(_SEED + 1), Adam(_RATE)
        n_turns = min(_MOST_TURNS, max(1, _MOST_SHOWN // len(x)))
        order = np.concatenate([rng.permutation(len(x)) for _ in range(n_turns)])
        order = order[:_MOST_SHOWN]
        batches = np.array_split(order, -(-len(order) // _BATCH))
        for number, rows in enumerate(batches):
            share = 0.5 * (1.0 + math.cos(math.pi * number / len(batches)))
            share *= min(1.0, (number + 1) / _WARM)
            slopes = self._slopes(x[rows], targets[rows], seen)
            adam.step([*self._weights, *self._shifts], slopes, share)

    def tell(self, x: Float32) -> Float32:
        """Return each channel's chance."""
        parts = [self._pass(x[at : at + _AT_ONCE])[1] for at in range(0, len(x), _AT_ONCE)]
        return np.concatenate(parts)

    def _pass(self, x: Float32) -> tuple[list[Float32], Float32]:
        """Return the patches that each layer was given, (n_places, n_patch), and the chances."""
        y, patches = x, []
        for number, grid in enumerate(self._grids):
            patches.append(_patches(y, grid))
            if number == _N_HIDDEN:
                break
            y = patches[-1] @ self._weights[number]
            y += self._shifts[number]
            y = np.maximum(y, 0.0, out=y).reshape(*x.shape[:3], -1)
        score = patches[-1] @ self._weights[-2]
        score += patches[0] @ self._weights[-1]
        score += self._shifts[-1]
        return patches, np.asarray(special.expit(score)).reshape(*x.shape[:3], -1)

    def _slopes(self, x: Float32, targets: Float32, seen: Float32) -> list[Float32]:
        """Return the slope of the mean loss of a cell along each parameter."""
        patches, chance = self._pass(x)
        slope = ((chance - targets) * (seen / np.float32(seen.sum() * len(x)))).reshape(
            -1, chance.shape[-1]
        )
        of_weights = [patches[-1].T @ slope, patches[0].T @ slope]
        of_shifts = [slope.sum(axis=0)]
        for number in reversed(range(_N_HIDDEN)):
            grid = self._grids[number + 1]
            slope = _to_values(slope @ self._weights[number + 1].T, len(x), grid)
            # The middle of a patch is the layer's own output there.
            given = patches[number + 1][:, _middle(grid)]
            slope = slope.reshape(given.shape) * (given > 0.0)
            of_weights.insert(0, patches[number].T @ slope)
            of_shifts.insert(0, slope.sum(axis=0))
        return [*of_weights, *of_shifts]


def _patches(y: Float32, grid: PatchGrid) -> Float32:
    """Return the surroundings of every place, (n_places, n_patch); nothing beyond the edges."""
    wide = np.zeros((len(y), grid.n_rows, grid.n_cols, grid.n_channels), np.float32)
    wide[:, 1:-1, 1:-1] = y
    return np.asarray(grid.patches_of(wide.reshape(len(y), -1)).reshape(-1, grid.n_patch))


def _middle(grid: PatchGrid) -> slice:
    at = _SIZE**2 // 2 * grid.n_channels
    return slice(at, at + grid.n_channels)


def _to_values(slope: Float32, n: int, grid: PatchGrid) -> Float32:
    """Add slopes along patches up to those along a layer's outputs, (n, n_down, n_across, ...)."""
    down, across = grid.places
    each = slope.reshape(n, down, across, _SIZE, _SIZE, grid.n_channels)
    wide = np.zeros((n, grid.n_rows, grid.n_cols, grid.n_channels), np.float32)
    for row in range(_SIZE):
        for col in range(_SIZE):
            wide[:, row : row + down, col : col + across] += each[:, :, :, row, col]
    return wide[:, 1:-1, 1:-1]
