"""How alike two pictures are, in four measures; each alone can call a leaking readout private."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64

__all__ = ["MEASURES", "OUTLINE", "edge_overlap", "iou", "marks", "psnr_db", "ssim"]

MEASURES = ("iou", "ssim", "psnr_db", "edge_overlap")
OUTLINE = 0.1
"""Of a picture's brightness: what is darker counts as not there. Skin in shade at a hand's side
still gives back a tenth (its cosine at 84 degrees)."""
_WINDOW = 7  # pixels across, as implementations take Wang et al.'s plain window
_K1, _K2 = 0.01, 0.03  # of Wang et al., for a range of 1
_LEAST_SQUARED = (1.0 / 65_535.0) ** 2 / 12.0


def psnr_db(pictures: Float64, references: Float64) -> Float64:
    """Return the peak signal-to-noise ratio of pictures whose range is 1, in decibels.

    10 log10(1 / mean squared error). Two pictures that are the same have that of one step of a
    16-bit scale, 107 dB, and not infinity, so that means exist.

    Parameters
    ----------
    pictures, references : float64 (n_pictures, height, width)
        Values from 0 to 1.

    Returns
    -------
    float64 (n_pictures,)
    """
    squared = np.mean((pictures - references) ** 2, axis=(1, 2))
    return np.asarray(-10.0 * np.log10(np.maximum(squared, _LEAST_SQUARED)))


def ssim(pictures: Float64, references: Float64) -> Float64:
    """Return the structural similarity of pictures whose range is 1, from -1 to 1.

    Z. Wang, A. C. Bovik, H. R. Sheikh and E. P. Simoncelli, "Image Quality Assessment: From Error
    Visibility to Structural Similarity", 2004, equation 13, over plain windows of 7 x 7 pixels that
    lie wholly in the picture, with the sample's variances.

    Parameters
    ----------
    pictures, references : float64 (n_pictures, height, width)
        Values from 0 to 1; both sides at least 7 pixels.

    Returns
    -------
    float64 (n_pictures,)
    """
    n = _WINDOW**2
    mean_x, mean_y = _means(pictures), _means(references)
    sample = n / (n - 1)
    var_x = sample * (_means(pictures**2) - mean_x**2)
    var_y = sample * (_means(references**2) - mean_y**2)
    both = sample * (_means(pictures * references) - mean_x * mean_y)
    c1, c2 = _K1**2, _K2**2
    alike = (2 * mean_x * mean_y + c1) * (2 * both + c2)
    alike /= (mean_x**2 + mean_y**2 + c1) * (var_x + var_y + c2)
    return np.asarray(alike.mean(axis=(1, 2)))


def _means(pictures: Float64) -> Float64:
    """Return the means of all whole windows, float64 (n, height - 6, width - 6)."""
    from scipy.ndimage import uniform_filter

    edge = _WINDOW // 2
    means = uniform_filter(pictures, size=(1, _WINDOW, _WINDOW))
    return np.asarray(means[:, edge:-edge, edge:-edge])


def iou(outlines: NDArray[np.bool_], references: NDArray[np.bool_]) -> Float64:
    """Return the overlap of outlines: cells in both over cells in either; 1 where both are empty.

    Parameters
    ----------
    outlines, references : bool (n_pictures, height, width)

    Returns
    -------
    float64 (n_pictures,)
    """
    both = np.sum(outlines & references, axis=(1, 2))
    either = np.sum(outlines | references, axis=(1, 2))
    return np.where(either == 0, 1.0, both / np.maximum(either, 1))


def edge_overlap(outlines: NDArray[np.bool_], references: NDArray[np.bool_]) -> Float64:
    """Return how well the edges of outlines agree, a cell's width forgiven, from 0 to 1.

    The F1 score of edge cells: those of either that lie on an edge cell of the other or beside one.
    An outline's edge are its cells with a neighbour outside; 1 where neither has any.

    Parameters
    ----------
    outlines, references : bool (n_pictures, height, width)

    Returns
    -------
    float64 (n_pictures,)
    """
    own, true = _edges(outlines), _edges(references)
    found = np.sum(own & _wider(true), axis=(1, 2)), np.sum(true & _wider(own), axis=(1, 2))
    n_own, n_true = np.sum(own, axis=(1, 2)), np.sum(true, axis=(1, 2))
    precision, recall = found[0] / np.maximum(n_own, 1), found[1] / np.maximum(n_true, 1)
    f1 = 2 * precision * recall / np.maximum(precision + recall, 1e-12)
    return np.where(n_own + n_true == 0, 1.0, f1)


def _edges(outlines: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_erosion

    cross = np.array([[[0, 1, 0], [1, 1, 1], [0, 1, 0]]], dtype=bool)
    return np.asarray(outlines & ~binary_erosion(outlines, cross))


def _wider(edges: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(edges, np.ones((1, 3, 3), dtype=bool)))


def marks(
    pictures: Float64, outlines: NDArray[np.bool_], references: Float64
) -> dict[str, Float64]:
    """Return every measure of pictures, float64 (n_pictures,) each.

    Parameters
    ----------
    pictures, references : float64 (n_pictures, height, width)
        Values from 0 to 1.
    outlines : bool (n_pictures, height, width)
        Where the pictures' maker says that the thing itself is; of the references it is what is
        brighter than :data:`OUTLINE`.
    """
    true = references > OUTLINE
    return {
        "iou": iou(outlines, true),
        "ssim": ssim(pictures, references),
        "psnr_db": psnr_db(pictures, references),
        "edge_overlap": edge_overlap(outlines, true),
    }
