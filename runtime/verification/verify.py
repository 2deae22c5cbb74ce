"""Whether every execution of a model gives the same bits.

The integer reference is the law. ONNX Runtime, the ONNX reference evaluator, the C on disk compiled
for this machine, and the same C on each emulated core must give the same evidence, the same state
and the same outputs after every frame. The constants of the C must also be the model's to the
letter: a weight that no given frame reaches would otherwise be changed unseen.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np

from runtime.errors import FormatError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import HOST, compile_for
from runtime.firmware.machine.execute import execute
from runtime.firmware.machine.layout import Records
from runtime.model import Model, load_model
from runtime.onnx.steps import evaluator, onnx_runtime, read_step_graph
from runtime.sample_frames import read_test_frames
from runtime.stages.contract.stage import Counts
from runtime.verification.engines import Engine, reference
from runtime.verification.precision import Precision, measure_precision

__all__ = ["Comparison", "Verification", "compare", "reference_records", "verify"]

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
    lit, dark = read_test_frames(folder, model, n_frames)
    graph = read_step_graph(folder / "fixed.onnx")
    wanted = reference_records(model, lit, dark)
    few = slice(EVALUATOR_FRAMES)
    comparisons = [
        _compare("ONNX Runtime", wanted, _stepped(onnx_runtime(graph), lit, dark)),
        _compare(
            "ONNX reference evaluator", wanted, _stepped(evaluator(graph), lit[few], dark[few])
        ),
    ]

    def on(core: str) -> Comparison:
        compiled = compile_for(
            folder / "firmware", core, compiler="zig" if core == HOST else compiler
        )
        return _compare(f"C on {core}", wanted, execute(compiled, lit, dark))

    with ThreadPoolExecutor(max_workers=2) as pool:
        comparisons += pool.map(on, (HOST, *cores))
    comparisons.append(Comparison("constants of the C", 0, _changed_constant(model, folder)))
    precision = measure_precision(model, lit, dark)
    return Verification(model.name, tuple(comparisons), precision, model.closing.agreement)


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


def reference_records(model: Model, lit: Counts, dark: Counts) -> Records:
    """Return what the integer reference gives after each frame, fed one frame at a time.

    The same frames in one call must give the same, or the reference itself is not one law.

    Raises
    ------
    FormatError
        It does not.
    """
    records = _stepped(reference(model), lit, dark)
    whole = model.run(lit, dark)
    if not (
        np.array_equal(whole.evidence, records.evidence)
        and np.array_equal(whole.outputs, records.outputs)
    ):
        raise FormatError(model.name, "reference frame by frame", "another", "as in one call")
    return records


def _stepped(engine: Engine, lit: Counts, dark: Counts) -> Records:
    """Feed frames to an engine one by one, and stack what each gave."""
    answers = [engine(*pair) for pair in zip(lit, dark, strict=True)]
    state = {
        name: np.stack([np.ravel(a.state[name]) for a in answers]).astype(np.int32)
        for name in answers[0].state
    }
    return Records(
        np.stack([a.outputs for a in answers]).astype(np.int32),
        np.stack([a.evidence for a in answers]).astype(np.int32),
        state,
    )


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
