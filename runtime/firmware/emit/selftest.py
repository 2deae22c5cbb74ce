"""The test that a board can run by itself.

The board makes the frames (`scenes`), and of what the model gives on each it keeps one number, a
hash of event, evidence, outputs and, on every eighth frame, of everything that lasts; so that few
bytes hold many frames, and a fault that changes any of it once is seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runtime.firmware.emit.scenes import (
    EXTREMES,
    KEYS,
    SCENE_FRAMES,
    STEP,
    block_shape,
    extreme_frames,
    scene_frames,
)
from runtime.stages.contract.c_text import CState, fill, table
from runtime.stages.contract.stage import Counts, State

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["STATE_EVERY", "SelfTest", "hashed", "run_selftest_frames", "selftest_c", "vectors_h"]

STATE_EVERY = 8
"""The state is hashed on each eighth frame: on every one it would take the board too long."""

_PRIME = 0x01000193
"""The prime of the FNV hashes of 32 bits (G. Fowler, L. C. Noll and K.-P. Vo, from memory)."""


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What the reference gives on all frames of the self-test, in their order.

    Attributes
    ----------
    hashes : tuple of int
        One a frame.
    n_events, n_held_off : int
        Events told; frames of the first scene whose event the time to hold off took away.
    hold : int
        What the time to hold off is set to before the first scene; 0 where there is none.
    """

    hashes: tuple[int, ...]
    n_events: int
    n_held_off: int
    hold: int


def hashed(start: int, words: Sequence[int]) -> int:
    """Return a hash of 32-bit words after `start`: as FNV takes bytes, and a shift more."""
    for word in words:
        start = ((start ^ (word & 0xFFFF_FFFF)) * _PRIME) & 0xFFFF_FFFF
        start ^= start >> 15
    return start


def run_selftest_frames(
    model: Model, keys: Sequence[int], members: Sequence[CState | tuple[str, CState]]
) -> SelfTest:
    """Run the reference over the self-test's frames.

    Parameters
    ----------
    model : Model
    keys : sequence of int
        As `scenes.choose_scenes` gives them.
    members : sequence of (str, CState)
        The state's members in the order in which the C hashes them, each with its stage's prefix.
    """
    order = [f"{pair[0]}_{pair[1].key}" for pair in members if isinstance(pair, tuple)]
    first = scene_frames(model, keys[:KEYS], 0)
    plain = model.run(*first)
    hold, held_state = _hold(model, plain.events)
    hashes: list[int] = []
    n_held = 0
    if hold:
        told, _ = _hash_frames(model, first, held_state, order, hashes)
        n_held = int((plain.events >= 0).sum() - (told >= 0).sum())
        n_held = max(n_held, int(told[int(np.flatnonzero(plain.events >= 0)[0])] < 0))
    state: State | None = None
    n_events, parts = 0, []
    for at in range(0, len(keys), KEYS):
        parts.append(scene_frames(model, keys[at : at + KEYS], at * STEP))
    parts += [extreme_frames(model), first]
    for part in parts:
        told, state = _hash_frames(model, part, state, order, hashes)
        n_events += int((told >= 0).sum())
    return SelfTest(tuple(hashes), n_events, n_held, hold)


def _hold(model: Model, events: NDArray[np.int32]) -> tuple[int, State | None]:
    """Return the time to hold off that ends one frame after the first event, and that state."""
    name = f"s{len(model.stages) - 1}_hold"
    state = model.initial_state()
    told = np.flatnonzero(events >= 0)
    if name not in state or not told.size:
        return 0, None
    hold = int(told[0]) + 2
    return hold, state | {name: np.array([hold], dtype=np.int32)}


def _hash_frames(
    model: Model,
    frames: tuple[Counts, Counts],
    state: State | None,
    order: list[str],
    hashes: list[int],
) -> tuple[NDArray[np.int32], State]:
    """Append the hash of each frame; returns events and the last state."""
    told = []
    lit, dark = frames
    for at in range(0, len(lit), STATE_EVERY):
        run = model.run(lit[at : at + STATE_EVERY], dark[at : at + STATE_EVERY], state)
        state = run.state
        told.append(run.events)
        for outputs, evidence in zip(run.outputs.tolist(), run.evidence.tolist(), strict=True):
            hashes.append(hashed(len(hashes), [*outputs, *evidence]))
        lasting = [int(v) for name in order for v in state[name].ravel()]
        hashes[-1] = hashed(hashes[-1], lasting)
    return np.concatenate(told), state or {}


def vectors_h(model: Model, keys: Sequence[int], members: Sequence[tuple[str, CState]]) -> str:
    """Return the header with the keys of the frames, and what the integer reference gives."""
    found = run_selftest_frames(model, keys, members)
    height, width = block_shape(model)
    hashes = np.array(found.hashes, dtype=np.int64)
    n_bytes = 4 * len(hashes) + 2 * len(keys)
    return (
        "/* Frames of the self-test by their keys, and a hash of what the integer reference gives\n"
        f" * on each: {len(hashes)} frames, {found.n_events} events, {found.n_held_off} held off; "
        f"{n_bytes} bytes. */\n"
        "#ifndef PW_VECTORS_H\n#define PW_VECTORS_H\n\n#include <stdint.h>\n\n"
        f"#define PW_VECTORS_N_FRAMES {len(hashes)}\n"
        f"#define PW_VECTORS_N_SCENES {len(keys) // KEYS}\n"
        f"#define PW_VECTORS_BLOCK_ROWS {height}\n#define PW_VECTORS_BLOCK_COLS {width}\n"
        f"#define PW_VECTORS_HOLD {found.hold}\n\n"
        + table(
            "pw_vectors_keys", np.array(keys), "uint16_t", f"({len(keys) // KEYS}, {KEYS}) patterns"
        )
        + "\n"
        + table("pw_vectors_hashes", hashes, "uint32_t", f"({len(hashes)},) one a frame")
        + "\n#endif\n"
    )


def selftest_c(model: Model) -> str:
    """Return the self-test, in the words of the model's closing stage."""
    words = model.closing.c_words(model.classes)
    last = len(model.stages) - 1
    holds = f"s{last}_hold" in model.initial_state()
    others = model.closing.n_out > 1
    return fill(
        _SELFTEST_C,
        EVENT=words.event,
        ITEM=words.item,
        EVIDENCE=words.evidence,
        N_EVIDENCE=words.evidence.upper(),
        OTHERS=_OTHER_OUTPUTS if others else "",
        HOLD=_HOLD if holds else "", MEMBER=f"s{last}_hold",
        SCENE_FRAMES=SCENE_FRAMES, KEYS=KEYS, STEP=STEP, EXTREMES=EXTREMES,
        STATE_EVERY=STATE_EVERY, PRIME=_PRIME,
    )  # fmt: skip


_OTHER_OUTPUTS = """\
    for (uint32_t i = 1u; i < PW_N_OUTPUTS; i++) {
        hash = hashed(hash, (uint32_t)pw_outputs(&state)[i]);
    }
"""

_HOLD = """\
#if PW_VECTORS_HOLD > 0
    /* The first scene with an @EVENT@ that is held off by one frame. */
    state.@MEMBER@[0] = PW_VECTORS_HOLD;
    failed = scene(0u, failed);
    pw_init(&state);
#endif
"""

_SELFTEST_C = """\
/* Makes known frames, feeds them whole, row by row and from an odd address in turn, and compares a
 * hash of every @EVENT@, every @ITEM@ and the state with the reference's.
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
    hash = (hash ^ word) * @PRIME@u;
    return hash ^ (hash >> 15);
}

/* Light between two patterns, and noise; frames are numbered for the noise. */
static void make_row(uint16_t *l, uint16_t *d, uint32_t row, uint32_t frame, const uint32_t *key)
{
    const uint32_t part = frame % @STEP@u;
    for (uint32_t col = 0u; col < PW_N_COLS; col++) {
        const uint32_t across = col / PW_VECTORS_BLOCK_COLS;
        const uint32_t block = ((row / PW_VECTORS_BLOCK_ROWS) * 256u) + across;
        const uint32_t before = mixed((key[0] << 16) + block) >> 20;
        const uint32_t after = mixed((key[1] << 16) + block) >> 20;
        const uint32_t light = ((before * (@STEP@u - part)) + (after * part)) / @STEP@u;
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

/* Makes one frame (an extreme one without keys), feeds it, and returns the @EVENT@. */
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

#define HASH_MEMBER(type, name, length) \\
    for (uint32_t i = 0u; i < (uint32_t)(length); i++) { \\
        hash = hashed(hash, (uint32_t)(int32_t)state.name[i]); \\
    }

/* Feeds a frame, the `place` of its scene or of the extremes, and compares; returns `failed`, or
 * 1 + the number of the frame if it is the first to differ. */
static int check(uint32_t frame, const uint32_t *key, uint32_t place, int failed)
{
    uint32_t hash = hashed(n_done, (uint32_t)feed(frame, key));
@OTHERS@    for (uint32_t i = 0u; i < PW_N_@N_EVIDENCE@; i++) {
        hash = hashed(hash, (uint32_t)pw_@EVIDENCE@(&state)[i]);
    }
    if ((place % @STATE_EVERY@u) == (@STATE_EVERY@u - 1u)) {
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
    const uint16_t *keys = &pw_vectors_keys[number * @KEYS@u];
    uint32_t key[2];
    key[1] = ((uint32_t)keys[0] + 1u) & 0xFFFFu;
    for (uint32_t i = 0u; i < @SCENE_FRAMES@u; i++) {
        if ((i % @STEP@u) == 0u) {
            key[0] = key[1];
            key[1] = keys[i / @STEP@u];
        }
        failed = check((number * @SCENE_FRAMES@u) + i, key, i, failed);
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
@HOLD@    for (uint32_t number = 0u; number < PW_VECTORS_N_SCENES; number++) {
        failed = scene(number, failed);
    }
    for (uint32_t i = 0u; i < @EXTREMES@u; i++) {
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
"""
