"""The price of one model by one compiler, to stand beside that of another."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from runtime.budget.inputs.uncertainty import Interval

__all__ = ["CompilerPrice"]


@dataclass(frozen=True, slots=True)
class CompilerPrice:
    """What the chosen controller's core executes and keeps by one compiler, and what that costs.

    Parameters
    ----------
    compiler : str
        Name and version.
    instructions_per_frame : float
        Mean over the frames that were executed.
    cycles_per_frame : tuple of float
        Low, typical and high by the core's timing.
    flash_bytes, stack_bytes : int
        Code and constants, and the proved bound of the stack.
    average_uw : Interval
        Over the day, the watching stage compiled by the same compiler.
    """

    compiler: str
    instructions_per_frame: float
    cycles_per_frame: tuple[float, float, float]
    flash_bytes: int
    stack_bytes: int
    average_uw: Interval

    def to_json(self) -> dict[str, Any]:
        """Return the fields as JSON values."""
        return asdict(self) | {
            "cycles_per_frame": list(self.cycles_per_frame),
            "average_uw": self.average_uw.to_json(),
        }
