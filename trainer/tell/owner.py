"""What a model's page says of learning its owner."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from capture.lead.owner.enrolling import TAKES
from trainer.fit.owner.taught import TAKES_EACH
from trainer.fit.owner.worth import LEAST_PEOPLE
from trainer.judge.groups import MIN_PEOPLE
from trainer.page_template import page_template

__all__ = ["owner_section"]

NO_BREAK, MINUS = "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}"

_PARTS = {
    "mean": "everybody",
    "worst_tenth": "the worst tenth",
    "others": "all others",
    "left_handed": "left-handed people",
}
_LEAST = {"worst_tenth": LEAST_PEOPLE, "left_handed": MIN_PEOPLE}
"""Fewer people say too little."""


def owner_section(evaluation: Mapping[str, Any]) -> Markup:
    """Return the section as HTML, the same bytes each time; empty for a model that cannot learn."""
    owners = evaluation.get("enrolment")
    if owners is None:
        return Markup()
    template = page_template(
        "trainer.tell", "owner.html.j2", thousands=lambda number: f"{number:,}", points=_points,
        share=_share,
        signed=lambda number: str(number).replace("-", MINUS),
    )  # fmt: skip
    text = template.render(
        owners=owners,
        parts=_parts,
        short=_in_short(owners["classes"]),
        untold=_untold(owners["classes"]),
    )
    return Markup(text)  # noqa: S704 - the template escapes what it is given


def _share(value: float) -> str:
    """Return a share in per cent, which no line parts."""
    return f"{100 * value:.1f}{NO_BREAK}%"


def _points(value: float) -> str:
    """Return a difference in points, with its sign."""
    return f"{100 * value:+.1f}".replace("-", MINUS)


def _parts(row: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Return whose figures a row has, in words, without those of too few people."""
    return [(label, row[key]) for key, label in _PARTS.items() if row[key] is not None]


def _in_short(rows: Sequence[Mapping[str, Any]]) -> str:
    """Say what as many takes are worth as a desk asks for, or as many as were shown."""
    if not rows:
        return ""
    row = next((row for row in reversed(rows) if row["n_shown"] <= TAKES), rows[0])
    said = []
    for label, found in _parts(row):
        low, high = found["difference"]
        chance = "" if low > 0 or high < 0 else " (which may be chance)"
        said.append(
            f"of {label} {_share(found['after'])}, {_share(found['before'])} before{chance}"
        )
    of_each = "one take" if row["n_shown"] == 1 else f"{row['n_shown']} takes"
    text = f"After {of_each} of each class, so much is right: {'; '.join(said)}."
    few = [f"{_PARTS[key]} (fewer than {least})" for key, least in _LEAST.items() if not row[key]]
    return f"{text} Too few people to say: {', '.join(few)}." if few else text


def _untold(rows: Sequence[Mapping[str, Any]]) -> str:
    """Say what the table leaves out: numbers of takes that nobody could show."""
    told = {row["n_shown"] for row in rows}
    missing = [str(n) for n in TAKES_EACH if n not in told]
    if not rows or not missing:
        return ""
    return (
        f"Nothing is told of {' or '.join(missing)} takes: too few were recorded of each class to "
        "show so many and be asked about others, or the model takes fewer."
    )
