"""A frame's cost of registration is bounded by its structure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_alignment import drawn_registration

from runtime.stages.alignment.filter_bank import FilterBank


def test_a_frame_aligns_all_pixels_once_more_than_it_has_apertures(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The first aperture whose place is beyond its cell is aligned again, and no other one."""
    rng = np.random.default_rng(12)
    stage = drawn_registration(rng, 2, most=1023)
    x = rng.integers(-1023, 1024, (60, stage.n_values)).astype(np.int32)
    aligned: list[int] = []
    plain = FilterBank.dots

    def counted(self: FilterBank, values: np.ndarray, aperture: int, cells: np.ndarray) -> object:
        aligned.append(len(values))
        return plain(self, values, aperture, cells)

    monkeypatch.setattr(FilterBank, "dots", counted)
    y = stage.run(x, {})[0]
    first, again, second, once_more = aligned
    assert first == second == len(x)
    assert again > 0 and once_more > 0  # drawn tables ask for it in most frames
    assert again + once_more <= len(x)
    one = replace(
        stage, offsets=stage.offsets[:1], spline_offset=stage.spline_offset[:2],
        light_offset=stage.light_offset[:1],
        search=stage.search[:1], coarse_filters=stage.coarse_filters[:1],
        coarse_terms=stage.coarse_terms[:1], starts=stage.starts[:1],
        fine_terms=stage.fine_terms[:1], spline=stage.spline[:1], norms=stage.norms[:1],
    )  # fmt: skip
    np.testing.assert_array_equal(one.run(x, {})[0], y[:, :4])
    real = stage.run_float(x.astype(np.float64))
    assert np.isfinite(real).all()
