"""The root stage: whole roots, exact in every execution."""

from __future__ import annotations

from math import isqrt
from pathlib import Path

import numpy as np
import pytest
from firmware_models import save_folder
from hypothesis import given, settings
from hypothesis import strategies as st

from runtime.errors import FormatError, OverflowRisk
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.level import Level
from runtime.stages.root import Root
from runtime.verification.engines import ENGINES, open_engine


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-32767, 32767), min_size=1, max_size=20), st.integers(0, 16))
def test_roots_are_those_of_the_standard_library(values: list[int], lift: int) -> None:
    """A root is math.isqrt of the lifted magnitude with the value's sign; the rest passes."""
    x = np.array([[*values, -5]], dtype=np.int32)
    stage = Root(len(values) + 1, len(values), lift, 16)
    roots = [(1 if v >= 0 else -1) * isqrt(abs(v) << lift) for v in values]
    assert stage.run(x, {})[0].tolist() == [[*roots, -5]]
    real = stage.run_float(x.astype(np.float64))[0, :-1]
    assert (np.abs(real) - np.abs(roots) < 1).all() and (np.abs(real) >= np.abs(roots)).all()


def test_the_noise_of_light_becomes_the_same_everywhere() -> None:
    """Roots of Poisson counts spread by about one half, whatever the mean (Bartlett, 1936)."""
    rng = np.random.default_rng(3)
    for mean in (100, 1_000, 10_000):
        counts = rng.poisson(mean, (20_000, 1)).astype(np.int32)
        roots = Root(1, 1, 12, 16).run(counts, {})[0] / 2**6
        assert roots.std() == pytest.approx(0.5, rel=0.03)


def test_bounds_keep_the_order_and_refuse_overflow() -> None:
    """Bounds are the roots of the inputs' bounds; a lifted value beyond 32 bits is refused."""
    low, high = np.array([-32767, 0, 7]), np.array([32767, 100, 9])
    least, most = Root(3, 2, 5, 16).bounds(low, high)
    assert least.tolist() == [-isqrt(32767 << 5), 0, 7]
    assert most.tolist() == [isqrt(32767 << 5), isqrt(100 << 5), 9]
    with pytest.raises(OverflowRisk):
        Root(1, 1, 16, 16).bounds(np.array([0]), np.array([65536]))


@pytest.mark.parametrize(
    "fields",
    [(0, 1, 0, 8), (4, 5, 0, 8), (4, 0, 0, 8), (4, 4, 17, 8), (4, 4, True, 8), (4, 4, 0, 17)],
)
def test_values_out_of_range_are_refused(fields: tuple[int, int, int, int]) -> None:
    """No value, more roots than values, and widths beyond 16 bits are format errors."""
    with pytest.raises(FormatError):
        Root(*fields)


@pytest.mark.parametrize(("n_rooted", "root_bits"), [(3, 16), (5, 9)])
@pytest.mark.parametrize("name", ENGINES)
def test_every_execution_takes_the_same_roots(
    name: str, n_rooted: int, root_bits: int, tmp_path: Path
) -> None:
    """Reference, ONNX and C agree on bright, dark, negative and saturated differences."""
    sensor = Sensor("drawn", 2, 2, 12, black_level_counts=0)
    stages = (
        Bins(2, 2, 2, 2),
        Level(4, 16, 14, 4, 6, 0),
        Root(5, n_rooted, 5, root_bits),
        Decision((False,) * 5, 20, 10, persist=1, hold_off=1),
    )
    model = Model("roots", "roots", sensor, tuple("abcde"), stages)
    folder = save_folder(model, tmp_path / "model")
    rng = np.random.default_rng(4)
    lit, dark = rng.integers(0, 4096, (2, 80, 2, 2)).astype(np.uint16)
    lit[:5], dark[5:10] = 0, 0
    run = model.run(lit, dark)
    step = open_engine(name, model, folder)
    answers = [step(*pair) for pair in zip(lit, dark, strict=True)]
    np.testing.assert_array_equal([answer.evidence for answer in answers], run.evidence)
    assert len(np.unique(run.evidence)) > 50
