"""Adam's steps, held to the paper's own algorithm in double precision."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.learn.networks.adam import Adam


@pytest.mark.parametrize("rate", [1e-3, 0.1])
def test_steps_are_those_of_the_paper(rate: float) -> None:
    """D. Kingma and J. Ba, Adam, ICLR 2015, algorithm 1 (from memory), for several parameters.

    Slopes of some values are so small that what keeps the step finite counts.
    """
    rng = np.random.default_rng(3)
    shapes = [(4, 3), (3,), (1,)]
    mine = [rng.standard_normal(shape, dtype=np.float32) for shape in shapes]
    theta = [each.astype(np.float64) for each in mine]
    m, v = ([np.zeros(shape) for shape in shapes] for _ in range(2))
    adam = Adam(rate)
    for t in range(1, 31):
        slopes = [rng.standard_normal(shape, dtype=np.float32) for shape in shapes]
        slopes[2] *= np.float32(1e-3)
        for i, g in enumerate([each.astype(np.float64) for each in slopes]):
            m[i] = 0.9 * m[i] + 0.1 * g
            v[i] = 0.999 * v[i] + 0.001 * g * g
            theta[i] -= rate * (m[i] / (1 - 0.9**t)) / (np.sqrt(v[i] / (1 - 0.999**t)) + 1e-8)
        adam.step(mine, slopes)
    assert adam.n_steps == 30
    for own, other in zip(mine, theta, strict=True):
        assert own.dtype == np.float32
        np.testing.assert_allclose(own, other, atol=rate * 1e-3)
