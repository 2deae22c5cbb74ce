"""What one record of the harness holds: outputs, evidence, and every member of the state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ToolError

__all__ = ["Layout", "Records", "parse_layout"]

_DTYPES = {
    "int8_t": "<i1", "uint8_t": "<u1", "int16_t": "<i2", "uint16_t": "<u2",
    "int32_t": "<i4", "uint32_t": "<u4",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Records:
    """What the C gave after each frame.

    Attributes
    ----------
    outputs : int32 (n_frames, n_outputs)
        What the closing stage gave; first the event, as ``pw_step`` returns it.
    evidence : int32 (n_frames, n_evidence)
        What it was given.
    state : dict of int32 (n_frames, length)
        Every member of the state, flat in C order, after that frame.
    """

    outputs: NDArray[np.int32]
    evidence: NDArray[np.int32]
    state: dict[str, NDArray[np.int32]]

    @property
    def events(self) -> NDArray[np.int32]:
        """The event of each frame, -1 where there is none, int32 (n_frames,)."""
        return self.outputs[:, 0]


@dataclass(frozen=True, slots=True)
class Layout:
    """Geometry, identity and record format of a compiled model, as the model itself reports it."""

    n_rows: int
    n_cols: int
    n_outputs: int
    n_evidence: int
    model_id: str
    members: tuple[tuple[str, str, int], ...]

    @property
    def dtype(self) -> np.dtype[np.void]:
        """One record as a packed NumPy structure."""
        fields = [
            ("outputs", "<i4", (self.n_outputs,)),
            ("evidence", "<i4", (self.n_evidence,)),
        ]
        members = [(f"state {name}", _DTYPES[t], (n,)) for t, name, n in self.members]
        return np.dtype([*fields, *members])

    def decode(self, data: bytes) -> Records:
        """Return the records in `data`."""
        raw = np.frombuffer(data, dtype=self.dtype)
        state = {name: raw[f"state {name}"].astype(np.int32) for _, name, _ in self.members}
        return Records(
            raw["outputs"].astype(np.int32), raw["evidence"].astype(np.int32), state
        )  # fmt: skip

    def frame_bytes(self) -> int:
        """Bytes of one exposure."""
        return 2 * self.n_rows * self.n_cols


def parse_layout(text: bytes) -> Layout:
    """Read the text that the harness makes from the model's own header.

    Raises
    ------
    ToolError
        The header on disk does not describe a model: it was changed by hand.
    """
    try:
        head, *rest = text.rstrip(b"\0").decode("ascii").split(";")
        *lengths, model_id = head.split(" ")
        n_rows, n_cols, n_outputs, n_evidence = (int(length) for length in lengths)
        if n_outputs < 1:
            raise ValueError("a model gives an event at least")
        members = tuple((t, name, _length(n)) for t, name, n in (m.split(" ") for m in rest if m))
        layout = Layout(n_rows, n_cols, n_outputs, n_evidence, model_id, members)
        _ = layout.dtype
    except (ValueError, KeyError) as error:
        raise ToolError("pw_model.h", "the state's member list", "not as generated") from error
    return layout


def _length(text: str) -> int:
    """Return the length of a member, written as a C constant."""
    return int(text.strip("()u"))
