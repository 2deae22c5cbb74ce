"""Mitigations on the terminal, on the page and in the command."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import numpy as np
from rich.console import Console

from runtime.model import load_model
from trainer.audit.findings import Finding
from trainer.audit.mitigation_words import HEADINGS, mitigation_row, mitigation_table
from trainer.audit.page import audit_page
from trainer.audit.people.mitigations import Mitigation
from trainer.audit.steps import ChainTakes, steps_of
from trainer.audit.whole import Audit

MODELS = Path(__file__).parents[3] / "models"
BEFORE = Finding(
    "bins", "identity", "10 takes", "extra trees", "takes", "accuracy", 0.6, 0.1, 0.5, 0.4, 0.6, 10
)
AFTER = dataclasses.replace(BEFORE, value=0.3, gain=0.2, low=-0.1, high=0.4)
ACCURACY: dict[str, float | int] = {
    "value": -0.012, "low": -0.03, "high": 0.006, "n_participants": 9, "n_takes": 90,
}  # fmt: skip
FEWER = Mitigation("bins 8 x 8", "bins", BEFORE, AFTER, ACCURACY, -0.8697)
NOISED = Mitigation("randomised response", "answer", BEFORE, AFTER, ACCURACY, None, 1.0, "adds up")


def test_a_row_says_what_is_left_and_what_it_costs() -> None:
    """Gains with intervals, points of accuracy, microwatts; and what is not counted or stated."""
    row = dict(zip(HEADINGS, mitigation_row(FEWER), strict=True))
    assert row["identity from ten takes, without"] == "+0.500 (+0.400 to +0.600)"
    assert row["with it"] == "+0.200 (-0.100 to +0.400)"
    assert row["accuracy, points"] == "-1.2 (-3.0 to +0.6)"
    assert (row["power, µW"], row["epsilon"]) == ("-0.87", "none")
    noised = dict(zip(HEADINGS, mitigation_row(NOISED), strict=True))
    assert (noised["power, µW"], noised["epsilon"]) == ("not counted", "1 an answer")
    untold = dataclasses.replace(AFTER, gain=None, low=None, why_not="only 3 people")
    assert "cannot tell" in mitigation_row(dataclasses.replace(FEWER, after=untold))


def test_table_and_page_hold_every_mitigation() -> None:
    """The terminal's table and the page show each row, the page with its note; none without any."""
    console = Console(file=io.StringIO(), width=200)
    console.print(mitigation_table([FEWER, NOISED]))
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert "bins 8 x 8" in text and "(10 people)" in text and "(9 people)" in text
    model = load_model(MODELS / "dynamic")
    nobody = np.zeros(0, dtype=str)
    takes = ChainTakes(
        model, steps_of(model), {}, nobody, nobody, nobody, np.zeros((0, 1)), {}, {}, "recorded"
    )
    plain = Audit(model, takes, (BEFORE,), (), "", ())
    with_two = dataclasses.replace(plain, mitigations=(FEWER, NOISED))
    page = audit_page(with_two)
    assert "Mitigations, and what they cost" in page and "bins 8 x 8" in page and "adds up" in page
    assert "Mitigations, and what they cost" not in audit_page(plain)
    told = with_two.to_json()["mitigations"]
    assert [each["epsilon"] for each in told] == [None, 1.0]
    assert told[0]["after"]["told"] == "nothing found"
