/* Feeds known frames, row by row, and compares every decision and score with the reference.
 * Call pw_selftest() on the board; build with -DPW_SELFTEST_MAIN for a program of its own. */
#include "pw_model.h"
#include "pw_vectors.h"

int pw_selftest(void);

static uint16_t next_counts(uint32_t *random)
{
    *random = (*random * 1664525u) + 1013904223u;
    return (uint16_t)((*random >> 16) & PW_MAX_COUNTS);
}

static void fill_row(uint16_t *row, uint32_t frame, uint32_t extreme, uint32_t *random)
{
    for (uint32_t col = 0u; col < PW_N_COLS; col++) {
        if ((frame % 4u) >= 2u) {
            row[col] = next_counts(random);
        } else {
            row[col] = ((frame % 4u) == extreme) ? PW_MAX_COUNTS : 0u;
        }
    }
}

/* Returns 0 when all is equal, else 1 + the number of the first frame that differs. */
int pw_selftest(void)
{
    static pw_state state;
    static uint16_t lit[PW_N_COLS];
    static uint16_t dark[PW_N_COLS];
    uint32_t random = 1u;

    pw_init(&state);
    for (uint32_t frame = 0u; frame < PW_VECTORS_N_FRAMES; frame++) {
        for (uint32_t row = 0u; row < PW_N_ROWS; row++) {
            fill_row(lit, frame, 0u, &random);
            fill_row(dark, frame, 1u, &random);
            pw_feed_row(&state, row, lit, dark);
        }
        if (pw_finish(&state) != pw_vectors_decisions[frame]) {
            return (int)frame + 1;
        }
        for (uint32_t i = 0u; i < PW_N_SCORES; i++) {
            if (pw_scores(&state)[i] != pw_vectors_scores[(frame * PW_N_SCORES) + i]) {
                return (int)frame + 1;
            }
        }
    }
    return 0;
}

#if defined(PW_SELFTEST_MAIN)
int main(void)
{
    return pw_selftest();
}
#endif
