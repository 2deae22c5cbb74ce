/* range: range from a lensless sensor, one frame pair at a time.
 *
 * Input: a lit and a dark exposure of 32 x 64 pixels, counts of 12 bits
 * (0 to 4095) in uint16_t, row by row, 30 frame pairs a second. Only rows
 * 0 to 31 are read. Exposures that start on a 4-byte boundary are read fastest.
 * Output: values in fixed point, each valid or not; an event, PW_VALID on the
 * first frame on which all are valid, PW_LOST on the first on which they no longer
 * are, else PW_NONE.
 * Outputs: event, direction_x, direction_y, inverse_distance, distance, direction_x_valid,
 * direction_y_valid, inverse_distance_valid, distance_valid.
 * Stages: s0 bins, s1 registration, s2 triangulation, s3 quantity.
 * Flash 114871 bytes, RAM 4224 bytes (the state), stack at most 904 bytes,
 * on cortex-m0plus compiled by zig cc 0.17.1 with -O2.
 * Model f2aef88ce8df7dadbaed9745c548898787250165031247ce39e130aa5a486932.
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
#define PW_MODEL_ID "f2aef88ce8df7dadbaed9745c548898787250165031247ce39e130aa5a486932"
#define PW_N_ROWS 32
#define PW_N_COLS 64
#define PW_MAX_COUNTS 4095
#define PW_N_EVIDENCE 10
#define PW_N_OUTPUTS 9
#define PW_NONE (-1)
#define PW_OUTPUT_EVENT 0
#define PW_OUTPUT_DIRECTION_X 1
#define PW_OUTPUT_DIRECTION_X_UNIT "mrad"
#define PW_OUTPUT_DIRECTION_X_NUMERATOR 125
#define PW_OUTPUT_DIRECTION_X_DENOMINATOR 32768
#define PW_OUTPUT_DIRECTION_Y 2
#define PW_OUTPUT_DIRECTION_Y_UNIT "mrad"
#define PW_OUTPUT_DIRECTION_Y_NUMERATOR 125
#define PW_OUTPUT_DIRECTION_Y_DENOMINATOR 32768
#define PW_OUTPUT_INVERSE_DISTANCE 3
#define PW_OUTPUT_INVERSE_DISTANCE_UNIT "1/m"
#define PW_OUTPUT_INVERSE_DISTANCE_NUMERATOR 1
#define PW_OUTPUT_INVERSE_DISTANCE_DENOMINATOR 4096
#define PW_OUTPUT_DISTANCE 4
#define PW_OUTPUT_DISTANCE_UNIT "mm"
#define PW_OUTPUT_DISTANCE_NUMERATOR 1
#define PW_OUTPUT_DISTANCE_DENOMINATOR 64
#define PW_OUTPUT_DIRECTION_X_VALID 5
#define PW_OUTPUT_DIRECTION_Y_VALID 6
#define PW_OUTPUT_INVERSE_DISTANCE_VALID 7
#define PW_OUTPUT_DISTANCE_VALID 8
#define PW_LOST 0
#define PW_VALID 1
#define PW_N_QUANTITIES 4u
#define PW_QUANTITY_DIRECTION_X 0u
#define PW_QUANTITY_DIRECTION_X_UNIT "mrad"
#define PW_QUANTITY_DIRECTION_X_NUMERATOR 125
#define PW_QUANTITY_DIRECTION_X_DENOMINATOR 32768
#define PW_QUANTITY_DIRECTION_X_HALF_WIDTH 33
#define PW_QUANTITY_DIRECTION_Y 1u
#define PW_QUANTITY_DIRECTION_Y_UNIT "mrad"
#define PW_QUANTITY_DIRECTION_Y_NUMERATOR 125
#define PW_QUANTITY_DIRECTION_Y_DENOMINATOR 32768
#define PW_QUANTITY_DIRECTION_Y_HALF_WIDTH 33
#define PW_QUANTITY_INVERSE_DISTANCE 2u
#define PW_QUANTITY_INVERSE_DISTANCE_UNIT "1/m"
#define PW_QUANTITY_INVERSE_DISTANCE_NUMERATOR 1
#define PW_QUANTITY_INVERSE_DISTANCE_DENOMINATOR 4096
#define PW_QUANTITY_INVERSE_DISTANCE_HALF_WIDTH 571
#define PW_QUANTITY_DISTANCE 3u
#define PW_QUANTITY_DISTANCE_UNIT "mm"
#define PW_QUANTITY_DISTANCE_NUMERATOR 1
#define PW_QUANTITY_DISTANCE_DENOMINATOR 64
#define PW_QUANTITY_DISTANCE_HALF_WIDTH 2182
/* Instead of an event: rows of a frame missing, twice or out of order; or counts over the
 * maximum, such as a converter's status bits. The frame is dropped, what was remembered stays. */
#define PW_ERROR_ROWS (-2)
#define PW_ERROR_COUNTS (-3)

/* Everything that the model remembers. The first part lasts from frame to frame. Behind it is room
 * to work in, where outputs that are never alive together share a place: all of it is zero between
 * frames. The last are what the last frame gave, valid until the next. */
typedef struct {
    int32_t s3_count[1]; /* consecutive frames with all guards in range */
    int32_t s3_valid[1]; /* 1 while all values are valid */
    union {
        uint32_t words; /* aligns the others */
        int16_t s0_y[2048]; /* bins */
    } even;
    union {
        uint32_t words; /* aligns the others */
        int32_t s1_y[8]; /* registration */
    } odd;
    uint32_t rows_done; /* rows of this frame so far, of those that are read */
    int32_t rows_error; /* the first error of this frame's rows, or 0 */
    uint32_t settling; /* whether the next frame stands for all before it */
    int32_t s2_y[10]; /* triangulation */
    int32_t s3_y[9]; /* quantity */
} pw_state;

/* Every lasting member: X(type, name, length). A board can use it to print or compare the state. */
#define PW_STATE_MEMBERS(X) \
    X(int32_t, s3_count, 1) \
    X(int32_t, s3_valid, 1)

/* Forget everything: the state before the first frame. */
void pw_init(pw_state *s);

/* Let the next frame stand for all that came before it, as if the scene had been so all along. Call
 * it after pw_init where frames begin with a hand in view: else it would seem to have just come. */
void pw_settle(pw_state *s);

/* Take one frame pair; returns the event. Counts are trusted, unless pw_model.c is compiled with
 * PW_CHECK_COUNTS: then any over the maximum gives PW_ERROR_COUNTS. */
int32_t pw_step(pw_state *s, const uint16_t *lit, const uint16_t *dark);

/* The same without a whole frame in memory: feed each row of both exposures, in rising order from
 * row 0 (rows outside the range read may be left out), then finish; returns the event, or one of
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

/* What the last frame's outputs rest on, and all outputs; valid until the next frame. */
const int32_t *pw_evidence(const pw_state *s);
const int32_t *pw_outputs(const pw_state *s);

/* Value i of the last frame, one of PW_QUANTITY_..., in steps of NUMERATOR / DENOMINATOR units;
 * the true value lies within HALF_WIDTH steps of it as often as the model's card says. */
int32_t pw_quantity(const pw_state *s, uint32_t i);

/* Whether that value can be trusted: 1, or 0 while the light that came back or the value itself
 * is outside of what was learned. */
int32_t pw_quantity_valid(const pw_state *s, uint32_t i);

/* Version of the generator, and identity of the model (a hash of everything that decides). */
const char *pw_version(void);
const char *pw_model_id(void);

#ifdef __cplusplus
}
#endif

#endif
