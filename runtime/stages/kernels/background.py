"""The C of the background: two passes over the values, in plain C."""

from __future__ import annotations

from typing import Protocol

from runtime.fixedpoint import symmetric_limit
from runtime.stages.contract.c_text import CStage, CState, Edge, fill

__all__ = ["FAST_BITS", "LOG_BITS", "MEAN_BITS", "UNREST_BITS", "background_c"]

MEAN_BITS = 14
"""Fraction bits of a slow mean: at the slowest shift it still follows a step of two."""
FAST_BITS = 8
"""Of a quick mean."""
UNREST_BITS = 4
LOG_BITS = 6

_C_TEXT = """\
/* The mean's step towards a target: a rounding shift. */
static inline int32_t @P@_step(int32_t mean, int32_t target, int32_t shift)
{
    return mean + pw_asr32((target - mean) + (int32_t)((1UL << shift) >> 1), shift);
}

/* The base-2 logarithm, @LOG_BITS@ fraction bits, a straight line in each octave. */
static inline int32_t @P@_log2(int32_t value)
{
    const uint32_t v = (value > 1) ? (uint32_t)value : 1u;
    uint32_t exponent = 0u;
    while ((v >> exponent) > 1u) {
        exponent++;
    }
    /* The fraction in Q30; the exponent is at most 30. */
    const uint32_t fraction = (v << (30u - exponent)) & 0x3FFFFFFFu;
    return (int32_t)((exponent << @LOG_BITS@) + (fraction >> @LOG_DROP@));
}

/* Distances from slow means, Q@MEAN_BITS@, then logarithms: noise, unrest and what is in front. */
PW_STAGE void @P@_run(pw_state *s, const @X@ *x, @Y@ *y)
{
    int32_t frames = s->@P@_frames[0];
@SWITCHED@    const int32_t kept = (frames > @SETTLE_FRAMES@) ? (frames - @SETTLE_FRAMES@) : 0;
    int32_t length = 0;
    while ((kept >> length) > 0) {
        length++;
    }
    const int32_t quick_shift = (length < @QUICK@) ? length : @QUICK@;
    int32_t change = 0;
    int32_t much = 0;
    for (uint32_t i = 0u; i < @N@u; i++) {
        const int32_t value = x[i];
        const int32_t moved = value - s->@P@_previous[i];
        const int32_t quick = @P@_step(s->@P@_quick[i], value * @FAST_UNIT@, quick_shift);
        const int32_t far = (quick * @LIFT@) - s->@P@_mean[i];
        const int32_t front = pw_asr32(far + @MEAN_HALF@, @MEAN_BITS@);
        change += (moved < 0) ? -moved : moved;
        much += (front < 0) ? -front : front;
        s->@P@_previous[i] = (@X@)value;
        s->@P@_quick[i] = quick;
        y[i] = (@Y@)((frames > 0) ? pw_sat(front, -@LIMIT@, @LIMIT@) : 0);
    }
    const int32_t unrest = @P@_step(s->@P@_unrest[0], (frames > 0) ? change * @UNREST_UNIT@ : 0,
        (length < @UNREST@) ? length : @UNREST@);
    int32_t rest = s->@P@_rest[0];
    rest += pw_asr32(rest, @REST@) + 1;
    if ((frames < @REST_FRAMES@) || (unrest < rest)) {
        rest = unrest;
    }
    const int32_t is_near =
        ((much < pw_asr32(rest, @NEAR@)) || (much < @NEAR_LEAST@)) ? 1 : 0;
    int32_t shift = length;
    if (frames >= @START_FRAMES@) {
        if (is_near != 0) {
            shift = @NEAR_SHIFT@;
        } else if (unrest < (rest + pw_asr32(rest, @STILL@))) {
            shift = @STILL_SHIFT@;
        } else {
            shift = @BUSY_SHIFT@;
        }
    }
    s->@P@_frames[0] = (frames < @COUNTED_FRAMES@) ? (frames + 1) : frames;
    s->@P@_near[0] = is_near;
    for (uint32_t i = 0u; i < @N@u; i++) {
        s->@P@_mean[i] = @P@_step(s->@P@_mean[i], (int32_t)x[i] * @MEAN_UNIT@, shift);
    }
    s->@P@_unrest[0] = unrest;
    s->@P@_rest[0] = rest;
    const int32_t noise = @P@_log2(rest);
    const int32_t front = (frames > 0) ? much * @UNREST_UNIT@ : 0;
    y[@N@] = (@Y@)pw_sat(noise, -@LIMIT@, @LIMIT@);
    y[@N@ + 1] = (@Y@)pw_sat(@P@_log2(unrest) - noise, -@LIMIT@, @LIMIT@);
    y[@N@ + 2] = (@Y@)pw_sat(@P@_log2(front) - noise, -@LIMIT@, @LIMIT@);
}
"""

_SWITCHED_TEXT = """\
    /* Light was switched with nothing in front: its logarithm steps by no whole octaves. */
    const int32_t risen = (x[@LAST@] - s->@P@_previous[@LAST@]) + @HALF_OCTAVE@;
    const int32_t off = 8 * ((risen - @HALF_OCTAVE@) - (pw_asr32(risen, @OCTAVE_BITS@) * @OCTAVE@));
    if (((off > @OCTAVE@) || (off < -@OCTAVE@)) && (s->@P@_near[0] != 0)
        && (frames == @COUNTED_FRAMES@)) {
        frames = 0;
    }
"""


class _Stage(Protocol):
    """What is read of the stage."""

    @property
    def n_values(self) -> int: ...
    @property
    def quick_shift(self) -> int: ...
    @property
    def unrest_shift(self) -> int: ...
    @property
    def rest_shift(self) -> int: ...
    @property
    def near_shift(self) -> int: ...
    @property
    def still_shift(self) -> int: ...
    @property
    def near_least(self) -> int: ...
    @property
    def octave_bits(self) -> int: ...
    @property
    def shifts(self) -> tuple[int, ...]: ...
    @property
    def n_bits(self) -> int: ...


def background_c(
    stage: _Stage, starts: tuple[int, int, int, int], prefix: str, x: Edge, y: Edge
) -> CStage:
    """Return the C of a background.

    Parameters
    ----------
    stage : Background
    starts : tuple of four int
        Frames at the start that are forgotten, that are averaged alike, whose unrest is taken for
        that of rest, and that are counted.
    """
    settle_frames, start_frames, rest_frames, counted_frames = starts
    n = stage.n_values
    near, still, busy = stage.shifts
    octave = 1 << stage.octave_bits
    switched = fill(
        _SWITCHED_TEXT, P=prefix, LAST=n - 1, OCTAVE=octave, HALF_OCTAVE=octave >> 1,
        OCTAVE_BITS=stage.octave_bits, COUNTED_FRAMES=counted_frames,
    ) if stage.octave_bits else ""  # fmt: skip
    functions = fill(
        _C_TEXT, SWITCHED=switched, P=prefix, X=x.ctype, Y=y.ctype, N=n,
        QUICK=stage.quick_shift, UNREST=stage.unrest_shift, REST=stage.rest_shift,
        NEAR=UNREST_BITS + stage.near_shift, STILL=stage.still_shift,
        NEAR_SHIFT=near, STILL_SHIFT=still, BUSY_SHIFT=busy,
        MEAN_BITS=MEAN_BITS, MEAN_UNIT=1 << MEAN_BITS, MEAN_HALF=1 << (MEAN_BITS - 1),
        FAST_UNIT=1 << FAST_BITS, LIFT=1 << (MEAN_BITS - FAST_BITS),
        UNREST_UNIT=1 << UNREST_BITS, START_FRAMES=start_frames, REST_FRAMES=rest_frames,
        SETTLE_FRAMES=settle_frames, COUNTED_FRAMES=counted_frames, NEAR_LEAST=stage.near_least,
        LOG_BITS=LOG_BITS, LOG_DROP=30 - LOG_BITS, LIMIT=symmetric_limit(stage.n_bits),
    )  # fmt: skip
    state = (
        CState("quick", "int32_t", n, f"({n},) quick mean, Q{FAST_BITS}"),
        CState("mean", "int32_t", n, f"({n},) slow mean, Q{MEAN_BITS}"),
        CState("previous", x.ctype, n, f"({n},) last frame, Q0"),
        CState("unrest", "int32_t", 1, f"leaky mean of all changes, Q{UNREST_BITS}"),
        CState("rest", "int32_t", 1, f"the same at rest, Q{UNREST_BITS}"),
        CState("frames", "int32_t", 1, "frames seen, as far as they are counted"),
        CState("near", "int32_t", 1, "1 where the last frame was close to the background"),
    )
    return CStage(tables="", state=state, init="", functions=functions)
