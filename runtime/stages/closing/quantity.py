"""Quantity: values in fixed point with a unit, the half-width of their interval, and validity."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import INT32_MAX, INT32_MIN
from runtime.stages.contract.c_text import CStage, CState, fill
from runtime.stages.contract.closing import (
    NO_EVENT,
    ClosingStage,
    CWords,
    Output,
    Told,
    c_constant,
)
from runtime.stages.contract.stage import Float64, Int32, Int64, State, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Quantity"]

_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
_UNIT = re.compile(r"[A-Za-z0-9/%^]{1,16}")
_MAX_VALUES = 64
_LOST, _VALID = 0, 1

_C_TEXT = """\
/* Values within what was learned; valid once the guards have been so for @SETTLE@ frames. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, int32_t *y)
{
    int32_t all = 1;
    for (uint32_t i = @N_VALUES@u; i < @N_IN@u; i++) {
        if (x[i] < @PREFIX@_low[i] || x[i] > @PREFIX@_high[i]) {
            all = 0;
        }
    }
    if (all == 0) {
        s->@PREFIX@_count[0] = 0;
    } else if (s->@PREFIX@_count[0] < @SETTLE@) {
        s->@PREFIX@_count[0] += 1;
    } else {
        /* long enough already */
    }
    const int32_t settled = (s->@PREFIX@_count[0] >= @SETTLE@) ? 1 : 0;
    all = settled;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        const int32_t value = pw_sat(x[i], @PREFIX@_low[i], @PREFIX@_high[i]);
        const int32_t valid = (settled != 0 && value == x[i]) ? 1 : 0;
        y[1u + i] = value;
        y[1u + @N_VALUES@u + i] = valid;
        if (valid == 0) {
            all = 0;
        }
    }
    y[0] = (all != s->@PREFIX@_valid[0]) ? all : -1;
    s->@PREFIX@_valid[0] = all;
}
"""

_DECLARATIONS = """
/* Value i of the last frame, one of PW_QUANTITY_..., in steps of NUMERATOR / DENOMINATOR units;
 * the true value lies within HALF_WIDTH steps of it as often as the model's card says. */
int32_t pw_quantity(const pw_state *s, uint32_t i);

/* Whether that value can be trusted: 1, or 0 while the light that came back or the value itself
 * is outside of what was learned. */
int32_t pw_quantity_valid(const pw_state *s, uint32_t i);"""

_ACCESSORS = """
int32_t pw_quantity(const pw_state *s, uint32_t i)
{
    return @OUTPUTS@[1u + i];
}

int32_t pw_quantity_valid(const pw_state *s, uint32_t i)
{
    return @OUTPUTS@[1u + PW_N_QUANTITIES + i];
}
"""


@dataclass(frozen=True, eq=False)
class Quantity(ClosingStage):
    """Give values with a constant interval, and say on each frame whether they hold.

    The inputs are the values, in steps of ``numerators / denominators`` of their units, and after
    them *guards*: numbers that tell whether there is anything to measure, as the logarithm of the
    light that came back does. Each has a learned range, `low` to `high`. A value is given clipped
    to its range. It is valid while all guards have been within theirs for `settle` consecutive
    frames, and it is itself within its own: too little light, too much of it and values that were
    never learned all give a number that is marked as none. The event is 1 on the first frame on
    which all values are valid, 0 on the first on which they are no longer, else -1. Outputs are
    the event, the values, and a flag for each value. Cost per frame: two comparisons per input.

    Parameters
    ----------
    names, units : tuple of str
        One per value, 1 to 64: lower-case identifiers, and units of letters, digits, ``/%^``.
    numerators, denominators : tuple of int
        One per value, 1 to 2**24: real value of one step.
    half_widths : tuple of int
        One per value, in its steps, at least 0.
    low, high : tuple of int
        One per value and then one per guard: the learned range, both ends inside.
    settle : int
        Consecutive frames, 1 to 10000.

    Raises
    ------
    FormatError
        A value is out of range, or lengths disagree.
    """

    kind: ClassVar[str] = "quantity"
    tells: ClassVar[Literal["event", "values", "level"]] = "values"
    evidence_name: ClassVar[str] = "estimates"
    output_name: ClassVar[str] = "quantity"
    agreement: ClassVar[str] = "float and fixed point agree within the interval"
    names: tuple[str, ...]
    units: tuple[str, ...]
    numerators: tuple[int, ...]
    denominators: tuple[int, ...]
    half_widths: tuple[int, ...]
    low: tuple[int, ...]
    high: tuple[int, ...]
    settle: int

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            if field.name != "settle" and not isinstance(value, tuple):
                raise FormatError(self.kind, field.name, repr(value), "a list")
        require(self.kind, "number of values", len(self.names), 1, _MAX_VALUES)
        self._check_words()
        self._check_numbers()
        self._check_ranges()

    def _check_words(self) -> None:
        """Names and units: one form, and no name twice."""
        for what, form, words in (("name", _NAME, self.names), ("unit", _UNIT, self.units)):
            for word in words:
                if not isinstance(word, str) or not form.fullmatch(word):
                    raise FormatError(self.kind, what, repr(word), form.pattern)
        if len(set(self.names)) != len(self.names):
            raise FormatError(self.kind, "names", self.names, "all different")

    def _check_numbers(self) -> None:
        """One unit, scale and half-width for each value."""
        n_values = len(self.names)
        for what, values in (
            ("units", self.units), ("numerators", self.numerators),
            ("denominators", self.denominators), ("half_widths", self.half_widths),
        ):  # fmt: skip
            if len(values) != n_values:
                raise FormatError(self.kind, f"number of {what}", len(values), n_values)
        if len({output.name for output in self.outputs()}) != self.n_out:
            raise FormatError(self.kind, "names", self.names, "none of event and another's _valid")
        for value in (*self.numerators, *self.denominators):
            require(self.kind, "part of a scale", value, 1, 1 << 24)
        for value in self.half_widths:
            require(self.kind, "half-width", value, 0, INT32_MAX)

    def _check_ranges(self) -> None:
        """A range for each value and each guard, and how long it must be kept."""
        n_values = len(self.names)
        if not n_values <= len(self.low) <= n_values + _MAX_VALUES:
            raise FormatError(self.kind, "length of low", len(self.low), f"{n_values} and guards")
        if len(self.high) != len(self.low):
            raise FormatError(self.kind, "length of high", len(self.high), len(self.low))
        for low, high in zip(self.low, self.high, strict=True):
            require(self.kind, "low", low, INT32_MIN, INT32_MAX)
            require(self.kind, "high", high, low, INT32_MAX)
        require(self.kind, "settle", self.settle, 1, 10_000)

    @property
    def n_values(self) -> int:
        """Values told."""
        return len(self.names)

    @property
    def n_in(self) -> int:
        """Values and guards."""
        return len(self.low)

    @property
    def n_out(self) -> int:
        """The event, the values, and a flag for each of them."""
        return 1 + 2 * self.n_values

    @property
    def n_operations(self) -> int:
        """Two comparisons for each input."""
        return 2 * self.n_in

    def outputs(self) -> tuple[Output, ...]:
        """Event, values and flags."""
        scales = zip(self.names, self.units, self.numerators, self.denominators, strict=True)
        values = tuple(Output(*scale) for scale in scales)
        return (Output("event"), *values, *(Output(f"{name}_valid") for name in self.names))

    def initial_state(self) -> State:
        """No frame seen, nothing valid."""
        return {"count": np.zeros(1, dtype=np.int32), "valid": np.zeros(1, dtype=np.int32)}

    def _ends(self) -> tuple[Int32, Int32]:
        return np.array(self.low, dtype=np.int32), np.array(self.high, dtype=np.int32)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Compare all frames at once, then walk them for what has settled."""
        low, high = self._ends()
        inside = (x >= low) & (x <= high)
        n = self.n_values
        count, before = int(state["count"][0]), int(state["valid"][0])
        y = np.zeros((len(x), self.n_out), dtype=np.int32)
        y[:, 1 : 1 + n] = np.clip(x[:, :n], low[:n], high[:n])
        for frame, guarded in enumerate(np.all(inside[:, n:], axis=1).tolist()):
            count = min(count + 1, self.settle) if guarded else 0
            if count >= self.settle:
                y[frame, 1 + n :] = inside[frame, :n]
            valid = int(y[frame, 1 + n :].all())
            y[frame, 0] = valid if valid != before else NO_EVENT
            before = valid
        values = {"count": count, "valid": before}
        return y, {key: np.array([value], dtype=np.int32) for key, value in values.items()}

    def run_float(self, x: Float64) -> Float64:
        """Return clipped values, and flags as if all had settled; without events."""
        low, high = self._ends()
        n = self.n_values
        inside = (x >= low) & (x <= high)
        valid = inside[:, :n] & inside[:, n:].all(axis=1, keepdims=True)
        none = np.full((len(x), 1), float(NO_EVENT))
        return np.hstack([none, np.clip(x[:, :n], low[:n], high[:n]), valid.astype(np.float64)])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Clip the inputs' ranges as the values are."""
        n = self.n_values
        least, most = (np.clip(end[:n], self.low[:n], self.high[:n]) for end in (low, high))
        flags = np.zeros(n, dtype=np.int64)
        return (
            np.concatenate([[NO_EVENT], least, flags]).astype(np.int64),
            np.concatenate([[_VALID], most, flags + 1]).astype(np.int64),
        )

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Clip with Max and Min; a value that clipping left alone was inside."""
        one, zero, none = nodes.int32(1), nodes.int32(0), nodes.int32(NO_EVENT)
        low, high = (nodes.constant(end) for end in self._ends())
        clipped = nodes.op("Min", nodes.op("Max", x, low), high)
        inside = nodes.cast(nodes.op("Equal", clipped, x), "int32")
        longer = nodes.op("Min", nodes.op("Add", state["count"], one), nodes.int32(self.settle))
        n = self.n_values
        count = longer
        if self.n_in > n:
            guards = nodes.slice(inside, n, self.n_in)
            guarded = nodes.op("ReduceMin", guards, nodes.indices(0), keepdims=1)
            count = nodes.op("Where", nodes.op("Equal", guarded, one), longer, zero)
        ready = nodes.op("GreaterOrEqual", count, nodes.int32(self.settle))
        valid = nodes.op("Mul", nodes.slice(inside, 0, n), nodes.cast(ready, "int32"))
        all_valid = nodes.op("ReduceMin", valid, nodes.indices(0), keepdims=1)
        same = nodes.op("Equal", all_valid, state["valid"])
        event = nodes.op("Where", same, none, all_valid)
        outputs = nodes.op("Concat", event, nodes.slice(clipped, 0, n), valid, axis=0)
        return outputs, {"count": count, "valid": all_valid}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Compare with two tables of ends."""
        tables = ""
        for name, ends in (("low", self.low), ("high", self.high)):
            text = ", ".join("(-2147483647 - 1)" if v == INT32_MIN else str(v) for v in ends)
            tables += (
                f"/* ({self.n_in},) {name} end of each value's learned range, then the guards' */\n"
                f"static const int32_t {prefix}_{name}[{self.n_in}] = {{{text}}};\n"
            )
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            N_VALUES=self.n_values,
            N_IN=self.n_in,
            SETTLE=self.settle,
        )
        state = (
            CState("count", "int32_t", 1, "consecutive frames with all guards in range"),
            CState("valid", "int32_t", 1, "1 while all values are valid"),
        )
        return CStage(tables=tables, state=state, init="", functions=functions)

    def agrees(self, real: Float64, whole: Int32) -> NDArray[np.bool_]:
        """Return where no value is off by more than its half-width."""
        n = self.n_values
        off = np.abs(real[:, :n] - whole[:, :n])
        return np.asarray((off <= np.array(self.half_widths)).all(axis=1))

    def tell(self, outputs: Int32, evidence: Int32, classes: Sequence[str]) -> Told:
        """Return each value with its interval, or that there is none.

        A distance told beside its inverse has the interval that follows from the inverse's,
        ``distance**2 * half_width``: one width for all distances says nothing of near ones.
        """
        n = self.n_values
        words, values = [], {}
        for index, output in enumerate(self.outputs()[1 : 1 + n]):
            value = output.value(int(outputs[1 + index]))
            half = self._half_width(index, value)
            valid = bool(outputs[1 + n + index])
            values[output.name] = {
                "value": round(value, 6),
                "half_width": round(half, 6),
                "unit": output.unit,
                "valid": valid,
            }
            said = f"{value:.4g} ± {half:.2g} {output.unit}" if valid else "not valid"
            words.append(f"{output.name} {said}")
        event = {_LOST: "lost", _VALID: "valid"}.get(int(outputs[0]), "")
        return Told(event, ", ".join(words), values)

    def _half_width(self, index: int, value: float) -> float:
        inverse = f"inverse_{self.names[index]}"
        if inverse in self.names:
            at = self.names.index(inverse)
            if (self.units[index], self.units[at]) == ("mm", "1/m"):
                return value**2 * self.outputs()[1 + at].value(self.half_widths[at]) * 1e-3
        return self.outputs()[1 + index].value(self.half_widths[index])

    def c_words(self, classes: Sequence[str]) -> CWords:
        """Add the values' constants and functions to what every closing stage has."""
        valid = f"pw_outputs(s)[{1 + self.n_values}] != 0"
        if self.n_values > 1:
            valid = " || ".join(
                f"(pw_outputs(s)[{1 + self.n_values + i}] != 0)" for i in range(self.n_values)
            )
        plain = super().c_words(classes)
        lines = [plain.constants, "#define PW_LOST 0", "#define PW_VALID 1"]
        lines.append(f"#define PW_N_QUANTITIES {self.n_values}u")
        for index, output in enumerate(self.outputs()[1 : 1 + self.n_values]):
            name = f"PW_QUANTITY_{c_constant(output.name)}"
            lines += [
                f"#define {name} {index}u",
                f'#define {name}_UNIT "{output.unit}"',
                f"#define {name}_NUMERATOR {output.numerator}",
                f"#define {name}_DENOMINATOR {output.denominator}",
                f"#define {name}_HALF_WIDTH {self.half_widths[index]}",
            ]
        return dataclasses.replace(
            plain,
            about=" * Output: values in fixed point, each valid or not; an event, PW_VALID on the\n"
            " * first frame on which all are valid, PW_LOST on the first on which they no longer\n"
            " * are, else PW_NONE.",
            constants="\n".join(lines),
            declarations=plain.declarations + "\n" + _DECLARATIONS,
            accessors=plain.accessors + _ACCESSORS,
            usage="        (void)pw_step(&state, lit, dark);\n"
            f"        if (pw_quantity_valid(&state, 0u) != 0) {{ /* pw_quantity(&state, 0u): "
            f"{self.names[0]} */ }}",
            tell_when=f"(event != PW_NONE) || ({valid})",
            there=valid,
        )
