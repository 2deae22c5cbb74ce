"""The entry: which bins or pixels of a readout a model looks at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Float64, Int32
from runtime.stages.pixels import Pixels
from trainer.learn.directions import shrunk
from trainer.learn.excerpt import Excerpt
from trainer.recipe import FeatureRecipe

__all__ = ["choose_pixels", "learn_pixels", "nearest_divisor", "reduction"]


def reduction(features: FeatureRecipe, sensor: Sensor) -> Bins:
    """Return what recordings are reduced by: the bins required, or every pixel by itself.

    Bins are equal: where as many as asked for do not divide the sensor's rows or columns, it is the
    number nearest to it, by ratio, that does.

    Raises
    ------
    UsageError
        The recipe asks for rows that the sensor does not have, or more pixels than stand there.
    """
    n_rows, n_cols = sensor.n_rows, sensor.n_cols
    first, last = features.rows or (0, n_rows)
    if not 0 <= first < last <= n_rows:
        raise UsageError("features", "rows", f"{first} to {last}", f"rising, 0 to {n_rows}")
    if features.entry == "bins":
        down, across = (
            nearest_divisor(asked, length)
            for asked, length in zip(features.bins, (last - first, n_cols), strict=True)
        )
        return Bins(n_rows, n_cols, down, across, first_row=first, last_row=last)
    if features.pixels > (last - first) * n_cols:
        raise UsageError(
            "features", "pixels", features.pixels, f"at most {(last - first) * n_cols}"
        )
    return Bins(n_rows, n_cols, n_rows, n_cols)


def nearest_divisor(asked: int, length: int) -> int:
    """Return the divisor of a length that is nearest to a number by ratio; of two, the larger."""
    divisors = [d for d in range(1, length + 1) if length % d == 0]
    return min(reversed(divisors), key=lambda d: max(d, asked) / min(d, asked))


def learn_pixels(
    features: FeatureRecipe, reduced_by: Bins, excerpts: Sequence[Excerpt], seed: int
) -> Pixels | None:
    """Choose a recipe's pixels; None when it takes bins.

    Labels are not looked at.

    Parameters
    ----------
    reduced_by : Bins
        As :func:`reduction` returns it. Bins larger than a pixel are taken as they are.
    excerpts : sequence of Excerpt
        Lit minus dark of training recordings, all pixels; frames in view are those to learn from.
    seed : int
        Seeds a random choice.
    """
    n_pixels = reduced_by.n_rows * reduced_by.n_cols
    if features.entry == "bins" or reduced_by.n_out != n_pixels:
        return None
    first, last = features.rows or (0, reduced_by.n_rows)
    allowed = np.arange(first * reduced_by.n_cols, last * reduced_by.n_cols)
    if features.choose == "random":
        rng = np.random.default_rng(seed)
        chosen = rng.choice(allowed, features.pixels, replace=False)
    else:
        of_allowed = [replace(e, values=e.values[:, allowed]) for e in excerpts]
        chosen = allowed[choose_pixels(of_allowed, features.pixels)]
    indices = np.sort(chosen).astype(np.int32)
    return Pixels(reduced_by.n_rows, reduced_by.n_cols, indices)


def choose_pixels(excerpts: Sequence[Excerpt], n_pixels: int) -> NDArray[np.int64]:
    """Choose the pixels that say most about the readouts' strongest directions.

    QR factorisation with column pivoting of the leading principal directions (K. Manohar et al.,
    IEEE Control Systems 38, 2018), of readouts as shares of their sum. Pixels are brought to equal
    noise before, shrunk towards their mean, so that neither a bright pixel nor a dark one counts
    for more than it tells.

    Parameters
    ----------
    excerpts : sequence of Excerpt
        Lit minus dark; frames in view are those to learn from.
    n_pixels : int
        At most n_values.

    Returns
    -------
    int64 (n_pixels,)
        Columns, the most telling first.
    """
    shares = [_shares(e.values) for e in excerpts]
    steps = np.concatenate(
        [
            np.diff(s, axis=0)[e.seen[1:] & e.seen[:-1]]
            for s, e in zip(shares, excerpts, strict=True)
        ]
    )
    variance = np.diag(shrunk(np.diag((steps * steps).mean(axis=0) / 2)))
    x = np.concatenate([s[e.seen] for s, e in zip(shares, excerpts, strict=True)])
    whitened = (x - x.mean(axis=0)) / np.sqrt(variance)
    n_values = whitened.shape[1]
    covariance = whitened.T @ whitened
    _, vectors = linalg.eigh(covariance, subset_by_index=[n_values - n_pixels, n_values - 1])
    _, order = linalg.qr(vectors.T[::-1], mode="r", pivoting=True)
    return np.asarray(order[:n_pixels], dtype=np.int64)


def _shares(values: Int32) -> Float64:
    total = np.maximum(values.sum(axis=1, dtype=np.int64), 1)  # below 1, nothing is in view
    return np.asarray(values / total[:, None])
