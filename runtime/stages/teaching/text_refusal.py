"""The fixed text of what decides whether a take is kept, and of means moved to takes."""

from __future__ import annotations

__all__ = ["IS_OTHER_OWN_C", "LIKE_OWN_C", "OTHER_OWN_C", "REFUSAL_C"]

REFUSAL_C = """\

static uint32_t @PREFIX@_n_takes(const pw_state *s, int32_t mark)
{
    uint32_t n = 0u;
    for (uint32_t p = 0u; p < @N_PLACES@u; p++) {
        if ((mark == 0) ? (s->@PREFIX@_take_class[p] > 0) : (s->@PREFIX@_take_class[p] == mark)) {
            n++;
        }
    }
    return n;
}

/* a / b to the nearest, ties up, of numbers from 0 and from 1: not every core can divide. */
static int32_t @PREFIX@_ratio(int32_t a, int32_t b)
{
    const uint32_t whole = (uint32_t)a + ((uint32_t)b >> 1);
    uint32_t rest = 0u;
    uint32_t ratio = 0u;
    for (uint32_t i = 0u; i < 32u; i++) {
        rest = (rest << 1) | ((whole >> (31u - i)) & 1u);
        ratio <<= 1;
        if (rest >= (uint32_t)b) {
            rest -= (uint32_t)b;
            ratio |= 1u;
        }
    }
    return (int32_t)ratio;
}

/* One value of a class's mean after the session: each take counts as one, the shipped mean as some.
 */
static int32_t @PREFIX@_moved(const pw_state *s, uint32_t c, int32_t session, uint32_t i)
{
    const int32_t shipped = @SHIPPED_OF_C@;
    const int32_t weight = s->@PREFIX@_taught[c] + shipped;
    int32_t before = s->@PREFIX@_rows[(c * @KEPT@u) + i];
    if ((shipped != 0) && (s->@PREFIX@_taught[c] == 0)) {
        before = @PREFIX@_means[(c * @KEPT@u) + i];
    }
    int32_t total = before * weight;
    for (uint32_t p = 0u; p < @N_PLACES@u; p++) {
        if (s->@PREFIX@_take_class[p] == ((int32_t)c + 1)) {
            total += s->@PREFIX@_takes[(p * @KEPT@u) + i];
        }
    }
    const int32_t n = weight + session;
    return @PREFIX@_ratio(total + (@LIFT@ * n), n) - @LIFT@;
}

/* Squared distance of the take to a class's mean as if those kept so far had been learned from. */
static int32_t @PREFIX@_far(const pw_state *s, uint32_t c, int32_t session)
{
    int32_t far = 0;
    for (uint32_t i = 0u; i < @KEPT@u; i++) {
        const int32_t step = @PREFIX@_moved(s, c, session, i) - s->@PREFIX@_best[i];
        far += step * step;
    }
    return far;
}

@OTHER_OWN@/* Scores of known classes on the take, likewise; of a squared distance to a mean of n
 * takes, n parts of n + 1 count. */
static void @PREFIX@_answers(const pw_state *s, int32_t *answers)
{
    int32_t far[@N_KNOWN@];
    int32_t least = INT32_MAX;
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        const int32_t session = (int32_t)@PREFIX@_n_takes(s, (int32_t)c + 1);
        far[c] = @PREFIX@_squared(@PREFIX@_mean(s, c), s->@PREFIX@_best);
        if (session > 0) {
            far[c] = @PREFIX@_far(s, c, session);
        }
    }
@NEARER_BEST@    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        const int32_t session = (int32_t)@PREFIX@_n_takes(s, (int32_t)c + 1);
        const int32_t parts = s->@PREFIX@_taught[c] + session + @SHIPPED@ + 1;
        far[c] -= @PREFIX@_ratio(far[c], parts);
        least = (far[c] < least) ? far[c] : least;
    }
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        answers[c] = s->@PREFIX@_best_scores[c] - @PREFIX@_scaled(far[c] - least);
    }
}

/* Whether the take is unlike its class's mean, or an own gesture's nearest take before. */
static int @PREFIX@_is_unlike(const pw_state *s, int32_t slot)
{
    int32_t nearest = INT32_MAX;
    if (slot < @N_KNOWN@) {
        const int8_t *mean = &@PREFIX@_means[(uint32_t)slot * @KEPT@u];
        return @PREFIX@_squared(mean, s->@PREFIX@_best) > @UNLIKE@;
    }
    for (uint32_t p = 0u; p < @N_PLACES@u; p++) {
        if (s->@PREFIX@_take_class[p] == (slot + 1)) {
            const int32_t far = @PREFIX@_squared(&s->@PREFIX@_takes[p * @KEPT@u], s->@PREFIX@_best);
            nearest = (far < nearest) ? far : nearest;
        }
    }
    return (nearest != INT32_MAX) && (nearest > @APART@);
}

static int @PREFIX@_is_other(const pw_state *s, int32_t slot)
{
    int32_t answers[@N_KNOWN@];
    int32_t top = INT32_MIN;
    if (slot < @N_KNOWN@) {
        @PREFIX@_answers(s, answers);
        for (int32_t c = 0; c < @N_KNOWN@; c++) {
            top = ((c != slot) && (answers[c] > top)) ? answers[c] : top;
        }
        return (top - answers[slot]) > @RIVAL@;
    }
    for (uint32_t c = 0u; c < @N_KNOWN@u; c++) {
        if (@PREFIX@_squared(&@PREFIX@_means[c * @KEPT@u], s->@PREFIX@_best) <= @PREFIX@_near[c]) {
            return 1;
        }
    }
@IS_OTHER_OWN@    return 0;
}
"""

OTHER_OWN_C = """\
/* The same of another own gesture than the one asked for; the most where there is none. */
static int32_t @PREFIX@_far_from_own(const pw_state *s, int32_t slot, int32_t other)
{
    const int32_t session = (int32_t)@PREFIX@_n_takes(s, other + 1);
    if ((other == slot) || ((s->@PREFIX@_taught[other] + session) == 0)) {
        return INT32_MAX;
    }
    return @PREFIX@_far(s, (uint32_t)other, session);
}

"""

IS_OTHER_OWN_C = """\
    for (int32_t c = @N_KNOWN@; c < @N_SLOTS@; c++) {
        if (@PREFIX@_far_from_own(s, slot, c) <= @NEAR_OWN@) {
            return 1;
        }
    }
"""

LIKE_OWN_C = """\
    for (int32_t c = @N_KNOWN@; (class_number >= @N_KNOWN@) && (c < @N_SLOTS@); c++) {
        const int32_t far = @PREFIX@_far_from_own(s, class_number, c);
        const int32_t refuses = (far <= @NEAR_OWN@) ? 1 : 0;
        if ((refuses != like_refuses) ? (refuses != 0) : (far < like_far)) {
            like = c;
            like_far = far;
            like_refuses = refuses;
        }
    }
"""
