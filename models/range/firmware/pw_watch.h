/* watching: watching from a lensless sensor, one frame pair at a time.
 *
 * Input: a lit and a dark exposure of 32 x 64 pixels, counts of 12 bits
 * (0 to 4095) in uint16_t, row by row, 30 frame pairs a second. Only rows
 * 8 to 23 are read. Exposures that start on a 4-byte boundary are read fastest.
 * Output: a decision, one of the PW_WATCH_CLASS_ constants on the frame of an event, else
 * PW_WATCH_NONE;
 * and a score for each class, in fixed point.
 * Classes: still, moving.
 * Stages: s0 bins, s1 dense, s2 motion, s3 dense, s4 window, s5 dense, s6 decision.
 * Model 5b8e0b21be8a920623ea5e8fab874d702335a0bf4d10b12332a587b22a3c0ec1.
 *
 * No heap, no floating point, no recursion, no C library. One pw_watch_state per sensor, owned by
 * the
 * caller; functions are reentrant. A right shift of a negative value must be arithmetic, as every
 * common compiler has it; pw_watch.c refuses to compile otherwise.
 */
#ifndef PW_WATCH_MODEL_H
#define PW_WATCH_MODEL_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define PW_WATCH_VERSION "0.1.0"
#define PW_WATCH_MODEL_ID "5b8e0b21be8a920623ea5e8fab874d702335a0bf4d10b12332a587b22a3c0ec1"
#define PW_WATCH_N_ROWS 32
#define PW_WATCH_N_COLS 64
#define PW_WATCH_MAX_COUNTS 4095
#define PW_WATCH_N_SCORES 2
#define PW_WATCH_NONE (-1)
#define PW_WATCH_CLASS_STILL 0
#define PW_WATCH_CLASS_MOVING 1
/* Instead of a decision: rows of a frame missing, twice or out of order; or counts over the
 * maximum, such as a converter's status bits. The frame is dropped, what was remembered stays. */
#define PW_WATCH_ERROR_ROWS (-2)
#define PW_WATCH_ERROR_COUNTS (-3)

/* The watching stage: read the middle rows now and then, in weak light, and feed them here. A hand
 * that comes is what pw_device.c wakes the model of pw_model.h for. The first 12
 * frames after pw_watch_init fill the means; what is decided on them is not to be heeded. */
#define PW_WATCH_WARM_UP_FRAMES 12

/* Everything that the model remembers. The first part lasts from frame to frame. Behind it is room
 * to work in, where outputs that are never alive together share a place: all of it is zero between
 * frames. The last are what the last frame gave, valid until the next. */
typedef struct {
    int16_t w2_previous[9]; /* (9,) last frame, Q0 */
    int16_t w4_history[24]; /* (12, 2) ring of frames, Q0 */
    int32_t w4_position[1]; /* place of the oldest frame in the ring */
    int16_t w4_sums[24]; /* (12, 2) sum of each segment, Q0 */
    int32_t w6_active[1]; /* class told and not yet released, or -1 */
    int32_t w6_candidate[1]; /* class wanted on the last frame, or -1 */
    int32_t w6_count[1]; /* consecutive frames that wanted it */
    int32_t w6_hold[1]; /* frames until the next event may be told */
    union {
        uint32_t words; /* aligns the others */
        int32_t w0_y[8]; /* bins */
        int16_t w2_y[16]; /* motion */
        int16_t w4_y[24]; /* window */
    } even;
    union {
        uint32_t words; /* aligns the others */
        int16_t w1_y[16]; /* dense */
        int16_t w3_y[8]; /* dense */
    } odd;
    uint32_t rows_done; /* rows of this frame so far, of those that are read */
    int32_t rows_error; /* the first error of this frame's rows, or 0 */
    uint32_t settling; /* whether the next frame stands for all before it */
    int32_t w5_y[2]; /* dense */
    int32_t w6_y[1]; /* decision */
} pw_watch_state;

/* Every lasting member: X(type, name, length). A board can use it to print or compare the state. */
#define PW_WATCH_STATE_MEMBERS(X) \
    X(int16_t, w2_previous, 9) \
    X(int16_t, w4_history, 24) \
    X(int32_t, w4_position, 1) \
    X(int16_t, w4_sums, 24) \
    X(int32_t, w6_active, 1) \
    X(int32_t, w6_candidate, 1) \
    X(int32_t, w6_count, 1) \
    X(int32_t, w6_hold, 1)

/* Forget everything: the state before the first frame. */
void pw_watch_init(pw_watch_state *s);

/* Let the next frame stand for all that came before it, as if the scene had been so all along. Call
 * it after pw_watch_init where frames begin with a hand in view: else it would seem to have just
 * come. */
void pw_watch_settle(pw_watch_state *s);

/* Take one frame pair; returns the decision. Counts are trusted, unless pw_watch.c is compiled with
 * PW_CHECK_COUNTS: then any over the maximum gives PW_WATCH_ERROR_COUNTS. */
int32_t pw_watch_step(pw_watch_state *s, const uint16_t *lit, const uint16_t *dark);

/* The same without a whole frame in memory: feed each row of both exposures, in rising order from
 * row 0 (rows outside the range read may be left out), then finish; returns the decision, or one of
 * the errors above. pw_watch_feed_row returns 0, or the first error of the frame so far. Compiled
 * with
 * PW_TRUST_ROWS, neither rows nor counts are checked. */
int32_t pw_watch_feed_row(pw_watch_state *s, uint32_t row, const uint16_t *lit, const uint16_t
        *dark);
int32_t pw_watch_finish(pw_watch_state *s);

/* Drop the rows that were fed since the last frame ended: none of them is left in memory.
        pw_watch_finish
 * does so where it returns an error; call it where a frame is given up and not finished. */
void pw_watch_drop(pw_watch_state *s);

/* Zeroes for whole words. No compiler leaves it out, as it may a memset of what is not read again:
 * for exposures of your own that are done with. */
void pw_watch_wipe(void *from, uint32_t n_words);

/* PW_WATCH_N_SCORES scores of the last frame, valid until the next. */
const int32_t *pw_watch_scores(const pw_watch_state *s);

/* Whether a hand has come: the last frames are brighter than those before, by more than noise. */
int32_t pw_watch_arrived(const pw_watch_state *s);

/* Sum of the changes on the frames before the last ones: what rest looks like. */
int32_t pw_watch_rest(const pw_watch_state *s);

/* Whether the last frame's change, whichever way, stands out from such a sum. */
int32_t pw_watch_moved(const pw_watch_state *s, int32_t rest);

/* Version of the generator, and identity of the model (a hash of everything that decides). */
const char *pw_watch_version(void);
const char *pw_watch_model_id(void);

#ifdef __cplusplus
}
#endif

#endif
