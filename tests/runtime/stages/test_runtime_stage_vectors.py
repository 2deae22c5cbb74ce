"""Each stage as committed: C text, outputs, bounds, and the same bits from its graph.

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
from stage_variants import VARIANTS, inputs

from runtime.errors import FormatError
from runtime.stages.contract.c_text import Edge, smallest_ctype
from runtime.stages.contract.closing import ClosingStage
from runtime.stages.contract.onnx_nodes import Nodes
from runtime.stages.contract.stage import EntryStage, Stage

VECTORS = Path(__file__).parents[2] / "vectors" / "stages.json"


def program(stage: Stage, most: int, least: int | None = None) -> dict[str, Any]:
    """Return what a stage emits and gives, as plain JSON values."""
    high = np.full(stage.n_in, most, dtype=np.int64)
    deep = -high if least is None else np.full_like(high, least)
    low, top = stage.bounds(deep, high)
    ends = int(low.min()), int(top.max())
    x = Edge("uint16_t" if isinstance(stage, EntryStage) else smallest_ctype(deep[0], most),
             stage.n_in, int(deep[0]), most)  # fmt: skip
    c = stage.c("s1", x, Edge(smallest_ctype(*ends), len(low), *ends))
    frames = inputs(stage, most, least)
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
    told: dict[str, Any] = {}
    if isinstance(stage, ClosingStage):
        classes = [f"class {n}" for n in range(stage.n_classes)]
        words = dataclasses.asdict(stage.c_words(classes))
        told["words"] = {key: text.splitlines() for key, text in words.items()}
        told["names"] = [dataclasses.astuple(output) for output in stage.outputs()]
        given = zip(y[::4], frames[::4].astype(np.int32), strict=True)
        told["told"] = [dataclasses.astuple(stage.tell(*pair, classes)) for pair in given]
    return {
        "c": "\n".join([c.tables, c.init, c.functions]).splitlines(),
        "state": [dataclasses.astuple(one) for one in (*c.state, *c.scratch)],
        "bounds": [low.tolist(), top.tolist()],
        "bounds_of_less": [end.tolist() for end in stage.bounds(deep // 3, high // 2)],
        "outputs": y[::3].tolist(),
        "last_state": {key: value.ravel()[-6:].tolist() for key, value in state.items()},
        "real": [float(f"{v:.6g}") for v in real[[0, 11, 12, 30]].ravel()],
        "n_operations": stage.n_operations,
    } | told


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


def test_variants_of_pairs_are_packed() -> None:
    """A variant that is named for words of two values emits the walk over them."""
    for name in (name for name in VARIANTS if name.endswith("pairs")):
        assert "pw_pair" in "".join(program(*VARIANTS[name])["c"]), name


@pytest.mark.parametrize("name", VARIANTS)
def test_a_stage_is_read_back_as_it_was_written(name: str) -> None:
    """The JSON holds kind and numbers, the arrays the rest; together they are the whole stage."""
    stage = VARIANTS[name][0]
    numbers, arrays = json.loads(json.dumps(stage.to_json())), stage.arrays()
    assert next(iter(numbers)) == "kind" and numbers["kind"] == stage.kind
    again = type(stage).from_json(numbers, arrays, "here")
    for field in dataclasses.fields(stage):  # type: ignore[arg-type]
        np.testing.assert_array_equal(getattr(again, field.name), getattr(stage, field.name))
        assert (field.name in arrays) is isinstance(getattr(stage, field.name), np.ndarray)
        some = {key: value for key, value in numbers.items() if key != field.name}
        fewer = {key: value for key, value in arrays.items() if key != field.name}
        with pytest.raises(FormatError, match=f"here: field {field.name} of .* is missing"):
            type(stage).from_json(some, fewer, "here")
    with pytest.raises(FormatError, match=r"field more of .* is unknown"):
        type(stage).from_json(numbers | {"more": 1}, arrays, "here")


@pytest.mark.parametrize("name", VARIANTS)
def test_frames_one_by_one_are_the_frames_at_once(name: str) -> None:
    """A stage fed frame by frame gives outputs and state of the frames run together."""
    stage, *ends = VARIANTS[name]
    if isinstance(stage, EntryStage):
        assert stage.initial_state() == {}
        return
    x = inputs(stage, *ends).astype(np.int32)
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
    stage, *ends = VARIANTS[name]
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
    state, frames = first, inputs(stage, *ends)
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
