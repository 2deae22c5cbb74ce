"""The C of a pair: registration's own, and behind it the joint fit of frames that need it.

Twins: `runtime.stages.pair.levels`, `runtime.stages.pair.solving`, `runtime.stages.pair.joint`.
"""

from __future__ import annotations

from typing import Any

from runtime.stages.alignment.arithmetic import ACCEPTED
from runtime.stages.alignment.binned import mean_factor
from runtime.stages.alignment.c_text import registration_c
from runtime.stages.alignment.energy import TOLERANCE_SHIFT
from runtime.stages.contract.c_text import CStage, CState, Edge, fill, table
from runtime.stages.pair import solving
from runtime.stages.pair.c_fit import DOTS, FIT, SOLVE
from runtime.stages.pair.joint import (
    AMOUNT_BITS,
    LEAST_AMOUNT,
    MOST_AMOUNT,
    MOST_LAST,
    ROUNDS,
    TRACK_LAST,
    TRACK_ROUNDS,
)
from runtime.stages.pair.levels import WEIGHT_BITS, Bins, place_factor

__all__ = ["pair_c"]

_RUN = """\
/* Sums about their mean, cut to `room` bits; returns how far. */
PW_STAGE int32_t @P@_centred(int32_t *sums, uint32_t n, int32_t mean, int32_t room, int16_t *b)
{
    const int32_t limit = (1 << room) - 1;
    for (uint32_t i = 0u; i < n; i++) {
        sums[i] -= mean;
    }
    const int32_t shift = @O@_surplus(sums, n, room);
    for (uint32_t i = 0u; i < n; i++) {
        b[i] = (int16_t)pw_sat(@O@_cut(sums[i], shift), -limit, limit);
    }
    return shift;
}

/* Finer bins of the aperture; returns their sum. */
PW_STAGE int32_t @P@_finer(const @X@ *x, int32_t *sums)
{
    int32_t total = 0;
    for (uint32_t line = 0u; line < @PAIR_ROWS@u; line++) {
        for (uint32_t b = 0u; b < @PAIR_COLS@u; b++) {
            sums[b] = 0;
        }
        for (uint32_t row = 0u; row < @PAIR_HEIGHT@u; row++) {
            for (uint32_t b = 0u; b < @PAIR_COLS@u; b++) {
                PW_UNROLL
                for (uint32_t i = 0u; i < @PAIR_WIDTH@u; i++) {
                    sums[b] += x[i];
                }
                x = &x[@PAIR_WIDTH@];
            }
            x = &x[@SKIPPED@];
        }
        for (uint32_t b = 0u; b < @PAIR_COLS@u; b++) {
            total += sums[b];
        }
        sums = &sums[@PAIR_COLS@];
    }
    return total;
}

/* The cell that fits best what the one source leaves of the bins: where a second one begins. */
PW_STAGE void @P@_begin(const int16_t *b, int16_t *columns, @P@_at *at)
{
    int32_t place[2];
    int32_t cross = 0;
    int32_t square = 0;
    const int32_t cell = @P@_place(at->slope, place);
    @P@_columns(&@O@_spline[cell * @N_BINS@], @N_BINS@u, @DROP_BINS@, place, columns);
    for (uint32_t i = 0u; i < @N_BINS@u; i++) {
        cross += b[i] * columns[i];
        square += columns[i] * columns[i];
    }
    const int32_t factor = (int32_t)@O@_quotient(cross, square);
    int16_t *left = &columns[@N_BINS@];
    for (uint32_t i = 0u; i < @N_BINS@u; i++) {
        const int32_t off = @O@_cut(factor * columns[i], 10);
        left[i] = (int16_t)pw_sat(b[i] - off, -@LIMIT_BINS@, @LIMIT_BINS@);
    }
    const int32_t ends[4] = {0, @COARSE_N_X@ - 1, 0, @COARSE_N_Y@ - 1};
    int32_t best[2] = {0, 0};
    @O@_search(left, @O@_patterns, ends, best);
    at->slope[2] = @COARSE_MIDDLE_X@ + (best[0] * @COARSE_STEP@);
    at->slope[3] = @COARSE_MIDDLE_Y@ + (best[1] * @COARSE_STEP@);
}

/* 16 times the base-2 logarithm, straight within each octave. */
PW_LOCAL int32_t @P@_level(int32_t value)
{
    const uint32_t kept = (value < 1) ? 1u : (uint32_t)value;
    const int32_t octave = @O@_bits(kept) - 1;
    return (16 * octave) - 16
        + (int32_t)((octave < 4) ? (kept << (4 - octave)) : (kept >> (octave - 4)));
}

/* What a quadratic spline makes of a place is taken off. */
PW_LOCAL int32_t @P@_straight(int32_t slope, int32_t d)
{
    const int32_t cubic = @O@_product(@O@_product(d, d), d) - @O@_cut(d, 2);
    return slope - @O@_product(@O@_product(@BEND@, cubic), @STEP@);
}

/* Rounds on finer bins from where `at` stands: both sources, the brighter first. */
PW_STAGE void @P@_last(pw_state *s, const @X@ *own, uint32_t rounds, @P@_at *at, @Y@ *y)
{
    int32_t *const track = s->@P@_track;
    int16_t *const b = s->@P@_bins;
    const int32_t total = @P@_finer(own, s->@P@_sums);
    const int32_t shift = @P@_centred(s->@P@_sums, @N_FINE@u,
        pw_requant(total, @MEAN_FINE@, @MEAN_FINE_SHIFT@), @BITS_FINE@, b);
    at->amount[0] = 0;
    at->amount[1] = 0;
    for (uint32_t round = 0u; round < rounds; round++) {
        @P@_fit(b, @P@_spline, @N_FINE@u, @DROP_FINE@, @LIMIT_FINE@, s->@P@_columns, at);
        if (at->poor == 0) {
            break;
        }
    }
    int32_t energy = 0;
    for (uint32_t i = 0u; i < @N_FINE@u; i++) {
        energy += b[i] * b[i];
    }
    const int32_t down = @ENERGY_BITS@ - (2 * shift);
    int32_t noise = pw_requant((total < 0) ? 0 : total, @NOISE@, @NOISE_SHIFT@);
    noise = ((noise < 1073741823) ? noise : 1073741823) + @FLOOR@;
    int32_t excess = @O@_steps(at->left, down) - noise
        - pw_requant(@O@_steps(energy, down), @TOLERANCE@, @TOLERANCE_SHIFT@);
    int32_t between = 0;
    int32_t slopes[4];
    int32_t level[2];
    for (uint32_t k = 0u; k < 2u; k++) {
        const int32_t away = at->slope[k] - at->slope[k + 2u];
        const int32_t part = ((away < 0) ? -away : away) >> 6;
        between += part * part;
        level[k] = @P@_level(at->square[k]) + (2 * @P@_level(at->amount[k])) + (32 * shift)
            + @LEVEL@;
        level[k] = pw_sat(level[k], 0, 496);
        int32_t place[2];
        (void)@P@_place(&at->slope[2u * k], place);
        slopes[2u * k] = @P@_straight(at->slope[2u * k], place[0]);
        slopes[(2u * k) + 1u] = @P@_straight(at->slope[(2u * k) + 1u], place[1]);
    }
    if ((excess <= 0) && ((at->poor != 0) || (between < @APART@))) {
        excess = 1;
    }
    const uint32_t first = (level[0] >= level[1]) ? 0u : 1u;
    for (uint32_t k = 0u; k < 2u; k++) {
        const uint32_t from = (k == 0u) ? first : (1u - first);
        y[4u * k] = (@Y@)slopes[2u * from];
        y[(4u * k) + 1u] = (@Y@)slopes[(2u * from) + 1u];
        y[(4u * k) + 2u] = (@Y@)level[from];
        y[(4u * k) + 3u] = (@Y@)excess;
    }
    track[0] = ((excess <= 0) && (level[1u - first] >= @LEAST_LEVEL@)) ? 1 : 0;
    for (uint32_t k = 0u; k < 4u; k++) {
        track[k + 1u] = track[0] * at->slope[k];
    }
}

/* Two sources, from the slopes of one. */
PW_STAGE void @P@_both(pw_state *s, const @X@ *own, @Y@ *y)
{
    int32_t totals[2];
    @P@_at at;
    at.last = @MOST_LAST@;
    at.slope[0] = (int32_t)y[0];
    at.slope[1] = (int32_t)y[1];
    at.amount[0] = 0;
    at.amount[1] = 0;
    @O@_sums(own, s->@P@_sums, totals);
    (void)@P@_centred(s->@P@_sums, @N_BINS@u,
        pw_requant(totals[0], @MEAN_BINS@, @MEAN_BINS_SHIFT@), @BITS_BINS@, s->@P@_bins);
    @P@_begin(s->@P@_bins, s->@P@_columns, &at);
    for (uint32_t round = 0u; round < @ROUNDS_BINS@u; round++) {
        @P@_fit(s->@P@_bins, @O@_spline, @N_BINS@u, @DROP_BINS@, @LIMIT_BINS@, s->@P@_columns, &at);
        if (at.poor == 0) {
            break;
        }
    }
    @P@_last(s, own, @ROUNDS_FINE@u, &at, y);
}

PW_STAGE void @P@_run(pw_state *s, const @X@ *x, @Y@ *y)
{
    int32_t *const track = s->@P@_track;
    if (track[0] != 0) { /* both are likely still where they were */
        @P@_at at;
        at.last = @TRACK_LAST@;
        for (uint32_t k = 0u; k < 4u; k++) {
            at.slope[k] = track[k + 1u];
        }
        @P@_last(s, &x[@OFFSET@], @ROUNDS_TRACK@u, &at, y);
    }
    if (track[0] == 0) {
        @O@_run(x, y);
        y[4] = 0;
        y[5] = 0;
        y[6] = 0;
        y[7] = 1;
        if ((y[3] > 0) && (y[2] >= @LEAST_LEVEL@)) { /* light that one source does not explain */
            @P@_both(s, &x[@OFFSET@], y);
        }
    }
}
"""


def pair_c(stage: Any, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a pair."""
    one = f"{prefix}_one"
    plain = registration_c(stage, one, x, y)
    coarse, grid = stage.coarse_grid, stage.fine_grid
    n_bins, n_fine = stage.windows.n_bins, stage.fine_windows.n_bins
    rule, factor = stage.pair_rule, place_factor(grid)
    values: dict[str, object] = {
        "P": prefix, "O": one, "X": x.ctype, "Y": y.ctype, "OFFSET": stage.offsets[0],
        "PAIR_ROWS": stage.pair_rows, "PAIR_COLS": stage.pair_cols,
        "PAIR_HEIGHT": stage.n_rows // stage.pair_rows,
        "PAIR_WIDTH": stage.n_cols // stage.pair_cols, "SKIPPED": stage.stride - stage.n_cols,
        "COARSE_N_X": coarse.n_x, "COARSE_N_Y": coarse.n_y, "COARSE_STEP": coarse.step,
        "COARSE_MIDDLE_X": f"({coarse.low_x + coarse.step // 2})",
        "COARSE_MIDDLE_Y": f"({coarse.low_y + coarse.step // 2})",
        "LOW_X": f"({grid.low_x})", "LOW_Y": f"({grid.low_y})", "N_X": grid.n_x, "N_Y": grid.n_y,
        "STEP": grid.step, "HALF": grid.step // 2, "PLACE": factor[0], "PLACE_SHIFT": factor[1],
        "HIGH_X": f"({grid.low_x + grid.n_x * grid.step - 1})",
        "HIGH_Y": f"({grid.low_y + grid.n_y * grid.step - 1})",
        "ACCEPTED": ACCEPTED, "AMOUNT_BITS": AMOUNT_BITS, "LEAST_AMOUNT": LEAST_AMOUNT,
        "MOST_AMOUNT": MOST_AMOUNT, "MOST_LAST": MOST_LAST, "ROUNDS_TRACK": TRACK_ROUNDS,
        "TRACK_LAST": TRACK_LAST,
        "ENERGY_BITS": rule.energy_bits, "FLOOR": rule.floor, "NOISE": rule.noise_multiplier,
        "NOISE_SHIFT": rule.noise_shift, "TOLERANCE": rule.tolerance,
        "TOLERANCE_SHIFT": TOLERANCE_SHIFT, "LEVEL": f"({stage.pair_level})",
        "LEAST_LEVEL": stage.least_level,
        "APART": (stage.apart >> 6) ** 2, "BEND": f"({stage.bend})",
        "MOST_BINS": max(n_bins, n_fine),
        "LIMIT": solving.LIMIT, "LEAST_PIVOT": solving.LEAST_PIVOT,
        "LEAST_SHIFT": solving.LEAST_SHIFT, "RIGHT_BITS": solving.RIGHT_BITS,
        "MOST_UP": solving.MOST_UP, "FACTOR_BITS": solving.FACTOR_BITS, "UP": 1 << solving.UP,
        "UP_BITS": solving.UP, "SHARE_BITS": solving.UP + 15 - solving.FACTOR_BITS,
        "ENTRY_BITS": solving.ENTRY_BITS,
    }  # fmt: skip
    for name, n, rounds in (("BINS", n_bins, ROUNDS[0]), ("FINE", n_fine, ROUNDS[1])):
        bins, mean = Bins(n), mean_factor(n)
        values |= {
            f"N_{name}": n, f"DROP_{name}": WEIGHT_BITS - bins.fraction_bits,
            f"LIMIT_{name}": bins.limit, f"BITS_{name}": bins.value_bits,
            f"ROUNDS_{name}": rounds, f"MEAN_{name}": mean[0], f"MEAN_{name}_SHIFT": mean[1],
        }  # fmt: skip
    pairs = n_bins % 2 == 0 and n_fine % 2 == 0
    values |= {"DOTS_PAIRS": _PAIRS if pairs else "", "DOTS_END": "#endif\n" if pairs else ""}
    about = f"({grid.n_spline}, {n_fine}) patterns in finer bins"
    tables = plain.tables + table(f"{prefix}_spline", stage.pair_spline, "int8_t", about)
    text = plain.functions + fill(DOTS + SOLVE + FIT + _RUN, **values)
    most = max(n_bins, n_fine)
    scratch = (
        CState("sums", "int32_t", most, "sums of bins"),
        CState("bins", "int16_t", most, "bins about their mean"),
        CState("columns", "int16_t", 7 * most, "both sources' columns, and what they leave"),
    )
    state = (CState("track", "int32_t", 5, "two were told, and where: x, y, x, y"),)
    return CStage(tables, state, "", text, scratch=scratch, shared=plain.shared)


_PAIRS = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
    const int16_t *y2 = y[2];
    const int16_t *y3 = y[3];
    const int16_t *const end = &x[n];
    const int16_t *y0 = y[0];
    const int16_t *y1 = y[1];
    int32_t a0 = 0;
    int32_t a1 = 0;
    int32_t a2 = 0;
    int32_t a3 = 0;
    while (x != end) {
        uint32_t two;
        uint32_t with;
        __asm__("ldr %0, [%2], #4\\n\\t"
            "ldr %1, [%3], #4\\n\\t"
            "smlad %7, %0, %1, %7\\n\\t"
            "ldr %1, [%4], #4\\n\\t"
            "smlad %8, %0, %1, %8\\n\\t"
            "ldr %1, [%5], #4\\n\\t"
            "smlad %9, %0, %1, %9\\n\\t"
            "ldr %1, [%6], #4\\n\\t"
            "smlad %10, %0, %1, %10"
            : "=&r"(two), "=&r"(with), "+r"(x), "+r"(y0), "+r"(y1), "+r"(y2), "+r"(y3), "+r"(a0),
            "+r"(a1), "+r"(a2), "+r"(a3)
            :
            : "memory");
    }
    sums[0] = a0;
    sums[1] = a1;
    sums[2] = a2;
    sums[3] = a3;
#else
"""
