"""Agreement over a whole data set: who judged what, together and per class."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from booth_session import make_session
from click.testing import CliRunner

from capture.agree.whole import study_agreement
from capture.agree.words import agreement_lines
from capture.booth.labelling import Edit, apply_edit, open_table
from capture.cues.labels import GOOD, REJECTED, read_events
from capture.store.dataset import SessionInfo, find_sessions
from capture.study.command import study
from runtime.errors import FormatError, UsageError

LABELS = ("swipe_left", "push", "idle")
NOW = "2026-11-02T09:30:00+00:00"


def review(info: SessionInfo, labeller: str, names: list[str], moved_s: float = 0.1) -> None:
    """Let a second labeller name each cue, blind, move the first take's start, and finish."""

    def edit(act: str, **content: object) -> None:
        revision = open_table(info, labeller, True).revision
        wanted = {"labeller": labeller, "blind": True, "revision": revision, "act": act}
        apply_edit(info, Edit.model_validate(wanted | content), LABELS, 10.0, NOW)

    for row, name in enumerate(names):
        if name == REJECTED:
            edit("change", row=row, trial_type="idle", status=REJECTED, reason="unclear")
        else:
            edit("change", row=row, trial_type=name)
    edit("change", row=0, onset_s=1.2 + moved_s, duration_s=0.5)
    edit("finish")


# The first labels of each session: swipe_left, push (rejected), push, idle.
ALIKE = ["swipe_left", REJECTED, "push", "idle"]
OTHER = ["push", REJECTED, "push", "idle"]


@pytest.fixture
def labelled(tmp_path: Path) -> Path:
    """Give three people's sessions; L2 judged all of them, L3 two."""
    root = tmp_path / "set"
    for number, name in enumerate(("P01", "P02", "P03")):
        make_session(root, name)
        info = find_sessions(root)[-1]
        review(info, "L2", OTHER if number == 2 else ALIKE)
        if number:
            review(info, "L3", ALIKE, 0.3)
    return root


def test_all_labellers_are_held_against_each_other(labelled: Path) -> None:
    """Each two labellers, over all sessions that both finished, with people behind the interval."""
    found = study_agreement(labelled)
    assert (found.n_cues, found.n_sessions) == (12, 3)
    pairs = {(pair.first, pair.second): pair for pair in found.pairs}
    assert set(pairs) == {("first", "L2"), ("first", "L3"), ("L2", "L3")}
    two = pairs["first", "L2"]
    assert (two.kappa.n, two.n_alike, two.n_people) == (12, 11, 3)
    # 11 of 12 alike; chance (3*2 + 3*4 + 3*3 + 3*3) / 144 = 0.25: (11/12 - 1/4) / (3/4)
    assert two.kappa.value == pytest.approx(8 / 9)
    assert two.kappa.low is not None
    assert two.kappa.low < 8 / 9
    assert pairs["first", "L3"].kappa.value == 1.0
    assert pairs["L2", "L3"].kappa.n == 8


def test_classes_are_told_apart(labelled: Path) -> None:
    """What is mixed up shows at its own name: swipe_left and push, not idle."""
    two = next(pair for pair in study_agreement(labelled).pairs if pair.second == "L2")
    assert set(two.per_class) == {"swipe_left", "push", "idle", REJECTED}
    assert two.per_class["idle"].value == 1.0
    # swipe_left: 2 both, 1 first only, 9 neither; po 11/12, pe (3*2 + 9*10) / 144 = 2/3
    assert two.per_class["swipe_left"].value == pytest.approx((11 / 12 - 2 / 3) / (1 / 3))


def test_ends_are_compared_where_both_set_them(labelled: Path) -> None:
    """Only takes whose ends both labellers set, and called the same, are measured."""
    pairs = {(pair.first, pair.second): pair for pair in study_agreement(labelled).pairs}
    ends = pairs["first", "L3"].boundaries
    assert set(ends) == {"all", "swipe_left"}
    assert ends["all"].onset_s.n == 2
    assert ends["all"].onset_s.value == pytest.approx(0.3)
    assert ends["all"].overlap.value == pytest.approx(0.2 / 0.8)
    assert pairs["first", "L2"].boundaries["all"].overlap.n == 2


def test_panels_are_of_those_that_as_many_judged(labelled: Path) -> None:
    """Fleiss' kappa is over the cues of two labellers, and over those of three."""
    panels = study_agreement(labelled).panels
    assert [(panel.n_labellers, panel.kappa.n, panel.n_people) for panel in panels] == [
        (2, 4, 1), (3, 8, 2),
    ]  # fmt: skip
    assert panels[0].kappa.value == 1.0
    assert panels[1].kappa.value is not None
    assert 0.7 < panels[1].kappa.value < 1.0


def test_a_review_that_is_not_finished_does_not_count(tmp_path: Path) -> None:
    """Until a blind review is over, nobody is told how it agrees."""
    root = tmp_path / "set"
    make_session(root)
    info = find_sessions(root)[0]
    revision = open_table(info, "L2", True).revision
    edit = Edit(
        labeller="L2", blind=True, revision=revision, act="change", row=0, trial_type="push"
    )
    apply_edit(info, edit, LABELS, 10.0, NOW)
    assert study_agreement(root).n_cues == 0
    assert list(agreement_lines(study_agreement(root))) == [
        "no cue was judged by two labellers: let a second one finish a blind review"
    ]


def test_a_damaged_log_is_named(labelled: Path) -> None:
    """A log of edits that is none is told by its line; a cut last line is no edit."""
    log = next(labelled.rglob("sub-P01*_labeller-L2_edits.jsonl"))
    before = study_agreement(labelled)
    log.write_bytes(log.read_bytes() + b'{"act": "ch')
    assert study_agreement(labelled) == before
    log.write_bytes(b"[]\n" + log.read_bytes())
    with pytest.raises(FormatError, match="line 1"):
        study_agreement(labelled)


def test_a_folder_without_a_data_set_is_told(tmp_path: Path) -> None:
    """Agreement is asked of a data set."""
    with pytest.raises(UsageError, match="no data set"):
        study_agreement(tmp_path)


def test_the_command_tells_agreement(labelled: Path) -> None:
    """`palmwatt study DIR --agreement` prints kappas and ends; --json has all of it."""
    told = CliRunner().invoke(study, [str(labelled), "--agreement"]).output
    assert "first and L2: Cohen's kappa 0.889 (95 % " in told
    assert "3 labellers: Fleiss' kappa " in told
    assert "ends of swipe_left: start 0.300 s" in told
    ran = CliRunner().invoke(study, [str(labelled), "--agreement", "--json"])
    figures = json.loads(ran.output)
    assert figures["pairs"][0]["cohens_kappa"]["n"] == 12
    assert {panel["n_labellers"] for panel in figures["panels"]} == {2, 3}


def test_the_first_labels_are_left_alone(labelled: Path) -> None:
    """Measuring changes no table."""
    info = find_sessions(labelled)[0]
    events = read_events(info.events_path)
    study_agreement(labelled)
    assert read_events(info.events_path) == events
    assert [dataclasses.replace(e).status for e in events] == [GOOD, REJECTED, GOOD, GOOD]
