"""The model: its files, its refusals, its streaming."""

from __future__ import annotations

import dataclasses
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import Exposures, models, models_with_exposures

from runtime.errors import Error, FormatError, OverflowRisk
from runtime.model import Model, load_model, model_hash, save_model
from runtime.sensor import Sensor
from runtime.stages import kinds
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.chain import run_stages
from runtime.stages.dense import Dense


def small_model(weight: int = 3) -> Model:
    """Return a two-class model of a 4 by 4 sensor in which `weight` stands once."""
    weights = np.array([[weight, 0, 0, 0], [0, 0, 0, 3]], dtype=np.int8)
    bias = np.zeros(2, dtype=np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    decision = Decision((False, True), threshold=10, hysteresis=5, persist=1, hold_off=2)
    stages = (Bins(4, 4, 2, 2), dense, decision)
    return Model("small", "corner", Sensor("tiny", 4, 4), ("corner", "other"), stages)


@settings(max_examples=40, deadline=None)
@given(models_with_exposures(), st.data())
def test_streaming_equals_whole(drawn: tuple[Model, Exposures], data: st.DataObject) -> None:
    """A recording cut anywhere, with the state handed over, gives the same bits as in one piece."""
    model, (lit, dark) = drawn
    whole = model.run(lit, dark)
    cut = data.draw(st.integers(0, len(lit)))
    first = model.run(lit[:cut], dark[:cut])
    second = model.run(lit[cut:], dark[cut:], first.state)
    np.testing.assert_array_equal(np.vstack([first.evidence, second.evidence]), whole.evidence)
    np.testing.assert_array_equal(np.r_[first.events, second.events], whole.events)
    for name, value in whole.state.items():
        np.testing.assert_array_equal(second.state[name], value, err_msg=name)


@settings(max_examples=60, deadline=None)
@given(models_with_exposures())
def test_bounds_hold(drawn: tuple[Model, Exposures]) -> None:
    """No output of any stage leaves the range that was proved for it."""
    model, (lit, dark) = drawn
    for index, (low, high) in enumerate(model.edge_bounds(), start=1):
        x, _ = run_stages(model.stages[:index], lit, dark)
        assert (x >= low).all()
        assert (x <= high).all()


@settings(max_examples=25, deadline=None)
@given(models())
def test_saved_model_comes_back(tmp_path_factory: pytest.TempPathFactory, model: Model) -> None:
    """A saved model loads as the same model, and saves as the same bytes."""
    first, second = tmp_path_factory.mktemp("first"), tmp_path_factory.mktemp("second")
    save_model(model, first)
    loaded = load_model(first)
    save_model(loaded, second)
    assert model_hash(loaded) == model_hash(model)
    for name in ("model.json", "weights.npz"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
    assert sorted(path.name for path in first.iterdir()) == ["model.json", "weights.npz"]


def test_hash_follows_every_weight() -> None:
    """One changed weight changes the model's identity."""
    assert model_hash(small_model(3)) != model_hash(small_model(4))


@pytest.mark.parametrize("name", ["model.json", "weights.npz"])
def test_cut_file_is_one_line(tmp_path: Path, name: str) -> None:
    """A file cut at any byte gives one clear line and never a library's exception."""
    save_model(small_model(), tmp_path)
    content = (tmp_path / name).read_bytes()
    for length in range(0, len(content) - 1, 7):
        (tmp_path / name).write_bytes(content[:length])
        with pytest.raises(FormatError) as caught:
            load_model(tmp_path)
        assert "\n" not in str(caught.value)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_flipped_bits_never_leak(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """A flipped byte is either refused in one line or harmless; no other error escapes."""
    folder = tmp_path_factory.mktemp("flipped")
    save_model(small_model(), folder)
    path = folder / data.draw(st.sampled_from(["model.json", "weights.npz"]))
    content = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    content[at] ^= data.draw(st.integers(1, 255))
    path.write_bytes(bytes(content))
    try:
        load_model(folder)
    except Error as error:
        assert "\n" not in str(error)  # harmless flips raise nothing


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), "other"),
        (("version",), 2),
        (("classes",), "ab"),
        (("classes",), ["corner", 7]),
        (("classes",), ["corner", "corner"]),
        (("stages",), []),
        (("stages", 0, "kind"), ["bins"]),
        (("stages", 0, "kind"), "lens"),
        (("stages", 0, "bin_rows"), 3),
        (("stages", 0, "bin_rows"), True),
        (("stages", 0, "n_rows"), 10**9),
        (("stages", 0, "n_rows"), 5),
        (("stages", 1, "shift"), -1),
        (("stages", 1, "out_bits"), 12),
        (("stages", 2, "other"), [False]),
        (("stages", 2, "threshold"), 2**40),
        (("stages", 2, "unknown"), 1),
        (("sensor", "bit_depth"), 3),
        (("sensor", "bit_depth"), 17),
        (("provenance",), 3),
    ],
)
def test_wrong_field_is_refused(tmp_path: Path, path: tuple[str | int, ...], value: object) -> None:
    """Every field of model.json is checked."""
    save_model(small_model(), tmp_path)
    file = tmp_path / "model.json"
    content = json.loads(file.read_text())
    place = content
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    file.write_text(json.dumps(content))
    with pytest.raises(FormatError):
        load_model(tmp_path)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda stage: stage.pop("extra"), "field extra of decision is missing, expected exactly"),
        (lambda stage: stage.update(more=1), "field more of decision is unknown, expected exactly"),
    ],
)
def test_a_stage_of_another_release_says_what_to_do(
    tmp_path: Path, change: Callable[[dict[str, Any]], object], told: str
) -> None:
    """A field that a stage lacks, or has too many, is named, and the model is to train again."""
    save_model(small_model(), tmp_path)
    file = tmp_path / "model.json"
    content = json.loads(file.read_text())
    change(content["stages"][2])
    file.write_text(json.dumps(content))
    with pytest.raises(FormatError) as caught:
        load_model(tmp_path)
    text = str(caught.value)
    assert text.startswith(f"{file}, stage 2: {told}") and "\n" not in text
    assert text.endswith("Train the model again with this release.")
    assert caught.value.exit_code == 2


def places(content: Any) -> list[tuple[Any, Any]]:
    """Return every (container, key) of a JSON document."""
    if not isinstance(content, dict | list):
        return []
    keys = list(content) if isinstance(content, dict) else range(len(content))
    return [place for key in keys for place in [(content, key), *places(content[key])]]


STRANGE = [None, True, -1, 0, 8.0, 1e300, 10**30, "x", [], [[1]], {}, {"kind": "bins"}]


@settings(max_examples=150, deadline=None)
@given(models(), st.data())
def test_no_field_can_hurt(
    tmp_path_factory: pytest.TempPathFactory, model: Model, data: st.DataObject
) -> None:
    """Whatever stands in a field of model.json, it loads or is refused in one line."""
    folder = tmp_path_factory.mktemp("strange")
    save_model(model, folder)
    content = json.loads((folder / "model.json").read_text())
    container, key = data.draw(st.sampled_from(places(content)))
    container[key] = data.draw(st.sampled_from(STRANGE))
    (folder / "model.json").write_text(json.dumps(content))
    try:
        load_model(folder)
    except Error as error:
        assert "\n" not in str(error)


def test_zip_bomb_is_refused(tmp_path: Path) -> None:
    """A small file that claims a large array is refused before memory is taken."""
    save_model(small_model(), tmp_path)
    with zipfile.ZipFile(tmp_path / "weights.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("s1_weights.npy", bytes(65 << 20))
    with pytest.raises(FormatError, match="too large"):
        load_model(tmp_path)


def test_pickled_array_is_refused(tmp_path: Path) -> None:
    """An object array, which only pickle could read, is refused."""
    save_model(small_model(), tmp_path)
    np.savez(tmp_path / "weights.npz", s1_weights=np.array([{}], dtype=object))
    with pytest.raises(FormatError, match="dtype"):
        load_model(tmp_path)


def test_missing_folder_is_one_line(tmp_path: Path) -> None:
    """A folder that is no model gives one clear line."""
    with pytest.raises(FormatError, match="model folder"):
        load_model(tmp_path / "nowhere")


def test_overflow_is_refused() -> None:
    """A model whose accumulator some exposure could overflow cannot be made."""
    weights = np.full((2, 4), 32767, dtype=np.int16)
    bias = np.zeros(2, dtype=np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    stages = (Bins(4, 4, 2, 2), dense, small_model().stages[-1])
    sensor = Sensor("tiny", 4, 4, bit_depth=16)
    with pytest.raises(OverflowRisk, match="accumulator of output 0"):
        dataclasses.replace(small_model(), sensor=sensor, stages=stages)


@pytest.mark.parametrize(
    "stages",
    [
        (),
        small_model().stages[1:],
        small_model().stages[:-1],
        (Bins(4, 4, 1, 2), *small_model().stages[1:]),
        (Bins(4, 4, 2, 2), *small_model().stages),
        (Bins(8, 8, 2, 2), *small_model().stages[1:]),
    ],
)
def test_stages_must_fit(stages: tuple[Bins, ...]) -> None:
    """Stages that do not follow on one another are refused."""
    with pytest.raises(FormatError):
        dataclasses.replace(small_model(), stages=stages)


@pytest.mark.parametrize(
    ("lit", "match"),
    [
        (np.zeros((1, 4, 4), dtype=np.int32), "dtype"),
        (np.zeros((1, 4, 5), dtype=np.uint16), "shape"),
        (np.zeros((2, 4, 4), dtype=np.uint16), "shape"),
        (np.full((1, 4, 4), 4096, dtype=np.uint16), "counts"),
    ],
)
def test_foreign_frames_are_refused(lit: np.ndarray, match: str) -> None:
    """Exposures that are not the sensor's are refused."""
    with pytest.raises(FormatError, match=match):
        small_model().run(lit, np.zeros((1, 4, 4), dtype=np.uint16))


def test_foreign_state_is_refused() -> None:
    """A state that is not the model's is refused."""
    frames = np.zeros((1, 4, 4), dtype=np.uint16)
    with pytest.raises(FormatError, match="s2_active"):
        small_model().run(frames, frames, {})


def test_no_frames_no_change() -> None:
    """A recording of no frames gives no scores and the first state."""
    frames = np.zeros((0, 4, 4), dtype=np.uint16)
    run = small_model().run(frames, frames)
    assert run.evidence.shape == (0, 2)
    assert run.events.shape == (0,)
    assert run_stages(small_model().stages, frames, frames)[0].shape == (0, 1)


def test_every_stage_file_is_found() -> None:
    """Adding a file with a stage is all that it takes to add a stage."""
    folder = Path(__file__).parents[2] / "runtime" / "stages"
    rooms = (folder, folder / "closing", folder / "lamps")
    files = [path for room in rooms for path in room.glob("*.py")]
    assert {path.stem for path in files} - {"__init__"} <= set(kinds())
    # Rooms of a kind hold other files as well.
    for room in ("alignment", "pair", "passive", "teaching"):
        files += (folder / room).glob("*.py")
    assert set(kinds()) <= {path.stem for path in files}
