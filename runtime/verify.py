"""Whether every execution of a model gives the same bits.

The integer reference is the law. ONNX Runtime, the ONNX reference evaluator, the C on disk compiled
for this machine, and the same C on each emulated core must give the same scores, the same state
and the same decision after every frame. The constants of the C must also be the model's to the
letter: a weight that no given frame reaches would otherwise be changed unseen.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.firmware.compile import HOST, compile_for
from runtime.firmware.execute import execute
from runtime.firmware.generate import generate
from runtime.firmware.layout import Records
from runtime.frames import read_test_frames
from runtime.model import Model, load_model
from runtime.precision import Precision, measure_precision

if TYPE_CHECKING:
    from onnx import ModelProto

__all__ = ["Comparison", "Verification", "compare", "reference_records", "verify"]

State = dict[str, NDArray[np.int32]]
WEIGHTS = "pw_weights.h"
CODE = "pw_model.c"
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_NUMBER = re.compile(r"-?\b(?:0[xX][0-9a-fA-F]+|\d+)")
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
                "same_best": self.precision.same_best,
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
        same = f"float and fixed point put the same class first: {self.precision.same_best:.1%}"
        return [*compared, *noise, same]


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
        As for `runtime.firmware.compile.compile_for`.

    Raises
    ------
    FormatError
        A file is missing or is not what it claims.
    ToolError
        The C does not compile, or faults.
    """
    folder = Path(model_dir)
    model = load_model(folder)
    lit, dark = read_test_frames(folder, model, n_frames)
    graph = _read_onnx(folder / "fixed.onnx")
    first = first_state(graph, folder / "fixed.onnx")
    reference = reference_records(model, lit, dark)
    comparisons = [
        _compare("ONNX Runtime", reference, onnx_runtime_records(graph, first, lit, dark)),
        _compare(
            "ONNX reference evaluator",
            reference,
            evaluator_records(graph, first, lit[:EVALUATOR_FRAMES], dark[:EVALUATOR_FRAMES]),
        ),
    ]

    def on(core: str) -> Comparison:
        compiled = compile_for(
            folder / "firmware", core, compiler="zig" if core == HOST else compiler
        )
        return _compare(f"C on {core}", reference, execute(compiled, lit, dark))

    with ThreadPoolExecutor(max_workers=2) as pool:
        comparisons += pool.map(on, (HOST, *cores))
    comparisons.append(Comparison("constants of the C", 0, _changed_constant(model, folder)))
    return Verification(model.name, tuple(comparisons), measure_precision(model, lit, dark))


def _changed_constant(model: Model, folder: Path) -> str:
    """Return where the C on disk first has another constant than the model gives, or nothing."""
    generated = generate(model)
    for name in (WEIGHTS, CODE):
        path = folder / "firmware" / name
        try:
            found = path.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            raise FormatError(str(path), "the C", f"unreadable ({error.strerror})") from None
        for one, other in zip_longest(_numbers(found), _numbers(generated[name])):
            if one is None or other is None or one[1] != other[1]:
                line = (one or other or (0, ""))[0]
                return f"{name} line {line} is not what the model gives"
    return ""


def _numbers(text: str) -> Iterator[tuple[int, str]]:
    """Yield the numbers of C text, each with its line from 1, but not those in comments."""
    bare = _COMMENT.sub(lambda comment: "\n" * comment[0].count("\n"), text)
    for line, content in enumerate(bare.splitlines(), start=1):
        for number in _NUMBER.findall(content):
            yield line, number


def reference_records(model: Model, lit: NDArray[np.uint16], dark: NDArray[np.uint16]) -> Records:
    """Return what the integer reference gives after each frame, fed one frame at a time.

    The same frames in one call must give the same, or the reference itself is not one law.

    Raises
    ------
    FormatError
        It does not.
    """
    state = None
    runs = []
    for frame in range(len(lit)):
        run = model.run(lit[frame : frame + 1], dark[frame : frame + 1], state)
        state = run.state
        runs.append(run)
    records = _gather((r.decisions[0], r.scores[0], r.state) for r in runs)
    whole = model.run(lit, dark)
    if not (
        np.array_equal(whole.scores, records.scores)
        and np.array_equal(whole.decisions, records.decisions)
    ):
        raise FormatError(model.name, "reference frame by frame", "another", "as in one call")
    return records


def onnx_runtime_records(
    graph: ModelProto, first: State, lit: NDArray[np.uint16], dark: NDArray[np.uint16]
) -> Records:
    """Run the step graph in ONNX Runtime, its state carried from frame to frame."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(
        graph.SerializeToString(), options, providers=["CPUExecutionProvider"]
    )
    return _step_graph(lambda feeds: session.run(None, feeds), graph, first, lit, dark)


def evaluator_records(
    graph: ModelProto, first: State, lit: NDArray[np.uint16], dark: NDArray[np.uint16]
) -> Records:
    """Run the step graph in ONNX's own reference evaluator."""
    from onnx.reference import ReferenceEvaluator

    evaluator = ReferenceEvaluator(graph)
    return _step_graph(lambda feeds: evaluator.run(None, feeds), graph, first, lit, dark)


def compare(reference: Records, other: Records) -> str:
    """Return what differs first, or nothing; `other` may hold fewer frames.

    Frames come first, then within a frame the state in its order, scores, and the decision: the
    earliest stage that went apart is named.
    """
    n_frames = len(other.decisions)
    missing = sorted(reference.state.keys() ^ other.state.keys())
    if missing:
        return f"state {missing[0]} is not in both"
    pairs = {name: (values, other.state[name]) for name, values in reference.state.items()}
    pairs["scores"] = (reference.scores, other.scores)
    pairs["decision"] = (reference.decisions[:, None], other.decisions[:, None])
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
    return Comparison(execution, len(other.decisions), compare(reference, other))


def _read_onnx(path: Path) -> ModelProto:
    """Read and check a graph that was found on disk."""
    import onnx
    from google.protobuf.message import DecodeError

    try:
        graph = onnx.load(path)
        onnx.checker.check_model(graph)
    except OSError as error:
        raise FormatError(str(path), "the file", f"unreadable ({error.strerror})") from None
    except (DecodeError, onnx.checker.ValidationError, ValueError):
        raise FormatError(str(path), "ONNX file", "damaged", "an ONNX graph") from None
    inputs = {value.name for value in graph.graph.input}
    outputs = {value.name for value in graph.graph.output}
    if inputs != {"lit", "dark", *_state_names(outputs)} or not {"scores", "decision"} <= outputs:
        raise FormatError(
            str(path), "list of inputs", ", ".join(sorted(inputs)) or "empty",
            "lit, dark and the state that is put out", "export the model anew",
        )  # fmt: skip
    return graph


def _state_names(outputs: Iterable[str]) -> list[str]:
    """Return the names of the state, which is put out with an ending of its own."""
    return [name.removesuffix("_out") for name in outputs if name.endswith("_out")]


def _step_graph(
    run: Any, graph: ModelProto, state: State, lit: NDArray[np.uint16], dark: NDArray[np.uint16]
) -> Records:
    """Step a graph over frames through `run`, which takes inputs by name and returns outputs."""
    outputs = [value.name for value in graph.graph.output]
    names = _state_names(outputs)

    def steps() -> Iterable[tuple[Any, Any, dict[str, Any]]]:
        nonlocal state
        for one_lit, one_dark in zip(lit, dark, strict=True):
            got = dict(zip(outputs, run({"lit": one_lit, "dark": one_dark, **state}), strict=True))
            state = {name: got[f"{name}_out"] for name in names}
            yield got["decision"].ravel()[0], got["scores"].ravel(), state

    return _gather(steps())


def first_state(graph: ModelProto, path: Path) -> State:
    """Return the state before the first frame: zero, or what the metadata says."""
    import json

    metadata = {entry.key: entry.value for entry in graph.metadata_props}
    try:
        given = json.loads(metadata.get("first_state", "{}"))
        state = {}
        for value in graph.graph.input:
            if value.name not in ("lit", "dark"):
                shape = [d.dim_value for d in value.type.tensor_type.shape.dim]
                state[value.name] = np.zeros(shape, dtype=np.int32)
                if value.name in given:
                    state[value.name][...] = np.array(given[value.name], dtype=np.int32)
    except (ValueError, TypeError) as error:
        raise FormatError(str(path), "initial state", "damaged", "as exported") from error
    return state


def _gather(frames: Iterable[tuple[Any, Any, dict[str, Any]]]) -> Records:
    """Stack what each frame gave."""
    decisions, scores, states = zip(*frames, strict=True)
    state = {
        name: np.stack([np.ravel(s[name]) for s in states]).astype(np.int32) for name in states[0]
    }
    return Records(np.array(decisions, dtype=np.int32), np.stack(scores).astype(np.int32), state)
