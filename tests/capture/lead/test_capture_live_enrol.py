"""An owner led through enrolment by `palmwatt live`, and what it then answers."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import SENSOR, BenchSensor, cable_changed, counts
from live_models import call, export, learning_model, logged, one_line, without_latency

from capture.lead.owner.enrolling import MOST_TRIES, Enrolling, wishes
from capture.wire.codec import Exposure, encode
from runtime.enrolment import learned_arrays, learned_bytes, with_learned
from runtime.errors import UsageError
from runtime.model import Model, load_model
from runtime.stages.contract.stage import State
from runtime.verification.engines import ENGINES

LEFT = 0


@pytest.fixture(scope="module")
def learning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An exported model of the bench sensor that can learn."""
    return export(learning_model(), tmp_path_factory.mktemp("learning"))


def learned_of(model: Model, path: Path) -> dict[str, np.ndarray]:
    state = with_learned(model, model.initial_state(), path.read_bytes(), str(path))
    return learned_arrays(model, state)


def test_takes_are_asked_for_in_rounds_and_what_was_learned_is_written(
    bench_sensor: BenchSensor, learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each class is asked for in turn, each answer told; the file is what the model learned."""
    file = tmp_path / "owner.bin"
    words = ("--port", bench_sensor.url, "--model", learning)
    assert call(*words, "--enrol", file, "--takes", 2) == 0
    said = capsys.readouterr().out
    before, _, _ = said.partition("get ready")
    for word in ("only of somebody who agrees", "LED is bright", "IEC 62471"):
        assert word in " ".join(before.split())
    asked = [line for line in said.splitlines() if "get ready" in line]
    assert [line.split()[-1] for line in asked] == ["left", "right", "left", "right"]
    assert said.count("hold it") == 4 and "right: take 2 kept" in said
    assert "learned from 4 takes; refused: 0" in said
    found = learned_of(load_model(learning), file)
    assert found["taught"].tolist() == [2, 2, 0, 0] and found["rows"].any()

    # It answers otherwise than before, and alike by every engine.
    logs = []
    for engine in ENGINES:
        log = tmp_path / f"{engine}.jsonl"
        more = ("--engine", engine, "--log", log, "--seconds", 4, "--enrolled", file)
        assert call(*words, *more) == 0
        logs.append(without_latency(logged(log)))
    assert logs[0] == logs[1] == logs[2]
    exposures = (np.stack([counts(k, lit) for k in range(120)]) for lit in (True, False))
    model = load_model(learning)
    state = with_learned(model, model.initial_state(), file.read_bytes(), "file")
    events = model.run(*exposures, state).events
    assert [e["sequence"] for e in logs[0]] == np.flatnonzero(events >= 0).tolist()


def test_enrolment_builds_on_what_was_learned_before(
    bench_sensor: BenchSensor, learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A gesture of one's own comes on top of a file; known ones that it lacks are asked for too."""
    first, second = tmp_path / "first.bin", tmp_path / "second.bin"
    words = ("--port", bench_sensor.url, "--model", learning, "--takes", 1)
    assert call(*words, "--enrol", first, "--class", "left") == 0
    assert call(*words, "--enrol", second, "--enrolled", first, "--class", "own_1") == 0
    assert learned_of(load_model(learning), second)["taught"].tolist() == [1, 1, 0, 1]
    assert (second.stat().st_mode & 0o777) == 0o600
    assert "taught before" not in capsys.readouterr().err

    # Whoever means another gesture by the same name is told; known ones are always the same.
    again = ("--class", "left", "--class", "own_1", "--enrolled", second)
    assert call(*words, "--enrol", tmp_path / "third.bin", *again) == 0
    told = [line for line in capsys.readouterr().err.splitlines() if "taught before" in line]
    assert len(told) == 1 and told[0].startswith("caution: own_1 was taught before (1 take): ")


def test_a_refused_take_is_asked_for_again_and_then_left_out(
    bench_sensor: BenchSensor, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The reason is told each time; where no take was kept, nothing is written."""
    folder = export(learning_model(unlike=0), tmp_path / "model")
    file = tmp_path / "owner.bin"
    words = ("--port", bench_sensor.url, "--model", folder, "--takes", 1, "--class", "left")
    assert call(*words, "--enrol", file) == 2
    said = capsys.readouterr()
    told = " ".join(said.out.split())  # a terminal breaks lines
    assert told.count("left: refused, too unlike") == MOST_TRIES
    assert "; left out" in told and "0 takes kept" in said.err
    assert not file.exists()


def test_a_take_like_another_class_is_told_which(
    bench_sensor: BenchSensor, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever is thought to show another gesture hears which."""
    folder = export(learning_model(near=1 << 24), tmp_path / "model")
    words = ("--port", bench_sensor.url, "--model", folder, "--takes", 1)
    assert call(*words, "--enrol", tmp_path / "owner.bin", "--class", "own_1") == 0
    said = capsys.readouterr().out
    assert said.count("own_1: refused, too like another class, left") == MOST_TRIES


def test_a_take_in_which_the_port_was_pulled_is_asked_for_again(
    learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What came before and after a lost connection are no one take; nor is it one that was bad."""
    name, file = tmp_path / "port", tmp_path / "owner.bin"
    words = ("--port", name, "--model", learning, "--takes", 1, "--class", "left")
    with cable_changed(name, read_s=0.3):  # in the first take, which begins with the 46th pair
        assert call(*words, "--enrol", file) == 0
    said = capsys.readouterr().out.splitlines()
    assert [line for line in said if line.startswith(("1 of", "left", "learned"))] == [
        "1 of 1: get ready for left",
        "left: hold it",
        "left: interrupted, readouts are missing; again",
        "1 of 1: get ready for left",
        "left: hold it",
        "left: take 1 kept",
        "learned from 1 take; refused: 0",
    ]


def led_by(
    damage: Callable[[int, bool, bytes], bytes], model: Path, file: Path, expected: int = 0
) -> None:
    """One take of one class before a sensor that is as damaged as it says."""
    sensor = BenchSensor(damage)
    words = ("--port", sensor.url, "--model", model, "--takes", 1, "--class", "left")
    try:
        assert call(*words, "--enrol", file) == expected
    finally:
        sensor.close()


@pytest.mark.parametrize(
    ("lost", "n_asked"),
    [
        (range(60, 61), 1),
        (range(50, 80, 10), 1),
        (range(50, 80, 3), 2),  # one in three: what is left looks a half faster
        (range(60, 75), 2),  # half a second
        (range(20, 35), 1),  # while the owner gets ready
        (range(84, 99), 1),  # the take is whole, and not looked at yet
    ],
)
def test_a_take_that_lacks_more_than_a_tenth_is_shown_again(
    lost: range, n_asked: int, learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A take of which single frame pairs got lost is a take; two pieces of one are none."""
    led_by(lambda k, lit, packet: b"" if k in lost else packet, learning, tmp_path / "owner.bin")
    said = capsys.readouterr().out
    assert said.count("get ready") == n_asked
    assert said.count("left: interrupted, readouts are missing; again") == n_asked - 1
    assert "learned from 1 take; refused: 0" in said.splitlines()


@pytest.mark.parametrize("paused_us", [1_000_000, 100_000_000, -1_000_000])
def test_a_sensor_that_rested_within_a_take_interrupts_it(
    paused_us: int, learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its clock tells, though its numbers go on as if nothing were; or it fell, and tells nothing.

    Which pair is asked for again hangs on neither: what was seen before and after is no one take.
    """

    def rested(k: int, lit: bool, packet: bytes) -> bytes:
        at_us = 1_000_000 + round(k * SENSOR.frame_period_us) + 300 * (not lit) + paused_us
        return packet if k < 60 else encode(Exposure(lit, k, at_us, counts(k, lit)))

    led_by(rested, learning, tmp_path / "owner.bin")
    said = capsys.readouterr().out
    assert said.count("left: interrupted, readouts are missing; again") == 1
    assert "left: take 1 kept" in said


def test_a_sensor_that_always_loses_readouts_is_not_asked_for_ever(
    learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """After three interrupted takes the class is left out; where that was all, nothing is kept."""
    file = tmp_path / "owner.bin"
    led_by(lambda k, lit, packet: b"" if k % 3 == 0 else packet, learning, file, 2)
    said = capsys.readouterr()
    assert said.out.count("left: interrupted") == MOST_TRIES and "missing; left out" in said.out
    assert "left: 0 of 1 takes kept; teach it anew\n" in said.out
    assert "0 takes kept" in said.err and not file.exists()


def test_an_interrupted_enrolment_writes_nothing(
    bench_sensor: BenchSensor, learning: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a lesson is none."""
    file = tmp_path / "owner.bin"
    words = ("--port", bench_sensor.url, "--model", learning, "--seconds", 4)
    assert call(*words, "--enrol", file, "--takes", 2) == 2
    assert "not all asked for" in capsys.readouterr().err and not file.exists()


def test_whoever_shows_one_gesture_for_all_is_told(tmp_path: Path) -> None:
    """All classes are shown as left: right is refused each time, and to be taught anew."""
    model = learning_model(rival=100)
    lines: list[str] = []
    leading, state = Enrolling(model, wishes(model, 2), lines.append), model.initial_state()
    left = next(k for k in range(300) if _best(model, state, k) == LEFT)
    lit, dark = (counts(left, of)[None] for of in (True, False))
    while not leading.done:
        state = model.run(lit, dark, leading.before(state)).state
    refused = [line for line in lines if line.startswith("right: refused, too like another class")]
    assert len(refused) == 2 * MOST_TRIES and all(", left" in line for line in refused)
    assert leading.n_kept == 2 and lines[-2].startswith("learned from 2 takes")
    assert lines[-1] == leading.answers[-1]
    assert lines[-1] == "right: 0 of 2 takes kept; teach it anew"


def _best(model: Model, state: State, k: int) -> int:
    """Which class a frame of the bench sensor that lasts is."""
    lit, dark = (np.repeat(counts(k, of)[None], 40, axis=0) for of in (True, False))
    return int(model.run(lit, dark, state).evidence[-1].argmax())


@pytest.mark.parametrize("way", [signal.SIGINT, signal.SIGTERM])
def test_a_lesson_that_is_ended_by_a_signal_is_one_line_and_no_file(
    way: signal.Signals, bench_sensor: BenchSensor, learning: Path, tmp_path: Path
) -> None:
    """Ctrl-C in the middle of a take: exit code 2, what was wanted, nothing written."""
    main = "from trainer.cli import main; main()"
    words = ("-c", main, "live", "--port", bench_sensor.url, "--model", str(learning))
    file = tmp_path / "owner.bin"
    with subprocess.Popen(
        [sys.executable, *words, "--enrol", str(file), "--takes", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as program:  # fmt: skip
        assert program.stdout is not None and program.stderr is not None
        assert any("hold it" in line for line in program.stdout)
        program.send_signal(way)
        program.stdout.read()
        (line,) = program.stderr.read().splitlines()
        assert program.wait(20) == 2
    assert "not all asked for" in line and list(tmp_path.iterdir()) == []


def _flipped(data: bytes) -> bytes:
    return data[:60] + bytes([data[60] ^ 1]) + data[61:]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--enrol", "new.bin", "--takes", 3), "takes of each class is 3, expected 1 to 2"),
        (("--enrol", "new.bin", "--takes", 0), "takes of each class is 0"),
        (("--enrol", "new.bin", "--class", "middle"), "class to enrol is 'middle', expected one"),
        (("--enrol", "new.bin", "--class", "left", "--class", "left"), "each once"),
        (("--enrol", "there.bin"), "there already"),
        (("--enrol", "new.bin", "--log", "new.bin"), "the file is the log's as well"),
        (("--enrol", "there/new.bin", "--log", "new.bin"), "the file is the log's as well"),
        (("--enrol", "new.bin", "--log", "to-new.jsonl"), "the file is the log's as well"),
        (("--enrol", "new.bin", "--log", "to-itself"), "to-itself: the log is"),
        (("--enrol", "no-folder/new.bin"), "folder is not there"),
        (("--enrol", "there.bin/new.bin"), "folder is not there"),
        (("--takes", 2), "--enrol beside --takes is missing"),
        (("--enrolled", "there.bin", "--class", "left"), "--enrol beside --class is missing"),
        (("--enrolled", "no.bin"), "unreadable"),
        (("--enrolled", "there.bin"), "first bytes is"),
        (("--enrolled", "damaged.bin"), "damaged.bin: enrolment is damaged"),
        (("--enrolled", "cut.bin"), "enrolment is damaged"),
        (("--enrolled", "foreign.bin"), "model of the enrolment"),
    ],
)
def test_a_wrong_call_or_file_is_one_line(
    words: tuple[str, ...],
    said: str,
    learning: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Wrong numbers of takes, classes, and files that are no state of this model: exit code 2."""
    monkeypatch.chdir(tmp_path)
    model, other = load_model(learning), learning_model(unlike=7)
    data = learned_bytes(model, model.initial_state())
    files = {
        "there.bin": b"else", "damaged.bin": _flipped(data), "cut.bin": data[:-3],
        "foreign.bin": learned_bytes(other, other.initial_state()),
    }  # fmt: skip
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    for name, target in (("there", "."), ("to-new.jsonl", "new.bin"), ("to-itself", "to-itself")):
        (tmp_path / name).symlink_to(target)
    assert call("--port", "/dev/no-such-sensor", "--model", learning, *words) == 2
    assert said in one_line(capsys)


def test_a_model_that_cannot_learn_says_so(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A model without enrolment is refused before the port is opened."""
    for words in (("--enrol", tmp_path / "new.bin"), ("--enrolled", __file__)):
        assert call("--port", "/dev/no-such-sensor", "--model", folder, *words) == 2
        assert "enrol = true" in one_line(capsys)


def test_the_same_frames_lead_the_same_way() -> None:
    """Time is counted in frame pairs: between the same frames come the same commands."""
    model = learning_model()
    with pytest.raises(UsageError):
        wishes(model, 9)
    assert [wish.name for wish in wishes(model)] == ["left", "right"] * 2  # it takes no third

    def led(say: Callable[[str], None]) -> State:
        leading, state = Enrolling(model, wishes(model, 1), say), model.initial_state()
        for k in range(300):
            state = leading.before(state)
            lit, dark = (counts(k, of)[None] for of in (True, False))
            state = model.run(lit, dark, state).state
        assert leading.done and leading.n_kept == 2
        return state

    lines: list[list[str]] = [[], []]
    first, second = (led(said.append) for said in lines)
    assert lines[0] == lines[1]
    assert all(np.array_equal(first[name], second[name]) for name in first)
