"""The smallest stages of each kind, by hand: what they give, and what they refuse."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.stages.dense import Dense
from runtime.stages.pixels import Pixels
from runtime.stages.prototypes import Prototypes
from runtime.stages.root import Root
from runtime.stages.trees import Trees, _ctype, _literal


def a_tree(left: list[int], right: list[int], **changed: Any) -> Trees:
    """Return one tree of so many nodes over two features; each split at 10."""
    n = len(left)
    fields: dict[str, Any] = {
        "roots": [0], "feature": [0] * n, "threshold": [10] * n, "left": left, "right": right,
    }  # fmt: skip
    arrays = {k: np.array(v, dtype=np.int32) for k, v in (fields | changed).items()}
    leaves = np.array([[1, 0], [0, 2], [-5, 7]], dtype=np.int32)
    return Trees(n_features=2, leaves=leaves, **arrays)


def test_a_tree_of_one_node_goes_left_up_to_its_threshold() -> None:
    """At the threshold the left leaf answers, above it the right one; its depth is one."""
    tree = a_tree([-1], [-2])
    y, _ = tree.run(np.array([[10, 0], [11, 0]], dtype=np.int32), {})
    assert y.tolist() == [[1, 0], [0, 2]]
    assert tree.depth == 1
    assert tree.n_operations == 1 + 2


def test_depth_counts_the_comparisons_to_the_deepest_leaf() -> None:
    """A chain of three nodes is three deep, and a tree that is a leaf alone none."""
    assert a_tree([1, 2, -1], [-2, -3, -2]).depth == 3
    assert a_tree([-1], [-2], roots=[-3]).depth == 0


@pytest.mark.parametrize(
    ("left", "right"), [([0], [-1]), ([-1], [1]), ([-4], [-1]), ([1, 0], [-1, -2])]
)
def test_a_node_leads_on_to_a_node_or_a_leaf(left: list[int], right: list[int]) -> None:
    """A node that leads to itself, back, or past the last node or leaf is refused."""
    with pytest.raises(FormatError, match="out of range"):
        a_tree(left, right)


def test_two_parents_of_a_node_are_refused() -> None:
    """Trees share no node."""
    with pytest.raises(FormatError, match="parents of a node"):
        a_tree([1, -1], [1, -2])


def test_a_table_takes_the_type_of_its_least_and_greatest() -> None:
    """A leaf of -200 beside small ones needs 16 bits in C, and the least of 32 bits has a name."""
    assert _ctype(np.array([-200, 5], dtype=np.int32)) == "int16_t"
    assert _ctype(np.array([-5, 200], dtype=np.int32)) == "int16_t"
    assert _literal(-(2**31)) == "INT32_MIN"
    assert _literal(1 - 2**31) == "-2147483647"


def test_scores_lie_between_the_sums_of_least_and_greatest_leaves() -> None:
    """A tree of two leaves gives each score within them; leaves out of its reach do not count."""
    low, high = a_tree([-1], [-2]).bounds(np.zeros(2, np.int64), np.full(2, 20, np.int64))
    assert (low.tolist(), high.tolist()) == ([0, 0], [1, 2])


def test_a_bound_takes_the_larger_magnitude_of_each_input() -> None:
    """Inputs within -5..2 and 1..4 by weights 1 and -2, and a bias of 3, reach 5 + 8 + 3."""
    stage = Dense(
        np.array([[1, -2]], dtype=np.int8), np.array([3], dtype=np.int32), 1, 0, False, 32,
        np.array([[1.0, -2.0]]), np.array([3.0]),
    )  # fmt: skip
    assert stage.accumulator_bound(np.array([-5, 1]), np.array([2, 4])).tolist() == [16]


@pytest.mark.parametrize("indices", [[-1, 2], [2, 2], [3, 2], [2, 16]])
def test_pixels_are_chosen_inside_the_array_in_rising_order(indices: list[int]) -> None:
    """A pixel before the first or past the last, one twice, and one out of order are refused."""
    with pytest.raises(FormatError, match="pixels"):
        Pixels(4, 4, np.array(indices, dtype=np.int32))


def test_pixels_of_one_frame_are_gathered_from_any_shape_of_exposure() -> None:
    """Chosen pixels count row by row from the first."""
    lit = np.arange(32, dtype=np.uint16).reshape(2, 4, 4)
    dark = np.ones_like(lit)
    y = Pixels(4, 4, np.array([0, 5], dtype=np.int32)).run_frames(lit, dark)
    assert y.tolist() == [[-1, 4], [15, 20]]


def test_faults_name_their_stage() -> None:
    """A root with a negative lift and prototypes of the wrong type say whose they are."""
    for lift in (-1, 17):
        with pytest.raises(FormatError, match="root: lift"):
            Root(4, 3, lift, 8)
    assert Root(4, 3, 0, 8).lift == 0
    centres, owners = np.zeros((2, 3), dtype=np.int8), np.array([0, 1], dtype=np.int32)
    real = np.zeros((2, 3))
    for one in ((centres.astype(np.int32), real), (centres, real.astype(np.float32))):
        with pytest.raises(FormatError, match=r"^prototypes: "):
            Prototypes(one[0], owners, 2, False, one[1])
