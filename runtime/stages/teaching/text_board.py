"""The fixed text of the functions that a board calls to let the model learn its owner."""

from __future__ import annotations

__all__ = ["BOARD_C", "DECLARATIONS"]

DECLARATIONS = """\
/* Enrolment: the model learns its owner, from a few takes of each class or of a new gesture.
 *
 *     pw_enrol_begin(&state, class_number);   a take begins; go on with pw_step
 *     pw_enrol_add(&state);                   it has ended: its number, or why it is refused
 *     pw_enrol_like(&state, class_number);    after PW_ENROL_OTHER: which class it was too like
 *     pw_enrol_finish(&state);                after all takes: how many were learned from
 *     pw_forget(&state);                      all of pw_state as it was shipped
 *
 * Takes may come in any order; each class up to PW_ENROL_MOST_TAKES in a session, and a class that
 * nobody shows keeps the mean it was shipped with. Between two takes the model goes on as usual.
 * Classes from PW_ENROL_FIRST_OWN on are places for gestures of the owner's own, @N_OWN@ of them.
@NO_GESTURE@ * Without any take every answer is bit for bit what was shipped.
 *
 * A gesture of one's own is told from known classes the better, the more of those were shown: one
 * take of each at least, without which few of its takes are found. A class that is
 * taught again goes on from where it is: for another gesture in an own place, call pw_forget first.
 *
 * What is kept for good are means of takes, (PW_ENROL_SLOTS, @KEPT@) in 8 bits, and how many takes
 * each class was learned from: no readout, no picture, no name. Takes (@KEPT@ bytes each, of the
 * model's last values) are held from pw_enrol_add to pw_enrol_finish, which lets go of them. What
 * was learned from a person tells of that person: keep it on the device. pw_restart begins anew and
 * keeps it; pw_forget is pw_init: what windows hold of the last take goes as well, and what is left
 * on @STACK_BYTES@ bytes of stack below where it is called: call it where the others are called.
 * RAM of enrolment is part of pw_state. */
#define PW_ENROL_SLOTS @N_SLOTS@
#define PW_ENROL_FIRST_OWN @N_KNOWN@
#define PW_ENROL_MOST_TAKES @N_TAKES@
#define PW_ENROL_LEAST_FRAMES @LEAST_FRAMES@
@REASONS@
int32_t pw_enrol_begin(pw_state *s, int32_t class_number);
int32_t pw_enrol_add(pw_state *s);
/* The other class that the last take is most like, until pw_enrol_finish; class_number is the one
 * that was asked for. PW_ENROL_CLASS where there is no such class, PW_ENROL_NO_TAKE without frames.
 */
int32_t pw_enrol_like(const pw_state *s, int32_t class_number);
int32_t pw_enrol_is_open(const pw_state *s); /* 1 while a take is open, else 0 */
int32_t pw_enrol_finish(pw_state *s);
void pw_forget(pw_state *s);
void pw_restart(pw_state *s);

/* What was learned as PW_ENROL_BYTES bytes, for memory that outlasts a reset: a mark, the version
 * of this form, the model's identity, how many takes and the means, and a checksum (CRC-32).
 * pw_enrol_load is told how many bytes may be read there, and reads as many as they say they are.
 * It returns 0, or changes nothing and returns PW_ENROL_NOTHING (no mark: erased memory),
 * PW_ENROL_FOREIGN (of another version, or whole and another model's, whatever its length) or
 * PW_ENROL_DAMAGED (a wrong checksum, or fewer bytes than there should be); takes of a session that
 * was not finished are dropped. Where the owner wants to be forgotten, call pw_forget and erase
 * those bytes as well. */
#define PW_ENROL_BYTES @SAVED_BYTES@
void pw_enrol_save(const pw_state *s, uint8_t *to);
int32_t pw_enrol_load(pw_state *s, const uint8_t *from, uint32_t n_bytes);"""

BOARD_C = """\

int32_t pw_enrol_begin(pw_state *s, int32_t class_number)
{
    s->@PREFIX@_frames[0] = 0;
    s->@PREFIX@_lead[0] = INT32_MIN;
    s->@PREFIX@_open[0] = 0;
    s->@PREFIX@_answer[0] = PW_ENROL_CLASS;
    if ((class_number >= 0) && (class_number < @N_SLOTS@)
        && (@PREFIX@_learnable[class_number] != 0u)) {
        s->@PREFIX@_open[0] = class_number + 1;
        s->@PREFIX@_answer[0] = 0;
    }
    return s->@PREFIX@_answer[0];
}

int32_t pw_enrol_is_open(const pw_state *s)
{
    return (s->@PREFIX@_open[0] != 0) ? 1 : 0;
}

static int32_t @PREFIX@_refusal(const pw_state *s, int32_t slot)
{
    if (slot < 0) {
        return PW_ENROL_NO_TAKE;
    }
    if (@PREFIX@_n_takes(s, slot + 1) >= PW_ENROL_MOST_TAKES) {
        return PW_ENROL_FULL;
    }
    if (s->@PREFIX@_frames[0] < PW_ENROL_LEAST_FRAMES) {
        return PW_ENROL_SHORT;
    }
    if (@PREFIX@_is_unlike(s, slot) != 0) {
        return PW_ENROL_UNLIKE;
    }
    return (@PREFIX@_is_other(s, slot) != 0) ? PW_ENROL_OTHER : 0;
}

int32_t pw_enrol_add(pw_state *s)
{
    const int32_t slot = s->@PREFIX@_open[0] - 1;
    int32_t answer = @PREFIX@_refusal(s, slot);
    if (answer == 0) {
        const uint32_t p = @PREFIX@_n_takes(s, 0);
        for (uint32_t i = 0u; i < @KEPT@u; i++) {
            s->@PREFIX@_takes[(p * @KEPT@u) + i] = s->@PREFIX@_best[i];
        }
        s->@PREFIX@_take_class[p] = (int8_t)(slot + 1);
        answer = (int32_t)@PREFIX@_n_takes(s, slot + 1);
    }
    s->@PREFIX@_open[0] = 0;
    s->@PREFIX@_answer[0] = answer;
    return answer;
}

int32_t pw_enrol_like(const pw_state *s, int32_t class_number)
{
    int32_t like = -1;
    int32_t like_score = 0;
    int32_t like_far = 0;
    int32_t like_refuses = 0;
    int32_t answers[@N_KNOWN@];
    if ((class_number < 0) || (class_number >= @N_SLOTS@)) {
        return PW_ENROL_CLASS;
    }
    if (s->@PREFIX@_frames[0] == 0) {
        return PW_ENROL_NO_TAKE;
    }
    @PREFIX@_answers(s, answers);
    for (int32_t c = 0; c < @N_KNOWN@; c++) {
        const int32_t score = answers[c];
        const int32_t far =
            @PREFIX@_squared(&@PREFIX@_means[(uint32_t)c * @KEPT@u], s->@PREFIX@_best);
        const int32_t refuses = (far <= @PREFIX@_near[c]) ? 1 : 0;
        int32_t liker = (refuses != like_refuses) ? refuses : (far < like_far);
        if (class_number < @N_KNOWN@) {
            liker = score > like_score;
        }
        if ((c != class_number) && ((like < 0) || (liker != 0))) {
            like = c;
            like_score = score;
            like_far = far;
            like_refuses = refuses;
        }
    }
@LIKE_OWN@    return like;
}

static void @PREFIX@_move(pw_state *s, uint32_t c, int32_t session)
{
    for (uint32_t i = 0u; i < @KEPT@u; i++) {
        s->@PREFIX@_rows[(c * @KEPT@u) + i] = (int8_t)@PREFIX@_moved(s, c, session, i);
    }
    const int32_t taught = s->@PREFIX@_taught[c] + session;
    s->@PREFIX@_taught[c] = (int16_t)((taught > @MOST_TAUGHT@) ? @MOST_TAUGHT@ : taught);
}

static void @PREFIX@_end_session(pw_state *s)
{
    for (uint32_t i = 0u; i < @N_ALL_VALUES@u; i++) {
        s->@PREFIX@_takes[i] = 0;
    }
    for (uint32_t i = 0u; i < @N_PLACES@u; i++) {
        s->@PREFIX@_take_class[i] = 0;
    }
    for (uint32_t i = 0u; i < @KEPT@u; i++) {
        s->@PREFIX@_best[i] = 0;
    }
    for (uint32_t i = 0u; i < @N_KNOWN@u; i++) {
        s->@PREFIX@_best_scores[i] = 0;
    }
    s->@PREFIX@_open[0] = 0;
    s->@PREFIX@_frames[0] = 0;
    s->@PREFIX@_lead[0] = 0;
}

int32_t pw_enrol_finish(pw_state *s)
{
    const uint32_t n = @PREFIX@_n_takes(s, 0);
    for (uint32_t c = 0u; c < @N_SLOTS@u; c++) {
        const int32_t session = (int32_t)@PREFIX@_n_takes(s, (int32_t)c + 1);
        if (session > 0) {
            @PREFIX@_move(s, c, session);
        }
    }
    @PREFIX@_end_session(s);
    s->@PREFIX@_answer[0] = (int32_t)n;
    return (int32_t)n;
}

/* What stages and takes left on the stack, where its caller calls all functions of the model. */
PW_STAGE void @PREFIX@_forget_stack(void)
{
    uint32_t words[@STACK_WORDS@];
    pw_wipe(words, @STACK_WORDS@u);
}

void pw_forget(pw_state *s)
{
    pw_init(s); /* frames of the last take are still in windows */
    @PREFIX@_forget_stack();
}

/* The members of enrolment stand one behind the other, from the first to the last. */
void pw_restart(pw_state *s)
{
    uint8_t *byte = (uint8_t *)s;
    const uint32_t from = (uint32_t)((const uint8_t *)s->@PREFIX@_ask - byte);
    const uint32_t to =
        (uint32_t)((const uint8_t *)&s->@PREFIX@_take_class[@N_PLACES@ - 1] - byte);
    for (uint32_t i = 0u; i < (uint32_t)sizeof(*s); i++) {
        if ((i < from) || (i > to)) {
            byte[i] = 0u;
        }
    }
@RESTART@}

static uint32_t @PREFIX@_checksum(const uint8_t *bytes, uint32_t n)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (uint32_t i = 0u; i < n; i++) {
        crc ^= bytes[i];
        for (uint32_t bit = 0u; bit < 8u; bit++) {
            crc = (crc >> 1) ^ (((crc & 1u) != 0u) ? 0xEDB88320u : 0u);
        }
    }
    return crc ^ 0xFFFFFFFFu;
}

static uint8_t *@PREFIX@_put16(uint8_t *to, uint32_t value)
{
    to[0] = (uint8_t)(value & 0xFFu);
    to[1] = (uint8_t)((value >> 8) & 0xFFu);
    return &to[2];
}

static const uint8_t @PREFIX@_mark[8] = {'P', 'W', 'E', 'N', @VERSION@u, 0u, @N_SLOTS@u, @KEPT@u};

void pw_enrol_save(const pw_state *s, uint8_t *to)
{
    const char *id = PW_MODEL_ID;
    uint8_t *at = to;
    for (uint32_t i = 0u; i < 8u; i++) {
        *at++ = @PREFIX@_mark[i];
    }
    for (uint32_t i = 0u; i < 32u; i++) {
        *at++ = (uint8_t)id[i];
    }
    for (uint32_t c = 0u; c < @N_SLOTS@u; c++) {
        at = @PREFIX@_put16(at, (uint32_t)s->@PREFIX@_taught[c]);
    }
    for (uint32_t i = 0u; i < @N_WEIGHTS@u; i++) {
        *at++ = (uint8_t)((uint32_t)s->@PREFIX@_rows[i] & 0xFFu);
    }
    const uint32_t crc = @PREFIX@_checksum(to, PW_ENROL_BYTES - 4u);
    at = @PREFIX@_put16(at, crc);
    (void)@PREFIX@_put16(at, crc >> 16);
}

static int32_t @PREFIX@_number(const uint8_t *from)
{
    const int32_t value = (int32_t)((uint32_t)from[0] | ((uint32_t)from[1] << 8));
    return (value < 0x8000) ? value : (value - 0x10000);
}

/* Whether bytes are something learned, all of it, and this model's: 0, or what is wrong. */
static int32_t @PREFIX@_wrong(const uint8_t *from, uint32_t n_bytes)
{
    const char *id = PW_MODEL_ID;
    uint8_t crc[4];
    uint32_t other = 0u;
    for (uint32_t i = 0u; i < 4u; i++) {
        if ((n_bytes < 4u) || (from[i] != @PREFIX@_mark[i])) {
            return PW_ENROL_NOTHING;
        }
    }
    if (n_bytes < 8u) {
        return PW_ENROL_DAMAGED; /* cut before it says what it is */
    }
    if (from[4] != @PREFIX@_mark[4]) {
        return PW_ENROL_FOREIGN; /* of another version nothing else is known */
    }
    const uint32_t n_values = (uint32_t)from[6] * ((uint32_t)from[7] + 2u);
    if (n_bytes < (44u + n_values)) {
        return PW_ENROL_DAMAGED;
    }
    const uint32_t found = @PREFIX@_checksum(from, 40u + n_values);
    (void)@PREFIX@_put16(@PREFIX@_put16(crc, found), found >> 16);
    for (uint32_t i = 0u; i < 4u; i++) {
        other |= (uint32_t)crc[i] ^ from[40u + n_values + i];
    }
    if (other != 0u) {
        return PW_ENROL_DAMAGED;
    }
    for (uint32_t i = 5u; i < 8u; i++) {
        other |= (uint32_t)@PREFIX@_mark[i] ^ from[i];
    }
    for (uint32_t i = 0u; i < 32u; i++) {
        other |= (uint32_t)(uint8_t)id[i] ^ from[8u + i];
    }
    return (other != 0u) ? PW_ENROL_FOREIGN : 0;
}

int32_t pw_enrol_load(pw_state *s, const uint8_t *from, uint32_t n_bytes)
{
    const int32_t wrong = @PREFIX@_wrong(from, n_bytes);
    if (wrong != 0) {
        return wrong;
    }
    uint32_t damaged = 0u;
    for (uint32_t c = 0u; c < @N_SLOTS@u; c++) {
        damaged |= (@PREFIX@_number(&from[40u + (2u * c)]) < 0) ? 1u : 0u;
    }
    for (uint32_t i = 0u; i < @N_WEIGHTS@u; i++) {
        damaged |= (from[@ROWS_AT@u + i] == 0x80u) ? 1u : 0u;
    }
    if (damaged != 0u) {
        return PW_ENROL_DAMAGED;
    }
    @PREFIX@_end_session(s);
    s->@PREFIX@_answer[0] = 0;
    for (uint32_t c = 0u; c < @N_SLOTS@u; c++) {
        s->@PREFIX@_taught[c] = (int16_t)@PREFIX@_number(&from[40u + (2u * c)]);
    }
    for (uint32_t i = 0u; i < @N_WEIGHTS@u; i++) {
        const int32_t value = (int32_t)from[@ROWS_AT@u + i];
        s->@PREFIX@_rows[i] = (int8_t)((value < 0x80) ? value : (value - 0x100));
    }
    return 0;
}
"""
