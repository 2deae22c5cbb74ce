"""The executions of a model as streams: the reference's bits, and one line for what is wrong."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import onnx
import pytest
from firmware_models import save_folder
from firmware_models import small_model as levelled_model
from hypothesis import given, settings
from strategies import Exposures, models_with_exposures

from runtime.errors import FormatError, UsageError
from runtime.model import Model, load_model
from runtime.onnx.graph import save_step_graph
from runtime.stages.closing.decision import Decision
from runtime.verification.engines import ENGINES, open_engine


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a whole model folder, of a model that tells events easily."""
    model = levelled_model()
    decision = Decision((False, False, False, True), 10, 5, persist=1, hold_off=2)
    eager = dataclasses.replace(model, stages=(*model.stages[:-1], decision))
    return save_folder(eager, tmp_path_factory.mktemp("model"))


def patches(model: Model, n_frames: int, seed: int = 1) -> Exposures:
    """Return frames whose bins differ in brightness, so that the classes change often."""
    rng = np.random.default_rng(seed)
    bins = rng.integers(0, model.sensor.max_counts + 1, (n_frames, 4, 4)).astype(np.uint16)
    side = model.sensor.n_rows // 4
    lit = bins.repeat(side, axis=1).repeat(side, axis=2)
    return lit, lit // 5


def assert_streams(name: str, model: Model, folder: Path, exposures: Exposures) -> None:
    run = model.run(*exposures)
    step = open_engine(name, model, folder)
    answers = [step(lit, dark) for lit, dark in zip(*exposures, strict=True)]
    assert [answer.event for answer in answers] == run.events.tolist()
    np.testing.assert_array_equal([answer.evidence for answer in answers], run.evidence)


@pytest.mark.parametrize("name", ENGINES)
def test_each_engine_streams_the_reference_s_answers(name: str, folder: Path) -> None:
    """Stepped frame by frame, every execution gives the scores and decisions of one whole run."""
    model = load_model(folder)
    exposures = patches(model, 200)
    assert (model.run(*exposures).events >= 0).sum() > 10
    assert_streams(name, model, folder, exposures)


@settings(max_examples=20, deadline=None)
@given(drawn=models_with_exposures())
def test_any_model_streams(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[Model, Exposures]
) -> None:
    """So does ONNX Runtime for any model, first states that are not zero included."""
    model, exposures = drawn
    folder = tmp_path_factory.mktemp("drawn")
    save_step_graph(model, folder / "fixed.onnx")
    for name in ("reference", "onnx"):
        assert_streams(name, model, folder, exposures)


@pytest.mark.parametrize("name", ENGINES)
def test_two_streams_do_not_share_their_state(name: str, folder: Path) -> None:
    """Two engines of one model, fed in turn, each answer as if alone."""
    model = load_model(folder)
    streams = [patches(model, 60, seed) for seed in (1, 2)]
    engines = [open_engine(name, model, folder) for _ in streams]
    decisions: list[list[int]] = [[], []]
    for k in range(60):
        for (lit, dark), engine, told in zip(streams, engines, decisions, strict=True):
            told.append(engine(lit[k], dark[k]).event)
    assert decisions == [model.run(*stream).events.tolist() for stream in streams]


def test_damaged_graph_is_our_own_error(folder: Path, tmp_path: Path) -> None:
    """A graph cut anywhere never lets a library's exception out."""
    model = load_model(folder)
    content = (folder / "fixed.onnx").read_bytes()
    for length in range(0, len(content), 997):
        (tmp_path / "fixed.onnx").write_bytes(content[:length])
        with pytest.raises(FormatError, match=r"fixed\.onnx"):
            open_engine("onnx", model, tmp_path)


def test_graph_with_other_inputs_is_our_own_error(folder: Path, tmp_path: Path) -> None:
    """A graph that claims the model's identity but takes other inputs is refused."""
    graph = onnx.load(folder / "fixed.onnx")
    graph.graph.input[0].type.tensor_type.shape.dim[0].dim_value += 1
    del graph.graph.node[:]
    for value in graph.graph.output:
        filled = onnx.helper.make_tensor(
            "", onnx.TensorProto.INT32, [d.dim_value for d in value.type.tensor_type.shape.dim],
            np.zeros([d.dim_value for d in value.type.tensor_type.shape.dim], np.int32).ravel(),
        )  # fmt: skip
        graph.graph.node.append(onnx.helper.make_node("Constant", [], [value.name], value=filled))
    onnx.save(graph, tmp_path / "fixed.onnx")
    with pytest.raises(FormatError, match="inputs"):
        open_engine("onnx", load_model(folder), tmp_path)


def test_unknown_engine_is_our_own_error(folder: Path) -> None:
    """An execution that does not exist is a wrong call."""
    with pytest.raises(UsageError, match="reference, onnx, c"):
        open_engine("float", load_model(folder), folder)
