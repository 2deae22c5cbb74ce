"""Each file of a model folder, altered by hand: the answer is no, and names what and where."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import onnx
import pytest
from firmware_models import save_folder, small_model

from runtime.errors import FormatError
from runtime.files import (
    FINGERPRINTS,
    read_fingerprints,
    refresh_fingerprint,
    write_fingerprints,
)
from runtime.verification.verify import verify

FIRMWARE = "firmware/pw_model.c"
OTHERS = {
    "evaluation.json": '{"accuracy": 0.95}', "evaluation.html": "<p>0.95</p>",
    "card.md": "accuracy 0.95", "predictions.csv": "take,class\n1,2\n",
    "budget.json": '{"average_uw": 94}', "budget.html": "<p>94</p>", "profile.json": "{}",
}  # fmt: skip
TEXT_CHANGES = [
    (FIRMWARE, "sum -= (int32_t)dark[col]", "sum += (int32_t)dark[col]", "by rows"),
    (FIRMWARE, "margin >= s4_asked[best]", "margin > s4_asked[best]", "line"),
    (FIRMWARE, "s4_run(s, s->s3_y, s->s4_y);", "s4_run(s, s->s3_y, s->s4_y); /* ours */", "line"),
    ("firmware/pw_model.h", "PW_CLASS_SWIPE_LEFT 0", "PW_CLASS_SWIPE_LEFT 1", "pw_model.h line"),
    ("firmware/pw_model.h", 'PW_MODEL_ID "', 'PW_MODEL_ID "0', "pw_model.h line"),
    ("firmware/pw_model.h", "Flash ", "Flash 1", "pw_model.h line"),
    ("firmware/pw_vectors.h", "PW_VECTORS_HOLD ", "PW_VECTORS_HOLD 1", "self-test on host"),
    ("firmware/selftest.c", "int failed = 0;", "int failed = 0 ;", "selftest.c line"),
    ("firmware/pw_device.h", "PW_HOLD_US 2", "PW_HOLD_US 3", "pw_device.h line"),
    ("firmware/pw_device.c", "->rest_frames++", "->rest_frames--", "pw_device.c line"),
    ("firmware/pw_device.c", "PHASE_ROWS) && (d->r", "PHASE_LIT) && (d->r", "pw_device.c line"),
    ("firmware/pw_board.h", "Light at", "Lite at", "pw_board.h line"),
    ("firmware/README.md", "C99", "C98", "README.md line"),
    *((name, "9", "8", f"{name} is not the file") for name in OTHERS if name != "profile.json"
      and "csv" not in name),
    ("predictions.csv", "1,2", "2,1", "predictions.csv is not the file"),
]  # fmt: skip


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as training leaves it, with files that only a fingerprint holds."""
    folder = save_folder(small_model(), tmp_path_factory.mktemp("whole"), 12)
    for name, text in OTHERS.items():
        (folder / name).write_text(text)
    value = onnx.helper.make_tensor_value_info
    table = onnx.numpy_helper.from_array(np.array([1.0, 2.0], np.float32), "coefficients")
    graph = onnx.helper.make_graph(
        [onnx.helper.make_node("Mul", ["window", "coefficients"], ["scores"])], "float",
        [value("window", onnx.TensorProto.FLOAT, [None, 2])],
        [value("scores", onnx.TensorProto.FLOAT, [None, 2])], [table],
    )  # fmt: skip
    opset = [onnx.helper.make_opsetid("", 17)]
    onnx.save(
        onnx.helper.make_model(graph, opset_imports=opset, ir_version=8), folder / "float.onnx"
    )
    write_fingerprints(folder)
    return folder


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "model"))


def answer(folder: Path) -> tuple[int, str]:
    """The command's exit code and words, on this machine alone: a core only takes longer."""
    try:
        report = verify(folder, [], 12)
    except FormatError as error:
        return 2, str(error)
    return int(not report.ok), "\n".join(report.lines())


def test_a_whole_folder_is_identical(folder: Path) -> None:
    """Nothing altered: every file was looked at, and the answer is yes."""
    code, told = answer(folder)
    assert code == 0, told
    assert "other files of the folder: identical" in told


@pytest.mark.parametrize(("name", "old", "new", "where"), TEXT_CHANGES)
def test_a_text_altered_in_one_place_is_found(
    folder: Path, name: str, old: str, new: str, where: str
) -> None:
    """A sign, a comparison, a constant, an identity, a figure: exit 1, and the file is named."""
    path = folder / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    code, told = answer(folder)
    assert code == 1, told
    assert where in told


def test_two_class_constants_swapped_are_found(folder: Path) -> None:
    """Names that trade their numbers compute the same, and are not what the model gives."""
    path = folder / "firmware/pw_model.h"
    text = path.read_text().replace("SWIPE_LEFT 0", "SWIPE_LEFT 9").replace("_RIGHT 1", "_RIGHT 0")
    path.write_text(text.replace("SWIPE_LEFT 9", "SWIPE_LEFT 1"))
    assert answer(folder)[0] == 1


@pytest.mark.parametrize("name", ["fixed.onnx", "fixed_window.onnx", "float.onnx"])
def test_a_table_entry_of_a_graph_is_found(folder: Path, name: str) -> None:
    """One number of one table changed in any of the three graphs: exit 1, the table named."""
    proto = onnx.load(folder / name)
    tables = proto.graph.initializer
    if name == "fixed_window.onnx":
        tables = proto.graph.node[0].attribute[0].g.initializer or next(
            a.g.initializer for a in proto.graph.node[0].attribute if a.name == "body"
        )
    table = max(tables, key=lambda t: int(np.prod(t.dims)))
    values = onnx.numpy_helper.to_array(table).copy()
    values.flat[values.size // 2] += 1
    table.CopyFrom(onnx.numpy_helper.from_array(values, table.name))
    onnx.save(proto, folder / name)
    code, told = answer(folder)
    assert code == 1, told
    assert (table.name if name != "float.onnx" else "float.onnx is not the file") in told


@pytest.mark.parametrize("name", ["model.json", "weights.npz"])
def test_a_law_altered_after_writing_is_found(folder: Path, name: str) -> None:
    """A model that loads but is not the one that was written is told as such."""
    if name == "model.json":
        path = folder / name
        path.write_text(path.read_text().replace('"seed": 0', '"seed": 7'))
    else:
        arrays = dict(np.load(folder / name))
        arrays["s2_bias"] = arrays["s2_bias"] + np.int32(1)
        np.savez(folder / name, **arrays)
    code, told = answer(folder)
    assert code == 1, told
    assert f"{name} is not" in told


@pytest.mark.parametrize(
    "name", ["fixed.onnx", "fixed_window.onnx", "float.onnx", "model.json", "weights.npz",
             "test_frames.npz", "evaluation.json", "budget.json", FINGERPRINTS],
)  # fmt: skip
def test_a_damaged_file_is_exit_two(folder: Path, name: str) -> None:
    """Half a file is no answer but a wrong input, and the line names it."""
    path = folder / name
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    code, told = answer(folder)
    assert code == 2, told
    assert name in told


@pytest.mark.parametrize("name", ["card.md", "float.onnx", "firmware/selftest.c"])
def test_a_file_that_is_gone_is_named(folder: Path, name: str) -> None:
    """What was written with the model has to be there."""
    (folder / name).unlink()
    code, told = answer(folder)
    assert code == 2, told
    assert Path(name).name in told


def test_a_graph_of_another_model_is_foreign(folder: Path, tmp_path: Path) -> None:
    """A graph made from other weights is refused, not compared."""
    other = save_folder(small_model(seed=5), tmp_path / "other", 4)
    shutil.copy(other / "fixed.onnx", folder / "fixed.onnx")
    code, told = answer(folder)
    assert code == 2
    assert "model identity" in told


def test_the_stage_is_that_of_the_outputs(folder: Path) -> None:
    """A fault in a stage without memory is not blamed on the next one that has some."""
    path = folder / FIRMWARE
    text = path.read_text()
    old = "    return pw_sat(pw_asr32((sum * 77) + 16384, 15), 0, 127);"
    assert old in text
    path.write_text(text.replace(old, old.replace("16384", "0")))
    report = verify(folder, [], 12)
    told = next(c.difference for c in report.comparisons if c.execution == "C on host")
    assert "first stage to differ: s2 dense" in told


def test_stages_in_another_order_are_told(folder: Path) -> None:
    """When every stage is right by itself, the calls between them are not."""
    path = folder / FIRMWARE
    text = path.read_text()
    path.write_text(text.replace("    s1_run(s->even.s0_y, s->odd.s1_y);\n", "", 1))
    report = verify(folder, [], 12)
    told = next(c.difference for c in report.comparisons if c.execution == "C on host")
    assert "every stage by itself gives what it should" in told


def test_fingerprints_follow_a_file_that_is_written_anew(folder: Path) -> None:
    """A page that a command writes again into the folder is known from then on."""
    (folder / "budget.html").write_text("<p>95</p>")
    refresh_fingerprint(folder / "budget.html")
    assert answer(folder)[0] == 0
    (folder / FINGERPRINTS).unlink()
    refresh_fingerprint(folder / "budget.html")
    assert not (folder / FINGERPRINTS).exists()


@pytest.mark.parametrize(
    "content", ["[]", '{"../x": "0"}', '{"card.md": 5}', '{"card.md": "00"}', "{", "[" * 100_000]
)
def test_fingerprints_that_are_none_are_refused(folder: Path, content: str) -> None:
    """Only names of files beside it, each with a SHA-256, are taken."""
    (folder / FINGERPRINTS).write_text(content)
    with pytest.raises(FormatError, match=FINGERPRINTS):
        read_fingerprints(folder)


def test_fingerprints_name_every_file_but_themselves(folder: Path) -> None:
    """They hold the files beside them, in order, and no folder."""
    names = list(json.loads((folder / FINGERPRINTS).read_text()))
    assert names == sorted(
        p.name for p in folder.iterdir() if p.is_file() and p.name != FINGERPRINTS
    )
