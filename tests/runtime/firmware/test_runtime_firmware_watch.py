"""The watching stage in C: what is priced is what is emitted, and it lives beside the model."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from firmware_models import small_model

from runtime.firmware.emit.folder import FIRMWARE_FILES
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import WATCH_FILES, watch_text
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import HostLibrary, Machine
from runtime.firmware.watching import WARM_UP_FRAMES, watching_model

CALLS = """
#include "pw_model.c"
#include "pw_watch.c"

#if defined(__x86_64__) || defined(__aarch64__)
__attribute__((visibility("default")))
#endif
void watch(uint32_t n, const uint16_t *lit, const uint16_t *dark, int32_t *out);
void watch(uint32_t n, const uint16_t *lit, const uint16_t *dark, int32_t *out)
{
    static pw_watch_state state;
    pw_watch_init(&state);
    for (; n != 0u; n--) {
        *out++ = pw_watch_step(&state, lit, dark);
        lit += PW_WATCH_N_ROWS * PW_WATCH_N_COLS;
        dark += PW_WATCH_N_ROWS * PW_WATCH_N_COLS;
    }
}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("watch")
    model = small_model()
    for name, text in (generate(model) | watch_text(model.sensor)).items():
        (found / name).write_text(text)
    return found


def scene() -> tuple[np.ndarray, np.ndarray]:
    """Quiet frames, then light that comes in, and quiet again."""
    rng = np.random.default_rng(4)
    lit = rng.normal(300, 8, (60, 16, 16))
    lit[30:34] += np.linspace(0, 900, 4)[:, None, None] * np.linspace(0, 1, 16)
    lit[34:] += 900 * np.linspace(0, 1, 16)
    return lit.round().astype(np.uint16), rng.normal(64, 4, lit.shape).round().astype(np.uint16)


@pytest.mark.parametrize("core", ["host", "cortex-m0plus", "cortex-m4", "rv32imc"])
def test_it_decides_as_the_reference_does(core: str, folder: Path) -> None:
    """In one program with the model, every decision is the integer reference's."""
    lit, dark = scene()
    wanted = watching_model(small_model().sensor).run(lit, dark).events
    assert (wanted[WARM_UP_FRAMES:] == 1).any()
    compiled = compile_for(folder, core, around=CALLS, extra=("-Werror",))
    if core == "host":
        data = HostLibrary(compiled).run_block(lit, dark, "watch", 4)
    else:
        data = Machine(compiled).run_block(lit, dark, "watch", 4)
    assert np.frombuffer(data, "<i4").tolist() == wanted.tolist()


def test_its_names_are_its_own(folder: Path) -> None:
    """No function, constant or file of the model is named in it, but what a build asks of both."""
    own = {"PW_PLAIN_C", "PW_TRUST_ROWS", "PW_CHECK_COUNTS"}
    code = re.sub(r"/\*.*?\*/", "", (folder / "pw_watch.c").read_text(), flags=re.S)
    names = set(re.findall(r"\b(?:pw|PW)_\w+", code))
    assert {n for n in names if not n.lower().startswith("pw_watch")} <= own
    assert not re.search(r"\bs\d+_", code)
    headers = {'"pw_watch.h"', "<stdint.h>", "<arm_mve.h>"}  # the last the compiler's own
    assert set(re.findall(r"#include (.*)", code)) <= headers


def test_its_text_keeps_the_house_rules(folder: Path) -> None:
    """Lines of at most 100 columns, ASCII, and what it is for in its header."""
    for name in WATCH_FILES:
        text = (folder / name).read_text()
        assert name in FIRMWARE_FILES
        assert text.isascii()
        assert max(map(len, text.splitlines())) <= 100
    header = (folder / "pw_watch.h").read_text()
    assert f"#define PW_WATCH_WARM_UP_FRAMES {WARM_UP_FRAMES}\n" in header
    assert "wakes the model of pw_model.h" in header
