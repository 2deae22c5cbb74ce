"""The steps of a chain: what each holds of every take, by the stage contract alone."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from capture.cues.labels import read_events, write_events
from capture.store.session import events_path, read_session
from runtime.errors import UsageError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import HOST, compile_for
from runtime.firmware.machine.execute import execute
from runtime.model import Model, load_model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.presence import Presence
from runtime.stages.contract.chain import run_stages
from runtime.stages.dense import Dense
from trainer.audit import steps
from trainer.audit.chain import DARK, MEMORY, RAW, overheard, steps_of
from trainer.audit.steps import ChainTakes, chain_steps
from trainer.audit.whole import Audit

MODELS = Path(__file__).resolve().parents[3] / "models"


def test_every_stage_and_every_memory_is_a_step_once(dynamic: Model) -> None:
    """Steps are the exposures, each stage's outputs, each state, and all that is stored at once."""
    steps = steps_of(dynamic)
    assert [step.name for step in steps[:2]] == [RAW, DARK]
    assert len({step.name for step in steps}) == len(steps)
    with_state = sum(bool(stage.initial_state()) for stage in dynamic.stages)
    assert with_state > 1
    assert len(steps) == 2 + len(dynamic.stages) + with_state + 1
    *apart, whole = [step for step in steps if step.stored]
    assert [step.name for step in apart if step.role != "state"] == ["scores"]
    assert len(apart) == with_state + 1
    n_values = sum(step.n_values for step in apart) + dynamic.closing.n_out
    assert (whole.name, whole.n_values) == (MEMORY, n_values)


def test_only_what_the_closing_stage_tells_leaves_the_device(dynamic: Model) -> None:
    """One step leaves the device: the last stage's."""
    leaving = [step for step in steps_of(dynamic) if step.leaves_device]
    assert [step.name for step in leaving] == [dynamic.closing.output_name]


def test_steps_hold_what_the_stages_gave(
    dynamic: Model, heard: ChainTakes, recorded_once: Path
) -> None:
    """At a take's frames each step holds what the model itself gives there, state and all."""
    path = next(iter(heard.paths.values()))
    frames = read_session(path).frames()
    time_s = (frames.time_us - frames.time_us[0]) / 1e6
    mine = np.flatnonzero(heard.sessions == next(iter(heard.paths)))
    at = np.searchsorted(time_s, heard.times_s[mine, -1] - 1e-9)
    raw = frames.lit[at].astype(float) - frames.dark[at]
    assert np.array_equal(heard.values[RAW][mine].reshape(raw.shape), raw)
    scores, _ = run_stages(dynamic.stages[:-1], frames.lit, frames.dark)
    assert np.array_equal(heard.values["scores"][mine], scores[at])
    last = int(at[-1])
    _, state = run_stages(dynamic.stages, frames.lit[: last + 1], frames.dark[: last + 1])
    at_window = next(i for i, stage in enumerate(dynamic.stages) if stage.kind == "window")
    keys = dynamic.stages[at_window].initial_state()
    kept = [state[f"s{at_window}_{key}"].ravel() for key in keys]
    held = heard.values[f"window {at_window} state"][mine[-1]]
    assert np.array_equal(held, np.concatenate(kept))
    apart = [heard.values[step.name] for step in steps_of(dynamic) if step.stored][:-1]
    n_out = dynamic.closing.n_out
    assert np.array_equal(heard.values[MEMORY][:, :-n_out], np.concatenate(apart, axis=1))


@pytest.mark.parametrize("name", ["dynamic", "finger_count", "range"])
def test_the_whole_memory_is_what_the_firmware_leaves_in_its_own(name: str, tmp_path: Path) -> None:
    """What the compiled C declares as lasting and what a board may ask for, value for value.

    That all else is wiped stands in ``tests/runtime/firmware/test_runtime_wiped_memory.py``.
    """
    model = load_model(MODELS / name)
    with np.load(MODELS / name / "test_frames.npz") as frames:
        lit, dark = frames["lit"][:20], frames["dark"][:20]
    for file, text in generate(model).items():
        (tmp_path / file).write_text(text)
    left = execute(compile_for(tmp_path, HOST), lit, dark)
    wanted = [left.outputs[-1], left.evidence[-1], *(value[-1] for value in left.state.values())]
    heard = overheard(model, [(lit, dark)], [len(lit) - 1], [0])[MEMORY][0]
    assert any(step.name == MEMORY and step.stored for step in steps_of(model))
    assert sorted(heard) == sorted(np.concatenate(wanted).astype(np.float32))


def test_takes_are_those_of_the_models_classes(heard: ChainTakes) -> None:
    """Idle time is no take; every take has its person, and frames that rise to its last."""
    assert set(heard.trial_types.tolist()) == {"swipe_left", "push"}
    assert heard.n_people == 4
    assert len(heard.participants) == 32
    assert (np.diff(heard.times_s, axis=1) >= 0).all()
    assert heard.kind == "invented"
    one = heard.select(heard.participants == "P02")
    assert one.n_people == 1
    assert len(one.values[RAW]) == 8


def test_an_event_is_heard_with_its_take(dynamic: Model, heard: ChainTakes) -> None:
    """What the device told holds a class or none, and its counts begin with the take."""
    told = heard.values[dynamic.closing.output_name]
    code, counts = told[:, : len(dynamic.classes)], told[:, len(dynamic.classes) :]
    assert set(code.sum(axis=1).tolist()) <= {0.0, 1.0}
    assert (code[counts[:, 1] > 0].sum(axis=1) == 1).all()
    assert counts[:, 1].sum() > 0


def test_blocks_and_a_given_state_change_nothing(dynamic: Model, recorded_once: Path) -> None:
    """The same frames in other blocks, from the model's own first state, are heard alike."""
    path = next(recorded_once.glob("sub-*/ses-*/*.mcap"))
    frames = read_session(path).frames()
    at, since = [50, 51, 90], [40, 40, 80]
    whole = overheard(dynamic, [(frames.lit, frames.dark)], at, since)
    parts = [(frames.lit[i : i + 17], frames.dark[i : i + 17]) for i in range(0, len(frames), 17)]
    state = dynamic.run(frames.lit[:0], frames.dark[:0]).state
    again = overheard(dynamic, parts, at, since, state)
    assert whole.keys() == again.keys()
    for name, values in whole.items():
        assert np.array_equal(values, again[name]), name


def test_recordings_at_another_setting_are_refused(recorded_once: Path) -> None:
    """A model of three frames a second cannot be audited on recordings of thirty."""
    with pytest.raises(UsageError, match="setting of the sensor"):
        chain_steps(load_model(MODELS / "finger_count"), recorded_once)


def test_rejected_takes_are_left_out(dynamic: Model, recorded_once: Path, tmp_path: Path) -> None:
    """A take that somebody rejected is not listened to."""
    folder = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    table = events_path(next(folder.glob("sub-P01/ses-*/*.mcap")))
    events = [
        dataclasses.replace(event, status="rejected", reason="odd") for event in read_events(table)
    ]
    write_events(table, events)
    assert chain_steps(dynamic, folder).n_people == 3


def test_a_recording_that_was_cut_short_is_told_with_its_share(
    dynamic: Model, heard: ChainTakes, recorded_once: Path, tmp_path: Path
) -> None:
    """Takes behind the end of a recording are counted by time, and so are those half there."""
    assert (heard.n_cut, heard.n_sessions, heard.unread_fraction) == (0, 4, 0.0)
    folder = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    path = next(folder.glob("sub-P01/ses-*/*.mcap"))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    short = chain_steps(dynamic, folder)
    assert len(short.participants) < len(heard.participants)
    assert (short.n_cut, short.n_sessions) == (1, 4)
    cut = read_session(path)
    lasts_s = len(cut.frames()) * cut.sensor.frame_period_us / 1e6
    missing_s = asked_s = 0.0
    for session in map(read_session, folder.glob("sub-*/ses-*/*.mcap")):
        for take in session.events:
            if take.trial_type in dynamic.classes:
                asked_s += take.duration_s
                if session.path == path:
                    missing_s += min(take.duration_s, max(0.0, take.end_s - lasts_s))
    assert short.unread_fraction == pytest.approx(missing_s / asked_s, rel=0.01)
    audit = Audit(dynamic, short, (), (), "", ())
    assert audit.missing.startswith("1 of 4 recordings has no readouts in part of the takes")
    assert f"{100 * short.unread_fraction:.2g} % of all takes’ time" in audit.missing
    assert not dataclasses.replace(audit, takes=heard).missing


def test_of_many_people_some_are_heard_evenly(
    dynamic: Model, recorded_once: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of more people than are listened to, the first, the last and some between remain, whole."""
    monkeypatch.setattr(steps, "MOST_PEOPLE", 3)
    heard = chain_steps(dynamic, recorded_once)
    assert sorted(set(heard.participants.tolist())) == ["P01", "P03", "P04"]
    assert len(heard.participants) == 3 * 8
    further = steps.further_takes(heard, recorded_once)
    assert further is not None and further.participants.tolist() == ["P02"] * 6
    assert steps.further_takes(chain_steps_of_all(dynamic, recorded_once), recorded_once) is None


def chain_steps_of_all(model: Model, data: Path) -> ChainTakes:
    """Return what every step held of everybody, whatever the limit is now."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(steps, "MOST_PEOPLE", 99)
        return chain_steps(model, data)


def test_a_model_without_classes_is_heard_as_well() -> None:
    """Of presence the last event's number, how long it stands and the level are told."""
    weights = np.ones((1, 4), np.int8)
    bias = np.zeros(1, np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    presence = Presence("things", (100, 900), hysteresis=10, persist=1)
    model = Model("seen", "seen", Sensor("tiny", 4, 4), (), (Bins(4, 4, 2, 2), dense, presence))
    assert [step.name for step in steps_of(model)] == [
        RAW, DARK, "bins", "level", "presence", "presence state", MEMORY,
    ]  # fmt: skip
    lit = np.full((6, 4, 4), 64, np.uint16)
    lit[2:] += 20
    lit[4:] += 60
    heard = overheard(model, [(lit, np.full_like(lit, 64))], [1, 3, 5], [0, 2, 2])
    assert heard["level"].ravel().tolist() == [0, 320, 1280]
    outputs = model.run(lit, np.full_like(lit, 64)).outputs
    told = heard["presence"]
    assert told.shape == (3, 3 + presence.n_out - 1)
    assert told[:, 0].tolist() == [outputs[1, 0], outputs[2, 0], outputs[4, 0]]
    assert told[1:, 1:3].tolist() == [[1, 1], [1, 2]]
    assert np.array_equal(told[:, 3:], outputs[[1, 3, 5], 1:])
