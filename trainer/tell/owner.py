"""What a model's page says of learning its owner."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from trainer.fit.owner.taught import TAKES_EACH
from trainer.judge.groups import MIN_PEOPLE
from trainer.page_template import page_template

__all__ = ["owner_section"]

_PARTS = {
    "mean": "everybody",
    "worst_tenth": "the worst tenth",
    "others": "all others",
    "left_handed": "left-handed people",
}


def owner_section(evaluation: Mapping[str, Any]) -> Markup:
    """Return the section as HTML, the same bytes each time; empty for a model that cannot learn."""
    owners = evaluation.get("enrolment")
    if owners is None:
        return Markup()
    template = page_template(
        "trainer.tell", "owner.html.j2", thousands=lambda number: f"{number:,}"
    )
    text = template.render(owners=owners, parts=_parts, untold=_untold(owners["classes"]))
    return Markup(text)  # noqa: S704 - the template escapes what it is given


def _parts(row: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Return whose figures a row has, in words, without those of too few people."""
    return [(label, row[key]) for key, label in _PARTS.items() if row[key] is not None]


def _untold(rows: Sequence[Mapping[str, Any]]) -> str:
    """Say what the table leaves out: numbers of takes that nobody could show, and left hands."""
    if not rows:
        return ""
    told = {row["n_shown"] for row in rows}
    missing = [str(n) for n in TAKES_EACH if n not in told]
    said = []
    if missing:
        said.append(
            f"{' or '.join(missing)} takes: too few were recorded of each class to show so many "
            "and be asked about others, or the model takes fewer"
        )
    if all(row["left_handed"] is None for row in rows):
        said.append(f"left-handed people: there are fewer than {MIN_PEOPLE}")
    return f"Nothing is told of {'; nor of '.join(said)}." if said else ""
