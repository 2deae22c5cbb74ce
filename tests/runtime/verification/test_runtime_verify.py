"""Verification: identical bits everywhere, and a clear answer where they are not."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from firmware_models import EXECUTED, random_frames, save_folder, small_model

from runtime.errors import FormatError, ToolError
from runtime.verification.verify import compare, reference_records, verify

MADE_AGAIN = "files of the firmware, made again"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save_folder(small_model(), tmp_path_factory.mktemp("model"))


def change(path: Path, pattern: str, replacement: str) -> None:
    text, n = re.subn(pattern, replacement, path.read_text(), count=1)
    assert n == 1
    path.write_text(text)


def copy_of(folder: Path, to: Path) -> Path:
    import shutil

    return Path(shutil.copytree(folder, to / "copy"))


def test_every_execution_gives_the_same_bits(folder: Path) -> None:
    """All cores, the host, ONNX Runtime and the evaluator agree with the reference."""
    report = verify(folder, EXECUTED, 40)
    assert report.ok, report.lines()
    executed = [f"C on {name}" for name in ("host", *EXECUTED)]
    names = [c.execution for c in report.comparisons]
    of_cores = [n for n in names if n.endswith(("host", *EXECUTED, "by rows"))]
    assert of_cores == [
        name for one in executed
        for name in (one, f"{one}, by rows", one.replace("C on", "self-test on"))
    ]  # fmt: skip
    assert [n for n in names if "made again" in n] == [
        "fixed.onnx, made again", "fixed_window.onnx, made again",
        "files of the firmware, made again",
    ]  # fmt: skip
    assert all(c.n_frames == 40 for c in report.comparisons if "C on" in c.execution)
    assert report.to_json()["ok"] is True
    assert len(report.to_json()["precision"]["stages"]) == 4
    assert any("signal to quantisation noise after s2_dense" in line for line in report.lines())


FORMS = {
    "if defined(PW_VECTOR)": {"cortex-m55"},
    "elif defined(PW_DUAL_MAC)": {"cortex-m4"},
    "elif defined(PW_OFFSET_WEIGHTS)": {"cortex-m0plus"},
    "else": {"host", "rv32imc"},
}
"""The form of weights under each condition, and who compiles it."""
OF_FORMS = [
    core for core in ("cortex-m0plus", "cortex-m4", "cortex-m55", "rv32imc") if core in EXECUTED
]


def weight(path: Path, form: str, number: int = 12) -> tuple[int, int, int]:
    """Return where a weight of a form stands in the text of the tables: start, end and value."""
    text = path.read_text()
    start = text.index("s2_weights", text.index(f"#{form}\n#define PW_S2_TURNS"))
    found = list(re.finditer(r"-?\d+", text[text.index("{", start) :]))[number]
    at = text.index("{", start)
    return at + found.start(), at + found.end(), int(found[0])


@pytest.mark.parametrize("form", [form for form in FORMS if FORMS[form] <= {"host", *OF_FORMS}])
def test_one_weight_changed_by_hand_is_found(folder: Path, tmp_path: Path, form: str) -> None:
    """A weight changed on disk, in any of its forms, makes the answer no on who compiles it."""
    changed = copy_of(folder, tmp_path)
    path = changed / "firmware" / "pw_weights.h"
    number = 8 if "VECTOR" in form else 12  # of a row that gives something
    start, end, value = weight(path, form, number)
    new = (value ^ 0x4000) if form != "else" else -value if value else 90
    text = path.read_text()
    path.write_text(f"{text[:start]}{new}{text[end:]}")
    report = verify(changed, OF_FORMS, 40)
    assert not report.ok
    failed = {c.execution for c in report.comparisons if not c.equal}
    by_core = {n.removeprefix("C on ").removesuffix(", by rows") for n in failed if "C on" in n}
    assert by_core == FORMS[form]
    assert MADE_AGAIN in failed
    told = [c.difference for c in report.comparisons if "C on" in c.execution and not c.equal]
    assert all("first stage to differ: s2 dense, on frame " in line for line in told)


def test_a_weight_that_no_frame_reaches_is_found_too(folder: Path, tmp_path: Path) -> None:
    """A table that the verified core does not even compile is compared with the model's text."""
    changed = copy_of(folder, tmp_path)
    path = changed / "firmware" / "pw_weights.h"
    start, end, value = weight(path, "elif defined(PW_OFFSET_WEIGHTS)")
    text = path.read_text()
    path.write_text(f"{text[:start]}{value ^ 1}{text[end:]}")
    report = verify(changed, ["cortex-m4"], 10)
    assert not report.ok
    assert [c.execution for c in report.comparisons if not c.equal] == [MADE_AGAIN]
    assert any("pw_weights.h line" in line and "stage s2" in line for line in report.lines())


@pytest.mark.parametrize(
    ("name", "pattern"),
    [
        ("pw_weights.h", r"(_asked\[\d+\] = \{)(\d+)"),
        ("pw_model.c", r"(_asked\[best\] - )(\d+)"),
    ],
)
def test_a_threshold_that_no_frame_comes_near_is_found_too(
    folder: Path, tmp_path: Path, name: str, pattern: str
) -> None:
    """A number in the code itself is compared with the model's."""
    changed = copy_of(folder, tmp_path)
    change(changed / "firmware" / name, pattern, r"\g<1>1\g<2>")
    report = verify(changed, [], 1)
    failed = [c.execution for c in report.comparisons if not c.equal]
    assert set(failed) - {"self-test on host"} == {MADE_AGAIN}
    assert any(f"{name} line" in line for line in report.lines())


def test_c_that_does_not_compile_is_one_line(folder: Path, tmp_path: Path) -> None:
    """A damaged source file gives the compiler's first complaint, not its pages."""
    changed = copy_of(folder, tmp_path)
    change(changed / "firmware" / "pw_model.c", r"int32_t", "int33_t")
    with pytest.raises(
        ToolError, match=r"answer of the compiler is '.*int33_t.*', expected an"
    ) as caught:
        verify(changed, [], 5)
    assert "\n" not in str(caught.value)
    assert str(tmp_path) not in str(caught.value)


@pytest.mark.parametrize(
    "name", ["model.json", "fixed.onnx", "test_frames.npz", "firmware/pw_model.c"]
)
def test_a_missing_file_is_named(folder: Path, tmp_path: Path, name: str) -> None:
    """A folder that lacks a file is refused with that file's name."""
    changed = copy_of(folder, tmp_path)
    (changed / name).unlink()
    with pytest.raises(FormatError, match=Path(name).name):
        verify(changed, [], 5)


@pytest.mark.parametrize("name", ["fixed.onnx", "fixed_window.onnx", "test_frames.npz"])
def test_a_file_cut_anywhere_is_refused(folder: Path, tmp_path: Path, name: str) -> None:
    """No cut of a file escapes as another library's error."""
    changed = copy_of(folder, tmp_path)
    whole = (changed / name).read_bytes()
    for cut in {0, 1, 10, len(whole) // 2, len(whole) - 1}:
        (changed / name).write_bytes(whole[:cut])
        with pytest.raises(FormatError):
            verify(changed, [], 5)


def test_a_foreign_graph_is_refused(folder: Path, tmp_path: Path) -> None:
    """An ONNX file that is no gesture model is refused by its inputs."""
    from onnx import TensorProto, helper, save

    changed = copy_of(folder, tmp_path)
    value = helper.make_tensor_value_info
    node = helper.make_node("Identity", ["a"], ["b"])
    graph = helper.make_graph(
        [node], "g", [value("a", TensorProto.FLOAT, [1])], [value("b", TensorProto.FLOAT, [1])]
    )
    opset = [helper.make_opsetid("", 18)]
    save(helper.make_model(graph, opset_imports=opset, ir_version=8), changed / "fixed.onnx")
    where = re.escape(str(changed / "fixed.onnx"))
    with pytest.raises(FormatError, match=f"^{where}: list of inputs is a, expected lit, dark"):
        verify(changed, [], 5)


def test_the_first_difference_is_named() -> None:
    """Of several differences the earliest frame is reported, and on it the earliest stage."""
    model = small_model()
    reference = reference_records(model, *random_frames(model, 8))
    evidence = reference.evidence.copy()
    evidence[3:] += 1
    state = {name: values.copy() for name, values in reference.state.items()}
    state["s4_hold"][5:] += 1
    other = dataclasses.replace(reference, evidence=evidence, state=state)
    assert compare(reference, reference) == ""
    assert "frame 3: evidence[0]" in compare(reference, other)
    state["s4_hold"][3] += 1
    assert "frame 3: s4_hold[0]" in compare(reference, other)
