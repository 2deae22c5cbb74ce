"""What every closing stage is: the last stage of a model, which says what the device tells.

A closing stage is a stage whose first output is an *event*, `NO_EVENT` on most frames, and whose
other outputs, if any, hold on every frame. What it gives has names and units, a C interface, a name
in ONNX, and words; whatever follows a model asks here, and never which closing stage it is.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64, Int32, Stage

__all__ = ["NO_EVENT", "CWords", "ClosingStage", "Output", "Told", "c_constant"]

NO_EVENT = -1
"""First output of a closing stage on a frame that brings nothing new."""


@dataclass(frozen=True, slots=True)
class Output:
    """One number that a closing stage gives on every frame.

    Parameters
    ----------
    name : str
        Lower-case identifier.
    unit : str
        Unit of the value; empty for events, counts and flags.
    numerator, denominator : int
        The value is the integer times `numerator` over `denominator`.
    """

    name: str
    unit: str = ""
    numerator: int = 1
    denominator: int = 1

    def value(self, steps: int) -> float:
        """Return the value of an integer, in the output's unit."""
        return steps * self.numerator / self.denominator


@dataclass(frozen=True, slots=True)
class Told:
    """What a closing stage tells on one frame, for people and for files.

    Parameters
    ----------
    event : str
        The event's word; empty on a frame without one.
    now : str
        What holds on this frame, in a few words; empty where only events are told.
    values : dict
        The same as JSON values.
    """

    event: str
    now: str = ""
    values: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CWords:
    """How a firmware folder speaks of its closing stage.

    Parameters
    ----------
    event, evidence, item : str
        What ``pw_step`` returns, what the stage is given, and one number of that: a word each.
    about : str
        Sentences of the header's comment.
    names : str
        One more paragraph of it, wrapped by the generator; none where empty.
    constants : str
        Lines of ``#define``, the last without its end; the first gives the length of the evidence.
    declarations, accessors : str
        Functions beside ``pw_step``. `accessors` may hold the marks ``EVIDENCE`` and ``OUTPUTS``,
        between at signs: the places of both within the state ``s``.
    usage : str
        What the README does with an event.
    tell_when : str
        C condition on ``event`` and the state ``s``: whether a frame tells the host something.
    there : str
        C condition on ``event`` and ``s``: whether the model itself sees something, which keeps
        the device awake as movement does; empty where only movement does.
    """

    event: str
    evidence: str
    item: str
    about: str
    names: str
    constants: str
    declarations: str
    accessors: str
    usage: str
    tell_when: str = "event != PW_NONE"
    there: str = ""


_DECLARATIONS = """\
/* What the last frame's outputs rest on, and all outputs; valid until the next frame. */
const int32_t *pw_evidence(const pw_state *s);
const int32_t *pw_outputs(const pw_state *s);"""

_ACCESSORS = """\
const int32_t *pw_evidence(const pw_state *s)
{
    return @EVIDENCE@;
}

const int32_t *pw_outputs(const pw_state *s)
{
    return @OUTPUTS@;
}
"""

_USAGE = """\
        int32_t event = pw_step(&state, lit, dark);
        if (event != PW_NONE) { /* something new: see pw_model.h */ }
        /* pw_outputs(&state)[PW_OUTPUT_...] holds on every frame */"""


class ClosingStage(Stage):
    """The last stage of a model; its first output is the event, or `NO_EVENT`."""

    tells: ClassVar[Literal["event", "values", "level"]]
    """What the device tells: single events, values on every frame, or a level and its changes."""
    evidence_name: ClassVar[str]
    """What the stage is given, in one word; its name in ONNX."""
    output_name: ClassVar[str]
    """What the stage gives, in one word; its name in ONNX."""
    agreement: ClassVar[str]
    """What `agrees` means, in words that a share of frames can follow."""

    @property
    def n_classes(self) -> int:
        """Classes that a model needs for this stage; 0 where it has none."""
        return 0

    @abstractmethod
    def outputs(self) -> tuple[Output, ...]:
        """Return the names and units of all outputs, in order; the first is the event."""

    @abstractmethod
    def agrees(self, real: Float64, whole: Int32) -> NDArray[np.bool_]:
        """Return on which frames real-valued evidence says the same as integer evidence.

        Parameters
        ----------
        real, whole : float64 and int32 (n_frames, n_in)
            The evidence of both models, without any memory of the frames before.
        """

    @abstractmethod
    def tell(self, outputs: Int32, evidence: Int32, classes: Sequence[str]) -> Told:
        """Put one frame into words.

        Parameters
        ----------
        outputs : int32 (n_out,)
        evidence : int32 (n_in,)
        classes : sequence of str
            The model's, `n_classes` of them.
        """

    def lack(self, evidence: Int32) -> float | None:
        """Return how far frames stay from telling an event, for searches; None: nobody knows."""
        return None

    def c_words(self, classes: Sequence[str]) -> CWords:
        """Return how the firmware speaks of this stage: by its outputs, unless it says more."""
        outputs = self.outputs()
        lines = [
            f"#define PW_N_EVIDENCE {self.n_in}",
            f"#define PW_N_OUTPUTS {self.n_out}",
            "#define PW_NONE (-1)",
        ]
        for index, output in enumerate(outputs):
            name = f"PW_OUTPUT_{c_constant(output.name)}"
            lines.append(f"#define {name} {index}")
            if output.unit:
                lines.append(f'#define {name}_UNIT "{output.unit}"')
                lines.append(f"#define {name}_NUMERATOR {output.numerator}")
                lines.append(f"#define {name}_DENOMINATOR {output.denominator}")
        return CWords(
            event="event",
            evidence="evidence",
            item="number",
            about=" * Output: an event on the frame that brings something new, else PW_NONE; and\n"
            " * the PW_OUTPUT_ numbers of every frame, in fixed point.",
            names=f"Outputs: {', '.join(output.name for output in outputs)}.",
            constants="\n".join(lines),
            declarations=_DECLARATIONS,
            accessors=_ACCESSORS,
            usage=_USAGE,
        )


def c_constant(label: str) -> str:
    """Return a lower-case name as the tail of a C constant."""
    return "".join(c if c.isascii() and c.isalnum() else "_" for c in label).upper()
