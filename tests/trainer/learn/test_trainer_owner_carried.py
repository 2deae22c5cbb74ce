"""What a network carries past its last hidden layer, for takes of its owner."""

from __future__ import annotations

import numpy as np
import pytest

from runtime.fixedpoint import symmetric_limit
from runtime.stages.contract.stage import Int32, Int64, Stage
from runtime.stages.dense import Dense
from trainer.learn.owner import MOST_DIRECTIONS, carried_past
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense

N_IN, WIDTHS, N_CLASSES = 20, (40, 12), 3
LOW, HIGH = np.full(N_IN, -500), np.full(N_IN, 500)
Network = tuple[tuple[Stage, ...], Int32, Int64, Int64]


@pytest.fixture(scope="module", params=[8, 16])
def network(request: pytest.FixtureRequest) -> Network:
    """Layers of random weights, windows of eight people and three classes, labels and people."""
    rng = np.random.default_rng(5)
    labels, people = np.tile(np.arange(N_CLASSES), 160), np.repeat(np.arange(8), 60)
    centres = rng.normal(0, 100, (8 * N_CLASSES, N_IN))[people * N_CLASSES + labels]
    x = np.clip(centres + rng.normal(0, 50, centres.shape), -500, 500).astype(np.int32)
    stages, y, low, high = [], x, LOW, HIGH
    for n_out in (*WIDTHS, N_CLASSES):
        last = n_out == N_CLASSES
        layer = RealLayer(rng.normal(0, 1, (n_out, y.shape[1])), np.zeros(n_out), relu=not last)
        stage, _ = quantise_dense(
            layer, LayerInputs(y, low, high), weight_bits=8,
            out_bits=32 if last else request.param, clip_quantile=0.999,
        )  # fmt: skip
        stages.append(stage)
        y, (low, high) = stage.run(y, {})[0], stage.bounds(low, high)
    return tuple(stages), x, labels, people


def run(stages: tuple[Stage, ...], x: Int32) -> Int32:
    for stage in stages:
        x, _ = stage.run(x, {})
    return x


def test_what_is_carried_moves_no_score_and_tells_more(network: Network) -> None:
    """Scores stay bit for bit, and further units hold directions unclipped, in whole steps."""
    heads, x, labels, people = network
    wider = carried_past(heads, x, (LOW, HIGH), labels, people)
    assert np.array_equal(run(wider, x), run(heads, x))
    far = np.random.default_rng(6).integers(-500, 501, (200, N_IN)).astype(np.int32)
    assert np.array_equal(run(wider, far), run(heads, far))
    n_before = WIDTHS[-1]
    seen = run(wider[:-1], x)[:, n_before:]
    assert seen.shape[1] == MOST_DIRECTIONS
    before, hidden = heads[-2], wider[-2]
    assert isinstance(before, Dense) and isinstance(hidden, Dense)
    limit = symmetric_limit(hidden.out_bits)
    clipped = (seen == 0) | (seen == limit)
    assert clipped.mean() < 0.01
    assert np.median(np.ptp(seen, axis=0)) > 40
    real = hidden.run_float(run(wider[:1], x).astype(np.float64))[:, n_before:]
    assert np.median(np.abs(real - seen)) < 0.02 * limit
    inner = wider[0].bounds(LOW, HIGH)
    assert hidden.accumulator_bound(*inner).max() <= before.accumulator_bound(*inner).max()


def test_other_heads_stay_as_they_are(network: Network) -> None:
    """A network of one hidden layer, or a linear head, is given nothing."""
    heads, x, labels, people = network
    assert carried_past(heads[1:], x, (LOW, HIGH), labels, people) == heads[1:]
