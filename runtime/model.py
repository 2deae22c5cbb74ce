"""Model: a sensor, integer stages and classes; the waist between training and everything after."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.files import as_path, write_whole
from runtime.sensor import Sensor
from runtime.stages import closing_kinds, kinds
from runtime.stages.contract.c_text import Edge, smallest_ctype
from runtime.stages.contract.chain import check_frames, own_state, run_stages
from runtime.stages.contract.closing import ClosingStage
from runtime.stages.contract.stage import (
    Counts,
    EntryStage,
    Int32,
    Int64,
    Stage,
    State,
    check_chain,
)
from runtime.weights import pack_arrays, read_arrays

__all__ = [
    "Model", "Run", "load_model", "model_files", "model_hash", "save_model", "settled_state",
]  # fmt: skip

_FORMAT = "palmwatt-model"
_VERSION = 1
_MAX_JSON_BYTES = 4 << 20
_MAX_STAGES = 32
_NAME = re.compile(r"[a-z][a-z0-9_]{0,63}")


@dataclass(frozen=True, eq=False)
class Run:
    """What a model gave on consecutive frames.

    Parameters
    ----------
    evidence : int32 (n_frames, n_in)
        What the closing stage was given: scores of classes, estimates, a level.
    outputs : int32 (n_frames, n_out)
        What it gave, as its `outputs` says; first the event.
    state : dict of int32 arrays
        After the last frame, named ``s{stage index}_{name}``.
    """

    evidence: Int32
    outputs: Int32
    state: State

    @property
    def events(self) -> Int32:
        """The event of each frame, -1 where there is none, int32 (n_frames,)."""
        return self.outputs[:, 0]


@dataclass(frozen=True, eq=False)
class Model:
    """A frozen, validated model; one that could overflow cannot be made.

    Parameters
    ----------
    name, task : str
        Lower-case identifiers, up to 64 of ``a-z 0-9 _``.
    sensor : Sensor
        The sensor it reads.
    classes : tuple of str
        Lower-case identifiers, in the order of the scores; none where the closing stage has none.
    stages : tuple of Stage
        First an entry stage, last a closing stage, each taking what the one before gives.
    provenance : mapping
        Where it came from (recipe, data-set hash); JSON values, kept as they are.

    Raises
    ------
    FormatError
        The parts do not fit together.
    OverflowRisk
        Some exposure could pass a 32-bit accumulator.
    """

    name: str
    task: str
    sensor: Sensor
    classes: tuple[str, ...]
    stages: tuple[Stage, ...]
    provenance: Mapping[str, Any] = dataclasses.field(default_factory=dict)

    def __post_init__(self) -> None:
        words = (("name", self.name), ("task", self.task), *(("class", c) for c in self.classes))
        for what, word in words:
            if not isinstance(word, str) or not _NAME.fullmatch(word):
                raise FormatError("model", what, repr(word), "a lower-case identifier")
        if len(set(self.classes)) != len(self.classes):
            raise FormatError("model", "classes", self.classes, "all different")
        check_chain(self.stages)
        _check_closing(self.stages)
        if self.closing.n_classes != len(self.classes):
            wanted = f"{self.closing.n_classes} as the {self.closing.kind} takes"
            raise FormatError("model", "number of classes", len(self.classes), wanted)
        entry = self.entry
        geometry = (entry.n_rows, entry.n_cols)
        if geometry != (self.sensor.n_rows, self.sensor.n_cols):
            of_sensor = (self.sensor.n_rows, self.sensor.n_cols)
            raise FormatError("model", "rows and columns of the first stage", geometry, of_sensor)
        self.edge_bounds()

    @property
    def entry(self) -> EntryStage:
        """The first stage."""
        return cast(EntryStage, self.stages[0])

    @property
    def closing(self) -> ClosingStage:
        """The last stage, which says what the model tells."""
        return cast(ClosingStage, self.stages[-1])

    def edge_bounds(self) -> tuple[tuple[Int64, Int64], ...]:
        """Return the proven (low, high) arrays of every stage's outputs, in order.

        Raises
        ------
        OverflowRisk
            A stage could pass 32 bits.
        """
        most = np.full(self.sensor.n_pixels, self.sensor.max_counts, dtype=np.int64)
        bounds, edges = (-most, most), []
        for stage in self.stages:
            bounds = stage.bounds(*bounds)
            edges.append(bounds)
        return tuple(edges)

    def edges(self) -> tuple[Edge, ...]:
        """Return the C type, length and range of every stage's output, in order."""
        edges = []
        for low, high in self.edge_bounds():
            lo, hi = int(low.min()), int(high.max())
            edges.append(Edge(smallest_ctype(lo, hi), len(low), lo, hi))
        return tuple(edges)

    def initial_state(self) -> State:
        """Return the state of all stages before the first frame, named ``s{stage}_{name}``."""
        return {
            f"s{index}_{key}": value
            for index, stage in enumerate(self.stages)
            for key, value in stage.initial_state().items()
        }

    @property
    def run_every(self) -> tuple[int, ...]:
        """Each stage runs once in so many frames: seldom where one before it holds its output.

        A stage with a state runs on every frame.
        """
        found, every = [], 1
        for stage in self.stages:
            if stage.initial_state():
                every = 1
            found.append(every)
            every = max(every, stage.holds_frames)
        return tuple(found)

    @property
    def outputs_last(self) -> tuple[bool, ...]:
        """Whether each stage's outputs stay in a device's memory between frames.

        The last two do, evidence and what is told, as a board may ask for them until the next
        frame; so does what is read on frames on which it is not worked out. Of the rest states do.
        """
        seldom = [every > 1 for every in self.run_every]
        found = [this and not after for this, after in pairwise(seldom)]
        return (*found[:-1], True, True)

    @property
    def period(self) -> int:
        """Frames after which the model does the same work again."""
        return math.lcm(*self.run_every)

    @property
    def n_operations(self) -> int:
        """Multiply-adds, additions and comparisons of all stages, a mean over frames."""
        pairs = zip(self.stages, self.run_every, strict=True)
        return round(sum(stage.n_operations / every for stage, every in pairs))

    def run(self, lit: Counts, dark: Counts, state: State | None = None) -> Run:
        """Run the integer reference over consecutive frames.

        Parameters
        ----------
        lit, dark : uint16 (n_frames, n_rows, n_cols)
            Exposures, 0 to ``sensor.max_counts``.
        state : dict, optional
            As an earlier call gave it; from the beginning when absent.

        Raises
        ------
        FormatError
            Shapes, dtypes or counts are not the sensor's.
        """
        check_frames(lit, dark, self.sensor)
        evidence, state_before = run_stages(self.stages[:-1], lit, dark, state)
        last = len(self.stages) - 1
        own = own_state(self.closing, last, state)
        outputs, own = self.closing.run(evidence, own)
        named = {f"s{last}_{key}": value for key, value in own.items()}
        return Run(evidence, outputs, state_before | named)


def settled_state(model: Model, lit: Counts, dark: Counts) -> State:
    """Return the state before a frame pair that has been so all along: as a device is woken.

    From the beginning, everything before the first frame was nothing, and a hand that is there
    would seem to have come at once; so the device program begins with ``pw_settle``.

    Parameters
    ----------
    model : Model
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Exposures, of which the first pair is looked at.

    Raises
    ------
    FormatError
        Shapes, dtypes or counts are not the sensor's.
    """
    check_frames(lit, dark, model.sensor)
    entry = cast(EntryStage, model.stages[0])
    x = entry.run_frames(lit[:1], dark[:1])
    named = {f"s0_{key}": value for key, value in entry.initial_state().items()}
    for index, stage in enumerate(model.stages[1:], start=1):
        state = stage.settled_state(x[0])
        named |= {f"s{index}_{key}": value for key, value in state.items()}
        x, _ = stage.run(x, state)
    return named


def _check_closing(stages: Sequence[Stage]) -> None:
    """Check that a closing stage comes last, and nowhere else; raises FormatError."""
    for index, stage in enumerate(stages[:-1]):
        if isinstance(stage, ClosingStage):
            what = f"stage {index}, which is not the last,"
            raise FormatError("model", what, stage.kind, "a stage that does not close the model")
    if not isinstance(stages[-1], ClosingStage):
        known = " or ".join(closing_kinds())
        raise FormatError("model", "last stage", stages[-1].kind, f"a closing stage: {known}")


def _document(model: Model) -> bytes:
    """Return model.json: the same bytes for the same model."""
    content = {
        "format": _FORMAT,
        "version": _VERSION,
        "name": model.name,
        "task": model.task,
        "sensor": model.sensor.to_json(),
        "classes": list(model.classes),
        "stages": [stage.to_json() for stage in model.stages],
        "provenance": dict(model.provenance),
    }
    return (json.dumps(content, indent=1, sort_keys=False, allow_nan=False) + "\n").encode()


def _arrays(model: Model) -> dict[str, NDArray[Any]]:
    """Return all stages' arrays, named ``s{stage index}_{field}``."""
    return {
        f"s{index}_{name}": array
        for index, stage in enumerate(model.stages)
        for name, array in stage.arrays().items()
    }


def model_hash(model: Model) -> str:
    """Return the SHA-256 of a model's two files, in hexadecimal."""
    files = model_files(model)
    return hashlib.sha256(files["model.json"] + files["weights.npz"]).hexdigest()


def model_files(model: Model) -> dict[str, bytes]:
    """Return a model's two files by name: the same bytes every time."""
    return {"weights.npz": pack_arrays(_arrays(model)), "model.json": _document(model)}


def save_model(model: Model, directory: Path) -> None:
    """Write ``model.json`` and ``weights.npz``; the same bytes every time."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, content in model_files(model).items():
        write_whole(directory / name, content)


def load_model(directory: Path | str) -> Model:
    """Read a model folder; nothing in it is trusted.

    Raises
    ------
    FormatError
        A file is missing, cut, or not what it claims.
    OverflowRisk
        Its weights could pass a 32-bit accumulator.
    """
    directory = as_path(directory, "model folder")
    path = directory / "model.json"
    where = str(path)
    content = _read_content(path)
    stages = _read_stages(content["stages"], read_arrays(directory / "weights.npz"), where)
    try:
        return Model(
            content["name"], content["task"], Sensor.from_json(content["sensor"], where),
            tuple(content["classes"]), stages, content["provenance"],
        )  # fmt: skip
    except FormatError as error:
        raise FormatError(where, error.what, error.got, error.expected, error.do) from None


def _read_content(path: Path) -> dict[str, Any]:
    """Read a model's JSON, and see that each part of it is there and of its type."""
    where = str(path)
    content = _read_json(path)
    wanted = {"format", "version", "name", "task", "sensor", "classes", "stages", "provenance"}
    if not isinstance(content, dict) or content.keys() != wanted:
        raise FormatError(where, "content", "something else", f"an object with {sorted(wanted)}")
    if content["format"] != _FORMAT or content["version"] != _VERSION:
        got = f"{content['format']!r} {content['version']!r}"
        raise FormatError(where, "format", got, f"{_FORMAT!r} {_VERSION}")
    for key, wanted_type in (("classes", list), ("stages", list), ("provenance", dict)):
        if not isinstance(content[key], wanted_type):
            raise FormatError(where, key, type(content[key]).__name__, wanted_type.__name__)
    if not 1 <= len(content["stages"]) <= _MAX_STAGES:
        raise FormatError(where, "number of stages", len(content["stages"]), f"1 to {_MAX_STAGES}")
    return content


def _read_stages(
    every: list[Any], arrays: dict[str, NDArray[Any]], where: str
) -> tuple[Stage, ...]:
    """Read the stages; each takes its own arrays, and none may be left."""
    stages = []
    for index, data in enumerate(every):
        kind = data.get("kind") if isinstance(data, dict) else None
        if not isinstance(kind, str) or kind not in kinds():
            known = f"one of {sorted(kinds())}"
            raise FormatError(where, f"kind of stage {index}", repr(kind), known)
        prefix = f"s{index}_"
        own = {k.removeprefix(prefix): arrays.pop(k) for k in list(arrays) if k.startswith(prefix)}
        stages.append(kinds()[kind].from_json(data, own, f"{where}, stage {index}"))
    if arrays:
        raise FormatError(where, "array of no stage", min(arrays), "none")
    return tuple(stages)


def _read_json(path: Path) -> Any:
    """Read JSON of bounded size; raises FormatError."""
    try:
        with path.open("rb") as file:
            text = file.read(_MAX_JSON_BYTES + 1)
        if len(text) > _MAX_JSON_BYTES:
            raise FormatError(str(path), "size", "too large", f"at most {_MAX_JSON_BYTES} bytes")
        return json.loads(text)
    except OSError as error:
        got = f"unreadable ({error.strerror or type(error).__name__})"
        raise FormatError(str(path), "the file", got, do="give a model folder") from None
    except (ValueError, RecursionError) as error:
        if isinstance(error, FormatError):
            raise
        raise FormatError(str(path), "content", "not JSON", "a model") from None
