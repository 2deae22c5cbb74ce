"""Each stage at its edges and as committed: C text, outputs, ranges of fields, proofs of 32 bits.

The committed text is what the property tests execute on random models; it is compared here, so
that no change of a kernel goes by unseen between two executions.
"""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import onnxruntime
import pytest
from onnx import TensorProto, helper

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import INT32_MAX
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.c_text import Edge, smallest_ctype
from runtime.stages.contract.onnx_nodes import Nodes
from runtime.stages.contract.stage import EntryStage, Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pixels import Pixels
from runtime.stages.prototypes import Prototypes
from runtime.stages.root import Root
from runtime.stages.swing import Swing
from runtime.stages.trees import Trees
from runtime.stages.window import Window

VECTORS = Path(__file__).parents[2] / "vectors" / "stages.json"


def int32(*values: object) -> np.ndarray:
    return np.array(values, dtype=np.int32)


def layer(
    weights: Any, out_bits: int = 8, multiplier: int = 77, shift: int = 12, **more: Any
) -> Dense:
    """Return a layer whose real-valued twin has the same weights."""
    w = np.array(weights, dtype=more.pop("dtype", np.int8))
    bias = np.arange(len(w), dtype=np.int32) * 50 - 60
    raw = (1, 0) if out_bits == 32 else (multiplier, shift)
    return Dense(
        w, bias, *raw, more.pop("relu", False), out_bits, w.astype(float), bias.astype(float)
    )


def forest(n_trees: int, classes: int = 3, at: int = 0) -> Trees:
    """Return trees of three nodes each, with thresholds around `at`."""
    n = 3 * n_trees
    first = np.arange(0, n, 3)
    left, right = np.zeros((2, n), dtype=np.int32)
    leaf = -1 - (np.arange(4 * n_trees) % 5)
    left[first], right[first] = first + 1, first + 2
    left[first + 1], right[first + 1] = leaf[0::4], leaf[1::4]
    left[first + 2], right[first + 2] = leaf[2::4], leaf[3::4]
    leaves = (np.arange(5 * classes, dtype=np.int32) * 37 % 101 - 50).reshape(5, classes)
    feature, threshold = np.arange(n) % 4, at + np.arange(n) % 11 - 5
    return Trees(4, first.astype(np.int32), int32(*feature), int32(*threshold), left, right, leaves)


def prototypes(n: int, squared: bool, dtype: Any = np.int8) -> Prototypes:
    centres = ((np.arange(n * 4) * 31) % 121 - 60).reshape(n, 4).astype(dtype)
    owners = int32(*(np.arange(n) % 2))
    return Prototypes(centres, owners, 2, squared, centres.astype(float))


MIXED = (np.arange(6 * 5) * 53 % 241 - 120).reshape(6, 5)
SIGNS = (np.arange(5 * 7) * 5 % 3 - 1).reshape(5, 7)
VARIANTS: dict[str, tuple[Stage, int]] = {  # a stage, and the largest magnitude of its inputs
    "bins 2 by 2 of 8 by 8": (Bins(8, 8, 2, 2), 4095),
    "bins of odd width": (Bins(6, 9, 2, 3, 1, 5, 0, 9), 1023),
    "bins of a region, 16 bits": (Bins(8, 10, 2, 2, 2, 6, 2, 10), 65535),
    "bins of one pixel": (Bins(3, 4, 3, 4), 255),
    "bins of many rows": (Bins(64, 8, 1, 2), 4095),
    "pixels": (Pixels(5, 6, int32(3, 7, 8, 29)), 1023),
    "level, one multiplication": (Level(5, 8, 7, 16, 3, 40), 4095),
    "level, two multiplications": (Level(5, 16, 15, 64, 12, 9000), 2**24),
    "level, short shift": (Level(3, 16, 24, 1024, 2, 0), 2**20),
    "roots": (Root(6, 4, 15, 8), 127),
    "roots of wide values": (Root(6, 6, 7, 16), 32767),
    "dense 8 bits": (layer(MIXED), 127),
    "dense 8 bits, relu": (layer(MIXED, relu=True), 127),
    "dense 16 bits": (layer(MIXED, 16, 9, 7), 32767),
    "dense of wide inputs": (layer(MIXED, 8, 32767, 36), 2**20),
    "dense scores": (layer(MIXED[:, :4], 32), 127),
    "dense of wide weights": (layer(MIXED * 250, 16, 5, 11, dtype=np.int16), 127),
    "ternary": (layer(SIGNS, 8, 1, 3), 127),
    "ternary scores": (layer(SIGNS[:3], 32), 32767),
    "window": (Window(3, 4, 5, 0, 16), 127),
    "window, shifted and saturated": (Window(3, 2, 3, 2, 8), 1000),
    "window of one segment": (Window(2, 1, 4, 1, 16), 32767),
    "motion": (Motion(4, 3, 8), 127),
    "motion without shift": (Motion(4, 0, 32), 32767),
    "swing": (Swing(3, 2, 4, 16), 127),
    "swing without shift": (Swing(2, 1, 0, 32), 32767),
    "small trees": (forest(1), 127),
    "many trees": (forest(40, at=300), 32767),
    "prototypes by squares": (prototypes(5, True), 127),
    "prototypes by differences": (prototypes(5, False, np.int16), 32767),
    "decision": (Decision((False, False, True), 20, 7, 2, 3, (0, 5, 0)), 127),
    "presence": (Presence("hands", (-5, 30), 4, 2), 127),
    "quantity": (
        Quantity(("a", "b"), ("mm", "mm"), (1, 3), (4, 8), (9, 0), (-9, -2), (50, 90), 2), 99,
    ),
}  # fmt: skip


def inputs(stage: Stage, most: int) -> Any:
    """Return 40 frames that hold extremes, zeros, slow and fast changes; the same on every run."""
    rng = np.random.default_rng(len(VARIANTS))
    scale = np.geomspace(1, most, 40)[:, None]
    x = np.rint(scale * rng.uniform(-1, 1, (40, stage.n_in))).astype(np.int64)
    x[3], x[11], x[12], x[20:24] = 0, most, -most, x[20]
    return x


def program(stage: Stage, most: int) -> dict[str, Any]:
    """Return what a stage emits and gives, as plain JSON values."""
    high = np.full(stage.n_in, most, dtype=np.int64)
    low, top = stage.bounds(-high, high)
    ends = int(low.min()), int(top.max())
    x = Edge("uint16_t" if isinstance(stage, EntryStage) else smallest_ctype(-most, most),
             stage.n_in, -most, most)  # fmt: skip
    c = stage.c("s1", x, Edge(smallest_ctype(*ends), len(low), *ends))
    frames = inputs(stage, most)
    if isinstance(stage, EntryStage):
        shape = (len(frames), stage.n_rows, stage.n_cols)
        lit, dark = (
            np.maximum(sign * frames, 0).reshape(shape).astype(np.uint16) for sign in (1, -1)
        )
        y, state = stage.run_frames(lit, dark), {}
    else:
        first, state = stage.run(frames[:13].astype(np.int32), stage.initial_state())
        second, state = stage.run(frames[13:].astype(np.int32), state)
        y = np.vstack([first, second])
    assert y.dtype == np.int32 and (y >= low).all() and (y <= top).all()
    real = stage.run_float(frames.astype(np.float64))
    return {
        "c": "\n".join([c.tables, c.init, c.functions]).splitlines(),
        "state": [dataclasses.astuple(one) for one in (*c.state, *c.scratch)],
        "bounds": [low.tolist(), top.tolist()],
        "outputs": y[::3].tolist(),
        "last_state": {key: value.ravel()[-6:].tolist() for key, value in state.items()},
        "real": [float(f"{v:.6g}") for v in real[[0, 11, 12, 30]].ravel()],
        "n_operations": stage.n_operations,
    }


def test_every_stage_gives_and_emits_what_is_committed() -> None:
    """C text, state, proven bounds, integer and real outputs of fixed stages are those on file."""
    made = {name: program(*variant) for name, variant in VARIANTS.items()}
    if os.environ.get("PALMWATT_WRITE_GOLDEN") == "1":
        VECTORS.write_text(json.dumps(made, indent=0) + "\n")
    kept = json.loads(VECTORS.read_text())
    assert kept.keys() == made.keys()
    for name, one in json.loads(json.dumps(made)).items():
        for key in one:
            assert one[key] == kept[name][key], f"{name}: {key}"


RANGES: list[tuple[Stage, str, int, int]] = [
    (Bins(256, 256, 1, 1), "n_rows", 256, 256),
    (Bins(1, 1, 1, 1), "n_cols", 1, 256),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "first_row", 0, 8),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "last_row", 3, 12),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "first_col", 0, 6),
    (Bins(12, 12, 1, 1, 2, 9, 3, 7), "last_col", 4, 12),
    (Pixels(1, 2, int32(0, 1)), "n_rows", 1, 256),
    (Pixels(1, 2, int32(0, 1)), "n_cols", 2, 256),
    (Level(2, 8, 0, 16, 3, 0), "n_values", 1, 4096),
    (Level(2, 8, 0, 2**20, 3, 0), "gain_bits", 0, 30),
    (Level(2, 8, 0, 16, 3, 0), "floor", 2, 2**30),
    (Level(2, 8, 20, 64, 3, 0), "floor", 64, 2**30),
    (Level(2, 8, 0, 16, 12, 0), "log_bits", 0, 12),
    (Level(2, 8, 0, 16, 3, 0), "log_offset", 0, 31 * 8),
    (Window(2, 2, 2), "n_values", 1, 4096),
    (Window(2, 2, 2), "n_segments", 1, 64),
    (Window(2, 2, 2), "segment_length", 1, 1024),
    (Window(2, 2, 2), "shift", 0, 16),
    (Window(1024, 1, 1024), "n_values", 1, 1024),
    (Motion(2, 0, 8), "n_values", 1, 4096),
    (Motion(2, 0, 8), "shift", 0, 30),
    (Swing(2, 2, 0, 8), "n_values", 1, 4096),
    (Swing(2, 2, 0, 8), "run_frames", 1, 64),
    (Swing(2, 2, 0, 8), "shift", 0, 24),
    (layer(MIXED), "multiplier", 1, 32767),
    (layer(MIXED), "shift", 0, 46),
    (layer(MIXED, 32), "multiplier", 1, 1),
    (layer(MIXED, 32), "shift", 0, 0),
    (Decision((False, True), 9, 0, 1, 0), "threshold", 0, INT32_MAX),
    (Decision((False, True), 9, 0, 1, 0), "hysteresis", 0, 9),
    (Decision((False, True), 9, 0, 1, 0), "persist", 1, 1000),
    (Decision((False, True), 9, 0, 1, 0), "hold_off", 0, 10_000),
]


@pytest.mark.parametrize(("stage", "field", "low", "high"), RANGES)
def test_fields_reach_to_their_ends_and_no_further(
    stage: Stage, field: str, low: int, high: int
) -> None:
    """Both ends of a field's range are allowed, one step beyond either is refused."""
    for value in {low, high}:
        if field == "log_bits":  # its offset is in units of it
            stage = dataclasses.replace(stage, log_offset=0)  # type: ignore[type-var]
        assert getattr(dataclasses.replace(stage, **{field: value}), field) == value  # type: ignore[type-var]
    beyond = [high + 1] if field.startswith("last_") else [low - 1, high + 1]
    for value in beyond:
        if isinstance(stage, Bins) and field == "n_rows" and value < high:
            continue  # the region's own rows would be refused first
        if isinstance(stage, Pixels) and value == 1:
            continue  # there the second pixel would lie outside
        with pytest.raises(FormatError, match=f"^{stage.kind}: "):
            dataclasses.replace(stage, **{field: value})  # type: ignore[type-var]


@pytest.mark.parametrize(
    ("stage", "allowed"),
    [
        (Level(2, 8, 0, 16, 3, 0), (8, 16)),
        (Window(2, 2, 2), (8, 16)),
        (Motion(2, 0, 8), (8, 16, 32)),
        (Swing(2, 2, 0, 8), (8, 16, 32)),
    ],
)
def test_widths_are_those_of_the_cores(stage: Stage, allowed: tuple[int, ...]) -> None:
    """Outputs have 8, 16 and, of sums, 32 bits; no other number is a width."""
    for n_bits in range(-1, 66):
        if n_bits in allowed:
            assert dataclasses.replace(stage, n_bits=n_bits).n_bits == n_bits  # type: ignore[type-var]
        else:
            with pytest.raises(FormatError, match="n_bits"):
                dataclasses.replace(stage, n_bits=n_bits)  # type: ignore[type-var]


@pytest.mark.parametrize(
    ("stage", "largest"),
    [
        (Bins(2, 2, 1, 1), INT32_MAX // 4),  # four pixels of one bin
        (Level(3, 8, 7, 16, 3, 0), INT32_MAX // 3),  # the sum of three values
        (Level(1, 8, 7, 16, 3, 0), 2**30),  # a value itself
        (Window(1, 1, 1024), INT32_MAX // 3072),  # a sum, with one frame's more and less on the way
        (Window(1, 4, 2, 3, 8), INT32_MAX // 6),
        (Motion(2, 0, 8), INT32_MAX // 4),  # two values, each from one end to the other
        (Motion(1, 3, 8), (INT32_MAX - 4) // 2),  # with the rounding term
        (Swing(1, 64, 0, 32), INT32_MAX // (2 * (8 * 64 + 16))),
        (Swing(1, 1, 24, 32), (INT32_MAX - 2**23) // (2 * (8 + 16))),
        (Decision((True, False), 1, 1, 1, 0), INT32_MAX // 2),
    ],
)
def test_proofs_hold_up_to_the_last_input_and_no_further(stage: Stage, largest: int) -> None:
    """The largest inputs whose accumulator fits 32 bits are proved, one more is refused."""
    high = np.full(stage.n_in, largest, dtype=np.int64)
    stage.bounds(-high, high)
    with pytest.raises(OverflowRisk, match=f"^{stage.kind}: "):
        stage.bounds(-high - 1, high + 1)


@pytest.mark.parametrize("name", VARIANTS)
def test_frames_one_by_one_are_the_frames_at_once(name: str) -> None:
    """A stage fed frame by frame gives outputs and state of the frames run together."""
    stage, most = VARIANTS[name]
    if isinstance(stage, EntryStage):
        assert stage.initial_state() == {}
        return
    x = inputs(stage, most).astype(np.int32)
    whole, end = stage.run(x, stage.initial_state())
    state, each = stage.initial_state(), []
    for frame in x:
        y, state = stage.run(frame[None], state)
        each.append(y[0])
    np.testing.assert_array_equal(np.array(each), whole)
    assert state.keys() == end.keys()
    for key, value in end.items():
        np.testing.assert_array_equal(state[key], value)
    nothing, same = stage.run(x[:0], end)
    assert nothing.shape == (0, stage.n_out)
    for key, value in end.items():
        np.testing.assert_array_equal(same[key], value)


@pytest.mark.parametrize("name", VARIANTS)
def test_the_graph_of_a_stage_gives_the_same_bits(name: str) -> None:
    """ONNX Runtime, frame by frame with the state handed on, gives the reference's outputs."""
    stage, most = VARIANTS[name]
    nodes, value = Nodes(), helper.make_tensor_value_info
    if isinstance(stage, EntryStage):
        shape = (stage.n_rows, stage.n_cols)
        given = [value(key, TensorProto.UINT16, shape) for key in ("lit", "dark")]
        y, after = stage.onnx_frames(nodes, "lit", "dark"), {}
    else:
        given = [value("x", TensorProto.INT32, [stage.n_in])]
        y, after = stage.onnx(nodes, "x", {key: f"was_{key}" for key in stage.initial_state()})
    first = stage.initial_state()
    named = {"y": (y, [stage.n_out])} | {f"new_{k}": (after[k], first[k].shape) for k in first}
    for out, (source, _) in named.items():
        nodes.nodes.append(helper.make_node("Identity", [source], [out]))
    graph = helper.make_graph(
        nodes.nodes, "stage",
        given + [value(f"was_{k}", TensorProto.INT32, a.shape) for k, a in first.items()],
        [value(out, TensorProto.INT32, shape) for out, (_, shape) in named.items()],
        initializer=nodes.initializers,
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 18)], ir_version=8)
    run = onnxruntime.InferenceSession(model.SerializeToString()).run
    state, frames = first, inputs(stage, most)
    for frame in frames[np.r_[0:16, 20:40:3]]:
        if isinstance(stage, EntryStage):
            lit, dark = (np.maximum(sign * frame, 0).reshape(shape) for sign in (1, -1))
            feeds = {"lit": lit.astype(np.uint16), "dark": dark.astype(np.uint16)}
            expected, new = stage.run_frames(feeds["lit"][None], feeds["dark"][None])[0], {}
        else:
            feeds = {"x": frame.astype(np.int32)} | {f"was_{k}": a for k, a in state.items()}
            many, new = stage.run(frame[None].astype(np.int32), state)
            expected = many[0]
        got = dict(zip(named, run(list(named), feeds), strict=True))
        np.testing.assert_array_equal(got["y"], expected)
        for key, array in new.items():
            np.testing.assert_array_equal(got[f"new_{key}"], array)
        state = new
