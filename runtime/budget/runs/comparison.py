"""Runs with the feature against runs without it: the added draw with its interval, and a verdict.

Runs of one session are alike (its temperature, its battery, its background work), so that they are
no independent evidence: counting each run as one finds differences that are not there. The unit is
the session. A mixed model has session and device as random and the condition as fixed effect; the
mean over sessions of the difference within them stands beside it as a check.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.budget.runs.run_table import BatteryRun
from runtime.budget.verdict.equivalence import ALPHA, equivalence_word, one_sided_tests
from runtime.errors import UsageError

__all__ = ["Difference", "DrainComparison", "Drift", "compare_runs", "holm"]

OUTLIER_Z = 3.5
"""Modified z-score from which a run is named (Iglewicz and Hoaglin, How to Detect and Handle
Outliers, 1993, section 3.3)."""


@dataclass(frozen=True, slots=True)
class Difference:
    """An added draw in mW with its standard error and 90 % interval.

    `low` and `high` are each a one-sided 95 % bound, from t with `freedom` degrees of freedom.
    """

    mean: float
    standard_error: float
    freedom: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A trend of the host itself: mW a step, with a 90 % interval, over `n` points."""

    slope: float
    low: float
    high: float
    n: int


@dataclass(frozen=True, slots=True)
class DrainComparison:
    """One scenario, judged.

    Parameters
    ----------
    scenario : str
    with_it, without : str
        Conditions compared.
    runs : tuple of BatteryRun
        Every run of both conditions; none is dropped.
    n_sessions, n_devices : int
        Sessions that have both conditions, and devices.
    margin_mw : float
    mixed, paired : Difference
        By the mixed model (the verdict's), and by session means.
    word : str
        ``hidden``, ``visible`` or ``undecided``.
    p_below, p_above : float
        One-sided tests: that the draw is more than minus the margin, and less than the margin.
    p_holm : float
        The larger of both, corrected for the number of scenarios.
    between_mw, within_mw : float
        Standard deviation of the host's session means, and of its runs within a session.
    drift_sessions, drift_order : Drift or None
        Of the host without the feature over sessions; of all runs over their place in a session.
    outliers : tuple of BatteryRun
        Far from the other runs of their session and condition.
    """

    scenario: str
    with_it: str
    without: str
    runs: tuple[BatteryRun, ...]
    n_sessions: int
    n_devices: int
    margin_mw: float
    mixed: Difference
    paired: Difference
    word: str
    p_below: float
    p_above: float
    p_holm: float
    between_mw: float
    within_mw: float
    drift_sessions: Drift | None
    drift_order: Drift | None
    outliers: tuple[BatteryRun, ...]


def compare_runs(
    runs: Sequence[BatteryRun], with_it: str, without: str, margin_mw: float
) -> tuple[DrainComparison, ...]:
    """Judge each scenario of a table of runs.

    Parameters
    ----------
    runs : sequence of BatteryRun
    with_it, without : str
        Conditions to compare; others are left out.
    margin_mw : float
        Declared before; above 0.

    Raises
    ------
    UsageError
        A condition does not occur, or a scenario has not two sessions with both.
    """
    conditions = {run.condition for run in runs}
    for name in (with_it, without):
        if name not in conditions:
            raise UsageError(
                "runs", f"condition {name}", "nowhere", f"one of {', '.join(sorted(conditions))}"
            )
    if with_it == without:
        raise UsageError("runs", "the two conditions", with_it, "two different ones")
    kept = [run for run in runs if run.condition in (with_it, without)]
    scenarios = sorted({run.scenario for run in kept})
    found = [
        _compare(tuple(r for r in kept if r.scenario == name), with_it, without, margin_mw)
        for name in scenarios
    ]
    return _corrected(found)


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p values corrected for their number (Holm, Scand. J. Statist. 6, 1979)."""
    order = np.argsort(np.asarray(p_values, dtype=np.float64), kind="stable")
    out, largest = [0.0] * len(p_values), 0.0
    for rank, index in enumerate(order.tolist()):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[index]))
        out[index] = largest
    return out


def _corrected(found: Sequence[DrainComparison]) -> tuple[DrainComparison, ...]:
    corrected = holm([max(each.p_below, each.p_above) for each in found])
    return tuple(replace(each, p_holm=p) for each, p in zip(found, corrected, strict=True))


def _compare(
    runs: tuple[BatteryRun, ...], with_it: str, without: str, margin_mw: float
) -> DrainComparison:
    cells: dict[tuple[str, str], dict[str, list[float]]] = {}
    for run in runs:
        place = cells.setdefault((run.device, run.session), {with_it: [], without: []})
        place[run.condition].append(run.mean_mw)
    scenario = runs[0].scenario
    both = [cell for cell in cells.values() if cell[with_it] and cell[without]]
    if len(both) < 2:
        raise UsageError(
            f"scenario {scenario}", f"sessions with both {with_it} and {without}", len(both),
            "two and more", "runs of one session cannot say how sessions differ",
        )  # fmt: skip
    pairs = np.array([np.mean(c[with_it]) - np.mean(c[without]) for c in both])
    paired = _difference(
        float(pairs.mean()), float(pairs.std(ddof=1)) / len(both) ** 0.5, len(both) - 1
    )
    mixed = _mixed(cells, with_it, without, len(both) - 1) or paired
    p_below, p_above = one_sided_tests(mixed.mean, mixed.standard_error, mixed.freedom, margin_mw)
    between, within = _spreads([np.array(c[without]) for c in cells.values() if c[without]])
    return DrainComparison(
        scenario=scenario, with_it=with_it, without=without, runs=runs, n_sessions=len(both),
        n_devices=len({device for device, _ in cells}), margin_mw=margin_mw,
        mixed=mixed, paired=paired, word=equivalence_word(mixed.low, mixed.high, margin_mw),
        p_below=p_below, p_above=p_above, p_holm=max(p_below, p_above),
        between_mw=between,
        within_mw=within,
        drift_sessions=_drift_sessions(runs, without),
        drift_order=_drift_order(runs),
        outliers=_outliers(runs),
    )  # fmt: skip


def _spreads(sessions: Sequence[NDArray[np.float64]]) -> tuple[float, float]:
    """Return the standard deviations between sessions and of runs within one, each by itself.

    Means of few runs differ by their runs too: that part is taken off (analysis of variance of one
    random factor).
    """
    freedom = sum(len(s) - 1 for s in sessions)
    within = sum(float(((s - s.mean()) ** 2).sum()) for s in sessions) / freedom if freedom else 0.0
    if len(sessions) < 2:
        return 0.0, within**0.5
    of_means = float(np.var([s.mean() for s in sessions], ddof=1))
    share = float(np.mean([1.0 / len(s) for s in sessions]))
    return max(0.0, of_means - within * share) ** 0.5, within**0.5


def _difference(mean: float, error: float, freedom: int) -> Difference:
    from scipy.stats import t

    half = float(t.ppf(1.0 - ALPHA, freedom)) * error
    return Difference(mean, error, freedom, mean - half, mean + half)


def _mixed(
    cells: dict[tuple[str, str], dict[str, list[float]]], with_it: str, without: str, freedom: int
) -> Difference | None:
    """Fit means of session and condition by restricted maximum likelihood; None if it fails.

    Means, not runs: what a session and a condition have in common must not count once a run.
    Degrees of freedom are those of the sessions, since statsmodels gives the normal's.
    """
    import pandas as pd
    from statsmodels.formula.api import mixedlm

    rows = [
        {
            "device": device,
            "session": f"{device}/{session}",
            "x": float(name == with_it),
            "mw": np.mean(values),
        }
        for (device, session), cell in cells.items()
        for name, values in ((with_it, cell[with_it]), (without, cell[without]))
        if values
    ]
    table = pd.DataFrame(rows)
    many = table["device"].nunique() > 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = (
                mixedlm("mw ~ x", table, groups="device", vc_formula={"session": "0 + C(session)"})
                if many
                else mixedlm("mw ~ x", table, groups="session")
            )
            fit = model.fit(reml=True)
            mean, error = float(fit.params["x"]), float(fit.bse["x"])
        except (np.linalg.LinAlgError, ValueError):
            return None
    if not (fit.converged and np.isfinite(mean) and np.isfinite(error) and error > 0.0):
        return None
    return _difference(mean, error, freedom)


def _drift(x: NDArray[np.float64], y: NDArray[np.float64]) -> Drift | None:
    from scipy.stats import linregress, t

    if len(x) < 3 or np.ptp(x) == 0.0:
        return None
    fit: Any = linregress(x, y)
    half = float(t.ppf(1.0 - ALPHA, len(x) - 2)) * float(fit.stderr)
    return Drift(float(fit.slope), float(fit.slope) - half, float(fit.slope) + half, len(x))


def _drift_sessions(runs: Sequence[BatteryRun], without: str) -> Drift | None:
    """Return the trend of the host alone from session to session, each device from its own mean."""
    xs, ys = [], []
    for device in sorted({run.device for run in runs}):
        names = sorted({r.session for r in runs if r.device == device and r.condition == without})
        means = [
            np.mean(
                [
                    r.mean_mw
                    for r in runs
                    if (r.device, r.session, r.condition) == (device, s, without)
                ]
            )
            for s in names
        ]
        if names:
            xs += [i - (len(names) - 1) / 2 for i in range(len(names))]
            ys += list(np.array(means) - np.mean(means))
    return _drift(np.array(xs), np.array(ys))


def _drift_order(runs: Sequence[BatteryRun]) -> Drift | None:
    """Return the trend of all runs over their place within their session and condition."""
    placed = [run for run in runs if run.order is not None]
    if len(placed) != len(runs):
        return None
    # Both from their own mean in session and condition: what differs between those is no drift.
    x, y = np.zeros(len(runs)), np.zeros(len(runs))
    for at in _cells(runs):
        orders = np.array([runs[i].order for i in at], dtype=np.float64)
        powers = np.array([runs[i].mean_mw for i in at])
        x[at], y[at] = orders - orders.mean(), powers - powers.mean()
    return _drift(x, y)


def _cells(runs: Sequence[BatteryRun]) -> list[list[int]]:
    """Return the places of the runs of each device, session and condition."""
    groups: dict[tuple[str, str, str], list[int]] = {}
    for index, run in enumerate(runs):
        groups.setdefault((run.device, run.session, run.condition), []).append(index)
    return list(groups.values())


def _outliers(runs: Sequence[BatteryRun]) -> tuple[BatteryRun, ...]:
    """Name runs far from the median of their session and condition, by the spread of all such."""
    off, judged = np.zeros(len(runs)), np.zeros(len(runs), dtype=bool)
    for at in _cells(runs):
        powers = np.array([runs[i].mean_mw for i in at])
        off[at] = powers - np.median(powers)
        judged[at] = len(at) > 2  # two runs lie equally far from their median: neither is named
    moved = np.abs(off[judged & (off != 0.0)])  # the middle run of three always lies on it
    if len(moved) == 0:
        return ()
    z = 0.6745 * np.abs(off) / float(np.median(moved))
    named = judged & (z > OUTLIER_Z)
    return tuple(run for run, each in zip(runs, named, strict=True) if each)
