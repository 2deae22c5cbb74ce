"""Before the first cue: what must hold, and the practice round."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import SCRIPT, SENSOR, BenchSensor

from capture.cues.script import load_script, schedule
from capture.frames import FramePair
from capture.lead.preparation import Preparation, practice_script, prepare
from capture.lead.readiness_checks import ReadinessChecks, session_bytes
from capture.wire.codec import CommandKind
from capture.wire.link import SerialLink
from runtime.sensor import Sensor

BLACK = 64


def checks_of(
    tmp_path: Path, lit: np.ndarray, dark: np.ndarray, every: int = 1
) -> dict[str, tuple[bool | None, str]]:
    """Return what the checks say of frame pairs, shape (n_frames, 4, 5)."""
    checks = ReadinessChecks(SENSOR, SCRIPT, tmp_path)
    for n in range(0, len(lit), every):
        time_us = round(n * SENSOR.frame_period_us)
        checks.add(FramePair(n, time_us, lit[n], dark[n], time_us + 300))
    return {check.name: (check.holds, check.text) for check in checks.results()}


def quiet(level: int, n: int = 120) -> np.ndarray:
    shape = (n, SENSOR.n_rows, SENSOR.n_cols)
    return np.random.default_rng(1).integers(level, level + 4, shape, np.uint16)


def test_a_sound_sensor_holds_all_but_the_hand(tmp_path: Path) -> None:
    """With nobody there, everything holds but the hand, which is asked for in words."""
    found = checks_of(tmp_path, quiet(500), quiet(BLACK))
    holds = {name: state for name, (state, _) in found.items()}
    assert holds == {"sensor": True, "light": True, "headroom": True, "hand": None, "disk": True}
    assert "wave of the hand" in found["hand"][1]
    assert found["sensor"][1] == "30.0 frame pairs a second, 0.0% missing"


def test_a_hand_that_moved_is_in_view(tmp_path: Path) -> None:
    """A movement that stands out of the rest of the last seconds is a hand."""
    lit = quiet(500)
    lit[60:75] += (200 * np.abs(np.sin(np.arange(15)))).astype(np.uint16)[:, None, None]
    assert checks_of(tmp_path, lit, quiet(BLACK))["hand"][0] is True


@pytest.mark.parametrize(
    ("lit", "dark", "every", "name", "words"),
    [
        (500, BLACK, 3, "sensor", "missing, at most 1% is allowed"),
        (SENSOR.saturation_counts, BLACK, 1, "headroom", "lower exposure or LED current"),
        (SENSOR.saturation_counts, SENSOR.saturation_counts, 1, "light", "shade the sensor"),
        (BLACK, BLACK, 1, "light", "the LED gives no light"),
    ],
)
def test_what_does_not_hold_says_what_to_do(
    tmp_path: Path, lit: int, dark: int, every: int, name: str, words: str
) -> None:
    """Lost frame pairs, no headroom, too bright a room, a dark LED: each is told with a way out."""
    at = checks_of(tmp_path, quiet(lit), quiet(dark), every)[name]
    assert (at[0], words in at[1]) == (False, True), at


def test_a_disk_too_small_for_the_session_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There must be room for all of the script's readouts, uncompressed, and as much again."""
    assert session_bytes(Sensor("lensless", 32, 32), load_script("dynamic")) == pytest.approx(
        2 * 81.5 * 30 * (4 * 32 * 32 + 64), rel=0.02
    )
    usage = shutil.disk_usage(tmp_path)._replace(free=session_bytes(SENSOR, SCRIPT) - 1)
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage)
    assert checks_of(tmp_path, quiet(500), quiet(BLACK))["disk"][0] is False


def test_practice_gives_each_cue_once_and_slowly() -> None:
    """Each cue of the script comes once, in its order, with two seconds to read it."""
    for name in ("dynamic", "everyday", "finger_count"):
        script = load_script(name)
        cues = schedule(practice_script(script), 0)
        assert [cue.trial_type for cue in cues] == list(script.trial_types)
        rests_s = [(b.onset_us - a.end_us) / 1e6 for a, b in pairwise(cues)]
        assert rests_s == [2.0] * len(rests_s)
        assert max(cue.duration_us for cue in cues) <= 5_000_000


@pytest.mark.parametrize("wished", ["start", "stop"])
def test_checks_go_on_until_the_operator_decides(
    bench_sensor: BenchSensor, tmp_path: Path, wished: str
) -> None:
    """The sensor runs and is looked at, a practice round can be begun; nothing is written."""
    seen: list[Preparation] = []
    wishes = ["practice", *[None] * 20, wished]
    with SerialLink(bench_sensor.url) as link:
        begin = prepare(
            link, SCRIPT, tmp_path, seen.append, lambda: wishes.pop(0) if wishes else wished
        )
    assert begin == (wished == "start")
    assert seen[0].moment is None
    assert seen[1].moment is not None
    assert (seen[1].moment.phase, seen[1].moment.trial_type) == ("rest", "push")
    assert [check.name for check in seen[-1].checks] == [
        "sensor", "light", "headroom", "hand", "disk"
    ]  # fmt: skip
    assert CommandKind.START in [command.kind for command in bench_sensor.commands]
    assert list(tmp_path.iterdir()) == []
