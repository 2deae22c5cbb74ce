"""Whether every execution of a model gives the same bits, and every file is the model's.

The integer reference is the law. ONNX Runtime on both graphs, the ONNX reference evaluator, the C
on disk compiled for this machine, and the same C on each emulated core, fed whole frames and fed
rows, must give the same evidence, the same state and the same outputs after every frame; the
folder's self-test must pass on each. Files that the model makes must also be the model's to the
letter, as a weight that no given frame reaches would otherwise be changed unseen; the others must
have the fingerprints that were written with them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from runtime.enrolment import can_enrol
from runtime.errors import FormatError
from runtime.firmware.machine.compile import HOST, CompiledFirmware, compile_for
from runtime.firmware.machine.execute import execute, run_selftest
from runtime.firmware.machine.layout import Records
from runtime.model import Model, load_model, model_hash
from runtime.onnx.steps import StepGraph, evaluator, onnx_runtime, read_step_graph
from runtime.onnx.windows import read_window_graph, run_window_graph
from runtime.sample_frames import read_test_frames
from runtime.stages.contract.stage import Counts
from runtime.verification.contents import (
    changed_files,
    changed_graph,
    changed_text,
    law_is_kept,
)
from runtime.verification.device import device_difference
from runtime.verification.engines import reference, stepped
from runtime.verification.first_stage import first_stage
from runtime.verification.lesson import Lesson, lesson_for, lesson_in_c, taught_by
from runtime.verification.precision import Precision, measure_precision

__all__ = ["Comparison", "Verification", "compare", "reference_records", "verify"]

EVALUATOR_FRAMES = 24
"""The ONNX reference evaluator is an interpreter in Python: it is given the first frames alone."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """One execution beside the reference.

    Attributes
    ----------
    execution : str
        What was executed: ``ONNX Runtime``, ``C on host``, ``C on cortex-m4``; or the constants.
    n_frames : int
        Frames compared; 0 for the constants, which are compared as text.
    difference : str
        Empty when every bit agrees; else what differs first, on which frame, and both values.
    """

    execution: str
    n_frames: int
    difference: str

    @property
    def equal(self) -> bool:
        """Whether every bit agreed."""
        return not self.difference


@dataclass(frozen=True, slots=True)
class Verification:
    """All comparisons of one model, and where its float and fixed-point results part company."""

    model: str
    comparisons: tuple[Comparison, ...]
    precision: Precision
    agreement: str
    """What the precision's share of frames means, in the closing stage's words."""

    @property
    def ok(self) -> bool:
        """Whether all executions gave the reference's bits."""
        return all(c.equal for c in self.comparisons)

    def to_json(self) -> dict[str, Any]:
        """Return the fields as JSON values, with the answer first."""
        return {
            "ok": self.ok,
            "model": self.model,
            "comparisons": [dataclasses.asdict(c) for c in self.comparisons],
            "precision": {
                "stages": [stage.to_json() for stage in self.precision.stages],
                "agreement": self.precision.agreement,
            },
        }

    def lines(self) -> list[str]:
        """Return one line per comparison, then one per stage of quantisation noise."""
        compared = [
            f"{c.execution}: "
            + (f"{c.n_frames} frames, " if c.n_frames else "")
            + (c.difference or "identical")
            for c in self.comparisons
        ]
        noise = [
            f"signal to quantisation noise after {s.stage}: {s.total_db:.1f} dB "
            f"(this stage alone {s.own_db:.1f} dB)"
            for s in self.precision.stages
        ]
        return [*compared, *noise, f"{self.agreement}: {self.precision.agreement:.1%}"]


def verify(
    model_dir: Path | str, cores: Sequence[str], n_frames: int = 500, *, compiler: str = "zig"
) -> Verification:
    """Compare every execution of the model folder with its integer reference.

    Parameters
    ----------
    model_dir : path
        A model folder with ``fixed.onnx``, ``firmware`` and ``test_frames.npz``.
    cores : sequence of str
        Emulated cores to execute on.
    n_frames : int
        Frames to compare, from the first; as many as the folder holds when it holds fewer.
    compiler : str
        As for `runtime.firmware.machine.compile.compile_for`.

    Raises
    ------
    FormatError
        A file is missing or is not what it claims.
    ToolError
        The C does not compile, or faults.
    """
    folder = Path(model_dir)
    model = load_model(folder)
    frames = read_test_frames(folder, model, n_frames)
    wanted = reference_records(model, *frames)
    comparisons = _graphs(model, folder, wanted, *frames)
    lesson = lesson_for(model, *frames) if can_enrol(model) else None
    if lesson is not None:
        comparisons += _taught_graph(model, folder, lesson)
    c = _Firmware(model, folder / "firmware", wanted, frames, lesson)
    with ThreadPoolExecutor(max_workers=2) as pool:
        on_host, *on_cores = pool.map(lambda core: c.on(core, compiler), (HOST, *cores))
    comparisons += [*on_host, *(one for several in on_cores for one in several)]
    comparisons += [
        Comparison(
            f"device program on {core}",
            *device_difference(model, folder, core, compiler, frames),
        )
        for core in cores[:1]
    ]
    comparisons += [
        Comparison("files of the firmware, made again", 0, changed_text(model, folder)),
        Comparison("other files of the folder", 0, changed_files(model, folder)),
    ]
    precision = measure_precision(model, *frames)
    return Verification(model.name, tuple(comparisons), precision, model.closing.agreement)


def _graphs(
    model: Model, folder: Path, wanted: Records, lit: Counts, dark: Counts
) -> list[Comparison]:
    """Execute both integer graphs, and compare them with those that the model gives."""
    path, whole = folder / "fixed.onnx", folder / "fixed_window.onnx"
    graph = read_step_graph(path)
    if graph.model_hash != model_hash(model) and law_is_kept(folder):
        _refuse_foreign(model, graph)
    few = slice(EVALUATOR_FRAMES)
    found = [
        _compare("ONNX Runtime", wanted, stepped(onnx_runtime(graph), lit, dark)),
        _compare(
            "ONNX reference evaluator", wanted, stepped(evaluator(graph), lit[few], dark[few])
        ),
        Comparison("fixed.onnx, made again", 0, changed_graph(model, path, window=False)),
    ]
    if whole.exists():
        windows = run_window_graph(whole, read_window_graph(whole, model), model, lit, dark)
        last = {name: values.reshape(1, -1) for name, values in windows.state.items()}
        difference = compare(
            dataclasses.replace(wanted, state={}),
            Records(windows.outputs, windows.evidence, {}),
        ) or compare(
            Records(wanted.outputs[-1:], wanted.evidence[-1:],
                    {name: values[-1:] for name, values in wanted.state.items()}),
            Records(windows.outputs[-1:], windows.evidence[-1:], last),
        )  # fmt: skip
        found += [
            Comparison("ONNX Runtime, all frames at once", len(lit), difference),
            Comparison(
                "fixed_window.onnx, made again", 0, changed_graph(model, whole, window=True)
            ),
        ]
    return found


def _taught_graph(model: Model, folder: Path, lesson: Lesson) -> list[Comparison]:
    """Give a lesson of enrolment to the step graph's two executions."""
    graph, wanted = read_step_graph(folder / "fixed.onnx"), taught_by(model, lesson)
    return [
        _compare("ONNX Runtime, taught", wanted,
                 taught_by(model, lesson, lambda before: onnx_runtime(graph, before))),
        _compare("ONNX reference evaluator, taught", wanted,
                 taught_by(model, lesson, lambda before: evaluator(graph, before))),
    ]  # fmt: skip


def _refuse_foreign(model: Model, graph: StepGraph) -> None:
    """Refuse a graph that says it was made from another model."""
    got, wanted = (graph.model_hash or "none")[:12], model_hash(model)[:12]
    raise FormatError(str(graph.path), "model identity", got, wanted, "export the model anew")


@dataclass(frozen=True, slots=True)
class _Firmware:
    """The C on disk, and what it is to give."""

    model: Model
    folder: Path
    wanted: Records
    frames: tuple[Counts, Counts]
    lesson: Lesson | None = None

    def on(self, core: str, compiler: str) -> list[Comparison]:
        """Compare both ways of feeding, and the self-test, on one core."""
        used = "zig" if core == HOST else compiler
        compiled = compile_for(self.folder, core, compiler=used, selftest=True)
        found = [
            Comparison(f"C on {core}", len(self.frames[0]), self._by(compiled, used, False)),
            Comparison(
                f"C on {core}, by rows", len(self.frames[0]), self._by(compiled, used, True)
            ),
        ]
        answer = run_selftest(compiled)
        failed = f"pw_selftest() returns {answer} instead of 0" if answer else ""
        found += self._taught(compiled)
        return [*found, Comparison(f"self-test on {core}", 0, failed)]

    def _taught(self, compiled: CompiledFirmware) -> list[Comparison]:
        """Give the lesson of enrolment to the C, where the model has one."""
        if self.lesson is None:
            return []
        got, saved = lesson_in_c(self.model, self.lesson, compiled)
        difference = compare(taught_by(self.model, self.lesson), got) or saved
        name = f"C on {compiled.core}, taught"
        return [Comparison(name, len(self.lesson.lit), difference)]

    def _by(self, compiled: CompiledFirmware, compiler: str, by_rows: bool) -> str:
        """Return where one way of feeding differs, and in which stage that begins."""
        difference = compare(self.wanted, execute(compiled, *self.frames, by_rows=by_rows))
        if not difference:
            return ""
        stage = first_stage(
            self.model, self.folder, compiled.core, compiler, self.frames, by_rows=by_rows
        )
        return f"{difference}; {stage}"


def reference_records(model: Model, lit: Counts, dark: Counts) -> Records:
    """Return what the integer reference gives after each frame, fed one frame at a time.

    The same frames in one call must give the same, or the reference itself is not one law.

    Raises
    ------
    FormatError
        It does not.
    """
    records = stepped(reference(model), lit, dark)
    whole = model.run(lit, dark)
    if not (
        np.array_equal(whole.evidence, records.evidence)
        and np.array_equal(whole.outputs, records.outputs)
    ):
        raise FormatError(model.name, "reference frame by frame", "another", "as in one call")
    return records


def compare(reference: Records, other: Records) -> str:
    """Return what differs first, or nothing; `other` may hold fewer frames.

    Frames come first, then within a frame the state in its order, the closing stage's evidence, and
    its outputs: the earliest stage that went apart is named.
    """
    n_frames = len(other.outputs)
    missing = sorted(reference.state.keys() ^ other.state.keys())
    if missing:
        return f"state {missing[0]} is not in both"
    pairs = {name: (values, other.state[name]) for name, values in reference.state.items()}
    pairs["evidence"] = (reference.evidence, other.evidence)
    pairs["outputs"] = (reference.outputs, other.outputs)
    first: tuple[int, str] | None = None
    for name, (wanted, got) in pairs.items():
        if wanted[:n_frames].shape != got.shape:
            return f"{name} has {got.shape[1]} values instead of {wanted.shape[1]}"
        frames = np.flatnonzero((wanted[:n_frames] != got).any(axis=1))
        if frames.size and (first is None or frames[0] < first[0]):
            frame = int(frames[0])
            at = int(np.flatnonzero(wanted[frame] != got[frame])[0])
            values = f"{got[frame, at]} instead of {wanted[frame, at]}"
            first = (frame, f"differs first on frame {frame}: {name}[{at}] is {values}")
    return first[1] if first else ""


def _compare(execution: str, reference: Records, other: Records) -> Comparison:
    """Compare and name the execution."""
    return Comparison(execution, len(other.outputs), compare(reference, other))
