"""What a device's memory holds between frames: what is declared, and of anything else nothing.

Declared is what the header lists as lasting (`PW_STATE_MEMBERS`), what a board may ask for until
the next frame (`pw_evidence`, `pw_outputs`), and, of stages that run seldom, what is read on frames
on which it is not worked out.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from enrol_models import corner_model, corners
from firmware_models import EXECUTED_ONCE, dense, random_frames, small_model
from hypothesis import HealthCheck, given, settings
from strategies import Exposures, models_with_exposures

from runtime.firmware.emit.generate import generate, stage_places
from runtime.firmware.machine.compile import HOST, compile_for
from runtime.firmware.machine.execute import HostLibrary, Machine
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.skip import Skip
from runtime.stages.window import Window

ROOM = 1 << 16
"""Bytes of one dump and its mask."""

AROUND = """\
#include "pw_model.c"

#if defined(__x86_64__) || defined(__aarch64__)
#define VISIBLE __attribute__((visibility("default")))
#else
#define VISIBLE
#endif
#ifndef PW_N_OUTPUTS
#define PW_N_OUTPUTS 1
#define PW_N_EVIDENCE PW_N_SCORES
#define pw_evidence pw_scores
#endif

static pw_state dumped;
static pw_state declared; /* ones where something may stand */

static void mark(const void *at, uint32_t n_bytes)
{
    uint8_t *byte = (uint8_t *)&declared + ((const uint8_t *)at - (const uint8_t *)&declared);
    while (n_bytes-- != 0u) {
        *byte++ = 0xFFu;
    }
}

#define MARK(type, name, length) mark(declared.name, (uint32_t)(length) * (uint32_t)sizeof(type));

static void dump(uint8_t *out)
{
    const pw_state *s = &declared;
    const uint32_t size = (uint32_t)sizeof(pw_state);
    PW_STATE_MEMBERS(MARK)
    mark(pw_evidence(s), 4u * PW_N_EVIDENCE);
    mark(@OUTPUTS@, 4u * PW_N_OUTPUTS);
@LASTING@    for (uint32_t i = 0u; i < size; i++) {
        out[i + 4u] = ((const uint8_t *)&dumped)[i];
        out[i + 4u + size] = ((const uint8_t *)&declared)[i];
    }
    for (uint32_t i = 0u; i < 4u; i++) {
        out[i] = (uint8_t)(size >> (8u * i));
    }
}

VISIBLE void dump_steps(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);
VISIBLE void dump_rows(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);
VISIBLE void dump_dropped(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);

/* Frames given whole. */
VISIBLE void dump_steps(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    pw_init(&dumped);
    for (; n != 0u; n--) {
        (void)pw_step(&dumped, lit, dark);
        dump(out);
        out += ROOM;
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}

static void feed(const uint16_t *lit, const uint16_t *dark, uint32_t n_rows)
{
    for (uint32_t row = 0u; row < n_rows; row++) {
        (void)pw_feed_row(&dumped, row, &lit[row * PW_N_COLS], &dark[row * PW_N_COLS]);
    }
}

/* Row by row. */
VISIBLE void dump_rows(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    pw_init(&dumped);
    for (; n != 0u; n--) {
        feed(lit, dark, PW_N_ROWS);
        (void)pw_finish(&dumped);
        dump(out);
        out += ROOM;
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}

/* Without the last row, given up or, where rows are counted, refused. */
VISIBLE void dump_dropped(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    pw_init(&dumped);
    dump(out);
    for (uint32_t frame = 1u; frame < n; frame++) {
        out += ROOM;
        feed(lit, dark, PW_N_ROWS - 1u);
#if !defined(PW_TRUST_ROWS)
        if ((frame & 1u) != 0u) {
            (void)pw_finish(&dumped);
        }
#endif
        pw_drop(&dumped);
        dump(out);
        lit += PW_N_ROWS * PW_N_COLS;
        dark += PW_N_ROWS * PW_N_COLS;
    }
}
"""


def around(model: Model) -> str:
    """Return the C that dumps a model's memory after every frame, beside what is declared."""
    *places, _, outputs = stage_places(model)
    lasting = "".join(
        f"    mark({p.place}, {p.n_bytes}u);\n"
        for p, lasts in zip(places, model.outputs_last, strict=False)
        if lasts and not p.has_state
    )
    text = AROUND.replace("@OUTPUTS@", outputs.place).replace("@LASTING@", lasting)
    return text.replace("ROOM", f"{ROOM}u")


def written(model: Model, folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return folder


def dumps(
    model: Model, frames: Exposures, folder: Path, how: str, core: str = HOST, *flags: str
) -> tuple[np.ndarray, np.ndarray]:
    """Return the memory after each frame (n_frames, n_bytes), and which bytes are declared."""
    compiled = compile_for(
        written(model, folder), core, around=around(model), extra=("-Werror", *flags)
    )
    machine = HostLibrary(compiled) if core == HOST else Machine(compiled)
    data = machine.run_block(*frames, how, ROOM)
    found = np.frombuffer(data, np.uint8).reshape(len(frames[0]), ROOM)
    size = int(found[0, :4].view("<u4")[0])
    assert 4 + 2 * size <= ROOM
    return found[:, 4 : 4 + size], found[0, 4 + size : 4 + 2 * size] == 0xFF


def held_model() -> Model:
    """A stage whose output the next frames read, while it itself runs seldom."""
    stages = (
        Bins(16, 16, 4, 4),
        Skip(16, 2),
        dense(np.eye(16, dtype=np.int8), 16),
        Window(16, 2, 2, 0, 16),
        dense(np.ones((3, 32), np.int8), 32),
        Decision((False, False, True), 300, 100, 2, 3),
    )
    return Model("held", "t", Sensor("t", 16, 16), ("a", "b", "c"), stages)


MODELS = {"small": small_model(), "held": held_model()}


@pytest.mark.parametrize("how", ["dump_steps", "dump_rows"])
@pytest.mark.parametrize("name", list(MODELS))
@pytest.mark.parametrize("core", [HOST, *EXECUTED_ONCE])
def test_after_a_frame_only_what_is_declared_is_left(
    core: str, name: str, how: str, tmp_path: Path
) -> None:
    """Every other byte is as before the first frame: zero, as `pw_init` leaves it."""
    model = MODELS[name]
    memory, declared = dumps(model, random_frames(model, 6), tmp_path, how, core)
    assert memory[:, declared].any(axis=1).all()
    assert not memory[:, ~declared].any()
    assert 0 < declared.sum() < declared.size


@pytest.mark.parametrize("flags", [(), ("-DPW_TRUST_ROWS",), ("-DPW_PLAIN_C",)])
@pytest.mark.parametrize("core", [HOST, "cortex-m0plus", "cortex-m4"])
def test_a_frame_that_is_dropped_leaves_nothing(
    core: str, flags: tuple[str, ...], tmp_path: Path
) -> None:
    """Every byte is as before its rows, whether it was finished and refused, or given up."""
    model = small_model()
    frames = random_frames(model, 5)
    memory, declared = dumps(model, frames, tmp_path, "dump_dropped", core, *flags)
    assert not memory[0, ~declared].any()
    assert (memory == memory[0]).all()


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(drawn=models_with_exposures())
def test_of_any_model_nothing_else_is_left(
    drawn: tuple[Model, Exposures], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever its stages are."""
    model, frames = drawn
    for how in ("dump_steps", "dump_rows"):
        memory, declared = dumps(model, frames, tmp_path_factory.mktemp("drawn"), how)
        assert not memory[:, ~declared].any()


def test_a_model_that_learns_wipes_its_room_as_well(tmp_path: Path) -> None:
    """The frame in the directions that it learns in is room to work in, too."""
    model = corner_model()
    for core in (HOST, "cortex-m4"):
        memory, declared = dumps(model, corners("left", 4), tmp_path, "dump_steps", core)
        assert not memory[:, ~declared].any()


WIPES = """\
#include "pw_model.c"

#if defined(__x86_64__) || defined(__aarch64__)
__attribute__((visibility("default")))
#endif
void wipe_words(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out);
void wipe_words(uint32_t n, const uint16_t *lit, const uint16_t *dark, uint8_t *out)
{
    (void)lit;
    (void)dark;
    for (uint32_t n_words = 0u; n_words < n; n_words++) {
        for (uint32_t i = 0u; i < (4u * (n + 2u)); i++) {
            out[i] = 0xA5u;
        }
        pw_wipe(&out[4], n_words);
        out += 4u * (n + 2u);
    }
}
"""


@pytest.mark.parametrize("flags", [(), ("-DPW_PLAIN_C",)])
@pytest.mark.parametrize("core", [HOST, *EXECUTED_ONCE])
def test_words_are_wiped_to_the_last_and_not_beyond(
    core: str, flags: tuple[str, ...], tmp_path: Path
) -> None:
    """Of any number of words; the one before and the one behind are as they were."""
    model, n = small_model(), 120
    compiled = compile_for(written(model, tmp_path), core, around=WIPES, extra=("-Werror", *flags))
    machine = HostLibrary(compiled) if core == HOST else Machine(compiled)
    frames = np.zeros((n, 16, 16), np.uint16)
    data = machine.run_block(frames, frames, "wipe_words", 4 * (n + 2))
    for n_words, found in enumerate(np.frombuffer(data, "<u4").reshape(n, n + 2)):
        assert np.flatnonzero(found == 0).tolist() == list(range(1, n_words + 1))
        assert set(found[found != 0].tolist()) == {0xA5A5A5A5}
