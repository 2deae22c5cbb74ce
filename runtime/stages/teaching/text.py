"""The C of enrolment: scores with the owner's rows, and the functions that a board calls."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import CStage, CState, Edge, fill, table
from runtime.stages.teaching.lesson import (
    CHANCE_BITS,
    EXPONENTIALS,
    EXTRA_BITS,
    KEPT_LIMIT,
    PASSES,
    SMALLEST_BITS,
    Learner,
    row_limit,
)
from runtime.stages.teaching.reasons import REASONS
from runtime.stages.teaching.saved import VERSION, saved_bytes
from runtime.stages.teaching.text_board import BOARD_C, DECLARATIONS

__all__ = ["enrol_c"]

_RUN_C = """\
@HEAD@
/* What a row of the owner's adds to its score. */
static int32_t @PREFIX@_evidence(const int16_t *row, const int8_t *kept)
{
    int32_t sum = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_IN@u; i++) {
        sum += (int32_t)row[i] * kept[i];
    }
    return pw_requant(pw_sat(sum, -@EVIDENCE_LIMIT@, @EVIDENCE_LIMIT@), @MULTIPLIER@, @SHIFT@);
}

/* While a take is open: keep the frame that counts. */
static void @PREFIX@_watch(pw_state *s, const int32_t *base@WATCH_Y@)
{
    int32_t better = 1;
@LEAD@    if (s->@PREFIX@_frames[0] < @MOST_FRAMES@) {
        s->@PREFIX@_frames[0]++;
    }
    if (better != 0) {
        for (uint32_t i = 0u; i < @N_IN@u; i++) {
            s->@PREFIX@_best[i] = s->@PREFIX@_kept[i];
        }
        for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
            s->@PREFIX@_best_scores[c] = base[c];
        }
    }
}

/* Scores of the head, and what the owner's takes add; zero rows before there are any. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t base[@N_KNOWN@];
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_IN@u; i++) {
        const int32_t from_centre = (int32_t)x[i]@CENTRE@;
        s->@PREFIX@_kept[i] = (int8_t)pw_sat(@SHORTENED@, -@KEPT_LIMIT@, @KEPT_LIMIT@);
    }
    @PREFIX@_head_run(x, y);
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        base[c] = y[c];
        const int16_t *row = &s->@PREFIX@_rows[c * @N_IN@u];
        y[c] = (@Y_TYPE@)(base[c] + @PREFIX@_evidence(row, s->@PREFIX@_kept));
    }
@OWN@    if (s->@PREFIX@_open[0] != 0) {
        @PREFIX@_watch(s, base@WATCH_ARGUMENT@);
    }
}
"""

_OWN_C = """\
    int32_t lowest = y[0];
    for (uint32_t c = 1u; c < @N_KNOWN@u; c++) {
        lowest = (y[c] < lowest) ? y[c] : lowest;
    }
    for (uint32_t c = @N_KNOWN@u; c < @N_SLOTS@u; c++) {
        y[c] = (@Y_TYPE@)lowest;
        if (s->@PREFIX@_taught[c] > 0) {
            const int16_t *row = &s->@PREFIX@_rows[c * @N_IN@u];
            y[c] = (@Y_TYPE@)(@OWN_LEVEL@ + @PREFIX@_evidence(row, s->@PREFIX@_kept));
        }
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
    values = _values(stage, prefix, x, y) | {"HEAD": head.functions}
    functions = fill(_RUN_C, **values)
    return CStage(
        tables=head.tables + _tables(stage, prefix),
        state=_state(stage),
        init=head.init,
        functions=functions,
        scratch=(*head.scratch, CState("kept", "int8_t", sizes.n_in, "the head's values, 8 bits")),
        shared=head.shared,
        declarations=fill(DECLARATIONS, **values),
        accessors=_board_text(values),
    )


def _board_text(values: dict[str, object]) -> str:
    """Fill the board's functions; what sets a state anew is for the generator to say."""
    before, mark, behind = BOARD_C.partition("@RESTART@")
    return fill(before, **values) + mark + fill(behind, **values)


def _values(stage: Learner, prefix: str, x: Edge, y: Edge) -> dict[str, object]:
    """Return what the marks of all texts stand for."""
    sizes, moves = stage.sizes, stage.moves
    kept = "from_centre"
    if stage.kept_shift:
        kept = f"pw_asr32(from_centre + {1 << (stage.kept_shift - 1)}, {stage.kept_shift})"
    return {
        "PREFIX": prefix,
        "X_TYPE": x.ctype,
        "Y_TYPE": y.ctype,
        "N_IN": sizes.n_in,
        "N_KNOWN": sizes.n_known,
        "N_OWN": sizes.n_own,
        "N_SLOTS": sizes.n_slots,
        "N_TAKES": sizes.n_takes,
        "N_PLACES": sizes.n_places,
        "N_ANCHORS": sizes.n_anchors,
        "SAVED_BYTES": saved_bytes(sizes),
        "EVIDENCE_LIMIT": stage.evidence_limit,
        "MULTIPLIER": stage.multiplier,
        "SHIFT": stage.shift,
        "EXP_MULTIPLIER": stage.exp_multiplier,
        "EXP_SHIFT": stage.exp_shift,
        "KEPT_LIMIT": KEPT_LIMIT,
        "SHORTENED": kept,
        "CENTRE": f" - {prefix}_centre[i]" if stage.centre.any() else "",
        "MOST_FRAMES": 1 << 20,
        "LEAST_FRAMES": stage.least_frames,
        "UNLIKE": stage.unlike,
        "APART": stage.apart,
        "RIVAL": stage.rival,
        "OWN_LEVEL": f"({stage.own_level})",
        "OWN": _OWN_C if sizes.n_own else "",
        "LEAD": _LEAD_C if moves else "",
        "WATCH_Y": f", const {y.ctype} *y" if moves else "",
        "WATCH_ARGUMENT": ", y" if moves else "",
        "PASSES": PASSES,
        "CHANCE_BITS": CHANCE_BITS,
        "LIFT": 1 << (stage.row_bits + 1 + EXTRA_BITS - CHANCE_BITS),
        "LEAST_SIZE": 1 << (stage.row_bits - SMALLEST_BITS),
        "EXTRA_BITS": EXTRA_BITS,
        "HALF": 1 << (EXTRA_BITS - 1),
        "ROW_LIMIT": row_limit(sizes.n_in),
        "VERSION": VERSION,
        "N_WEIGHTS": sizes.n_slots * sizes.n_in,
        "N_NUMBERS": sizes.n_slots * (1 + sizes.n_in),
        "N_ALL_VALUES": sizes.n_places * sizes.n_in,
        "N_ALL_SCORES": sizes.n_places * sizes.n_known,
        "N_STEPS": f"{2 * PASSES * (sizes.n_anchors + sizes.n_places):,}",
        "REASONS": "\n".join(
            f"#define PW_ENROL_{name} ({number}) /* {words} */"
            for number, (name, words) in REASONS.items()
        ),
    }


def _tables(stage: Learner, prefix: str) -> str:
    sizes = stage.sizes
    flags = np.array([*stage.learnable, *[True] * sizes.n_own], dtype=np.int32)
    shape = f"({sizes.n_anchors}, {sizes.n_in})"
    made: list[tuple[str, NDArray[Any], str, str]] = [
        ("anchors", stage.anchors, "int8_t", f"{shape} examples of training people"),
        ("anchor_scores", stage.anchor_scores, "int32_t", "their scores by the head"),
        ("anchor_class", stage.anchor_classes, "uint8_t", "their classes"),
        ("means", stage.means, "int8_t", f"({sizes.n_known}, {sizes.n_in}) means of classes"),
        ("near", stage.near, "int32_t", "squared distance within which a gesture is not new"),
        ("learnable", flags, "uint8_t", "1 where takes of the class may be learned"),
        ("exp", EXPONENTIALS, "uint16_t", "exp(-d / 16), Q15"),
    ]
    if stage.centre.any():
        made.append(("centre", stage.centre, "int32_t", "taken from values before they are kept"))
    return "".join(
        table(f"{prefix}_{name}", values, ctype, comment) for name, values, ctype, comment in made
    )


def _state(stage: Learner) -> tuple[CState, ...]:
    """Return the members, in the order of the reference's: wide ones first."""
    sizes = stage.sizes
    places, n_places = f"({sizes.n_places}, ", sizes.n_places
    return (
        CState("ask", "int32_t", 2, "zero: in C, commands are functions"),
        CState("answer", "int32_t", 1, "what the last of them returned"),
        CState("open", "int32_t", 1, "class of the open take and 1, or 0"),
        CState("frames", "int32_t", 1, "its frames so far"),
        CState("lead", "int32_t", 1, "lead of its surest frame"),
        CState("best_scores", "int32_t", sizes.n_known, "the head's scores on that frame"),
        CState("take_scores", "int32_t", n_places * sizes.n_known, f"{places}n_known) scores"),
        CState("rows", "int16_t", sizes.n_slots * sizes.n_in, "(n_slots, n_in) what was learned"),
        CState("taught", "int16_t", sizes.n_slots, "(n_slots,) takes learned from"),
        CState("best", "int8_t", sizes.n_in, "values of the frame that counts"),
        CState("takes", "int8_t", sizes.n_places * sizes.n_in, f"{places}n_in) takes of a session"),
        CState("take_class", "int8_t", sizes.n_places, "class of each and 1, or 0"),
    )
