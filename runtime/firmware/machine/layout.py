"""What one record of the harness holds: decision, scores, and every member of the state."""

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
    decisions : int32 (n_frames,)
    scores : int32 (n_frames, n_scores)
    state : dict of int32 (n_frames, length)
        Every member of the state, flat in C order, after that frame.
    """

    decisions: NDArray[np.int32]
    scores: NDArray[np.int32]
    state: dict[str, NDArray[np.int32]]


@dataclass(frozen=True, slots=True)
class Layout:
    """Geometry, identity and record format of a compiled model, as the model itself reports it."""

    n_rows: int
    n_cols: int
    n_scores: int
    model_id: str
    members: tuple[tuple[str, str, int], ...]

    @property
    def dtype(self) -> np.dtype[np.void]:
        """One record as a packed NumPy structure."""
        fields = [("decision", "<i4"), ("scores", "<i4", (self.n_scores,))]
        members = [(f"state {name}", _DTYPES[t], (n,)) for t, name, n in self.members]
        return np.dtype([*fields, *members])

    def decode(self, data: bytes) -> Records:
        """Return the records in `data`."""
        raw = np.frombuffer(data, dtype=self.dtype)
        state = {name: raw[f"state {name}"].astype(np.int32) for _, name, _ in self.members}
        return Records(
            raw["decision"].astype(np.int32), raw["scores"].astype(np.int32), state
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
        n_rows, n_cols, n_scores, model_id = head.split(" ")
        members = tuple((t, name, _length(n)) for t, name, n in (m.split(" ") for m in rest if m))
        layout = Layout(int(n_rows), int(n_cols), int(n_scores), model_id, members)
        _ = layout.dtype
    except (ValueError, KeyError) as error:
        raise ToolError("pw_model.h", "the state's member list", "not as generated") from error
    return layout


def _length(text: str) -> int:
    """Return the length of a member, written as a C constant."""
    return int(text.strip("()u"))
