"""Ranges carried through a model: against other libraries and closed forms."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from budget_models import library_inputs
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample
from SALib.test_functions import Ishigami
from uncertainties import ufloat

from runtime.budget.inputs.uncertainty import draw, interval_of, sensitivity, typical_values
from runtime.budget.inputs.values import Input
from runtime.budget.price.power import average_power
from runtime.errors import FormatError, UsageError

A, B = 7.0, 0.1


def _ranges(**halves: float) -> dict[str, Input]:
    return {
        name: Input(name, "1", 10 - a, 10, 10 + a, "invented", "test") for name, a in halves.items()
    }


def test_linear_case_agrees_with_error_propagation() -> None:
    """Where the model is linear, Monte Carlo gives the deviation of the law of propagation.

    The library `uncertainties` propagates by GUM, JCGM 100:2008, equation 10; a triangle from -a
    to a has variance a^2 / 6 (clause 4.3.9).
    """
    inputs = _ranges(x=1.0, y=2.0, z=3.0)
    draws = draw(inputs, 200_000, np.random.default_rng(3))

    def model(v: Any) -> Any:
        return 1.0 * v["x"] + 2.0 * v["y"] - 0.5 * v["z"]

    law = model({n: ufloat(10.0, (x.high - 10.0) / math.sqrt(6)) for n, x in inputs.items()})
    assert float(np.std(model(draws))) == pytest.approx(law.std_dev, rel=0.01)
    assert float(np.mean(model(draws))) == pytest.approx(law.nominal_value, rel=0.001)


def test_power_model_is_nearly_linear_over_narrow_ranges() -> None:
    """With every range narrowed to 1 %, the whole power model follows linear propagation."""
    narrow, exact = {}, {}
    for name, x in library_inputs().items():
        half = 0.01 * x.typical if x.varies else 0.0
        narrow[name] = Input(
            name, x.unit, x.typical - half, x.typical, x.typical + half, x.kind, x.source
        )
        exact[name] = x.typical
    mean = sum(average_power(exact).values())
    variance = 0.0
    for name, x in narrow.items():
        if x.varies:  # central differences, then the law of propagation by `uncertainties`
            step = 1e-4 * x.typical
            up, down = ({**exact, name: x.typical + d} for d in (step, -step))
            slope = (sum(average_power(up).values()) - sum(average_power(down).values())) / step / 2
            variance += (
                slope * ufloat(x.typical, (x.high - x.typical) / math.sqrt(6))
            ).std_dev ** 2
    drawn = sum(average_power(draw(narrow, 100_000, np.random.default_rng(2))).values())
    assert float(np.std(drawn)) == pytest.approx(math.sqrt(variance), rel=0.02)
    assert float(np.mean(drawn)) == pytest.approx(mean, rel=1e-3)


def _uniform(x: Any) -> Any:
    """Distribution function of a symmetric triangle on 0 to 1: makes its draws uniform."""
    return np.where(x < 0.5, 2 * x**2, 1 - 2 * (1 - x) ** 2)


def _ishigami(v: Any) -> Any:
    x = np.stack([2 * math.pi * _uniform(v[n]) - math.pi for n in ("x1", "x2", "x3")], axis=1)
    return Ishigami.evaluate(x, A, B)


def test_sensitivity_agrees_with_the_closed_form_of_a_curved_function() -> None:
    """Indices of the Ishigami function agree with its closed form.

    Ishigami and Homma, An importance quantification technique in uncertainty analysis for computer
    models, ISUMA 1990; a = 7, b = 0.1.
    """
    inputs = {n: Input(n, "1", 0.0, 0.5, 1.0, "invented", "test") for n in ("x1", "x2", "x3")}
    rows = sensitivity(_ishigami, inputs, np.random.default_rng(5), log2_points=13)
    found = {s.name: s for s in rows}
    v1 = 0.5 * (1 + B * math.pi**4 / 5) ** 2
    v2, v13 = A**2 / 8, B**2 * math.pi**8 * (1 / 18 - 1 / 50)
    variance = v1 + v2 + v13
    assert found["x1"].first_order == pytest.approx(v1 / variance, abs=0.02)
    assert found["x2"].first_order == pytest.approx(v2 / variance, abs=0.02)
    assert found["x3"].first_order == pytest.approx(0.0, abs=0.02)
    assert found["x1"].total == pytest.approx((v1 + v13) / variance, abs=0.02)
    assert found["x2"].total == pytest.approx(v2 / variance, abs=0.02)
    assert found["x3"].total == pytest.approx(v13 / variance, abs=0.02)


def test_sensitivity_agrees_with_another_library() -> None:
    """Indices of the whole power model agree with those that SALib finds for it."""
    inputs = {
        name: x
        if name in ("led.forward_voltage", "mcu.sleep_current", "driver.efficiency")
        else Input(name, x.unit, x.typical, x.typical, x.typical, x.kind, x.source)
        for name, x in library_inputs().items()
    }
    varying = [x for x in inputs.values() if x.varies]

    def power(v: Any) -> Any:
        return sum(average_power(v).values())

    problem = {
        "num_vars": len(varying),
        "names": [x.name for x in varying],
        "bounds": [[0.0, 1.0]] * len(varying),
    }
    u = salib_sample.sample(problem, 4096, calc_second_order=False, seed=1)
    values: dict[str, Any] = dict(typical_values(inputs))
    for i, x in enumerate(varying):  # half the draws on either side of typical, thinning linearly
        below = x.low + (x.typical - x.low) * np.sqrt(np.minimum(1.0, 2 * u[:, i]))
        above = x.high - (x.high - x.typical) * np.sqrt(np.minimum(1.0, 2 * (1 - u[:, i])))
        values[x.name] = np.where(u[:, i] < 0.5, below, above)
    theirs = salib_analyze.analyze(problem, power(values), calc_second_order=False, seed=1)
    ours = {s.name: s for s in sensitivity(power, inputs, np.random.default_rng(7), log2_points=12)}
    for i, x in enumerate(varying):
        assert ours[x.name].first_order == pytest.approx(float(theirs["S1"][i]), abs=0.02)
        assert ours[x.name].total == pytest.approx(float(theirs["ST"][i]), abs=0.02)


def test_same_seed_gives_the_same_interval() -> None:
    """Two runs with one seed agree in every bit; the typical value lies inside."""
    found = []
    typical = sum(average_power(typical_values(library_inputs())).values())
    for _ in range(2):
        draws = draw(library_inputs(), 10_000, np.random.default_rng(1))
        found.append(interval_of(typical, sum(average_power(draws).values())))
    assert found[0] == found[1]
    assert found[0].low < found[0].typical < found[0].high


def test_typical_values_are_medians() -> None:
    """Of a lopsided range half the draws lie below typical, and none beyond the bounds."""
    x = draw({"x": Input("x", "1", 9.0, 10.0, 90.0, "invented", "t")}, 20_000,
             np.random.default_rng(4))["x"]  # fmt: skip
    assert float(np.median(x)) == pytest.approx(10.0, abs=0.3)
    assert float(np.min(x)) >= 9.0
    assert float(np.max(x)) <= 90.0


def test_ranges_and_draws_are_checked() -> None:
    """A swapped range and a senseless number of draws are refused."""
    with pytest.raises(FormatError, match="low <= typical <= high"):
        Input("x", "1", 2.0, 1.0, 3.0, "invented", "test")
    with pytest.raises(UsageError, match="number of draws"):
        draw({}, 0, np.random.default_rng(1))
