/* Makes known frames, feeds them whole, row by row and from an odd address in turn, and compares a
 * hash of every decision, every score and the state with the reference's.
 * Call pw_selftest() on the board; build with -DPW_SELFTEST_MAIN for a program of its own.
 * With PW_SELFTEST_ROWS every frame is fed by rows, and room for two rows is enough. */
#include "pw_model.h"
#include "pw_vectors.h"

int pw_selftest(void);

#if defined(PW_SELFTEST_ROWS)
#define N_KEPT PW_N_COLS
#else
#define N_KEPT (PW_N_ROWS * PW_N_COLS)
#endif

static pw_state state;
static uint16_t lit[N_KEPT + 2u];
static uint16_t dark[N_KEPT + 2u];
static uint32_t n_done;

static uint32_t mixed(uint32_t word)
{
    word = (word ^ (word >> 16)) * 0x7FEB352Du;
    word = (word ^ (word >> 16)) * 0x846CA68Bu;
    return word ^ (word >> 15);
}

static uint32_t hashed(uint32_t hash, uint32_t word)
{
    hash = (hash ^ word) * 16777619u;
    return hash ^ (hash >> 15);
}

/* Light between two patterns, and noise; frames are numbered for the noise. */
static void make_row(uint16_t *l, uint16_t *d, uint32_t row, uint32_t frame, const uint32_t *key)
{
    const uint32_t part = frame % 6u;
    for (uint32_t col = 0u; col < PW_N_COLS; col++) {
        const uint32_t across = col / PW_VECTORS_BLOCK_COLS;
        const uint32_t block = ((row / PW_VECTORS_BLOCK_ROWS) * 256u) + across;
        const uint32_t before = mixed((key[0] << 16) + block) >> 20;
        const uint32_t after = mixed((key[1] << 16) + block) >> 20;
        const uint32_t light = ((before * (6u - part)) + (after * part)) / 6u;
        const uint32_t noise = mixed((frame * 0x10001u) + (row * 0x1003Fu) + (col * 0x105u));
        const uint32_t counts = ((light * PW_MAX_COUNTS) >> 12) + (noise & 31u);
        const uint32_t dim = (noise >> 8) & 63u;
        l[col] = (uint16_t)((counts < PW_MAX_COUNTS) ? counts : PW_MAX_COUNTS);
        d[col] = (uint16_t)((dim < PW_MAX_COUNTS) ? dim : PW_MAX_COUNTS);
    }
}

/* Both ends of the range, whole or in stripes. */
static void make_extreme(uint16_t *l, uint16_t *d, uint32_t number)
{
    for (uint32_t col = 0u; col < PW_N_COLS; col++) {
        const uint32_t switched = number + (col & (number >> 2));
        l[col] = (uint16_t)(((switched & 1u) != 0u) ? 0u : PW_MAX_COUNTS);
        d[col] = (uint16_t)(((switched & 2u) != 0u) ? PW_MAX_COUNTS : 0u);
    }
}

/* Makes one frame (an extreme one without keys), feeds it, and returns the decision. */
static int32_t feed(uint32_t frame, const uint32_t *key)
{
#if defined(PW_SELFTEST_ROWS)
    const uint32_t by_rows = 1u;
    const uint32_t odd = 0u;
#else
    const uint32_t by_rows = n_done & 1u;
    const uint32_t odd = ((n_done & 3u) == 2u) ? 1u : 0u;
#endif
    for (uint32_t row = 0u; row < PW_N_ROWS; row++) {
        const uint32_t at = odd + ((by_rows != 0u) ? 0u : row * PW_N_COLS);
        if (key != 0) {
            make_row(&lit[at], &dark[at], row, frame, key);
        } else {
            make_extreme(&lit[at], &dark[at], frame);
        }
        if (by_rows != 0u) {
            pw_feed_row(&state, row, &lit[at], &dark[at]);
        }
    }
    return (by_rows != 0u) ? pw_finish(&state) : pw_step(&state, &lit[odd], &dark[odd]);
}

#define HASH_MEMBER(type, name, length) \
    for (uint32_t i = 0u; i < (uint32_t)(length); i++) { \
        hash = hashed(hash, (uint32_t)(int32_t)state.name[i]); \
    }

/* Feeds a frame, the `place` of its scene or of the extremes, and compares; returns `failed`, or
 * 1 + the number of the frame if it is the first to differ. */
static int check(uint32_t frame, const uint32_t *key, uint32_t place, int failed)
{
    uint32_t hash = hashed(n_done, (uint32_t)feed(frame, key));
    for (uint32_t i = 0u; i < PW_N_SCORES; i++) {
        hash = hashed(hash, (uint32_t)pw_scores(&state)[i]);
    }
    if ((place % 8u) == (8u - 1u)) {
        PW_STATE_MEMBERS(HASH_MEMBER)
    }
    if ((failed == 0) && (hash != pw_vectors_hashes[n_done])) {
        failed = (int)n_done + 1;
    }
    n_done++;
    return failed;
}

static int scene(uint32_t number, int failed)
{
    const uint16_t *keys = &pw_vectors_keys[number * 8u];
    uint32_t key[2];
    key[1] = ((uint32_t)keys[0] + 1u) & 0xFFFFu;
    for (uint32_t i = 0u; i < 48u; i++) {
        if ((i % 6u) == 0u) {
            key[0] = key[1];
            key[1] = keys[i / 6u];
        }
        failed = check((number * 48u) + i, key, i, failed);
    }
    return failed;
}

#if !defined(PW_TRUST_ROWS)
/* Whether no rows, a frame twice and, where there is room for one, a status bit are refused. */
static int refuses(void)
{
    int32_t bit = PW_ERROR_COUNTS;
    const int32_t none = pw_finish(&state);
    make_extreme(lit, dark, 1u);
    for (uint32_t i = 0u; i < 2u * PW_N_ROWS; i++) {
        (void)pw_feed_row(&state, i % PW_N_ROWS, lit, dark);
    }
    const int32_t twice = pw_finish(&state);
#if PW_MAX_COUNTS < 65535
    dark[PW_N_COLS - 1] = PW_MAX_COUNTS + 1;
    for (uint32_t row = 0u; row < PW_N_ROWS; row++) {
        (void)pw_feed_row(&state, row, lit, dark);
    }
    bit = pw_finish(&state);
#endif
    return (none == PW_ERROR_ROWS) && (twice == PW_ERROR_ROWS) && (bit == PW_ERROR_COUNTS);
}
#endif

/* Returns 0 when all is equal, else 1 + the number of the first frame that differs. */
int pw_selftest(void)
{
    int failed = 0;

    n_done = 0u;
    pw_init(&state);
#if PW_VECTORS_HOLD > 0
    /* The first scene with an decision that is held off by one frame. */
    state.s10_hold[0] = PW_VECTORS_HOLD;
    failed = scene(0u, failed);
    pw_init(&state);
#endif
    for (uint32_t number = 0u; number < PW_VECTORS_N_SCENES; number++) {
        failed = scene(number, failed);
    }
    for (uint32_t i = 0u; i < 16u; i++) {
        failed = check(i, 0, i, failed);
    }
    failed = scene(0u, failed);
#if !defined(PW_TRUST_ROWS)
    if ((failed == 0) && (refuses() == 0)) {
        failed = (int)n_done + 1;
    }
#endif
    return failed;
}

#if defined(PW_SELFTEST_MAIN)
int main(void)
{
    return (pw_selftest() == 0) ? 0 : 1;
}
#endif
