"""What every stage is: the contract that the model, the exporters and the tests rely on.

A stage is a frozen dataclass in a file of its own. It states four things side by side, which must
agree bit for bit: the integer reference (`Stage.run`), its ONNX nodes (`Stage.onnx`), its C
(`Stage.c`) and its state (`Stage.initial_state`). Beside them, `Stage.run_float` is the same
arithmetic on real numbers, in the same units, without rounding or saturation; the distance between
the two is the quantisation noise. `Stage.bounds` proves, from the stage's own constants, that no
accumulator can pass 32 bits.

Values between stages are int32 arrays of shape (n_frames, n_in). The first stage of a model is an
`EntryStage`, which reads exposures instead.
"""

from __future__ import annotations

import dataclasses
from abc import ABC, abstractmethod
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import INT32_MAX, INT32_MIN

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = [
    "Counts",
    "EntryStage",
    "Float64",
    "Int32",
    "Int64",
    "Stage",
    "State",
    "check_chain",
    "frozen_array",
    "prove_int32",
    "require",
    "require_divisor",
    "require_one_of",
]

Counts = NDArray[np.uint16]
"""Raw ADC values."""
Int32 = NDArray[np.int32]
Int64 = NDArray[np.int64]
Float64 = NDArray[np.float64]
State = dict[str, Int32]


class Stage(ABC):
    """One step from int32 values to int32 values, the same for every frame.

    Subclasses are frozen dataclasses whose fields are the whole stage: integers, booleans, strings
    and tuples go to ``model.json``, arrays to ``weights.npz``.
    """

    kind: ClassVar[str]
    """The stage's word in files, and the stem of its names in C and ONNX."""

    @property
    @abstractmethod
    def n_in(self) -> int:
        """Values taken per frame."""

    @property
    @abstractmethod
    def n_out(self) -> int:
        """Values given per frame."""

    @property
    @abstractmethod
    def n_operations(self) -> int:
        """Multiply-adds, additions and comparisons of one frame; loads and stores left out."""

    @property
    def holds_frames(self) -> int:
        """Frames for which an output stays as it is, from the first frame on; 1 where it may not.

        The stages behind one that holds, up to the next with a state, need not run in between.
        """
        return 1

    def initial_state(self) -> State:
        """Return the state before the first frame, by name; empty when the stage has no memory."""
        return {}

    def settled_state(self, x: Int32) -> State:
        """Return the state before a frame of values int32 (n_in,) that have been so all along.

        That of the first frame where the stage does not remember values.
        """
        return self.initial_state()

    @abstractmethod
    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Run the integer reference over consecutive frames.

        Parameters
        ----------
        x : int32 (n_frames, n_in)
        state : dict of int32 arrays
            As `initial_state` or an earlier call gave it; never changed in place.

        Returns
        -------
        y : int32 (n_frames, n_out)
        state : dict of int32 arrays
            After the last frame.
        """

    @abstractmethod
    def run_float(self, x: Float64) -> Float64:
        """Run the real-valued twin from the initial state: float64 (n_frames, n_in) to (…, n_out).

        Units are those of the integer twin (its least significant bit); nothing is rounded or
        saturated.
        """

    @abstractmethod
    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Return the proven range of each output, given the range of each input (inclusive).

        Raises
        ------
        OverflowRisk
            Some input within the range could pass a 32-bit accumulator.
        """

    @abstractmethod
    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write the stage's nodes for one frame: names of ``x (n_in,)`` and state to theirs."""

    @abstractmethod
    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Return the stage's C text; every name in it starts with `prefix`."""

    def to_json(self) -> dict[str, Any]:
        """Return the fields that are no arrays, with ``kind`` first, as JSON values."""
        return {"kind": self.kind} | {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in self._values().items()
            if not isinstance(value, np.ndarray)
        }

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return the fields that are arrays, by name."""
        values = self._values().items()
        return {name: value for name, value in values if isinstance(value, np.ndarray)}

    def _values(self) -> dict[str, Any]:
        """Return every field by name."""
        return {name: getattr(self, name) for name in self._field_names()}

    @classmethod
    def _field_names(cls) -> list[str]:
        """Return the fields of the dataclass that every subclass is."""
        return [f.name for f in dataclasses.fields(cls)]  # type: ignore[arg-type]  # not this one

    @classmethod
    def from_json(cls, data: dict[str, Any], arrays: dict[str, NDArray[Any]], where: str) -> Self:
        """Build the stage from untrusted fields; construction validates each of them.

        Raises
        ------
        FormatError
            A field is unknown, missing, of the wrong type, or out of range.
        """
        wanted = set(cls._field_names())
        given = {k: tuple(v) if isinstance(v, list) else v for k, v in data.items() if k != "kind"}
        given |= arrays
        for odd in (wanted - given.keys(), given.keys() - wanted):
            if odd:
                # Releases differ in the fields of their stages: there is nothing to guess.
                got = "missing" if odd <= wanted else "unknown"
                raise FormatError(
                    where, f"field {min(odd)} of {cls.kind}", got, f"exactly {sorted(wanted)}",
                    "train the model again with this release",
                )  # fmt: skip
        try:
            return cls(**given)
        except FormatError as error:
            raise FormatError(where, error.what, error.got, error.expected, error.do) from None


class EntryStage(Stage):
    """The first stage of a model: reads a lit and a dark exposure.

    `n_in` is the number of values taken from the exposures' differences; `run` and `run_float`
    see the difference image flattened to (n_frames, n_rows * n_cols).
    """

    always_on: ClassVar[bool] = False
    """Whether its device never watches, but gives the model every frame: by ambient light there is
    no light to be saved, and a background to be kept."""
    light: ClassVar[str] = "difference"
    """``difference`` of a lit and a dark exposure, or ``ambient``, the sum of two."""
    n_rows: int
    n_cols: int

    @property
    def n_in(self) -> int:
        """Pixels of one exposure."""
        return self.n_rows * self.n_cols

    @abstractmethod
    def run_frames(self, lit: Counts, dark: Counts) -> Int32:
        """Return int32 (n_frames, n_out) from two uint16 (n_frames, n_rows, n_cols)."""

    @property
    @abstractmethod
    def rows_read(self) -> range:
        """Rows that this stage reads; the firmware never touches the others."""

    @property
    @abstractmethod
    def n_pixels_read(self) -> int:
        """Pixels of one exposure that this stage reads."""

    @property
    def n_operations(self) -> int:
        """A difference for each pixel read, and the additions that leave `n_out` values."""
        return 2 * self.n_pixels_read - self.n_out

    @abstractmethod
    def onnx_frames(self, nodes: Nodes, lit: str, dark: str) -> str:
        """Write the nodes from two uint16 (n_rows, n_cols) to int32 (n_out,)."""

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Run on difference images given as int32 (n_frames, n_rows * n_cols)."""
        return self.run_difference(x), state

    def run_float(self, x: Float64) -> Float64:
        """Run on difference images given as float64 (n_frames, n_rows * n_cols)."""
        return np.asarray(self.run_difference(x), dtype=np.float64)

    @abstractmethod
    def run_difference(self, x: NDArray[Any]) -> NDArray[Any]:
        """Run on flattened difference images of any signed dtype; sums keep the dtype."""

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Refuse: an entry stage starts from exposures, see `onnx_frames`."""
        raise FormatError("model", f"stage {self.kind}", "after another stage", "the first")


def check_chain(stages: Sequence[Stage]) -> None:
    """Check that an entry stage comes first and that each stage takes what the last one gives.

    Raises
    ------
    FormatError
        It does not.
    """
    if not stages or not isinstance(stages[0], EntryStage):
        raise FormatError("model", "first stage", "no entry stage", "bins or pixels")
    for index, (before, after) in enumerate(pairwise(stages), start=1):
        if isinstance(after, EntryStage):
            raise FormatError("model", f"stage {index}", after.kind, "no second entry stage")
        if before.n_out != after.n_in:
            what = f"values taken by stage {index} ({after.kind})"
            raise FormatError("model", what, after.n_in, f"{before.n_out} as given by the last one")


def require(where: str, name: str, value: object, low: int, high: int) -> None:
    """Check that a field is a plain integer from `low` to `high`.

    Raises
    ------
    FormatError
        It is not.
    """
    if type(value) is not int or not low <= value <= high:  # a bool is no number here
        raise FormatError(where, name, value, f"an integer from {low} to {high}")


def require_divisor(where: str, name: str, value: int, length: int) -> None:
    """Check that a field is a plain integer from 1 that divides a length, as equal bins do.

    Raises
    ------
    FormatError
        It is not.
    """
    require(where, name, value, 1, length)
    if length % value:
        raise FormatError(where, name, value, f"a divisor of {length}")


def require_one_of(where: str, name: str, value: object, allowed: tuple[int, ...]) -> None:
    """Check that a field is a plain integer among a few.

    Raises
    ------
    FormatError
        It is not.
    """
    if type(value) is not int or value not in allowed:
        raise FormatError(where, name, value, " or ".join(str(n) for n in allowed))


def frozen_array(
    where: str,
    name: str,
    value: object,
    dtype: str | tuple[str, ...],
    shape: tuple[int | None, ...],
) -> NDArray[Any]:
    """Check an array field and return a read-only C-ordered copy.

    Parameters
    ----------
    dtype : str or tuple of str
        Allowed dtypes by NumPy name.
    shape : tuple
        Exact lengths; None allows 1 and more.

    Raises
    ------
    FormatError
        Dtype or shape differ, or a float is not finite.
    """
    allowed = (dtype,) if isinstance(dtype, str) else dtype
    if not isinstance(value, np.ndarray) or value.dtype.name not in allowed:
        got = value.dtype.name if isinstance(value, np.ndarray) else type(value).__name__
        raise FormatError(where, f"dtype of {name}", got, " or ".join(allowed))
    fits = value.ndim == len(shape) and all(
        n >= 1 if wanted is None else n == wanted
        for n, wanted in zip(value.shape, shape, strict=True)
    )
    if not fits:
        wanted_text = "(" + ", ".join("any" if n is None else str(n) for n in shape) + ")"
        raise FormatError(where, f"shape of {name}", value.shape, wanted_text)
    if value.dtype.kind == "f" and not np.isfinite(value).all():
        raise FormatError(where, name, "not finite", "finite numbers")
    frozen = np.array(value, order="C", copy=True)
    frozen.setflags(write=False)
    return frozen


def prove_int32(where: str, what: str, low: Int64, high: Int64) -> None:
    """Check that a proven range lies within int32.

    Raises
    ------
    OverflowRisk
        It does not; the message names the first output concerned.
    """
    beyond = np.flatnonzero((low < INT32_MIN) | (high > INT32_MAX))
    if beyond.size:
        first = int(beyond[0])
        raise OverflowRisk(
            where,
            f"{what} {first}",
            f"{int(low[first])} to {int(high[first])} at worst",
            f"within {INT32_MIN} to {INT32_MAX}",
            "use smaller weights, narrower inputs or a larger shift",
        )
