"""The whole audit: takes through the chain, every question asked, held against limits, written.

``audit.json`` names the ``model`` (with ``model_sha256``), the kind of ``data``, ``n_people`` and
``n_takes``, and the ``optic`` that picture attacks knew; of ``n_sessions`` read, ``n_cut_sessions``
have no readouts in part of their takes, ``unread_fraction`` of all takes' time. ``steps`` are the
places of the chain, by ``name``, ``role``, ``n_values``, ``leaves_device``, ``stored`` and, in
words, ``where``; ``run_on_to`` are those that follow from it, each with what has to be known for
that. ``findings`` hold every attacker's figures where it was tried, ``headline`` the strongest
attacker's at each step, of each question, scenes and measure; ``run_on_to`` names the later step
at which it was found, and is empty where it is the step's own. ``mitigations`` are what was
refitted with less in a step, where that was asked for; ``limits`` each limit with its ``verdict``,
the ``worst`` finding and ``why`` nobody can tell; ``verdict`` is that of all of them, null without
limits.
``findings.csv`` has a row for each finding, and for each of the headline that was run on to;
``found_from`` is the gain that four audits of five would have found there.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from runtime.errors import UsageError
from runtime.files import write_whole
from runtime.model import Model, load_model, model_hash
from trainer.audit.findings import LEAST_PEOPLE, Finding, strongest
from trainer.audit.limits import Held, PrivacyLimits, held, refuse_unknown_names, verdict_of
from trainer.audit.owner_pictures import attack_owner_pictures
from trainer.audit.owners import attack_owners, owner_steps
from trainer.audit.people.attack import Attacked, attack_people
from trainer.audit.people.membership import members_of, others_by_name
from trainer.audit.people.mitigations import Mitigation, weigh_mitigations
from trainer.audit.people.shadows import recipe_of
from trainer.audit.pictures.optic import KnownOptic, calibrated_optic
from trainer.audit.pictures.whole import (
    PictureRow,
    attack_pictures,
    known_optic,
    no_pictures,
)
from trainer.audit.questions import planned
from trainer.audit.run_on import Later, later_steps, run_on
from trainer.audit.steps import ChainTakes, chain_steps, further_takes
from trainer.corpus.noted import columns_of_people
from trainer.recipe import Recipe

__all__ = ["Asked", "Audit", "audit_model", "findings_csv", "refuse_unwritable", "write_audit"]

CAUTION = (
    "An audit bounds the attackers that were tried, with what they were given, and no others: a "
    "stronger one may find more. Whether a figure is enough, local law decides."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What an audit is asked for.

    Parameters
    ----------
    limits : PrivacyLimits, optional
    optic_file : pathlib.Path, optional
        Calibration of the optic; the emulated sensor's is known without.
    recipe : Recipe, optional
        That the model was made by; found among the built-in ones without.
    mitigations : bool
        Whether to refit the recipe with one change at a time, and price it.
    pictures : bool
        Whether attackers try to make any; for that the optic has to be known.
    """

    limits: PrivacyLimits | None = None
    optic_file: Path | None = None
    recipe: Recipe | None = None
    mitigations: bool = False
    pictures: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Audit:
    """What was found.

    Parameters
    ----------
    model : Model
    takes : ChainTakes
    findings : tuple of Finding
        Of every attacker, at the step that it attacked.
    rows : tuple of PictureRow
        Scenes to be printed.
    optic : str
        The optic that picture attacks knew, in words; empty without one.
    limits : tuple of Held
        Empty where none were given.
    mitigations : tuple of Mitigation
        Empty where nobody asked.
    later : mapping
        The steps that follow from each.
    """

    model: Model
    takes: ChainTakes
    findings: tuple[Finding, ...]
    rows: tuple[PictureRow, ...]
    optic: str
    limits: tuple[Held, ...]
    mitigations: tuple[Mitigation, ...] = ()
    later: Later = field(default_factory=dict)

    @property
    def headline(self) -> tuple[Finding, ...]:
        """The strongest attacker at each step, of each question, scenes and measure.

        What is found at a step and nowhere stronger after it is the step's own.
        """
        order = {step.name: index for index, step in enumerate(self.takes.steps)}
        found = strongest([*self.findings, *run_on(strongest(self.findings), self.later)])
        return tuple(sorted(found, key=lambda finding: order.get(finding.step, len(order))))

    @property
    def told_first(self) -> tuple[Finding, ...]:
        """Of the headline one measure a question: of pictures the overlap, else the first."""
        first: dict[tuple[str, str, str], Finding] = {}
        for finding in self.headline:
            key = (finding.step, finding.question, finding.scenes)
            if key not in first or (finding.measure == "iou" and first[key].measure != "iou"):
                first[key] = finding
        return tuple(first.values())

    @property
    def missing(self) -> str:
        """Say in a line what of the takes was not recorded, with its share; empty for nothing."""
        takes = self.takes
        if not takes.n_cut:
            return ""
        have = "has" if takes.n_cut == 1 else "have"
        return (
            f"{takes.n_cut} of {takes.n_sessions} recordings {have} no readouts in part of the "
            "takes (cut short, or frame pairs are missing): "
            f"{100 * takes.unread_fraction:.2g} % of all takes’ time was not attacked"
        )

    @property
    def verdict(self) -> str | None:
        """Pass, broken or cannot tell; None without limits."""
        return verdict_of(self.limits) if self.limits else None

    def to_json(self) -> dict[str, Any]:
        """Return the content of ``audit.json``."""
        return {
            "format": "palmwatt-audit",
            "version": 1,
            "model": self.model.name,
            "model_sha256": model_hash(self.model),
            "data": self.takes.kind,
            "n_people": self.takes.n_people,
            "n_takes": len(self.takes.participants),
            "optic": self.optic,
            "n_sessions": self.takes.n_sessions,
            "n_cut_sessions": self.takes.n_cut,
            "unread_fraction": round(self.takes.unread_fraction, 6),
            "steps": [
                dataclasses.asdict(step)
                | {"where": step.where, "run_on_to": dict(self.later.get(step.name, {}))}
                for step in self.takes.steps
            ],
            "headline": [finding.to_json() for finding in self.headline],
            "findings": [finding.to_json() for finding in self.findings],
            "mitigations": [each.to_json() for each in self.mitigations],
            "limits": [each.to_json() for each in self.limits],
            "verdict": self.verdict,
            "caution": CAUTION,
        }


def audit_model(
    folder: Path,
    recordings: Path,
    asked: Asked | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Audit:
    """Audit a model on recordings of people.

    Parameters
    ----------
    folder : pathlib.Path
        Model folder.
    recordings : pathlib.Path
        Data set at the model's setting of the sensor; at least :data:`LEAST_PEOPLE` people.
    asked : Asked, optional
    tell : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        Too few people, no takes at the model's setting, a limit that nothing can break, a recipe
        that is not the model's or is not known, or an optic that nobody knows where pictures are
        asked for.
    FormatError
        A file is damaged.
    """
    asked = asked or Asked()
    ready = _ready(folder, recordings, asked, tell)
    model, takes, optic = ready.model, ready.takes, ready.optic
    pictures = no_pictures(takes) if optic is None else attack_pictures(takes, optic, tell)
    attacked = Attacked(takes, recordings, folder, ready.recipe, ready.others)
    people = attack_people(attacked, tell=tell)
    owners = attack_owners(takes, recordings, tell, ready.others, folder)
    hands, hand_rows = attack_owner_pictures(takes, tell, wanted=asked.pictures)
    findings = (*pictures.findings, *people, *owners, *hands)
    later = later_steps(takes)
    steps = (*takes.steps, *owner_steps(model))
    takes = dataclasses.replace(takes, steps=steps)
    against: tuple[Held, ...] = ()
    if asked.limits is not None:
        against = held(asked.limits, (*findings, *run_on(findings, later)), steps)
    weighed: Sequence[Mitigation] = ()
    if asked.mitigations and ready.recipe is not None:
        weighed = weigh_mitigations(recordings, ready.recipe, tell=tell)
    rows = (*pictures.rows, *hand_rows)
    return Audit(model, takes, findings, rows, pictures.optic, against, tuple(weighed), later)


@dataclass(frozen=True, slots=True, eq=False)
class _Ready:
    """All that attackers are given, read and looked through before any of them begins.

    Parameters
    ----------
    model : Model
    takes, others : ChainTakes
        Of those who are asked about, and of those learned from besides (None where all are asked).
    recipe : Recipe or None
    optic : KnownOptic or None
        None where nobody asks for pictures.
    """

    model: Model
    takes: ChainTakes
    others: ChainTakes | None
    recipe: Recipe | None
    optic: KnownOptic | None


def _ready(folder: Path, recordings: Path, asked: Asked, tell: Callable[[str], None]) -> _Ready:
    """Read everything, and refuse what cannot be asked: in seconds, not after long attacks."""
    model = load_model(folder)
    given = None
    if asked.optic_file is not None:
        given = calibrated_optic(asked.optic_file, model.sensor)
    recipe = asked.recipe or recipe_of(model)
    if asked.recipe is not None:
        _refuse_another(asked.recipe, model)
    if asked.mitigations and recipe is None:
        raise UsageError(
            str(folder), "recipe", "none of the built-in ones", "the one it was made by",
            "give it with --recipe",
        )  # fmt: skip
    takes = chain_steps(model, recordings, tell)
    if takes.n_people < LEAST_PEOPLE:
        raise UsageError(
            str(recordings), "number of people with takes of the model's classes", takes.n_people,
            f"at least {LEAST_PEOPLE}", "of fewer nothing can be told: record more",
        )  # fmt: skip
    _refuse_one_class(takes, recordings)
    columns = columns_of_people(recordings)
    # Both read again where members are asked for.
    members_of(folder, takes.participants.tolist())
    others_by_name(folder, takes)
    if asked.limits is not None:
        steps = (*takes.steps, *owner_steps(model))
        refuse_unknown_names(asked.limits, planned(takes, columns), steps)
    optic = (given or known_optic(takes)) if asked.pictures else None
    if asked.pictures and optic is None:
        raise UsageError(
            str(recordings), "the optic they were recorded through", "not known",
            "one to make pictures by",
            "give its calibration with --optic, or leave pictures out with --without-pictures",
        )  # fmt: skip
    return _Ready(model, takes, further_takes(takes, recordings, tell), recipe, optic)


def _refuse_another(recipe: Recipe, model: Model) -> None:
    """Refuse a recipe of other classes; whether it is the model's own, refitting it will show."""
    if recipe.model_classes != model.classes:
        raise UsageError(
            recipe.name, "recipe", f"of {', '.join(recipe.model_classes) or 'no classes'}",
            f"the model's own, of {', '.join(model.classes) or 'no classes'}",
            "give the one it was made by with --recipe",
        )  # fmt: skip


def _refuse_one_class(takes: ChainTakes, recordings: Path) -> None:
    labels = sorted(set(takes.trial_types.tolist()))
    if len(takes.model.classes) > 1 and len(labels) < 2:
        raise UsageError(
            str(recordings), "classes with takes", labels[0], "at least 2 of the model's",
            "what one class gives away says nothing of the others",
        )  # fmt: skip


def findings_csv(findings: Sequence[Finding]) -> str:
    """Return every finding as a row of ``findings.csv``."""
    text = io.StringIO()
    names = [*(field.name for field in dataclasses.fields(Finding)), "told", "found_from"]
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(finding.to_json() for finding in findings)
    return text.getvalue()


def refuse_unwritable(out: Path) -> None:
    """Refuse a folder that nothing can be written into, before an audit and not after it.

    Raises
    ------
    UsageError
        It, or the nearest folder above it that is there, is a file or may not be written into.
    """
    there = next(place for place in (out, *out.absolute().parents) if place.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        got = "not writable" if there.is_dir() else f"in {there}, which is a file"
        raise UsageError(str(out), "the folder", got, "one to write into", "name another")


def write_audit(audit: Audit, out: Path, page: str) -> None:
    """Write ``audit.json``, ``findings.csv`` and ``audit.html``; each whole or not at all."""
    out.mkdir(parents=True, exist_ok=True)
    content = json.dumps(audit.to_json(), indent=1, allow_nan=False) + "\n"
    write_whole(out / "audit.json", content.encode())
    further = [finding for finding in audit.headline if finding.run_on_to]
    write_whole(out / "findings.csv", findings_csv([*audit.findings, *further]).encode())
    write_whole(out / "audit.html", page.encode())
