"""A plan of battery runs: how many sessions, in what order, as a sheet to fill in.

Each session of a device is made in one sitting: some runs with the feature and as many without,
in one of two mirrored orders (with, without, without, with, ... or the other way round), so that a
steady drift within the session weighs on both alike. Half the sessions have each order; which has
which is drawn.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runtime.budget.verdict.equivalence import POWER, tost_power, units_needed
from runtime.errors import UsageError

__all__ = ["DrainPlan", "plan_runs", "plan_sheet"]

WITH, WITHOUT = "with", "without"
_MOST_RUNS = 100


@dataclass(frozen=True, slots=True)
class DrainPlan:
    """How many sessions a verdict takes.

    Parameters
    ----------
    hosts, scenarios : tuple of str
    margin_mw, expected_mw : float
        The margin, and the added draw that is expected.
    spread_mw : float
        Standard deviation of one session's difference between its two means.
    runs_each : int
        Runs of each condition in a session.
    n_sessions : int
        Sessions of each host and scenario; even, so that both orders occur as often.
    power : float
        Chance of the verdict *hidden* with so many, if the expectation holds.
    """

    hosts: tuple[str, ...]
    scenarios: tuple[str, ...]
    margin_mw: float
    expected_mw: float
    spread_mw: float
    runs_each: int
    n_sessions: int
    power: float


def plan_runs(
    hosts: Sequence[str],
    scenarios: Sequence[str],
    margin_mw: float,
    expected_mw: float,
    spreads_mw: tuple[float, float],
    runs_each: int,
) -> DrainPlan:
    """Return how many sessions show an expected draw to be below the margin.

    Parameters
    ----------
    hosts, scenarios : sequence of str
        Each pair of them is judged by itself.
    margin_mw, expected_mw : float
        Margin, above 0, and the added draw expected.
    spreads_mw : (float, float)
        Standard deviations: by how much the effect of a condition differs from session to session
        (0 where a session's own level cancels in full), and of single runs within a session.
    runs_each : int
        Runs of each condition in a session, 1 and more.

    Raises
    ------
    UsageError
        A figure is out of range, or no number of sessions is enough.

    Notes
    -----
    A session's difference of two means of n runs varies by 2 b^2 + 2 w^2 / n, with b between and w
    within sessions. Sessions are counted so that both one-sided tests at 5 % reject with 80 %
    chance.
    """
    between, within = spreads_mw
    for what, value, ok in (
        ("margin", margin_mw, margin_mw > 0.0),
        ("added draw expected", expected_mw, True),
        ("spread between sessions", between, between >= 0.0),
        ("spread within sessions", within, within > 0.0),
        ("runs of a condition in a session", runs_each, 1 <= runs_each <= _MOST_RUNS),
    ):
        if not (math.isfinite(value) and ok):
            raise UsageError("plan", what, f"{value:g}", "a number within its range")
    if not hosts or not scenarios:
        raise UsageError("plan", "hosts and scenarios", "empty", "one and more of each")
    spread = math.sqrt(2.0 * between**2 + 2.0 * within**2 / runs_each)
    n = units_needed(expected_mw, margin_mw, spread, paired=True, power=POWER)
    n += n % 2
    power = tost_power(expected_mw, margin_mw, spread / math.sqrt(n), n - 1)
    return DrainPlan(
        tuple(hosts), tuple(scenarios), margin_mw, expected_mw, spread, runs_each, n, power
    )


def plan_sheet(plan: DrainPlan, seed: int) -> str:
    """Return the sheet as CSV: a row for each run, its duration and energy to be filled in.

    Parameters
    ----------
    plan : DrainPlan
    seed : int
        Of the order in which scenarios and mirrored orders are drawn; the same sheet each time.
    """
    rng = np.random.default_rng(seed)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["device", "scenario", "session", "order", "condition", "duration_s", "energy_j"]
    )
    digits = len(str(plan.n_sessions))
    for host in plan.hosts:
        flipped = {
            name: rng.permutation([False, True] * (plan.n_sessions // 2)) for name in plan.scenarios
        }
        for session in range(plan.n_sessions):
            for scenario in rng.permutation(plan.scenarios).tolist():
                order = _mirrored(plan.runs_each, first_with=bool(flipped[scenario][session]))
                for place, condition in enumerate(order, 1):
                    name = f"s{session + 1:0{digits}d}"
                    writer.writerow([host, scenario, name, place, condition, "", ""])
    return out.getvalue()


def _mirrored(runs_each: int, *, first_with: bool) -> list[str]:
    """Return conditions in turn, each pair the other way round than the pair before."""
    pair = [WITH, WITHOUT] if first_with else [WITHOUT, WITH]
    order: list[str] = []
    for _ in range(runs_each):
        order += pair
        pair = pair[::-1]
    return order
