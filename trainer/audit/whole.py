"""The whole audit: takes through the chain, every question asked, held against limits, written."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runtime.errors import UsageError
from runtime.files import write_whole
from runtime.model import Model, load_model, model_hash
from trainer.audit.findings import LEAST_PEOPLE, Finding, strongest
from trainer.audit.limits import Held, PrivacyLimits, held, verdict_of
from trainer.audit.pictures.whole import PictureRow, attack_pictures
from trainer.audit.steps import ChainTakes, chain_steps

__all__ = ["Audit", "audit_model", "findings_csv", "write_audit"]

CAUTION = (
    "An audit bounds the attackers that were tried, with what they were given, and no others: a "
    "stronger one may find more. Whether a figure is enough, local law decides."
)


@dataclass(frozen=True, slots=True, eq=False)
class Audit:
    """What was found.

    Parameters
    ----------
    model : Model
    takes : ChainTakes
    findings : tuple of Finding
        Of every attacker.
    rows : tuple of PictureRow
        Scenes to be printed.
    optic : str
        The optic that picture attacks knew, in words; empty without one.
    limits : tuple of Held
        Empty where none were given.
    """

    model: Model
    takes: ChainTakes
    findings: tuple[Finding, ...]
    rows: tuple[PictureRow, ...]
    optic: str
    limits: tuple[Held, ...]

    @property
    def headline(self) -> tuple[Finding, ...]:
        """The strongest attacker at each step, of each question, scenes and measure."""
        order = {step.name: index for index, step in enumerate(self.takes.steps)}
        found = strongest(self.findings)
        return tuple(sorted(found, key=lambda finding: order.get(finding.step, len(order))))

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
            "steps": [
                dataclasses.asdict(step) | {"where": step.where} for step in self.takes.steps
            ],
            "headline": [finding.to_json() for finding in self.headline],
            "findings": [finding.to_json() for finding in self.findings],
            "limits": [each.to_json() for each in self.limits],
            "verdict": self.verdict,
            "caution": CAUTION,
        }


def audit_model(
    folder: Path,
    recordings: Path,
    limits: PrivacyLimits | None = None,
    optic_file: Path | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Audit:
    """Audit a model on recordings of people.

    Parameters
    ----------
    folder : pathlib.Path
        Model folder.
    recordings : pathlib.Path
        Data set at the model's setting of the sensor; at least :data:`LEAST_PEOPLE` people.
    limits : PrivacyLimits, optional
    optic_file : pathlib.Path, optional
        Calibration of the optic; the emulated sensor's is known without.
    tell : callable, optional
        Is told how far it is.

    Raises
    ------
    UsageError
        Too few people, no takes at the model's setting, or a limit that nothing can break.
    FormatError
        A file is damaged.
    """
    model = load_model(folder)
    takes = chain_steps(model, recordings, tell)
    if takes.n_people < LEAST_PEOPLE:
        raise UsageError(
            str(recordings), "number of people with takes of the model's classes", takes.n_people,
            f"at least {LEAST_PEOPLE}", "of fewer nothing can be told: record more",
        )  # fmt: skip
    _refuse_one_class(takes, recordings)
    pictures = attack_pictures(takes, tell, optic_file)
    findings = pictures.findings
    against = () if limits is None else held(limits, findings, takes.steps)
    return Audit(model, takes, findings, pictures.rows, pictures.optic, against)


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
    names = [*(field.name for field in dataclasses.fields(Finding)), "told"]
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(finding.to_json() for finding in findings)
    return text.getvalue()


def write_audit(audit: Audit, out: Path, page: str) -> None:
    """Write ``audit.json``, ``findings.csv`` and ``audit.html``; each whole or not at all."""
    out.mkdir(parents=True, exist_ok=True)
    content = json.dumps(audit.to_json(), indent=1, allow_nan=False) + "\n"
    write_whole(out / "audit.json", content.encode())
    write_whole(out / "findings.csv", findings_csv(audit.findings).encode())
    write_whole(out / "audit.html", page.encode())
