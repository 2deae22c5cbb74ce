"""The audit's page: for a product manager first, then a table for every step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, get_args

import numpy as np
from markupsafe import Markup

from capture.store.kind import INVENTED, REHEARSED
from runtime.budget.page.report import page_style
from trainer.audit.findings import Finding, Told
from trainer.audit.mitigation_words import HEADINGS, mitigation_row
from trainer.audit.owners import IN_LESSON, LEARNED, SCENES
from trainer.audit.people.enrolled import ONE_SESSION
from trainer.audit.people.membership import ADVANTAGE, MODEL_FILES
from trainer.audit.pictures.whole import PictureRow
from trainer.audit.whole import CAUTION, Audit
from trainer.page_template import page_template
from trainer.tell.charts import grey_picture

__all__ = ["audit_page"]

MEASURE_WORDS = {
    "iou": "overlap of outlines (IoU)",
    "ssim": "likeness of structure (SSIM)",
    "psnr_db": "peak signal over error (PSNR, dB)",
    "edge_overlap": "overlap of edges (F1)",
}
_KIND_WORDS = {
    INVENTED: "On an emulated sensor, with invented people: what the chain keeps of what it sees "
    "is shown, not what real people would lose.",
    REHEARSED: "Real shapes before an emulated optic: no figure is of a real sensor.",
}
_ROLES = {
    "readout": "readout",
    "values": "values passed on",
    "state": "what a stage keeps",
    "told": "what the device tells",
}
_IN_WORDS = {
    "identity": "who it is",
    "same person": "whether it is the same person",
    "membership": "who was trained on",
}
_OF_OWNERS = (IN_LESSON, LEARNED)
_DARKEST, _BRIGHTEST = 0.02, 0.99
"""Shares of a readout's pixels below black and below white: a few bright ones shall not darken all
others."""


def audit_page(audit: Audit) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time."""
    template = page_template(
        "trainer.audit", "page.html.j2", figure=_figure, gain=_gain, interval=_interval,
        measure=_measure, over=_over, question=_question,
    )  # fmt: skip
    headline = audit.headline
    named = {step.name for step in audit.takes.steps}
    first = [finding for finding in audit.told_first if finding.step in named]
    steps = [
        {"step": step, "role": _ROLES[step.role], "found": [f for f in headline if f.step == name]}
        for step in audit.takes.steps
        for name in [step.name]
    ]
    return template.render(
        a=audit,
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        title=_title(audit),
        leaves=_sentence(headline, {s.name for s in audit.takes.steps if s.leaves_device}),
        stored=_sentence(headline, {s.name for s in audit.takes.steps if s.stored}),
        files=_sentence(headline, {MODEL_FILES}),
        advantage=_advantage(headline),
        one_session=any(ONE_SESSION in finding.knows for finding in headline),
        steps=steps,
        elsewhere=[finding for finding in headline if finding.step not in named],
        columns=_columns(first),
        learns=LEARNED in named,
        runs_on=any(finding.run_on_to for finding in headline),
        glance=[_glance(step.name, first) for step in audit.takes.steps],
        pictures=_picture_tables(audit.rows, [step.name for step in audit.takes.steps], headline),
        headings=HEADINGS,
        mitigations=[(mitigation_row(each), each.note) for each in audit.mitigations],
        emulated=_KIND_WORDS.get(audit.takes.kind, ""),
        caution=CAUTION,
    )


def _title(audit: Audit) -> str:
    if audit.verdict == "broken":
        n = sum(each.verdict == "broken" for each in audit.limits)
        open_yet = sum(each.verdict == "cannot tell" for each in audit.limits)
        rest = f"; of {open_yet} nobody can tell" if open_yet else ""
        return f"{n} of {len(audit.limits)} limits {'is' if n == 1 else 'are'} broken{rest}."
    if audit.verdict == "pass":
        return "Every limit is kept, by the attackers that were tried."
    if audit.verdict == "cannot tell":
        return "Nobody can tell yet whether the limits are kept."
    if all(finding.told == "cannot tell" for finding in audit.headline):
        return "Nobody can tell yet what is given away."
    n = sum(
        any(f.step == step.name and f.told == "leaks" for f in audit.headline)
        for step in audit.takes.steps
    )
    return f"{n} of {len(audit.takes.steps)} steps give something away."


def _sentence(headline: Sequence[Finding], steps: set[str]) -> str:
    """Say in words what some steps give away, what was not found, and what nobody can tell."""
    about = [finding for finding in headline if finding.step in steps]
    if not about:
        return ""
    asked = {told: {_asked(f) for f in about if f.told == told} for told in get_args(Told)}
    leaks, silent = asked["leaks"], asked["cannot tell"]
    nothing = asked["nothing found"] - leaks
    if not leaks and not nothing:
        return f"may give away more than is known: nobody can tell of {_listed(silent)}"
    said = "gives nothing away that was found"
    if leaks:
        said = f"gives away, beyond a blind guess, {_listed(leaks)}"
    if leaks and nothing:
        said += f"; nothing was found of {_listed(nothing)}"
    return said + (f"; nobody can tell of {_listed(silent)}" if silent else "")


def _advantage(headline: Sequence[Finding]) -> Finding | None:
    """Return what was told of membership, if anything, by the measure that has a plain meaning."""
    told = [f for f in headline if f.step == MODEL_FILES and f.measure == ADVANTAGE]
    return told[0] if told and told[0].found_from is not None else None


def _listed(words: set[str]) -> str:
    """Return words as a list, those of one kind of scenes and another behind one word."""
    kinds: dict[str, list[str]] = {}
    for word in sorted(words):
        what, _, scenes = word.partition(" (")
        kinds.setdefault(what, []).extend([scenes.rstrip(")")] if scenes else [])
    told = [f"{what} ({', '.join(of)})" if of else what for what, of in kinds.items()]
    *first, last = told
    return f"{', '.join(first)} and {last}" if first else last


def _asked(finding: Finding) -> str:
    if finding.question == "picture":
        return f"what stood before the sensor ({finding.scenes})"
    if finding.question in _IN_WORDS:
        return _IN_WORDS[finding.question]
    return _question(finding.question)


def _question(name: str) -> str:
    """Return a question's words; a column's unit is none of its gain."""
    return name.removesuffix("_mm").replace("_", " ")


def _columns(first: Sequence[Finding]) -> list[tuple[str, str]]:
    """Return the questions of the overview: pictures by scenes, and whatever else was asked.

    What a device holds of its owner is one answer to a question that every step is asked, and has
    no column of its own but where it alone is asked.
    """
    columns = list(dict.fromkeys((f.question, f.scenes) for f in first if f.step not in _OF_OWNERS))
    asked = {question for question, _ in columns}
    of_owners = {f.question: "takes" for f in first if f.question not in asked}
    return columns + list(of_owners.items())


def _glance(step: str, first: Sequence[Finding]) -> list[Finding | None]:
    """Return one finding a column, None where a step was not asked.

    Of what a device holds of its owner, each stands in the first column of its question.
    """
    columns = _columns(first)
    found = {(f.question, f.scenes): f for f in first if f.step == step}
    if step in _OF_OWNERS:
        places = {question: (question, scenes) for question, scenes in reversed(columns)}
        found = {places[f.question]: f for f in found.values() if f.question in places}
    return [found.get(column) for column in columns]


def _over(finding: Finding) -> str:
    """Say over how many a figure is: people, or drawn scenes."""
    drawn = finding.scenes.startswith("drawn")
    return f"{finding.n_people} {'drawn' if drawn else 'people'}"


def _picture_tables(
    rows: Sequence[PictureRow], steps: Sequence[str], headline: Sequence[Finding]
) -> list[list[dict[str, Any]]]:
    """Return the rows of a table of takes and drawings, and of one of taught devices.

    These have steps of their own: in one table each would be dashes where the other has pictures.
    """
    made_at = {(f.scenes, f.step): f.run_on_to or f.step for f in headline if f.measure == "iou"}
    tables = [
        [
            _pictures(
                row,
                {
                    step: made_at.get((row.scenes, step), step)
                    for step in steps
                    if (step in _OF_OWNERS) == of_owners
                },
            )
            for row in chosen
        ]
        for of_owners in (False, True)
        for chosen in [[row for row in rows if (row.scenes == SCENES) == of_owners]]
    ]
    return [table for table in tables if table]


def _pictures(row: PictureRow, steps: Mapping[str, str]) -> dict[str, Any]:
    """Return a row of small pictures as images in the page: scene, readout, and every step.

    Of each step it is what its strongest attacker made, at the step that it ran on to.
    """
    low, high = (float(v) for v in np.quantile(row.readout, [_DARKEST, _BRIGHTEST]))
    shown = [("readout", grey_picture(row.readout.astype(np.int64), low, high))]
    for step, made_at in steps.items():
        picture = row.shown.get(made_at)
        shown.append((step, "" if picture is None else _bright(picture)))
    return {"scenes": row.scenes, "scene": _bright(row.truth), "shown": shown}


def _bright(picture: np.ndarray[Any, np.dtype[np.float64]]) -> str:
    """Return brightness from 0 to 1 as an image, its highest row on top."""
    return grey_picture(np.rint(picture[::-1] * 255).astype(np.int64), 0.0, 256.0, most=64)


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"


def _gain(value: float | None) -> str:
    if value is None:
        return "–"
    return f"{round(value, 3) + 0.0:+.3f}".replace("-", "−")  # nothing is not less than nothing


def _interval(finding: Finding) -> str:
    if finding.low is None or finding.high is None:
        return "–"
    return f"{_gain(finding.low)} to {_gain(finding.high)}"


def _measure(name: str) -> str:
    return MEASURE_WORDS.get(name, name.replace("_", " "))
