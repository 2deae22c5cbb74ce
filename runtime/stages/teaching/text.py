"""The C of enrolment: scores with the owner's means, and the functions that a board calls."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import CStage, CState, Edge, fill, table
from runtime.stages.teaching.lesson import (
    LIFT,
    MAX_FRAMES,
    MAX_TAUGHT,
    SHIPPED_TAKES,
    SIXTEENTHS_BITS,
    Learner,
)
from runtime.stages.teaching.reasons import REASONS
from runtime.stages.teaching.saved import VERSION, saved_bytes
from runtime.stages.teaching.text_board import BOARD_C, DECLARATIONS
from runtime.stages.teaching.text_refusal import (
    IS_OTHER_OWN_C,
    LIKE_OWN_C,
    OTHER_OWN_C,
    REFUSAL_C,
)

__all__ = ["enrol_c"]

_RUN_C = """\
@HEAD@
/* Squared distance of two takes in the directions that they are kept in. */
static int32_t @PREFIX@_squared(const int8_t *a, const int8_t *b)
{
    int32_t sum = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < @KEPT@u; i++) {
        const int32_t step = (int32_t)a[i] - b[i];
        sum += step * step;
    }
    return sum;
}

/* Where a known class is: the owner's mean, or the shipped one. */
static const int8_t *@PREFIX@_mean(const pw_state *s, uint32_t c)
{
    return (s->@PREFIX@_taught[c] > 0) ? &s->@PREFIX@_rows[c * @KEPT@u]
                                       : &@PREFIX@_means[c * @KEPT@u];
}

@ANCHORED@@SCALAR@/* From a difference of squared distances to steps of the scores. */
static int32_t @PREFIX@_scaled(int32_t distance)
{
    return pw_requant(pw_sat(distance, -@LIMIT@, @LIMIT@), @MULTIPLIER@, @SHIFT@);
}

/* While a take is open: keep the frame that counts. */
static void @PREFIX@_watch(pw_state *s, const int32_t *base@WATCH_Y@)
{
    int32_t better = 1;
@LEAD@    if (s->@PREFIX@_frames[0] < @MOST_FRAMES@) {
        s->@PREFIX@_frames[0]++;
    }
    if (better != 0) {
        for (uint32_t i = 0u; i < @KEPT@u; i++) {
            s->@PREFIX@_best[i] = s->@PREFIX@_kept[i];
        }
        for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
            s->@PREFIX@_best_scores[c] = base[c];
        }
    }
}

/* Scores of the head and, once takes were learned from, how near each class is to the frame. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t base[@N_KNOWN@];
    int32_t far[@N_KNOWN@];
    int32_t least = INT32_MAX;
    int32_t shown = 0;
    @PREFIX@_directions_run(x, s->@PREFIX@_kept);
    @PREFIX@_head_run(x, y);
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        base[c] = y[c];
        far[c] = @PREFIX@_squared(@PREFIX@_mean(s, c), s->@PREFIX@_kept);
        shown |= s->@PREFIX@_taught[c];
    }
@NEARER@    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        least = (far[c] < least) ? far[c] : least;
    }
    for (uint32_t c = 0u; (shown != 0) && (c < @N_KNOWN@u); c++) {
        y[c] = (@Y_TYPE@)(base[c] - @PREFIX@_scaled(far[c] - least));
    }
@OWN@@COUNTED@    if (s->@PREFIX@_open[0] != 0) {
        @PREFIX@_watch(s, base@WATCH_ARGUMENT@);
    }
}
@SCALAR_END@"""

_SCALAR_C = """\
/* A handful of classes: GCC 12 makes vectors of them, and counts these too short for its jumps. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__ARM_FEATURE_MVE)
#pragma GCC push_options
#pragma GCC optimize("no-tree-vectorize", "no-tree-slp-vectorize")
#endif
"""
_SCALAR_END_C = """\
#if defined(__GNUC__) && !defined(__clang__) && defined(__ARM_FEATURE_MVE)
#pragma GCC pop_options
#endif
"""

_ANCHORED_C = """\
/* An example of a class may be nearer than its mean. */
static void @PREFIX@_nearer(int32_t *far, const int8_t *values)
{
    for (uint32_t a = 0u; a < @N_ANCHORS@u; a++) {
        const uint32_t c = @PREFIX@_anchor_class[a];
        const int32_t to = @PREFIX@_squared(&@PREFIX@_anchors[a * @KEPT@u], values);
        far[c] = (to < far[c]) ? to : far[c];
    }
}

"""

_OWN_C = """\
    int32_t lowest = y[0];
    int32_t highest = y[0];
    int32_t nearest = @REACH@;
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        const int32_t to = (s->@PREFIX@_taught[c] > 0) ? (far[c] + @FAVOUR@)
                                                       : ((far[c] / 2) - @GUARD@);
        lowest = (y[c] < lowest) ? y[c] : lowest;
        highest = (y[c] > highest) ? y[c] : highest;
        nearest = (to < nearest) ? to : nearest;
    }
    for (uint32_t c = @N_KNOWN@u; c < @N_SLOTS@u; c++) {
        y[c] = (@Y_TYPE@)lowest;
        if (s->@PREFIX@_taught[c] > 0) {
            const int8_t *row = &s->@PREFIX@_rows[c * @KEPT@u];
            const int32_t to = @PREFIX@_squared(row, s->@PREFIX@_kept);
            y[c] = (@Y_TYPE@)(highest + @PREFIX@_scaled(nearest - to));
        }
    }
"""

_COUNTED_C = """\
    for (uint32_t c = 0u; (shown != 0) && (c < @N_SLOTS@u); c++) {
        y[c] = (@Y_TYPE@)pw_requant(y[c], @SIXTEENTHS@, @SIXTEENTHS_BITS@);
    }
"""

_LEAD_C = """\
    uint32_t best = 0u;
    for (uint32_t c = 1u; c < @N_KNOWN@u; c++) {
        best = (y[c] > y[best]) ? c : best;
    }
    int32_t next = INT32_MIN;
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        if ((c != best) && (y[c] > next)) {
            next = y[c];
        }
    }
    int32_t lead = (int32_t)y[best] - next;
    lead = (@PREFIX@_learnable[best] != 0u) ? lead : -lead;
    better = (s->@PREFIX@_frames[0] == 0) || (lead > s->@PREFIX@_lead[0]);
    if (better != 0) {
        s->@PREFIX@_lead[0] = lead;
    }
"""


def enrol_c(stage: Learner, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the stage's C; its head's stands within, under a longer prefix."""
    sizes = stage.sizes
    head = stage.head.c(f"{prefix}_head", x, Edge(y.ctype, sizes.n_known, y.lo, y.hi))
    kept = Edge("int8_t", sizes.n_kept, -stage.directions.limit, stage.directions.limit)
    directions = stage.directions.c(f"{prefix}_directions", x, kept)
    values = _values(stage, prefix, x, y) | {"HEAD": head.functions + "\n" + directions.functions}
    functions = fill(_RUN_C, **values)
    return CStage(
        tables=head.tables + directions.tables + _tables(stage, prefix),
        state=_state(stage),
        init=head.init + directions.init,
        functions=functions,
        scratch=(
            *head.scratch,
            *directions.scratch,
            CState("kept", "int8_t", sizes.n_kept, "the frame in the directions"),
        ),
        shared=(*head.shared, *(text for text in directions.shared if text not in head.shared)),
        declarations=fill(DECLARATIONS, **values),
        accessors=_board_text(values),
    )


_FORGOTTEN_STACK_BYTES = 1024
"""How far below itself ``pw_forget`` wipes the stack: stages of this project's models use less."""

_SMALL = """
/* Called once a take: clang would unroll them for speed, to three times the bytes. */
#if defined(__clang__)
#pragma clang attribute push(__attribute__((minsize)), apply_to = function)
#endif
"""
_SMALL_END = """
#if defined(__clang__)
#pragma clang attribute pop
#endif
"""


def _board_text(values: dict[str, object]) -> str:
    """Fill the board's functions; what sets a state anew is for the generator to say."""
    before, mark, behind = (REFUSAL_C + BOARD_C).partition("@RESTART@")
    filled = fill(before, **values) + mark + fill(behind, **values)
    return _SMALL + _SCALAR_C + filled + _SCALAR_END_C + _SMALL_END


def _values(stage: Learner, prefix: str, x: Edge, y: Edge) -> dict[str, object]:
    """Return what the marks of all texts stand for."""
    sizes, moves, n_anchors = stage.sizes, stage.moves, len(stage.anchors)
    return {
        "PREFIX": prefix,
        "X_TYPE": x.ctype,
        "Y_TYPE": y.ctype,
        "N_KNOWN": sizes.n_known,
        "N_OWN": sizes.n_own,
        "N_SLOTS": sizes.n_slots,
        "N_TAKES": sizes.n_takes,
        "N_PLACES": sizes.n_places,
        "KEPT": sizes.n_kept,
        "N_ANCHORS": n_anchors,
        "ANCHORED": _ANCHORED_C if n_anchors else "",
        "SCALAR": _SCALAR_C,
        "SCALAR_END": _SCALAR_END_C,
        "NEARER": f"    {prefix}_nearer(far, s->{prefix}_kept);\n" if n_anchors else "",
        "NEARER_BEST": f"    {prefix}_nearer(far, s->{prefix}_best);\n" if n_anchors else "",
        "SAVED_BYTES": saved_bytes(sizes),
        "STACK_WORDS": _FORGOTTEN_STACK_BYTES // 4,
        "STACK_BYTES": f"{_FORGOTTEN_STACK_BYTES:,}",
        "LIMIT": stage.limit,
        "FAVOUR": f"({stage.favour})",
        "GUARD": f"({stage.guard})",
        "REACH": stage.reach,
        "MULTIPLIER": stage.multiplier,
        "SHIFT": stage.shift,
        "MOST_FRAMES": MAX_FRAMES,
        "MOST_TAUGHT": MAX_TAUGHT,
        "LIFT": LIFT,
        "SHIPPED": SHIPPED_TAKES,
        # Without own places all classes are known: asked, GCC warns at -O3 of others.
        "SHIPPED_OF_C": (
            f"(c < {sizes.n_known}u) ? {SHIPPED_TAKES} : 0" if sizes.n_own else SHIPPED_TAKES
        ),
        "LEAST_FRAMES": stage.least_frames,
        "UNLIKE": stage.unlike,
        "APART": stage.apart,
        "RIVAL": stage.rival,
        "OWN": _OWN_C if sizes.n_own else "",
        "OTHER_OWN": OTHER_OWN_C if sizes.n_own > 1 else "",
        "IS_OTHER_OWN": IS_OTHER_OWN_C if sizes.n_own > 1 else "",
        "LIKE_OWN": LIKE_OWN_C if sizes.n_own > 1 else "",
        "NEAR_OWN": stage.near_own,
        "COUNTED": _COUNTED_C if stage.sixteenths < 1 << SIXTEENTHS_BITS else "",
        "SIXTEENTHS": stage.sixteenths,
        "SIXTEENTHS_BITS": SIXTEENTHS_BITS,
        "LEAD": _LEAD_C if moves else "",
        "WATCH_Y": f", const {y.ctype} *y" if moves else "",
        "WATCH_ARGUMENT": ", y" if moves else "",
        "NO_GESTURE": _no_gesture_text(stage.learnable),
        "VERSION": VERSION,
        "N_WEIGHTS": sizes.n_slots * sizes.n_kept,
        "ROWS_AT": 40 + 2 * sizes.n_slots,
        "N_ALL_VALUES": sizes.n_places * sizes.n_kept,
        "REASONS": "\n".join(
            f"#define PW_ENROL_{name} ({number}) /* {words} */"
            for number, (name, words) in REASONS.items()
        ),
    }


def _no_gesture_text(learnable: Sequence[bool]) -> str:
    """Return the header's line about classes that no take can be of; empty without any."""
    numbers = [str(c) for c, may in enumerate(learnable) if not may]
    if not numbers:
        return ""
    *most, last = numbers
    several = f"classes {', '.join(most)} and {last}, which are"
    several = several if most else f"class {last}, which is"
    text = f"No take can be of {several} no gesture{'s' if most else ''}."
    return textwrap.fill(text, 98, initial_indent=" * ", subsequent_indent=" * ") + "\n"


def _tables(stage: Learner, prefix: str) -> str:
    sizes = stage.sizes
    flags = np.array([*stage.learnable, *[True] * sizes.n_own], dtype=np.int32)
    shape = f"({sizes.n_known}, {sizes.n_kept})"
    made: list[tuple[str, NDArray[Any], str, str]] = [
        ("means", stage.means, "int8_t", f"{shape} means of classes over training people"),
        ("near", stage.near, "int32_t", "squared distance within which a gesture is not new"),
        ("learnable", flags, "uint8_t", "1 where takes of the class may be learned"),
    ]
    if len(stage.anchors):
        shape = f"({len(stage.anchors)}, {sizes.n_kept})"
        made += [
            ("anchors", stage.anchors, "int8_t", f"{shape} examples of classes without a mean"),
            ("anchor_class", stage.anchor_classes, "uint8_t", "their classes"),
        ]
    return "".join(
        table(f"{prefix}_{name}", values, ctype, comment) for name, values, ctype, comment in made
    )


def _state(stage: Learner) -> tuple[CState, ...]:
    """Return the members, in the order of the reference's: wide ones first."""
    sizes = stage.sizes
    n_places, of_places = sizes.n_places, f"({sizes.n_places}, n_kept)"
    return (
        CState("ask", "int32_t", 2, "zero: in C, commands are functions"),
        CState("answer", "int32_t", 1, "what the last of them returned"),
        CState("open", "int32_t", 1, "class of the open take and 1, or 0"),
        CState("frames", "int32_t", 1, "its frames so far"),
        CState("lead", "int32_t", 1, "lead of its surest frame"),
        CState("best_scores", "int32_t", sizes.n_known, "the head's scores on that frame"),
        CState("taught", "int16_t", sizes.n_slots, "(n_slots,) takes learned from"),
        CState("rows", "int8_t", sizes.n_slots * sizes.n_kept, "(n_slots, n_kept) learned means"),
        CState("best", "int8_t", sizes.n_kept, "values of the frame that counts"),
        CState("takes", "int8_t", n_places * sizes.n_kept, f"{of_places} takes of a session"),
        CState("take_class", "int8_t", n_places, "class of each and 1, or 0"),
    )
