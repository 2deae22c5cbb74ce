"""The entry: which bins or pixels of a readout a model looks at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Float64, Int32
from runtime.stages.pixels import Pixels
from trainer.learn.directions import shrunk
from trainer.recipe import FeatureRecipe

__all__ = ["choose_pixels", "learn_pixels", "reduction"]


def reduction(features: FeatureRecipe, sensor: Sensor) -> Bins:
    """Return what recordings are reduced by: the bins required, or every pixel by itself.

    Raises
    ------
    UsageError
        The recipe asks for rows that the sensor does not have, or more pixels than stand there.
    FormatError
        The bins do not divide the rows and columns.
    """
    n_rows, n_cols = sensor.n_rows, sensor.n_cols
    first, last = features.rows or (0, n_rows)
    if not 0 <= first < last <= n_rows:
        raise UsageError("features", "rows", f"{first} to {last}", f"rising, 0 to {n_rows}")
    if features.entry == "bins":
        return Bins(n_rows, n_cols, *features.bins, first_row=first, last_row=last)
    if features.pixels > (last - first) * n_cols:
        raise UsageError(
            "features", "pixels", features.pixels, f"at most {(last - first) * n_cols}"
        )
    return Bins(n_rows, n_cols, n_rows, n_cols)


def learn_pixels(
    features: FeatureRecipe, reduced_by: Bins, recordings: list[Int32], seed: int
) -> Pixels | None:
    """Choose a recipe's pixels; None when it takes bins.

    Labels are not looked at.

    Parameters
    ----------
    reduced_by : Bins
        As :func:`reduction` returns it. Bins larger than a pixel are taken as they are.
    recordings : list of int32 (n_frames, n_pixels)
        Lit minus dark of training recordings.
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
        chosen = allowed[choose_pixels([r[:, allowed] for r in recordings], features.pixels)]
    indices = np.sort(chosen).astype(np.int32)
    return Pixels(reduced_by.n_rows, reduced_by.n_cols, indices)


def choose_pixels(recordings: list[Int32], n_pixels: int) -> NDArray[np.int64]:
    """Choose the pixels that say most about the readouts' strongest directions.

    QR factorisation with column pivoting of the leading principal directions (K. Manohar et al.,
    IEEE Control Systems 38, 2018), of readouts as shares of their sum. Pixels are brought to equal
    noise before, shrunk towards their mean, so that neither a bright pixel nor a dark one counts
    for more than it tells.

    Parameters
    ----------
    recordings : list of int32 (n_frames, n_values)
        Lit minus dark.
    n_pixels : int
        At most n_values.

    Returns
    -------
    int64 (n_pixels,)
        Columns, the most telling first.
    """
    shares = [_shares(r) for r in recordings]
    steps = np.concatenate([np.diff(s, axis=0) for s in shares])
    variance = np.diag(shrunk(np.diag((steps * steps).mean(axis=0) / 2)))
    x = np.concatenate(shares)
    whitened = (x - x.mean(axis=0)) / np.sqrt(variance)
    n_values = whitened.shape[1]
    covariance = whitened.T @ whitened
    _, vectors = linalg.eigh(covariance, subset_by_index=[n_values - n_pixels, n_values - 1])
    _, order = linalg.qr(vectors.T[::-1], mode="r", pivoting=True)
    return np.asarray(order[:n_pixels], dtype=np.int64)


def _shares(values: Int32) -> Float64:
    total = values.sum(axis=1, dtype=np.int64)
    floor = max(1.0, float(np.quantile(total, 0.01)))
    return np.asarray(values / np.maximum(total, floor)[:, None])
