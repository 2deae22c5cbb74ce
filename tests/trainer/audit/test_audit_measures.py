"""Measures of how alike two pictures are, held against figures made elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.audit.pictures.measures import edge_overlap, iou, marks, psnr_db, ssim


def two_pictures() -> tuple[np.ndarray, np.ndarray]:
    """Return the two pictures that the figures of scikit-image were made of."""
    y, x = np.mgrid[0:24, 0:20]
    one = 0.5 + 0.5 * np.sin(x / 3.0) * np.cos(y / 4.0)
    return one, np.clip(one * 0.8 + 0.1 * np.cos(x * y / 7.0) + 0.05, 0, 1)


def test_psnr_of_an_offset_of_16_in_255_is_24_0484_db() -> None:
    """10 log10(255^2 / 16^2) = 24.0484 dB, which scikit-image 0.26.0 gives as well."""
    flat = np.full((1, 16, 16), 100 / 255)
    assert psnr_db(flat, flat + 16 / 255)[0] == pytest.approx(24.0484, abs=5e-5)


def test_ssim_and_psnr_are_those_of_scikit_image() -> None:
    """Figures of structural_similarity and peak_signal_noise_ratio, scikit-image 0.26.0.

    Both by their defaults, but for a data_range of 1.
    """
    one, other = (picture[None] for picture in two_pictures())
    assert ssim(other, one)[0] == pytest.approx(0.8696896443445989, abs=1e-12)
    assert psnr_db(other, one)[0] == pytest.approx(20.34909292293515, abs=1e-9)


def test_a_picture_is_wholly_like_itself_and_the_mean_of_pictures_exists() -> None:
    """SSIM and overlaps of a picture with itself are 1, and PSNR is finite."""
    one = two_pictures()[0][None]
    told = marks(one, one > 0.1, one)
    assert told["ssim"][0] == pytest.approx(1.0)
    assert told["iou"][0] == told["edge_overlap"][0] == 1.0
    assert 100 < told["psnr_db"][0] < 110


def test_overlap_is_both_over_either() -> None:
    """Two squares of 16 cells that share 8 overlap by a third; nothing and nothing wholly."""
    outlines = np.zeros((3, 10, 10), dtype=bool)
    outlines[0, 2:6, 2:6] = True
    other = np.zeros_like(outlines)
    other[0, 2:6, 4:8] = True
    other[1, 1, 1] = True
    assert iou(outlines, other).tolist() == pytest.approx([8 / 24, 0.0, 1.0])


def test_edges_a_cell_apart_agree_and_two_cells_apart_do_not() -> None:
    """A square moved by one cell keeps its edge, one moved by five shares none of it."""
    outlines = np.zeros((2, 16, 16), dtype=bool)
    outlines[:, 3:8, 3:8] = True
    near = np.roll(outlines, 1, axis=2)
    far = np.roll(outlines, 7, axis=2)
    assert edge_overlap(outlines, near)[0] == 1.0
    assert edge_overlap(outlines, far)[0] == 0.0
    assert edge_overlap(outlines & False, outlines & False)[0] == 1.0
