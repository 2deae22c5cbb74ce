"""Figures of judged takes, the split, the take's end, and the windows that training sees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import accuracy_score, f1_score

from runtime.errors import FormatError, UsageError
from trainer.judge.evaluate import (
    Takes,
    confusion,
    figures,
    log_test_use,
    majority,
    refuse_shared_groups,
)


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
