"""Mitigations in words and as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trainer.audit.findings import Finding
from trainer.audit.people.mitigations import Mitigation

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["HEADINGS", "mitigation_row", "mitigation_table"]

HEADINGS = (
    "mitigation", "at", "identity from ten takes, without", "with it", "accuracy, points",
    "power, \u00b5W", "epsilon",
)  # fmt: skip


def mitigation_row(given: Mitigation) -> tuple[str, ...]:
    """Return a row under :data:`HEADINGS`."""
    low, value, high = (100.0 * given.accuracy[key] for key in ("low", "value", "high"))
    return (
        given.name,
        given.step,
        _left(given.before),
        _left(given.after),
        f"{value:+.1f} ({low:+.1f} to {high:+.1f})",
        "not counted" if given.change_uw is None else f"{given.change_uw:+.2f}",
        "none" if given.epsilon is None else f"{given.epsilon:g} an answer",
    )


def _left(finding: Finding) -> str:
    if finding.gain is None or finding.low is None or finding.high is None:
        return finding.told
    words = "" if finding.told != "cannot tell" else ", cannot tell"
    return f"{finding.gain:+.3f} ({finding.low:+.3f} to {finding.high:+.3f}){words}"


def mitigation_table(mitigations: Sequence[Mitigation]) -> Table:
    """Return a table for the terminal."""
    from rich.table import Table

    asked, judged = mitigations[0].after.n_people, mitigations[0].accuracy["n_participants"]
    table = Table(
        title=f"Mitigations: gain of the strongest attacker ({asked} people), accuracy in turn "
        f"({judged} people), power"
    )
    for heading in HEADINGS:
        table.add_column(heading)
    for each in mitigations:
        table.add_row(*mitigation_row(each))
    return table
