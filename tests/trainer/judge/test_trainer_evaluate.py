"""Figures of judged takes, the split, the take's end, and the windows that training sees."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import accuracy_score, f1_score

from runtime.errors import FormatError, UsageError
from trainer.judge.evaluate import (
    MAX_LOG_BYTES,
    Takes,
    confusion,
    figures,
    log_test_use,
    majority,
    refuse_shared_groups,
    rounded_figure,
    together,
)
from trainer.judge.intervals import over_participants


def some_takes(seed: int, n_takes: int = 200) -> Takes:
    rng = np.random.default_rng(seed)
    labels = rng.integers(0, 4, n_takes)
    answers = np.where(rng.uniform(size=n_takes) < 0.7, labels, rng.integers(0, 4, n_takes))
    people = tuple(f"P{n}" for n in rng.integers(1, 5, n_takes))
    return Takes(people, labels, answers)


def test_figures_are_those_of_scikit_learn() -> None:
    """Accuracy and macro F1 are the plain figures over all takes, inside their intervals."""
    takes = some_takes(1)
    result = figures(takes)
    assert result["accuracy"]["value"] == pytest.approx(
        accuracy_score(takes.labels, takes.answers), abs=1e-6
    )
    assert result["macro_f1"]["value"] == pytest.approx(
        f1_score(takes.labels, takes.answers, average="macro"), abs=1e-6
    )
    for figure in result.values():
        assert 0 <= figure["low"] < figure["value"] < figure["high"] <= 1
        assert (figure["n_participants"], figure["n_takes"]) == (4, 200)


def test_no_takes_give_no_figures() -> None:
    """Without a take there is no accuracy, and the message says where to look."""
    nobody = np.zeros(0, dtype=np.int64)
    with pytest.raises(UsageError, match="labels lie inside"):
        figures(Takes((), nobody, nobody))


def test_confusion_rows_are_what_was_asked() -> None:
    """Rows count the classes asked for, columns the answers, also of classes that never occur."""
    takes = Takes(("P1",) * 3, np.array([0, 0, 1]), np.array([0, 2, 1]))
    assert confusion(takes, 4) == [[1, 0, 1, 0], [0, 1, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]]


def test_majority_answers_what_training_saw_most() -> None:
    """The majority baseline is chosen from training labels, not from the test's."""
    takes = Takes(("P1",) * 3, np.array([0, 0, 1]), np.array([0, 2, 1]))
    assert majority(takes, np.array([1, 1, 0])).answers.tolist() == [1, 1, 1]


def test_no_group_may_stand_on_both_sides() -> None:
    """A participant in training and in test, or an empty side, is refused by name."""
    refuse_shared_groups(["P1", "P2"], ["P3"], "participants")
    with pytest.raises(UsageError, match="participants P2"):
        refuse_shared_groups(["P1", "P2"], ["P2"], "participants")
    with pytest.raises(UsageError, match="test units is 0"):
        refuse_shared_groups(["a"], [], "units")


@pytest.mark.parametrize("text", ["{", "{}", "[3]", "\xff"])
def test_a_log_of_test_uses_that_is_no_log_is_refused(tmp_path: Path, text: str) -> None:
    """A damaged log is not overwritten, because it is the only record of earlier uses."""
    path = tmp_path / "derivatives" / "palmwatt" / "test_uses.json"
    path.parent.mkdir(parents=True)
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(FormatError):
        log_test_use(tmp_path, {"recipe": "r", "data": "d", "classes": ["a"]})
    assert path.read_bytes() == text.encode("latin-1")


def test_a_new_name_does_not_make_the_locked_people_fresh(tmp_path: Path) -> None:
    """Uses for the same classes or of the same data count together; other tasks do not."""
    first = {"recipe": "r1", "data": "d1", "classes": ["a", "b"]}
    other_task = {"recipe": "r2", "data": "d2", "classes": ["c"]}
    more_data = {"recipe": "r3", "data": "d3", "classes": ["a", "b"]}
    other_classes = {"recipe": "r4", "data": "d1", "classes": ["a"]}
    assert log_test_use(tmp_path, first) == log_test_use(tmp_path, first) == [first]
    assert log_test_use(tmp_path, other_task) == [other_task]
    assert log_test_use(tmp_path, more_data) == [first, more_data]
    assert log_test_use(tmp_path, other_classes) == [first, other_classes]


def test_a_figure_is_rounded_to_six_places_and_covered_by_its_interval() -> None:
    """A value outside its interval widens it; nothing is told beyond the sixth place."""
    assert rounded_figure(0.12345678, (0.2, 0.3)) == {
        "value": 0.123457,
        "low": 0.123457,
        "high": 0.3,
    }
    assert rounded_figure(0.5, (0.1111111, 0.2222222)) == {
        "value": 0.5, "low": 0.111111, "high": 0.5,
    }  # fmt: skip


def test_takes_are_selected_and_joined_with_their_people() -> None:
    """A selection and a union keep who made each take, what was asked and what was answered."""
    one = Takes(("P1", "P2", "P3"), np.array([0, 1, 2]), np.array([2, 1, 0]))
    some = one.select(np.array([True, False, True]))
    assert some.participants == ("P1", "P3")
    assert (some.labels.tolist(), some.answers.tolist()) == ([0, 2], [2, 0])
    both = together([some, one])
    assert both.participants == ("P1", "P3", "P1", "P2", "P3")
    assert both.labels.tolist() == [0, 2, 0, 1, 2]
    assert both.answers.tolist() == [2, 0, 2, 1, 0]


def test_figures_of_three_people_by_hand() -> None:
    """P1 has 3 of 4 right, P2 1 of 2 and P3 2 of 2; classes that neither side saw have no F1.

    F1 of class 0 is 2 * 4 / (5 + 5), of class 3 it is 2 * 2 / (3 + 3). P1 was asked 0 0 0 3 and
    answered 0 0 0 0: 6/7 and 0; P2 was asked 0 3 and answered 3 3: 0 and 2/3.
    """
    takes = Takes(
        ("P1", "P1", "P2", "P1", "P2", "P1", "P3", "P3"),
        np.array([0, 0, 0, 0, 3, 3, 0, 3]),
        np.array([0, 0, 3, 0, 3, 0, 0, 3]),
    )
    found = figures(takes)
    assert found["accuracy"]["value"] == round(6 / 8, 6)
    low, high = over_participants([3 / 4, 1 / 2, 1.0], 8)
    assert (found["accuracy"]["low"], found["accuracy"]["high"]) == (round(low, 6), round(high, 6))
    assert found["macro_f1"]["value"] == round((8 / 10 + 4 / 6) / 2, 6)
    low, high = over_participants([(6 / 7 + 0) / 2, (0 + 2 / 3) / 2, 1.0], 8)
    assert (found["macro_f1"]["low"], found["macro_f1"]["high"]) == (round(low, 6), round(high, 6))
    assert {one["n_participants"] for one in found.values()} == {3}


def test_an_empty_side_is_refused_by_its_name() -> None:
    """Without anyone to learn from, or to examine, there is no split."""
    with pytest.raises(UsageError, match="training participants is 0"):
        refuse_shared_groups([], ["P1"], "participants")
    with pytest.raises(UsageError, match="test participants is 0"):
        refuse_shared_groups(["P1"], [], "participants")


def test_a_use_that_cannot_be_written_down_is_told_of(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Where the data set cannot be written to, this use is among those returned, with a warning."""
    (tmp_path / "derivatives").write_text("no folder")
    use = {"recipe": "r", "data": "d", "classes": ["a"], "participants": ["P1"]}
    assert log_test_use(tmp_path, use) == [use]
    assert "not written down" in caplog.text


def test_uses_are_written_once_and_read_back(tmp_path: Path) -> None:
    """The log is a list of objects with sorted keys that ends its last line; a repeat adds none."""
    first = {"recipe": "r1", "data": "d1", "classes": ["a"], "participants": ["P1"]}
    second = first | {"data": "d2"}
    for use in (first, second, first):
        log_test_use(tmp_path, use)
    path = tmp_path / "derivatives" / "palmwatt" / "test_uses.json"
    assert json.loads(path.read_text()) == [first, second]
    assert path.read_text() == json.dumps([first, second], indent=2, sort_keys=True) + "\n"
    path.write_text('[{"recipe": 1}, 3]')
    with pytest.raises(FormatError, match="a list of objects"):
        log_test_use(tmp_path, first)
    path.write_text('[{"recipe": "another"}]')  # a use without classes or data wears nobody out
    assert log_test_use(tmp_path, first) == [first]


def test_a_majority_keeps_who_made_each_take() -> None:
    """Only the answers change: takes stay their participants' own, and the log is bounded."""
    takes = Takes(("P1", "P2"), np.array([0, 1]), np.array([1, 0]))
    always = majority(takes, np.array([2, 2, 1]))
    assert (always.participants, always.labels.tolist()) == (("P1", "P2"), [0, 1])
    assert (always.answers.tolist(), MAX_LOG_BYTES) == ([2, 2], 1_000_000)
