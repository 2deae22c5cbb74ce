"""Trees: an ensemble of decision trees with integer thresholds and integer leaves.

For integer inputs, ``x <= floor(threshold)`` decides as ``x <= threshold`` does, so a tree fitted
on real thresholds loses nothing. Its leaves become integers; that rounding is the definition.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.errors import FormatError
from runtime.stages.contract.c_text import CStage, fill, smallest_ctype, table
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
    require,
)

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Trees"]

_MAX_NESTED_NODES = 32
_MAX_NESTED_DEPTH = 8
"""Ensembles up to both sizes are written as nested ifs, larger ones as tables and a loop."""
_MAX_DEPTH = 64

_TABLE_TEXT = """\
/* From each root down to a leaf; a child below zero is leaf number -1 - child. */
PW_STAGE void @PREFIX@_run(const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t sums[@N_OUT@] = {0};
    for (uint32_t t = 0u; t < @N_TREES@u; t++) {
        int32_t node = @PREFIX@_root[t];
        while (node >= 0) {
            const uint32_t side = (x[@PREFIX@_feature[node]] <= @PREFIX@_threshold[node]) ? 0u : 1u;
            node = @PREFIX@_child[(2u * (uint32_t)node) + side];
        }
        const @LEAF_TYPE@ *leaf = &@PREFIX@_leaf[(uint32_t)(-1 - node) * @N_OUT@u];
        PW_UNROLL
        for (uint32_t i = 0u; i < @N_OUT@u; i++) {
            sums[i] += leaf[i];
        }
    }
@GIVE@}
"""

_GIVE_TEXT = """\
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_OUT@u; i++) {
        y[i] = (@Y_TYPE@)sums[i];
    }
"""


@dataclass(frozen=True, eq=False)
class Trees(Stage):
    """Sum, over trees, of the leaf that the inputs lead to.

    Node ``i`` goes to its left child when ``x[feature[i]] <= threshold[i]``, else to its right one.
    A child from 0 is a node further on in the arrays, one below 0 the leaf ``-1 - child``. Cost per
    frame: one comparison per level of each tree, and n_out additions per tree.

    Parameters
    ----------
    n_features : int
        Values taken per frame, 1 to 4096.
    roots : int32 (n_trees,)
        Root of each tree, a node or a leaf.
    feature, threshold, left, right : int32 (n_nodes,)
        At least one node; unused ones may stand there.
    leaves : int32 (n_leaves, n_out)
        What each leaf adds to each score.

    Raises
    ------
    FormatError
        An index points nowhere or backwards, a node has two parents, a tree is deeper than 64, or
        shapes disagree.
    """

    kind: ClassVar[str] = "trees"
    n_features: int
    roots: Int32
    feature: Int32
    threshold: Int32
    left: Int32
    right: Int32
    leaves: Int32

    def __post_init__(self) -> None:
        require(self.kind, "n_features", self.n_features, 1, 4096)
        n_nodes = len(frozen_array(self.kind, "feature", self.feature, "int32", (None,)))
        for name, shape in (
            ("roots", (None,)),
            ("feature", (n_nodes,)),
            ("threshold", (n_nodes,)),
            ("left", (n_nodes,)),
            ("right", (n_nodes,)),
            ("leaves", (None, None)),
        ):
            frozen = frozen_array(self.kind, name, getattr(self, name), "int32", shape)
            object.__setattr__(self, name, frozen)
        require(self.kind, "number of nodes", n_nodes, 1, 1 << 16)
        if self.feature.min() < 0 or self.feature.max() >= self.n_features:
            raise FormatError(self.kind, "feature", "out of range", f"0 to {self.n_features - 1}")
        own = np.arange(n_nodes)
        for name, child, after in (
            ("left", self.left, own),
            ("right", self.right, own),
            ("roots", self.roots, -1),
        ):
            leaf = child < 0
            to_leaf = leaf & (child >= -len(self.leaves))
            to_node = ~leaf & (child > after) & (child < n_nodes)
            if not (to_leaf | to_node).all():
                raise FormatError(self.kind, name, "out of range", "a leaf or a node further on")
        inner = np.concatenate([child[child >= 0] for child in (self.left, self.right, self.roots)])
        if len(np.unique(inner)) != len(inner):
            raise FormatError(self.kind, "parents of a node", "several", "one: trees share none")
        require(self.kind, "depth", self.depth, 0, _MAX_DEPTH)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_features

    @property
    def n_out(self) -> int:
        """Columns of the leaves."""
        return int(self.leaves.shape[1])

    @property
    def n_operations(self) -> int:
        """A comparison a level down to the deepest leaf, and one leaf added, for each tree."""
        return len(self.roots) * (self.depth + self.n_out)

    @property
    def depth(self) -> int:
        """Most comparisons from a root to a leaf."""
        depth, level = 0, self.roots[self.roots >= 0]
        while level.size:
            children = np.concatenate([self.left[level], self.right[level]])
            depth, level = depth + 1, children[children >= 0]
        return depth

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Walk all frames down one tree at a time."""
        sums = np.zeros((len(x), self.n_out), dtype=np.int64)
        frames = np.arange(len(x))
        for root in self.roots:
            node = np.full(len(x), root)
            while (inner := node >= 0).any():
                at = np.where(inner, node, 0)
                goes_left = x[frames, self.feature[at]] <= self.threshold[at]
                node = np.where(inner, np.where(goes_left, self.left[at], self.right[at]), node)
            sums += self.leaves[-1 - node]
        return sums.astype(np.int32), state

    def run_float(self, x: Float64) -> Float64:
        """Walk real values down the same trees; integer leaves are the definition."""
        floors = np.clip(np.floor(x), -(2**31), 2**31 - 1).astype(np.int32)
        return self.run(floors, {})[0].astype(np.float64)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Sum each tree's least and greatest leaf, and prove every partial sum within 32 bits."""
        least, most = (np.zeros(self.n_out, dtype=np.int64) for _ in range(2))
        worst = np.zeros(self.n_out, dtype=np.int64)
        for root in self.roots.tolist():
            leaves = self.leaves[self._leaves_below(root)].astype(np.int64)
            least += leaves.min(axis=0)
            most += leaves.max(axis=0)
            worst += np.abs(leaves).max(axis=0)
        prove_int32(self.kind, "sum of score", -worst, worst)
        return least, most

    def _leaves_below(self, root: int) -> list[int]:
        """Return the numbers of all leaves of one tree."""
        waiting, found = [root], []
        while waiting:
            node = waiting.pop()
            if node < 0:
                found.append(-1 - node)
            else:
                waiting += [int(self.left[node]), int(self.right[node])]
        return found

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Walk all trees down together, one level at a time; what reached a leaf stays there."""
        zero, minus_one = nodes.int32(0), nodes.int32(-1)
        feature, threshold, left, right = (
            nodes.constant(a) for a in (self.feature, self.threshold, self.left, self.right)
        )
        node = nodes.constant(self.roots)
        for _ in range(self.depth):
            at = nodes.op("Max", node, zero)
            value = nodes.op("Gather", x, nodes.op("Gather", feature, at))
            goes_left = nodes.op("LessOrEqual", value, nodes.op("Gather", threshold, at))
            sides = (nodes.op("Gather", left, at), nodes.op("Gather", right, at))
            child = nodes.op("Where", goes_left, *sides)
            node = nodes.op("Where", nodes.op("Less", node, zero), node, child)
        leaf = nodes.op("Sub", minus_one, node)
        return nodes.sum(nodes.op("Gather", nodes.constant(self.leaves), leaf, axis=0), 0), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Write nested ifs when small, tables and a loop when large."""
        if len(self.feature) <= _MAX_NESTED_NODES and self.depth <= _MAX_NESTED_DEPTH:
            return CStage(tables="", state=(), init="", functions=self._nested(prefix, x, y))
        n_nodes, n_trees = len(self.feature), len(self.roots)
        children = np.stack([self.left, self.right], axis=1)
        wide = self.threshold if x.ctype == "int32_t" else np.clip(self.threshold, x.lo - 1, x.hi)
        leaf_type = _ctype(self.leaves)
        tables = "".join(
            table(f"{prefix}_{name}", values, _ctype(values), comment)
            for name, values, comment in (
                ("root", self.roots, f"({n_trees},) root of each tree"),
                ("feature", self.feature, f"({n_nodes},) input that each node looks at"),
                ("threshold", wide, f"({n_nodes},) left when the input is at most this, Q0"),
                ("child", children, f"({n_nodes}, 2) left and right child; below 0 a leaf"),
                ("leaf", self.leaves, f"{self.leaves.shape} what each leaf adds, Q0"),
            )
        )
        marks = {"PREFIX": prefix, "X_TYPE": x.ctype, "Y_TYPE": y.ctype, "N_OUT": self.n_out}
        give = fill(_GIVE_TEXT, **marks)
        functions = fill(_TABLE_TEXT, GIVE=give, N_TREES=n_trees, LEAF_TYPE=leaf_type, **marks)
        return CStage(tables=tables, state=(), init="", functions=functions)

    def _nested(self, prefix: str, x: Edge, y: Edge) -> str:
        """Write each tree as nested ifs that add its leaf."""
        marks = {"PREFIX": prefix, "X_TYPE": x.ctype, "Y_TYPE": y.ctype, "N_OUT": self.n_out}
        lines = [
            "/* Sum of the leaves that the inputs lead to, tree by tree. */",
            fill("PW_STAGE void @PREFIX@_run(const @X_TYPE@ *x, @Y_TYPE@ *y)", **marks),
            "{",
            f"    int32_t sums[{self.n_out}] = {{0}};",
        ]
        branches = [line for root in self.roots.tolist() for line in self._branch(root, x, "    ")]
        if not any("if (" in line for line in branches):
            lines.append("    (void)x; /* no threshold lies within the inputs' range */")
        return "\n".join(lines + branches) + "\n" + fill(_GIVE_TEXT, **marks) + "}\n"

    def _branch(self, node: int, x: Edge, indent: str) -> list[str]:
        """Return the lines of one node and everything below it; no test that cannot fail."""
        if node < 0:
            leaf = self.leaves[-1 - node].tolist()
            return [f"{indent}sums[{i}] += {_literal(v)};" for i, v in enumerate(leaf) if v]
        threshold, left, right = (
            int(values[node]) for values in (self.threshold, self.left, self.right)
        )
        if not x.lo <= threshold < x.hi:
            return self._branch(left if threshold >= x.hi else right, x, indent)
        return [
            f"{indent}if (x[{self.feature[node]}] <= {threshold}) {{",
            *self._branch(left, x, indent + "    "),
            f"{indent}}} else {{",
            *self._branch(right, x, indent + "    "),
            f"{indent}}}",
        ]


def _ctype(values: Int32) -> str:
    """Return the narrowest C type for a table."""
    return smallest_ctype(int(values.min()), int(values.max()))


def _literal(value: int) -> str:
    """Return a C literal of type int32_t; the digits of the least would not fit it."""
    return "INT32_MIN" if value == -(2**31) else str(value)
