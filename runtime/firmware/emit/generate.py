"""A model as a firmware folder: C99 that reads like hand-written code, and the same every time.

``pw_model.h`` is the interface, ``pw_model.c`` the stages in order, ``pw_weights.h`` the constant
tables, ``pw_vectors.h`` with ``selftest.c`` a test that a board can run, ``README.md`` how to
build. The text depends on the model alone (and, for the sizes in the header, on the compiler).
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from runtime.errors import FormatError
from runtime.firmware.emit.readme import README, readme_values
from runtime.firmware.emit.scenes import choose_scenes
from runtime.firmware.emit.selftest import selftest_c, vectors_h
from runtime.firmware.emit.text import HEADER_H, HELPERS, MODEL_C, STEP_C
from runtime.firmware.measure.footprint import Footprint
from runtime.firmware.setting import DeviceSetting
from runtime.model import Model, model_hash
from runtime.stages.contract.c_text import CStage, Edge, fill

__all__ = [
    "MODEL_FILES",
    "StagePlace",
    "generate",
    "stage_labels",
    "stage_places",
]

MODEL_FILES = (
    "pw_model.h", "pw_model.c", "pw_weights.h", "pw_vectors.h", "selftest.c", "README.md",
)  # fmt: skip
"""Every file of a firmware folder that is the model's."""


@dataclass(frozen=True, slots=True)
class _Part:
    """One stage on its way to C: its name, its values in and out, its text."""

    label: str
    kind: str
    x: Edge
    y: Edge
    c: CStage
    room: str
    """The union that the output shares, ``even.`` or ``odd.``; empty for one that lasts."""
    seldom: bool
    """Whether it runs only on frames on which a stage before it gives something new."""

    @property
    def place(self) -> str:
        """The expression for the stage's output within the state."""
        if self.c.output:
            return f"s->{self.label}_{self.c.output}"
        return f"s->{self.room}{self.label}_y"

    @property
    def has_own_place(self) -> bool:
        """Whether the output is a member of its own that is not part of the compared state."""
        return not self.room and not self.c.output


def generate(
    model: Model,
    footprint: Footprint | None = None,
    keys: Sequence[int] | None = None,
    setting: DeviceSetting | None = None,
) -> dict[str, str]:
    """Return the folder's files as text, by name.

    Parameters
    ----------
    model : Model
        Its closing stage says what the header speaks of.
    footprint : Footprint, optional
        Measured bytes, stated in the header.
    keys : sequence of int, optional
        Scenes of the self-test; the first ones tried when absent, without a search for events.
    setting : DeviceSetting, optional
        Of the device program, which the README tells; the sensor's own when absent.

    Raises
    ------
    FormatError
        The model has nothing between its entry and its closing stage.
    OverflowRisk
        Some stage cannot be proved to fit its accumulators.
    """
    parts = _parts(model)
    values = _values(model, parts, footprint)
    values |= readme_values(model, setting or DeviceSetting.of(model.sensor))
    return {
        "pw_model.h": fill(HEADER_H, **values),
        "pw_model.c": fill(MODEL_C, **values),
        "pw_weights.h": _weights_h(parts, values),
        "pw_vectors.h": vectors_h(
            model,
            choose_scenes(model, 0) if keys is None else keys,
            [(p.label, member) for p in parts for member in p.c.state],
        ),
        "selftest.c": selftest_c(model),
        "README.md": fill(README, **values),
    }


@dataclass(frozen=True, slots=True)
class StagePlace:
    """Where one stage of the C puts its output: an expression on ``pw_state *s``, and its form."""

    label: str
    kind: str
    place: str
    length: int
    item_bytes: int
    has_state: bool

    @property
    def n_bytes(self) -> int:
        """Bytes of one frame's output."""
        return self.length * self.item_bytes


def stage_places(model: Model) -> tuple[StagePlace, ...]:
    """Return the place of each stage's output, in order."""
    return tuple(
        StagePlace(
            p.label, p.kind, p.place, p.y.length,
            int(p.y.ctype.removeprefix("int").removesuffix("_t")) // 8, bool(p.c.state),
        )
        for p in _parts(model)
    )  # fmt: skip


def stage_labels(model: Model) -> dict[str, str]:
    """Return each stage's place and kind, by the prefix of its C functions."""
    return {f"s{index}": f"s{index} {stage.kind}" for index, stage in enumerate(model.stages)}


def _parts(model: Model) -> list[_Part]:
    """Return each stage's C, with the types that the proved ranges allow."""
    if len(model.stages) < 3:
        raise FormatError("model", "number of stages", len(model.stages), "3 and more")
    most = model.sensor.max_counts
    x, last = Edge("uint16_t", model.sensor.n_pixels, -most, most), len(model.stages) - 1
    parts, seldom = [], [every > 1 for every in model.run_every]
    lasting = model.outputs_last
    for index, (stage, y) in enumerate(zip(model.stages, model.edges(), strict=True)):
        room = ("even.", "odd.")[index % 2]
        if index >= last - 1:  # evidence and outputs are the interface: int32_t, and they stay
            y, room = Edge("int32_t", y.length, y.lo, y.hi), ""
        label = f"s{index}"
        c = stage.c(label, x, y)
        if c.output or lasting[index]:
            room = ""
        parts.append(_Part(label, stage.kind, x, y, c, room, seldom[index]))
        x = y
    return parts


def _values(model: Model, parts: list[_Part], footprint: Footprint | None) -> dict[str, object]:
    """Return what the templates' places stand for."""
    sensor, words = model.sensor, model.closing.c_words(model.classes)
    members = [(p.label, m) for p in parts for m in p.c.state]
    shared = dict.fromkeys(text for p in parts for text in p.c.shared)
    functions = "\n".join(
        [*shared, *(f"/* Stage {p.label}: {p.kind}. */\n{p.c.functions}" for p in parts)]
    )
    step: dict[str, object] = {
        "ENTRY": parts[0].label,
        "Y": parts[0].place,
        "CALLS": _calls(parts),
        "ACCESSORS": words.accessors + "".join(p.c.accessors for p in parts),
        "RESTART": "".join(p.c.init for p in parts),
        "EVIDENCE": parts[-2].place,
        "OUTPUTS": parts[-1].place,
        **_rows_read(model),
    }
    listed = [f"X({m.ctype}, {label}_{m.key}, {m.length})" for label, m in members]
    return {
        "NAME": _plain(model.name),
        "TASK": _plain(model.task),
        "MODEL_ID": model_hash(model),
        "N_ROWS": sensor.n_rows,
        "N_COLS": sensor.n_cols,
        "BIT_DEPTH": sensor.bit_depth,
        "MAX_COUNTS": sensor.max_counts,
        "RATE": f"{sensor.frame_rate_hz:g}",
        "N_STAGES": len(parts),
        "STAGES": _wrapped(f"Stages: {', '.join(f'{p.label} {p.kind}' for p in parts)}."),
        "FIRST_ROW": model.entry.rows_read.start,
        "LAST_ROW": model.entry.rows_read.stop - 1,
        "ABOUT": words.about,
        "NAMES": f"{_wrapped(words.names)}\n" if words.names else "",
        "CONSTANTS": words.constants,
        "DECLARATIONS": "\n\n".join(
            [words.declarations, *(p.c.declarations for p in parts if p.c.declarations)]
        ),
        "EVENT": words.event,
        "ARTICLE": "an" if words.event[0] in "aeiou" else "a",
        "ITEM": words.item,
        "USAGE": words.usage,
        "SIZES": _sizes_text(footprint),
        "MEMBERS": "".join(
            f"    {m.ctype} {label}_{m.key}[{m.length}]; /* {m.comment} */\n"
            for label, m in members
        ),
        "SCRATCH": _scratch(parts),
        "MEMBER_LIST": " \\\n    ".join(["#define PW_STATE_MEMBERS(X)", *listed]),
        "HELPERS": "\n".join(text for name, text in HELPERS.items() if _uses(name, functions)),
        "FUNCTIONS": functions,
        "STEP": fill(STEP_C, **step),
        "INIT": "".join(p.c.init for p in parts),
    }


def _rows_read(model: Model) -> dict[str, object]:
    """Return how rows are counted: those that the entry reads, from the first on."""
    rows = model.entry.rows_read
    low = f"(row >= {rows.start}u) && " if rows.start else ""
    return {
        "WITHIN": f"{low}(row < {rows.stop}u)" if low else f"row < {rows.stop}u",
        "NEXT": f"s->rows_done + {rows.start}u" if rows.start else "s->rows_done",
        "N_ROWS_READ": len(rows),
    }


def _uses(helper: str, functions: str) -> bool:
    """Tell whether a helper is called by the stages, or by a helper that they call."""
    callers = {"pw_asr32": ("pw_asr32", "pw_requant"), "pw_sat": ("pw_sat",)}
    return any(name in functions for name in callers.get(helper, (helper,)))


def _calls(parts: list[_Part]) -> str:
    """Return the statements that run every stage after the entry.

    Stages that run seldom stand in the block of the one before them that holds its output.
    """
    lines = []
    for index, (before, part) in enumerate(pairwise(parts), start=1):
        state = "s, " if part.c.state or part.c.scratch else ""
        call = f"{part.label}_run({state}{before.place}, {part.place})"
        if part.c.settles:
            settle = f"{part.label}_settle(s, {before.place});"
            lines.append(f"    if (s->settling != 0u) {{\n        {settle}\n    }}\n")
        next_seldom = index + 1 < len(parts) and parts[index + 1].seldom
        if next_seldom and not part.seldom:
            lines.append(f"    if ({call} != 0) {{ /* the same values give the same again */\n")
            continue
        lines.append(f"{'    ' * (1 + part.seldom)}{call};\n")
        if part.seldom and not next_seldom:
            lines.append("    }\n")
    return "".join(lines)


def _scratch(parts: list[_Part]) -> str:
    """Return the members that live within one frame, then those that stay readable after it.

    A stage's output is dead once the next stage has run, so that every other one shares a place.
    What stands from `even` up to `settling` is zero between frames; evidence and outputs stay, and
    what is read on frames on which it is not written.
    """
    lines = []
    for room in ("even", "odd"):
        shared = [p for p in parts if p.room == f"{room}."]
        if shared:
            lines.append("    union {\n")
            lines.append("        uint32_t words; /* aligns the others */\n")
            lines += [
                f"        {p.y.ctype} {p.label}_y[{_padded(p.y)}]; /* {p.kind} */\n" for p in shared
            ]
            lines.append(f"    }} {room};\n")
    lines += [
        f"    {m.ctype} {p.label}_{m.key}[{m.length}]; /* {m.comment} */\n"
        for p in parts
        for m in p.c.scratch
    ]
    lines.append(
        "    uint32_t rows_done; /* rows of this frame so far, of those that are read */\n"
    )
    lines.append("    int32_t rows_error; /* the first error of this frame's rows, or 0 */\n")
    lines.append("    uint32_t settling; /* whether the next frame stands for all before it */\n")
    for part in (p for p in (*parts[-2:], *parts[:-2]) if p.has_own_place):
        lines.append(f"    {part.y.ctype} {part.label}_y[{part.y.length}]; /* {part.kind} */\n")
    return "".join(lines)


def _wrapped(text: str) -> str:
    """Return text as lines of a C comment."""
    return textwrap.fill(text, 98, initial_indent=" * ", subsequent_indent=" * ")


def _padded(y: Edge) -> int:
    """Return the length of an output's place: kernels may read whole turns of four or eight."""
    turn = 4 if y.ctype == "int32_t" else 8
    return -(-y.length // turn) * turn


def _sizes_text(footprint: Footprint | None) -> str:
    """Return the header's line of bytes."""
    if footprint is None:
        return " * Bytes: not measured."
    return (
        f" * Flash {footprint.flash_bytes} bytes, RAM {footprint.ram_bytes} bytes (the state), "
        f"stack at most {footprint.stack_bytes} bytes,\n"
        f" * on {footprint.core} compiled by {footprint.compiler} with {footprint.optimise}."
    )


def _weights_h(parts: list[_Part], values: dict[str, object]) -> str:
    """Return the constant tables of every stage."""
    head = (
        f"/* Constant tables of {values['NAME']}, included by pw_model.c alone. */\n"
        "#ifndef PW_WEIGHTS_H\n#define PW_WEIGHTS_H\n\n#include <stdint.h>\n\n"
    )
    tables = "\n".join(p.c.tables for p in parts if p.c.tables)
    return f"{head}{tables}\n#endif\n"


def _plain(text: str) -> str:
    """Return text that is safe inside a C comment and string: printable ASCII, no quotes."""
    kept = "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else "?" for c in text)
    return kept.replace("*/", "* /").replace("/*", "/ *")
