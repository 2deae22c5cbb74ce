"""Limits of an audit: kept, broken, or not to be told; and never kept by silence."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from runtime.errors import FormatError, UsageError
from trainer.audit.chain import Step
from trainer.audit.findings import Finding, Planned
from trainer.audit.limits import (
    PrivacyLimits,
    held,
    load_privacy_limits,
    refuse_unknown_names,
    verdict_of,
)

STEPS = (
    Step("raw pair", "readout", 9),
    Step("window state", "state", 4, stored=True),
    Step("decision", "told", 3, leaves_device=True),
)


def finding(step: str = "decision", **changed: Any) -> Finding:
    """Return a finding about pictures of takes, with a gain of 0.05 to 0.15."""
    plain: dict[str, Any] = {
        "step": step, "question": "picture", "scenes": "takes", "attacker": "ridge", "knows": "",
        "measure": "iou", "value": 0.7, "blind": 0.6, "gain": 0.1, "low": 0.05, "high": 0.15,
        "n_people": 20,
    }  # fmt: skip
    return Finding(**(plain | changed))


def verdict(findings: list[Finding], **limit: Any) -> str:
    """Return the verdict of one limit."""
    asked = {"question": "picture", "most_gain": 0.1} | limit
    return held(PrivacyLimits.model_validate({"limit": [asked]}), findings, STEPS)[0].verdict


@pytest.mark.parametrize(
    ("most_gain", "expected"),
    [(0.15, "pass"), (0.149, "cannot tell"), (0.05, "cannot tell"), (0.049, "broken")],
)
def test_limit_is_held_against_the_interval(most_gain: float, expected: str) -> None:
    """Kept where the whole interval is at or below it, broken where all of it is above."""
    assert verdict([finding()], most_gain=most_gain) == expected


def test_every_attacker_must_keep_a_limit() -> None:
    """One attacker that finds nothing makes no pass where another finds something."""
    weak = finding(attacker="Tikhonov", gain=-0.3, low=-0.4, high=-0.2)
    assert verdict([weak], most_gain=0.0) == "pass"
    assert verdict([weak, finding()], most_gain=0.01) == "broken"
    assert verdict([weak, finding(measure="ssim")], most_gain=0.01) == "broken"


def test_what_cannot_be_told_is_no_pass() -> None:
    """Too few people, or one question unanswered beside another, is no green verdict."""
    mute = finding(low=None, high=None, gain=None, value=None, blind=None, why_not="too few")
    assert verdict([mute], most_gain=1.0) == "cannot tell"
    assert verdict([mute, finding()], most_gain=1.0) == "cannot tell"
    assert verdict([mute, finding()], most_gain=0.0) == "broken"
    assert verdict([finding(n_people=3)], most_gain=1.0) == "cannot tell"
    for low, high in ((math.nan, 0.15), (0.05, math.nan), (-math.inf, 0.15)):
        assert verdict([finding(low=low, high=high)], most_gain=1.0) == "cannot tell"
    limits = PrivacyLimits.model_validate({"limit": [{"question": "picture", "most_gain": 0.1}]})
    (few,) = held(limits, [finding(n_people=3)], STEPS)
    assert few.why == "only 3 of at least 6 people"


def test_a_limit_that_nobody_could_break_is_no_pass() -> None:
    """Who names each of 8 people gains 0.875, and who never errs 0.5: more is no limit."""
    named = {"measure": "accuracy", "value": 0.225, "blind": 0.125}
    assert verdict([finding(**named)], most_gain=0.8) == "pass"
    assert verdict([finding(**named)], most_gain=0.875) == "cannot tell"
    erred = {"measure": "equal error rate", "value": 0.4, "blind": 0.5}
    assert verdict([finding(**erred)], most_gain=0.4) == "pass"
    assert verdict([finding(**erred)], most_gain=0.5) == "cannot tell"
    decibels = {"measure": "psnr_db", "value": 20.1, "blind": 20.0}
    assert verdict([finding(**decibels)], most_gain=3.0) == "pass"
    # Of 16 bits, an error of half a step at most has 20 log10(65535 sqrt(12)) = 107.12 dB.
    assert verdict([finding(**decibels)], most_gain=87.1) == "pass"
    assert verdict([finding(**decibels)], most_gain=87.2) == "cannot tell"


def test_a_limit_has_to_be_one_in_every_measure_that_it_is_held_against() -> None:
    """Ten decibels are a limit, and an overlap of ten is none: whoever means one has to say so."""
    both = [finding(), finding(measure="psnr_db", value=20.1, blind=20.0)]
    assert verdict(both, most_gain=0.2) == "pass"
    assert verdict(both, most_gain=10.0) == "cannot tell"
    assert verdict(both, most_gain=10.0, measure="psnr_db") == "pass"
    limits = {"limit": [{"question": "picture", "most_gain": 10.0}]}
    (open_yet,) = held(PrivacyLimits.model_validate(limits), both, STEPS)
    assert open_yet.why == (
        "nobody could break it: who is never wrong gains 0.400 over a blind guess here (iou)"
    )


def test_a_place_names_its_steps() -> None:
    """``leaves`` and ``stored`` are what is marked so; ``any`` is every step."""
    found = [finding("raw pair", low=0.5, high=0.6), finding("decision", low=0.0, high=0.01)]
    assert verdict(found, step="leaves") == "pass"
    assert verdict(found, step="raw pair") == "broken"
    assert verdict(found, step="any") == "broken"
    assert verdict(found, step="stored") == "cannot tell"


def test_all_limits_together() -> None:
    """One broken limit breaks all; a pass needs every one."""
    found = [finding(), finding("raw pair", low=0.5, high=0.6)]

    def all_of(*gains: float) -> str:
        limits = [{"question": "picture", "step": "decision", "most_gain": g} for g in gains]
        return verdict_of(held(PrivacyLimits.model_validate({"limit": limits}), found, STEPS))

    assert all_of(0.2, 0.3) == "pass"
    assert all_of(0.2, 0.1) == "cannot tell"
    assert all_of(0.2, 0.1, 0.01) == "broken"


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ({"question": "pictures"}, "question of a limit is 'pictures', expected one of identity"),
        ({"step": "decison"}, "step of a limit is 'decison'"),
        ({"measure": "IoU"}, "measure of a limit is 'IoU', expected one of iou"),
        ({"scenes": "faces"}, "scenes of a limit is 'faces', expected one of takes"),
        ({"question": "identity", "measure": "iou"}, "measure of a limit is 'iou'"),
        ({"question": "identity", "step": "stored"}, "step of a limit is 'stored'"),
    ],
)
def test_a_limit_that_nothing_can_break_is_refused(limit: dict[str, str], said: str) -> None:
    """A misspelt question, step, measure or scenes is one line that names what there is."""
    planned = [
        Planned("picture", "window state", "takes", "iou"),
        Planned("identity", "decision", "one take", "accuracy"),
    ]
    asked = {"question": "picture", "most_gain": 0.1} | limit
    limits = PrivacyLimits.model_validate({"limit": [asked]})
    with pytest.raises(UsageError, match=said):
        refuse_unknown_names(limits, planned, STEPS)
    for step in ("any", "stored", "window state"):
        fits = {"question": "picture", "step": step, "scenes": "takes", "most_gain": 0.1}
        refuse_unknown_names(PrivacyLimits.model_validate({"limit": [fits]}), planned, STEPS)


def test_what_nobody_can_tell_leaves_a_limit_of_any_measure_undecided() -> None:
    """A question that was not answered has no measure, and keeps no limit that names one.

    What nobody can tell of some scenes leaves a limit on others as it is.
    """
    mute = finding(measure="", low=None, high=None, gain=None, value=None, blind=None, why_not="-")
    assert verdict([mute], measure="iou", scenes="takes") == "cannot tell"
    faces = finding(scenes="drawn faces", low=0.0, high=0.01)
    assert verdict([mute, faces], measure="iou") == "cannot tell"
    assert verdict([mute, faces], measure="iou", scenes="drawn faces") == "pass"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "limit = []",
        "[[limit]]\nquestion = 'picture'",
        "[[limit]]\nquestion = 'picture'\nmost_gain = -0.1",
        "[[limit]]\nquestion = 'picture'\nmost_gain = nan",
        "[[limit]]\nquestion = 'picture'\nmost_gain = '0.1'",
        "[[limit]]\nquestion = 'picture'\nmost_gain = 0.1\nsteps = 'any'",
        "[limit]\nquestion = 'picture'\nmost_gain = 0.1",
        "[[limit]\n",
        2 * "[[limit]]\nquestion = 'picture'\nmost_gain = 0.1\n",
    ],
)
def test_a_faulty_file_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    """What is missing, unknown, negative or no number is told by file and key."""
    path = tmp_path / "privacy.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(FormatError, match=r"privacy\.toml") as fault:
        load_privacy_limits(path)
    assert "\n" not in str(fault.value)


def test_two_limits_about_the_same_are_refused(tmp_path: Path) -> None:
    """Whichever was meant, only the stricter would decide; at another step it is another limit."""
    path = tmp_path / "privacy.toml"
    first = "[[limit]]\nquestion = 'identity'\nmost_gain = 0.1\n"
    path.write_text(first + first.replace("0.1", "0.2\nstep = 'any'"), "utf-8")
    with pytest.raises(FormatError, match="limit 2 is about the same as limit 1"):
        load_privacy_limits(path)
    path.write_text(first + first.replace("0.1", "0.2\nstep = 'leaves'"), "utf-8")
    assert len(load_privacy_limits(path).limit) == 2


def test_a_file_of_limits_is_read(tmp_path: Path) -> None:
    """Keys of a limit may be left out but for the question and the most gain."""
    path = tmp_path / "privacy.toml"
    path.write_text("[[limit]]\nquestion = 'identity'\nmost_gain = 0.1\n", "utf-8")
    limit = load_privacy_limits(path).limit[0]
    assert (limit.question, limit.step, limit.measure, limit.scenes) == (
        "identity", "any", None, None,
    )  # fmt: skip
