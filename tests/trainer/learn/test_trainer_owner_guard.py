"""How far an own gesture keeps from known classes, of people whose windows are known."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.learn.owner import _guard, _Shown

MEANS = np.array([[0, 0], [100, 0], [0, 100]], dtype=np.int32)
N_PEOPLE, N_WINDOWS = 20, 10


@pytest.mark.parametrize(("n_alike", "guard"), [(0, 0), (2, 0), (4, 5_000)])
def test_known_takes_are_kept_for_all_but_one_in_twenty(n_alike: int, guard: int) -> None:
    """Two people whose second class looks like the first lose it to that as an own gesture.

    They are 2 of 60 people and gestures, though their takes are more than one in a hundred; four
    are more than one in twenty, and the guard is the half of a squared distance that they lose by.
    """
    labels = np.tile(np.repeat(np.arange(3), N_WINDOWS), N_PEOPLE)
    people = np.repeat(np.arange(N_PEOPLE), 3 * N_WINDOWS)
    kept = MEANS[labels]
    kept[(people < n_alike) & (labels == 1)] = 0
    none = np.zeros((0, 2), dtype=np.int32), np.zeros(0, dtype=np.int32)
    shown = _Shown(kept, labels, people, 3)
    assert _guard(shown, MEANS, none, (True,) * 3, 0)[0] == guard
