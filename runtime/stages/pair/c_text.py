"""The C of a pair: registration's own, and behind it the joint fit of frames that need it.

Twins: `runtime.stages.pair.levels`, `runtime.stages.pair.solving`, `runtime.stages.pair.joint`.
"""

from __future__ import annotations

from typing import Any

from runtime.stages.alignment.arithmetic import ACCEPTED
from runtime.stages.alignment.binned import mean_factor
from runtime.stages.alignment.c_text import registration_c
from runtime.stages.alignment.energy import LIGHT_BITS, TOLERANCE_SHIFT
from runtime.stages.contract.c_text import CStage, CState, Edge, fill, table
from runtime.stages.pair import solving
from runtime.stages.pair.c_fit import DOTS, FIT, SOLVE
from runtime.stages.pair.c_weigh import columns_c
from runtime.stages.pair.joint import (
    AMOUNT_BITS,
    COARSE_ROUNDS,
    FOLLOWED,
    FOLLOWED_LAST,
    FOLLOWED_SHIFTS,
    FOUND_LAST,
    FOUND_SHIFTS,
    LEAST_AMOUNT,
    LOOKED,
    MORE_BITS,
    MOST_AMOUNT,
    MOST_LAST,
    N_TRACK,
    NEARED,
    PairLight,
)
from runtime.stages.pair.levels import WEIGHT_BITS, Bins, place_factor

__all__ = ["pair_c"]

_RUN = """\
/* Sums about their mean, cut to `room` bits, and their energy; returns how far. */
PW_STAGE int32_t @P@_centred(int32_t *sums, uint32_t n, int32_t mean, int32_t room, int16_t *b,
    int32_t *energy)
{
    const int32_t limit = (1 << room) - 1;
    uint32_t most = 0u;
    for (uint32_t i = 0u; i < n; i++) {
        const int32_t value = sums[i] - mean;
        sums[i] = value;
        most |= (uint32_t)((value < 0) ? -value : value);
    }
    const int32_t bits = @O@_bits(most);
    const int32_t shift = (bits > room) ? (bits - room) : 0;
    const int32_t half = (int32_t)((1UL << shift) >> 1);
    int32_t squares = 0;
    for (uint32_t i = 0u; i < n; i++) {
        const int32_t value = pw_sat(pw_asr32(sums[i] + half, shift), -limit, limit);
        squares += value * value;
        b[i] = (int16_t)value;
    }
    *energy = squares;
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

/* The cell (near it) that fits best what the one source leaves: where a second one begins. */
PW_STAGE void @P@_begin(const int16_t *b, int16_t *columns, @P@_at *at, int32_t near)
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
    int32_t ends[4] = {0, @COARSE_N_X@ - 1, 0, @COARSE_N_Y@ - 1};
    if (near != 0) {
        @O@_near(at->slope[0], at->slope[1], ends);
    }
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

/* An amount of bins that are cut by so many bits more. */
PW_LOCAL int32_t @P@_amount(int32_t amount, int32_t more)
{
    const int32_t found = (more >= 0) ? (amount >> ((more < 31) ? more : 31))
                                      : (amount * (1 << ((more > -14) ? -more : 14)));
    return (found < @MOST_AMOUNT@) ? found : @MOST_AMOUNT@;
}

/* How far all light is from what both amounts stand for, squared, above what may be. */
PW_LOCAL int32_t @P@_parted(int32_t light, int32_t amounts, int32_t cut)
{
    const int32_t kept = (light < 0) ? 0 : light;
    const int32_t here = @O@_cut(kept, cut);
    int32_t off = pw_requant(amounts * @MORE@, @LIGHT@, @LIGHT_SHIFT@) - here;
    off = ((off < 0) ? -off : off) - pw_requant(here, @LIGHT_TOLERANCE@, @TOLERANCE_SHIFT@);
    off = @O@_steps(pw_sat(off, 0, 1073741823), @LIGHT_STEP@ - cut);
    off = (off < ((1 << @LIGHT_BITS@) - 1)) ? off : ((1 << @LIGHT_BITS@) - 1);
    const int32_t noise = pw_requant(kept, @LIGHT_NOISE@, @LIGHT_NOISE_SHIFT@);
    return (off * off) - ((noise < 1073741823) ? noise : 1073741823) - @LIGHT_FLOOR@;
}

/* The track after a round that began where it says: lights that are followed are smoothed. */
PW_LOCAL void @P@_learn(int32_t *track, const @P@_at *at, int32_t told)
{
    const int32_t before = track[0];
    const int32_t follows = (before <= @FOLLOWED@) ? 1 : 0;
    const int32_t place = (follows != 0) ? @FOLLOWED_PLACE@ : @FOUND_PLACE@;
    const int32_t motion = (follows != 0) ? @FOLLOWED_MOTION@ : @FOUND_MOTION@;
    track[0] = (told != 0) ? @FOLLOWED@ : (before - 1);
    if ((told == 0) && (before == (@FOLLOWED@ + 1))) {
        track[0] = 0;
    }
    for (uint32_t k = 0u; k < 4u; k++) {
        const int32_t off = at->slope[k] - track[1u + k];
        /* Places of the first such frame come from other bins: how far they went is no motion. */
        const int32_t more = (before < @NEARED@) ? @O@_cut(off, motion) : 0;
        const int32_t moved = pw_sat(track[5u + k] + more, -@STEP@, @STEP@);
        track[1u + k] = (track[0] > 0) ? (track[1u + k] + @O@_cut(off, place)) : 0;
        track[5u + k] = (track[0] > 0) ? moved : 0;
    }
    if ((told != 0) && (follows != 0)) {
        track[12] = 1; /* where these are lost, all cells are searched again */
    } else if (track[0] == 0) {
        track[12] = 1 - track[12]; /* where nothing came of all cells, those near the one */
    }
}

/* A round on finer bins from where both are thought to be: both sources, the brighter first, and
 * none of them where no round before was as good. */
PW_STAGE void @P@_follow(pw_state *s, const @X@ *own, @Y@ *y)
{
    int32_t *const track = s->@P@_track;
    int16_t *const b = s->@P@_bins;
    @P@_at at;
    at.last = (track[0] <= @FOLLOWED@) ? @FOLLOWED_LAST@ : @FOUND_LAST@;
    for (uint32_t k = 0u; k < 4u; k++) {
        const int32_t to = track[1u + k] + track[5u + k];
        track[1u + k] = ((k & 1u) == 0u) ? pw_sat(to, @LOW_X@, @HIGH_X@)
                                         : pw_sat(to, @LOW_Y@, @HIGH_Y@);
        at.slope[k] = track[1u + k];
    }
    const int32_t total = @P@_finer(own, s->@P@_sums);
    const int32_t shift = @P@_centred(s->@P@_sums, @N_FINE@u,
        pw_requant(total, @MEAN_FINE@, @MEAN_FINE_SHIFT@), @BITS_FINE@, b, &at.energy);
    at.amount[0] = @P@_amount(track[9], shift - track[11]);
    at.amount[1] = @P@_amount(track[10], shift - track[11]);
    @P@_fit(b, @P@_spline, @N_FINE@u, @DROP_FINE@, @LIMIT_FINE@, s->@P@_columns, &at);
    const int32_t down = @ENERGY_BITS@ - (2 * shift);
    int32_t noise = pw_requant((total < 0) ? 0 : total, @NOISE@, @NOISE_SHIFT@);
    noise = ((noise < 1073741823) ? noise : 1073741823) + @FLOOR@;
    int32_t excess = @O@_steps(at.left, down) - noise
        - pw_requant(@O@_steps(at.energy, down), @TOLERANCE@, @TOLERANCE_SHIFT@);
    const int32_t parted = @P@_parted(total - @LIGHT_OFFSET@, at.amount[0] + at.amount[1], shift);
    excess = (excess < parted) ? parted : excess;
    int32_t between = 0;
    int32_t slopes[4];
    int32_t level[2];
    for (uint32_t k = 0u; k < 2u; k++) {
        const int32_t away = at.slope[k] - at.slope[k + 2u];
        const int32_t part = ((away < 0) ? -away : away) >> 6;
        between += part * part;
        level[k] = @P@_level(at.square[k]) + (2 * @P@_level(at.amount[k])) + (32 * shift)
            + @LEVEL@;
        level[k] = pw_sat(level[k], 0, 496);
        int32_t place[2];
        (void)@P@_place(&at.slope[2u * k], place);
        slopes[2u * k] = @P@_straight(at.slope[2u * k], place[0]);
        slopes[(2u * k) + 1u] = @P@_straight(at.slope[(2u * k) + 1u], place[1]);
    }
    if ((excess <= 0) && ((at.poor != 0) || (between < @APART@))) {
        excess = 1;
    }
    const uint32_t first = (level[0] >= level[1]) ? 0u : 1u;
    for (uint32_t k = 0u; k < 2u; k++) {
        const uint32_t from = (k == 0u) ? first : (1u - first);
        y[4u * k] = (@Y@)slopes[2u * from];
        y[(4u * k) + 1u] = (@Y@)slopes[(2u * from) + 1u];
        y[(4u * k) + 2u] = (@Y@)level[from];
        y[(4u * k) + 3u] = (@Y@)(((excess > 0) || (track[0] <= @FOLLOWED@)) ? excess : 1);
    }
    const int32_t told = ((excess <= 0) && (level[1u - first] >= @LEAST_LEVEL@)) ? 1 : 0;
    @P@_learn(track, &at, told);
    track[9] = (track[0] > 0) ? at.amount[0] : 0;
    track[10] = (track[0] > 0) ? at.amount[1] : 0;
    track[11] = (track[0] > 0) ? shift : 0;
}

/* Rounds on the bins of the search, or where those begin: a second source beside the first. */
PW_STAGE void @P@_approach(pw_state *s, const @X@ *own)
{
    int32_t *const track = s->@P@_track;
    int32_t totals[2];
    @P@_at at;
    at.last = @MOST_LAST@;
    at.poor = 1;
    at.amount[0] = 0;
    at.amount[1] = 0;
    @O@_sums(own, s->@P@_sums, totals);
    (void)@P@_centred(s->@P@_sums, @N_BINS@u,
        pw_requant(totals[0], @MEAN_BINS@, @MEAN_BINS_SHIFT@), @BITS_BINS@, s->@P@_bins,
        &at.energy);
    for (uint32_t k = 0u; k < 4u; k++) {
        at.slope[k] = track[1u + k];
    }
    if (track[0] == @LOOKED@) {
        @P@_begin(s->@P@_bins, s->@P@_columns, &at, track[12]);
        track[0] = @LOOKED@ - 1;
    } else {
        for (uint32_t round = 0u; (round < @COARSE_ROUNDS@u) && (at.poor != 0); round++) {
            @P@_fit(s->@P@_bins, @O@_spline, @N_BINS@u, @DROP_BINS@, @LIMIT_BINS@, s->@P@_columns,
                &at);
        }
        track[0] = (at.poor != 0) ? (track[0] - 1) : @NEARED@;
    }
    for (uint32_t k = 0u; k < 4u; k++) {
        track[1u + k] = at.slope[k];
    }
}

/* One frame's part of the work, which `track` holds from frame to frame: all zero at first. */
PW_STAGE void @P@_run(pw_state *s, const @X@ *x, @Y@ *y)
{
    int32_t *const track = s->@P@_track;
    for (uint32_t k = 0u; k < 8u; k++) {
        y[k] = ((k & 3u) == 3u) ? 1 : 0;
    }
    if (track[0] > @NEARED@) {
        @P@_approach(s, &x[@OFFSET@]);
    } else if (track[0] > 0) {
        @P@_follow(s, &x[@OFFSET@], y);
    } else {
        @O@_run(x, y);
        if ((y[3] > 0) && (y[2] >= @LEAST_LEVEL@)) { /* light that one source does not explain */
            track[0] = @LOOKED@;
            for (uint32_t k = 0u; k < 4u; k++) {
                track[1u + k] = (int32_t)y[k & 1u];
            }
        } else {
            track[12] = 0;
        }
    }
}
"""


def pair_c(stage: Any, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a pair."""
    one = f"{prefix}_one"
    plain = registration_c(stage, one, x, y, near=True)
    coarse, grid = stage.coarse_grid, stage.fine_grid
    n_bins, n_fine = stage.windows.n_bins, stage.fine_windows.n_bins
    rule, factor, light = stage.pair_rule, place_factor(grid), PairLight(*stage.pair_light)
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
        "MOST_AMOUNT": MOST_AMOUNT, "MOST_LAST": MOST_LAST, "COARSE_ROUNDS": COARSE_ROUNDS,
        "FOLLOWED": FOLLOWED, "NEARED": NEARED, "LOOKED": LOOKED,
        "FOUND_LAST": FOUND_LAST, "FOLLOWED_LAST": FOLLOWED_LAST,
        "FOUND_PLACE": FOUND_SHIFTS[0], "FOUND_MOTION": FOUND_SHIFTS[1],
        "FOLLOWED_PLACE": FOLLOWED_SHIFTS[0], "FOLLOWED_MOTION": FOLLOWED_SHIFTS[1],
        "ENERGY_BITS": rule.energy_bits, "FLOOR": rule.floor, "NOISE": rule.noise_multiplier,
        "NOISE_SHIFT": rule.noise_shift, "TOLERANCE": rule.tolerance,
        "TOLERANCE_SHIFT": TOLERANCE_SHIFT, "LEVEL": f"({stage.pair_level})",
        "LEAST_LEVEL": stage.least_level,
        "APART": (stage.apart >> 6) ** 2, "BEND": f"({stage.bend})",
        "MOST_BINS": max(n_bins, n_fine),
        "LIGHT": light.multiplier, "LIGHT_SHIFT": light.shift, "LIGHT_STEP": light.step_bits,
        "LIGHT_NOISE": light.noise_multiplier, "LIGHT_NOISE_SHIFT": light.noise_shift,
        "LIGHT_FLOOR": light.floor, "LIGHT_TOLERANCE": light.tolerance, "LIGHT_BITS": LIGHT_BITS,
        "LIGHT_OFFSET": f"({stage.light_offset[0]})", "MORE": 1 << MORE_BITS,
        "LIMIT": solving.LIMIT, "LEAST_PIVOT": solving.LEAST_PIVOT,
        "LEAST_SHIFT": solving.LEAST_SHIFT, "RIGHT_BITS": solving.RIGHT_BITS,
        "MOST_UP": solving.MOST_UP, "FACTOR_BITS": solving.FACTOR_BITS, "UP": 1 << solving.UP,
        "UP_BITS": solving.UP, "SHARE_BITS": solving.UP + 15 - solving.FACTOR_BITS,
        "ENTRY_BITS": solving.ENTRY_BITS,
    }  # fmt: skip
    for name, n in (("BINS", n_bins), ("FINE", n_fine)):
        bins, mean = Bins(n), mean_factor(n)
        values |= {
            f"N_{name}": n, f"DROP_{name}": WEIGHT_BITS - bins.fraction_bits,
            f"LIMIT_{name}": bins.limit, f"BITS_{name}": bins.value_bits,
            f"MEAN_{name}": mean[0], f"MEAN_{name}_SHIFT": mean[1],
        }  # fmt: skip
    pairs = n_bins % 2 == 0 and n_fine % 2 == 0
    values |= {"DOTS_PAIRS": _PAIRS if pairs else "", "DOTS_END": "#endif\n" if pairs else ""}
    about = f"({grid.n_spline}, {n_fine}) patterns in finer bins"
    tables = plain.tables + table(f"{prefix}_spline", stage.pair_spline, "int8_t", about)
    text = plain.functions + fill(
        "\n".join((DOTS, columns_c(prefix, n_fine), SOLVE + FIT + _RUN)), **values
    )
    most = max(n_bins, n_fine)
    scratch = (
        CState("sums", "int32_t", most, "sums of bins"),
        CState("bins", "int16_t", most, "bins about their mean"),
        CState("columns", "int16_t", 7 * most, "both sources' columns, and what they leave"),
    )
    about = "frames; x, y, x, y; how they move a frame; amounts; bits that they lost; near alone"
    state = (CState("track", "int32_t", N_TRACK, about),)
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
