/* finger_count: finger_count from a lensless sensor, one frame pair at a time.
 *
 * Input: a lit and a dark exposure of 32 x 32 pixels, counts of 12 bits
 * (0 to 4095) in uint16_t, row by row, 3 frame pairs a second. Only rows
 * 0 to 31 are read. Exposures that start on a 4-byte boundary are read fastest.
 * Output: a decision, one of the PW_CLASS_ constants on the frame of an event, else PW_NONE;
 * and a score for each class, in fixed point.
 * Classes: fingers_0, fingers_1, fingers_2, fingers_3, fingers_4, fingers_5.
 * Stages: s0 bins, s1 hold, s2 level, s3 root, s4 window, s5 filters, s6 filters, s7 filters, s8
 * dense, s9 dense, s10 decision.
 * Flash 67263 bytes, RAM 4712 bytes (the state), stack at most 596 bytes,
 * on cortex-m0plus compiled by zig cc 0.17.1 with -O2.
 * Model c4e881d209dbb7feda9797b2a76b436d8877822f829a927d5b3316bb200ada02.
 *
 * No heap, no floating point, no recursion, no C library. One pw_state per sensor, owned by the
 * caller; functions are reentrant. A right shift of a negative value must be arithmetic, as every
 * common compiler has it; pw_model.c refuses to compile otherwise.
 */
#ifndef PW_MODEL_H
#define PW_MODEL_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define PW_VERSION "0.1.0"
#define PW_MODEL_ID "c4e881d209dbb7feda9797b2a76b436d8877822f829a927d5b3316bb200ada02"
#define PW_N_ROWS 32
#define PW_N_COLS 32
#define PW_MAX_COUNTS 4095
#define PW_N_SCORES 6
#define PW_NONE (-1)
#define PW_CLASS_FINGERS_0 0
#define PW_CLASS_FINGERS_1 1
#define PW_CLASS_FINGERS_2 2
#define PW_CLASS_FINGERS_3 3
#define PW_CLASS_FINGERS_4 4
#define PW_CLASS_FINGERS_5 5
/* Instead of a decision: rows of a frame missing, twice or out of order; or counts over the
 * maximum, such as a converter's status bits. The frame is dropped, what was remembered stays. */
#define PW_ERROR_ROWS (-2)
#define PW_ERROR_COUNTS (-3)

/* Everything that the model remembers. The first part lasts from frame to frame. Behind it is room
 * to work in, where outputs that are never alive together share a place: all of it is zero between
 * frames. The last are what the last frame gave, valid until the next. */
typedef struct {
    int32_t s1_left[1]; /* frames that may yet be held */
    int16_t s1_held[256]; /* (256,) values given last */
    int16_t s4_history[257]; /* (1, 257) ring of frames, Q0 */
    int32_t s4_position[1]; /* place of the oldest frame in the ring */
    int16_t s4_sums[257]; /* (1, 257) sum of each segment, Q0 */
    int32_t s10_active[1]; /* class told and not yet released, or -1 */
    int32_t s10_candidate[1]; /* class wanted on the last frame, or -1 */
    int32_t s10_count[1]; /* consecutive frames that wanted it */
    int32_t s10_hold[1]; /* frames until the next event may be told */
    union {
        uint32_t words; /* aligns the others */
        int16_t s0_y[256]; /* bins */
        int16_t s2_y[264]; /* level */
        int16_t s4_y[264]; /* window */
        int8_t s6_y[800]; /* filters */
        int8_t s8_y[80]; /* dense */
    } even;
    union {
        uint32_t words; /* aligns the others */
        int16_t s3_y[264]; /* root */
        int8_t s5_y[2304]; /* filters */
        int8_t s7_y[432]; /* filters */
    } odd;
    uint32_t rows_done; /* rows of this frame so far, of those that are read */
    int32_t rows_error; /* the first error of this frame's rows, or 0 */
    uint32_t settling; /* whether the next frame stands for all before it */
    int32_t s9_y[6]; /* dense */
    int32_t s10_y[1]; /* decision */
} pw_state;

/* Every lasting member: X(type, name, length). A board can use it to print or compare the state. */
#define PW_STATE_MEMBERS(X) \
    X(int32_t, s1_left, 1) \
    X(int16_t, s1_held, 256) \
    X(int16_t, s4_history, 257) \
    X(int32_t, s4_position, 1) \
    X(int16_t, s4_sums, 257) \
    X(int32_t, s10_active, 1) \
    X(int32_t, s10_candidate, 1) \
    X(int32_t, s10_count, 1) \
    X(int32_t, s10_hold, 1)

/* Forget everything: the state before the first frame. */
void pw_init(pw_state *s);

/* Let the next frame stand for all that came before it, as if the scene had been so all along. Call
 * it after pw_init where frames begin with a hand in view: else it would seem to have just come. */
void pw_settle(pw_state *s);

/* Take one frame pair; returns the decision. Counts are trusted, unless pw_model.c is compiled with
 * PW_CHECK_COUNTS: then any over the maximum gives PW_ERROR_COUNTS. */
int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark);

/* The same without a whole frame in memory: feed each row of both exposures, in rising order from
 * row 0 (rows outside the range read may be left out), then finish; returns the decision, or one of
 * the errors above. pw_feed_row returns 0, or the first error of the frame so far. Compiled with
 * PW_TRUST_ROWS, neither rows nor counts are checked. */
int32_t pw_feed_row(pw_state *s, uint32_t row, const uint16_t *lit, const uint16_t *dark);
int32_t pw_finish(pw_state *s);

/* Drop the rows that were fed since the last frame ended: none of them is left in memory. pw_finish
 * does so where it returns an error; call it where a frame is given up and not finished. */
void pw_drop(pw_state *s);

/* Zeroes for whole words. No compiler leaves it out, as it may a memset of what is not read again:
 * for exposures of your own that are done with. */
void pw_wipe(void *from, uint32_t n_words);

/* PW_N_SCORES scores of the last frame, valid until the next. */
const int32_t *pw_scores(const pw_state *s);

/* Version of the generator, and identity of the model (a hash of everything that decides). */
const char *pw_version(void);
const char *pw_model_id(void);

#ifdef __cplusplus
}
#endif

#endif
