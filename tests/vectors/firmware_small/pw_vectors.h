/* What the integer reference gives for the self-test's frames. */
#ifndef PW_VECTORS_H
#define PW_VECTORS_H

#include <stdint.h>

#define PW_VECTORS_N_FRAMES 12

/* (12,) */
static const int32_t pw_vectors_decisions[12] = {
    -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1, -1,
};

/* (12, 4) */
static const int32_t pw_vectors_scores[48] = {
    -2509, -2793, 98, -3063, 3070, 1685, 220, 10305, -6971, -3157, 10216, -1731, 10734, -12905,
    -3791, -7907, -2509, -2793, 98, -3063, 3070, 1685, 220, 10305, 2754, -270, 6708, 8208, 3587,
    -8264, -1658, -5184, -2509, -2793, 98, -3063, 3070, 1685, 220, 10305, -5848, 572, 888, 127,
    -10735, -1235, -10830, -9880,
};

#endif
