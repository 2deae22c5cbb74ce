"""Measured battery runs, judged: held against a real phone, statsmodels and worked examples."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from runtime.budget.runs.comparison import compare_runs, holm
from runtime.budget.runs.page import comparison_page
from runtime.budget.runs.run_table import BatteryRun, read_runs
from runtime.budget.verdict.equivalence import equivalence_word, one_sided_tests
from runtime.budget.verdict.margin import Margin
from runtime.errors import Error, FormatError, UsageError
from trainer.cli import main

PHONE = Path(__file__).parents[2] / "vectors" / "phone_runs.csv"
"""Source in the README beside it."""

# Mean difference to the phone alone and 90 % interval in mW, by session means: an independent
# calculation on the same 210 runs.
DIFFERENCES = {
    "accelerometer": (19.8, 6.6, 33.1),
    "gravity": (38.5, 23.4, 53.6),
    "gyroscope": (27.6, 17.4, 37.8),
    "magnetic_field": (29.3, 20.2, 38.5),
    "ambient_light": (-7.8, -22.2, 6.7),
    "display": (418.0, 404.0, 432.0),
}


@pytest.mark.parametrize("condition", DIFFERENCES)
def test_a_real_phone_s_sensors_add_what_others_found(condition: str) -> None:
    """On measured runs the added draw and its interval are those of session means."""
    (found,) = compare_runs(read_runs(PHONE), condition, "baseline", 25.0)
    digits = 0.5 if condition == "display" else 0.11
    for part in (found.mixed, found.paired):
        assert (part.mean, part.low, part.high) == pytest.approx(DIFFERENCES[condition], abs=digits)
    assert found.n_sessions == 10
    assert found.mixed.freedom == 9


def test_at_25_mw_one_sensor_of_the_phone_is_hidden_and_another_is_not() -> None:
    """The same margin finds ambient light hidden, the display visible, gravity undecided."""
    words = {
        name: compare_runs(read_runs(PHONE), name, "baseline", 25.0)[0].word
        for name in ("ambient_light", "display", "gravity")
    }
    assert words == {"ambient_light": "hidden", "display": "visible", "gravity": "undecided"}


def test_the_phone_differs_more_between_sessions_than_within() -> None:
    """Spread of the phone alone: 7.7 % between sessions, 4.8 % within them."""
    (found,) = compare_runs(read_runs(PHONE), "gravity", "baseline", 25.0)
    alone = np.mean([r.mean_mw for r in found.runs if r.condition == "baseline"])
    assert 100 * found.between_mw / alone == pytest.approx(7.7, abs=0.25)
    assert 100 * found.within_mw / alone == pytest.approx(4.8, abs=0.25)


def test_shuffled_labels_are_seldom_told_apart() -> None:
    """With labels exchanged in some sessions, at most one in ten intervals leaves 0 out.

    A 90 % interval may do so in 10 % of draws; 40 of them give at most 8 with 96 % chance.
    """
    runs = [r for r in read_runs(PHONE) if r.condition in ("ambient_light", "baseline")]
    other = {"ambient_light": "baseline", "baseline": "ambient_light"}
    rng, missed = np.random.default_rng(5), 0
    for _ in range(40):
        flipped = {s for s in {r.session for r in runs} if rng.uniform() < 0.5}
        shuffled = [
            replace(r, condition=other[r.condition]) if r.session in flipped else r for r in runs
        ]
        (found,) = compare_runs(shuffled, "ambient_light", "baseline", 25.0)
        missed += not found.mixed.low <= 0.0 <= found.mixed.high
    assert missed <= 8


def test_one_sided_tests_are_those_of_a_worked_example() -> None:
    """Two samples and a bound of 1 give p = 0.965097 with 10 degrees of freedom, and statsmodels'.

    The worked example of pingouin's documentation, function ``tost``; paired with a bound of 0.5,
    p = 0.954854.
    """
    a, b = np.array([4.0, 7, 8, 6, 3, 2]), np.array([6.0, 8, 7, 10, 11, 9])
    error = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / len(a))
    ours = max(one_sided_tests(float(a.mean() - b.mean()), float(error), 10, 1.0))
    assert ours == pytest.approx(0.965097, abs=5e-7)
    assert ours == pytest.approx(ttost_ind(a, b, -1.0, 1.0)[0], rel=1e-12)
    d = a - b
    ours = max(one_sided_tests(float(d.mean()), float(d.std(ddof=1) / 6**0.5), 5, 0.5))
    assert ours == pytest.approx(0.954854, abs=5e-7)
    assert ours == pytest.approx(ttost_paired(a, b, -0.5, 0.5)[0], rel=1e-12)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6))
def test_holm_is_statsmodels(p_values: list[float]) -> None:
    """Correction for several scenarios is Holm's, as statsmodels has it."""
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1].tolist())


@given(st.floats(-50, 50), st.floats(0, 50), st.floats(0.1, 40), st.floats(0, 30))
@settings(max_examples=200)
def test_more_power_or_a_noisier_bench_never_improves_a_verdict(
    mean: float, half: float, margin: float, more: float
) -> None:
    """Added power, a wider interval or a smaller margin never turns a word into a better one."""
    rank = {"hidden": 0, "undecided": 1, "visible": 2}
    now = equivalence_word(mean - half, mean + half, margin)
    assert rank[equivalence_word(mean + more - half, mean + more + half, margin)] >= rank[now]
    noisier = equivalence_word(mean - half - more, mean + half + more, margin)
    assert noisier == now or noisier == "undecided"
    assert rank[equivalence_word(mean - half, mean + half, margin + more)] <= rank[now]


def _invented(effect_mw: float, n_sessions: int = 6, seed: int = 1) -> list[BatteryRun]:
    """Invent runs of two devices: sessions differ, runs of a session little, orders mirrored."""
    rng = np.random.default_rng(seed)
    runs = []
    for device in ("a", "b"):
        for s in range(n_sessions):
            level = 400.0 + (50.0 if device == "b" else 0.0) + rng.normal(0.0, 20.0)
            for order, condition in enumerate(["with", "without", "without", "with"], 1):
                mw = level + effect_mw * (condition == "with") + rng.normal(0.0, 2.0)
                place = (device, "use", f"s{s}", condition, order)
                runs.append(
                    BatteryRun(*place, duration_s=180.0, mean_mw=float(mw), row=len(runs) + 2)
                )
    return runs


def test_two_devices_are_judged_together() -> None:
    """By what devices and sessions differ takes nothing from the interval of the effect."""
    (found,) = compare_runs(_invented(10.0), "with", "without", 25.0)
    assert found.n_devices == 2
    assert found.n_sessions == 12
    assert found.mixed.low <= 10.0 <= found.mixed.high
    assert found.mixed.high - found.mixed.low < 4.0
    assert found.word == "hidden"


def test_drift_and_outliers_are_named_and_nothing_is_dropped() -> None:
    """A rise within sessions is found with its slope; a spoilt run is named and stays."""
    runs = [replace(r, mean_mw=r.mean_mw + 5.0 * (r.order or 0)) for r in _invented(10.0)]
    (found,) = compare_runs(runs, "with", "without", 25.0)
    assert found.drift_order is not None
    assert found.drift_order.low < 5.0 < found.drift_order.high
    assert found.drift_order.low > 0.0
    spoilt = list(read_runs(PHONE))
    at = next(i for i, r in enumerate(spoilt) if r.condition == "baseline")
    spoilt[at] = replace(spoilt[at], mean_mw=spoilt[at].mean_mw + 400.0)
    (found,) = compare_runs(spoilt, "gravity", "baseline", 25.0)
    assert spoilt[at] in found.outliers
    assert len(found.runs) == 60


def test_several_scenarios_are_corrected_together() -> None:
    """Each scenario has its own verdict, and p values are corrected for their number."""
    runs = _invented(10.0) + [replace(r, scenario="video") for r in _invented(60.0, seed=2)]
    use, video = compare_runs(runs, "with", "without", 25.0)
    assert (use.word, video.word) == ("hidden", "visible")
    assert use.p_holm == pytest.approx(min(1.0, 2 * max(use.p_below, use.p_above)))


HEADER = "session,condition,duration_s,energy_j\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("condition,duration_s,energy_j\nwith,1,1\n", "column session is missing"),
        (HEADER.replace("session", "session,session"), "column twice"),
        (HEADER.replace("condition", "kondition"), "kondition is unknown"),
        (HEADER + ",with,180,60\n", "session is empty"),
        (HEADER + "s1,with,180\n", "number of cells is 3, expected 4"),
        (HEADER + "s1,with,180,sixty\n", "'sixty'"),
        (HEADER + "s1,with,nan,60\n", "duration_s"),
        (HEADER + "s1,with,0.18,60\n", "Give seconds"),
        (HEADER + "s1,with,180,6000000\n", "Give joules"),
        (HEADER + "s1,with,180,-60\n", "Give joules"),
        (HEADER, "number of runs is 0"),
        ("session,condition,log\ns1,with,../runs.csv\n", "a file beside the table"),
        ("session,condition,log\ns1,with,none.csv\n", "none.csv"),
    ],
)
def test_a_wrong_table_is_one_line(tmp_path: Path, text: str, words: str) -> None:
    """Whatever is wrong in a table of runs is said in one line that names file and line."""
    path = tmp_path / "runs.csv"
    path.write_text(text)
    with pytest.raises(Error, match=words) as refused:
        read_runs(path)
    assert "\n" not in str(refused.value)


def test_runs_that_decide_nothing_are_refused() -> None:
    """One arm only, one session only, or one condition twice is refused, and says why."""
    runs = _invented(10.0, n_sessions=1)[:4]
    with pytest.raises(UsageError, match="two and more"):
        compare_runs(runs, "with", "without", 25.0)
    with pytest.raises(UsageError, match="condition without is nowhere"):
        compare_runs([r for r in runs if r.condition == "with"], "with", "without", 25.0)
    with pytest.raises(UsageError, match="two different ones"):
        compare_runs(runs, "with", "with", 25.0)


def test_a_supply_log_is_a_run(tmp_path: Path) -> None:
    """A log of µA and µV over time gives duration and energy, whatever sign its driver uses."""
    rows = ["time_s,current_now,voltage_now"]
    rows += [f"{t},{-100_000 - 1000 * t},4000000" for t in range(11)]  # 0.4 to 0.44 W, rising
    (tmp_path / "one.csv").write_text("\n".join(rows))
    table = tmp_path / "runs.csv"
    table.write_text("session,condition,log\ns1,with,one.csv\n")
    (run,) = read_runs(table)
    assert run.duration_s == 10.0
    assert run.mean_mw == pytest.approx(420.0)
    (tmp_path / "one.csv").write_text("\n".join([*rows, "11,5000,4000000"]))
    with pytest.raises(FormatError, match="both signs"):
        read_runs(table)


def test_the_page_draws_every_run_and_says_the_verdict(tmp_path: Path) -> None:
    """A page has one dot a run, the verdict in words, and no unescaped text of the table."""
    runs = [replace(r, session=f"<b>{r.session}") for r in read_runs(PHONE)]
    found = compare_runs(runs, "gravity", "baseline", 25.0)
    page = comparison_page(found, Margin(25.0, "mW"), "runs.csv")
    assert page.count("<circle") == 60
    assert "Undecided." in page
    assert "<b>s01" not in page


def test_the_page_keeps_the_rules_of_wcag(faults_of_page: Callable[[str], list[str]]) -> None:
    """Judged battery runs are told on a page that keeps WCAG 2.2 AA."""
    found = compare_runs(list(read_runs(PHONE)), "gravity", "baseline", 25.0)
    assert faults_of_page(comparison_page(found, Margin(25.0, "mW"), "runs.csv")) == []


def test_the_command_judges_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`palmwatt drain judge` ends with 0 when hidden, 1 when not, and writes page and JSON."""
    table = tmp_path / "runs.csv"
    table.write_bytes(PHONE.read_bytes())
    words = ["drain", "judge", str(table), "--without", "baseline", "--margin", "25mW", "--json"]
    for condition, code in (("ambient_light", 0), ("gravity", 1)):
        with pytest.raises(SystemExit) as end:
            main([*words, "--with", condition])
        assert end.value.code == code
        told = json.loads(capsys.readouterr().out)
        assert told["scenarios"][0]["n_sessions"] == 10
        assert len(told["scenarios"][0]["runs"]) == 60
    assert table.with_suffix(".html").exists()
    with pytest.raises(SystemExit) as end:
        main([*words[:-2], "25", "--with", "gravity"])
    assert end.value.code == 2
    assert "25mW" in capsys.readouterr().err


def test_help_of_each_command_shows_an_example() -> None:
    """Both commands show an example."""
    from runtime.drain import drain

    for name in ("plan", "judge"):
        assert "Example: " in CliRunner().invoke(drain, [name, "--help"]).output
