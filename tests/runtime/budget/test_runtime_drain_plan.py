"""Plans of battery runs: sample sizes of published tables, and balanced sheets."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runtime.budget.runs.plan import plan_runs, plan_sheet
from runtime.budget.runs.run_table import read_runs
from runtime.budget.verdict.equivalence import one_sided_tests, tost_power, units_needed
from runtime.budget.verdict.margin import parse_margin
from runtime.errors import Error, UsageError
from trainer.cli import main


@pytest.mark.parametrize(
    ("difference", "margin", "n"), [(1, 5, 82), (0, 10, 18), (0, 5, 70), (0, 2.5, 275)]
)
def test_sizes_of_two_samples_are_exact(difference: float, margin: float, n: int) -> None:
    """Two samples of deviation 10 need these sizes for 80 % power at 5 %.

    From memory: exact power of two one-sided t tests; the common approximation with half of beta
    would ask for 108 in the first case.
    """
    assert units_needed(difference, margin, 10.0, paired=False) == n


def test_power_of_a_two_period_crossover_is_the_published_one() -> None:
    """Coefficient of variation 0.30, ratio 0.95, limits 0.80 to 1.25, 40 people: 0.8158.

    From memory: published tables of sample size for average bioequivalence, 2x2 crossover.
    """
    deviation = math.sqrt(math.log(1.0 + 0.30**2))
    power = tost_power(math.log(0.95), math.log(1.25), deviation * math.sqrt(2.0 / 40), 38)
    assert power == pytest.approx(0.8158, abs=5e-5)


def test_power_is_what_simulated_runs_give() -> None:
    """One in twenty thousand drawn experiments more or less: the formula's power is reached."""
    rng, n = np.random.default_rng(3), 12
    d = rng.normal(2.0, 10.0, (20_000, n))
    error = d.std(axis=1, ddof=1) / math.sqrt(n)
    hits = [
        max(one_sided_tests(float(m), float(e), n - 1, 8.0)) < 0.05
        for m, e in zip(d.mean(axis=1)[:4000], error[:4000], strict=True)
    ]
    expected = tost_power(2.0, 8.0, 10.0 / math.sqrt(n), n - 1)
    assert np.mean(hits) == pytest.approx(expected, abs=0.025)


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 3), st.floats(4, 20), st.floats(0.5, 30), st.integers(1, 5))
def test_a_plan_reaches_its_power_and_no_smaller_one_does(
    expected: float, margin: float, within: float, runs_each: int
) -> None:
    """A plan has an even number of sessions, reaches 80 %, and two sessions fewer do not."""
    plan = plan_runs(["a"], ["use"], margin, expected, (0.0, within), runs_each)
    assert plan.n_sessions % 2 == 0
    assert plan.power >= 0.80 - 1e-9
    n = plan.n_sessions - 2
    if n >= 2:
        assert tost_power(expected, margin, plan.spread_mw / math.sqrt(n), n - 1) < 0.80


def test_a_sheet_is_balanced_and_can_be_filled_in(tmp_path: Path) -> None:
    """Orders are mirrored, each first in half the sessions, and a filled sheet reads as runs."""
    plan = plan_runs(["a", "b"], ["idle", "video"], 20.0, 1.0, (5.0, 15.0), 2)
    sheet = plan_sheet(plan, seed=7)
    assert sheet == plan_sheet(plan, seed=7) != plan_sheet(plan, seed=8)
    rows = list(csv.DictReader(io.StringIO(sheet)))
    assert len(rows) == 2 * 2 * plan.n_sessions * 4
    for device in ("a", "b"):
        for scenario in ("idle", "video"):
            mine = [r for r in rows if (r["device"], r["scenario"]) == (device, scenario)]
            firsts = [r["condition"] for r in mine if r["order"] == "1"]
            assert firsts.count("with") == firsts.count("without") == plan.n_sessions // 2
            for session in {r["session"] for r in mine}:
                order = [r["condition"] for r in mine if r["session"] == session]
                assert order == order[::-1]  # two runs each: with, without, without, with
    filled = tmp_path / "runs.csv"
    filled.write_text(sheet.replace(",,\n", ",180,60\n"))
    assert len(read_runs(filled)) == len(rows)


def test_margins_are_the_same_in_every_unit() -> None:
    """A margin in per cent a day or minutes a charge becomes mW by the host's battery and draw."""
    assert parse_margin("25mW").in_mw() == 25.0
    assert parse_margin("0.1%/day").in_mw(15.4) == pytest.approx(15.4 / 24)  # 0.1 % of 15.4 Wh
    minutes = parse_margin("30 min/charge").in_mw(15.4, 700.0)
    assert 60 * (15400 / 700 - 15400 / (700 + minutes)) == pytest.approx(30.0)


@pytest.mark.parametrize("text", ["25", "mW", "0mW", "-1mW", "1e9mW", "0.1 %", "nan mW", "5min"])
def test_a_margin_without_number_or_unit_is_refused(text: str) -> None:
    """A margin needs a number above 0 and one of three units."""
    with pytest.raises(UsageError, match="--margin"):
        parse_margin(text)


@pytest.mark.parametrize(
    ("margin", "battery", "baseline"),
    [("0.1%/day", None, None), ("5min/charge", 15.4, None), ("9999min/charge", 15.4, 700.0)],
)
def test_a_margin_without_its_host_is_refused(
    margin: str, battery: float | None, baseline: float | None
) -> None:
    """Per cent need the battery, minutes also the draw, and no more minutes than a charge has."""
    with pytest.raises(UsageError, match="--margin"):
        parse_margin(margin).in_mw(battery, baseline)


def test_what_no_number_of_runs_shows_is_refused() -> None:
    """An expected draw at the margin, or a spread that is no number, gives no plan."""
    with pytest.raises(UsageError, match="below the margin"):
        plan_runs(["a"], ["use"], 5.0, 5.0, (0.0, 1.0), 3)
    for spreads, runs_each in (((0.0, 0.0), 3), ((math.nan, 1.0), 3), ((0.0, 1.0), 0)):
        with pytest.raises(Error, match="plan"):
            plan_runs(["a"], ["use"], 5.0, 1.0, spreads, runs_each)
    with pytest.raises(UsageError, match="added draw expected is nan"):
        plan_runs(["a"], ["use"], 5.0, math.nan, (0.0, 1.0), 3)


def test_the_command_writes_a_sheet_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`palmwatt drain plan` writes a sheet, says what it can show, and overwrites nothing."""
    out = tmp_path / "sheet.csv"
    words = [
        "drain", "plan", "--host", "a", "--scenario", "idle", "--margin", "25mW", "--expected",
        "1", "--between", "3%", "--within", "17mW", "--baseline", "400", "--out", str(out),
    ]  # fmt: skip
    with pytest.raises(SystemExit) as end:
        main(words)
    assert end.value.code == 0
    assert "sessions of 6 runs" in capsys.readouterr().out
    before = out.read_bytes()
    for wrong in (words, [*words[:-1], str(tmp_path / "b.csv"), "--within", "17"]):
        with pytest.raises(SystemExit) as end:
            main(wrong)
        assert end.value.code == 2
    assert out.read_bytes() == before
    assert not (tmp_path / "b.csv").exists()
