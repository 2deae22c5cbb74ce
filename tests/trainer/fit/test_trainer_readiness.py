"""What cannot give a meaningful model is refused, and what may not is told with its number."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from capture.cues.labels import write_events
from capture.frames import FramePair
from capture.store.dataset import Participant, add_participant, open_dataset, session_path
from capture.store.session import events_path, read_session
from capture.store.writer import SessionWriter
from runtime.errors import UsageError
from runtime.stages.level import Level
from trainer.fit.doubts import doubts, level_bits, refuse_one_answer
from trainer.fit.training import fit_model
from trainer.learn.features import StageChain
from trainer.recipe import load_recipe


def rewrite(folder: Path, path: Path, who: str, keep: slice, darken: bool = False) -> Path:
    """Write a recording anew under a name, with some of its frame pairs, or without any light."""
    import dataclasses

    session = read_session(path)
    block = session.frames()[keep]
    target = session_path(folder, who, "07" if path.parent.parent.name == f"sub-{who}" else "01",
                          session.script.name)  # fmt: skip
    target.parent.mkdir(parents=True, exist_ok=True)
    header = dataclasses.replace(
        session.header, participant=who, session=target.parent.name.removeprefix("ses-")
    )
    with SessionWriter(target, header) as writer:
        for number, pair in enumerate(block):
            lit = np.roll(pair.dark, 1) if darken else pair.lit
            again = FramePair(number, pair.time_us, lit, pair.dark)
            writer.add(again, number, pair.time_us)
    write_events(events_path(target), session.events[:-1])
    return target


def test_a_copy_with_three_frames_cut_off_is_refused(small_data: Path, small_recipe: Path) -> None:
    """A locked person's recording, three frames shorter and under another name, is found."""
    (locked,) = (i for i in open_dataset(small_data).sessions if i.participant_id == "P04")
    add_participant(small_data, Participant("P09", True))
    rewrite(small_data, locked.path, "P09", slice(3, None))
    with pytest.raises(UsageError, match=r"a copy: .*P04.* and .*P09.* hold the same frames"):
        fit_model(small_data, load_recipe(small_recipe))


def test_takes_without_light_are_refused(small_data: Path, small_recipe: Path) -> None:
    """Labels on readouts in which no light came back give no model."""
    for info in open_dataset(small_data).sessions:
        target = rewrite(small_data, info.path, info.participant_id, slice(None), darken=True)
        for old in (info.path, info.events_path):
            old.unlink()
        assert target.exists()
    with pytest.raises(UsageError, match="takes in which no light came back is 2"):
        fit_model(small_data, load_recipe(small_recipe))


def test_a_gesture_of_a_single_person_is_refused(small_data: Path, small_recipe: Path) -> None:
    """A class that only one training person gave cannot be learned while that person is out."""
    for info in open_dataset(small_data).sessions:
        if info.participant_id in ("P02", "P03"):
            kept = [e for e in read_session(info.path).events if e.trial_type != "push"]
            write_events(info.events_path, kept)
    with pytest.raises(UsageError, match="training people with takes of push is 1"):
        fit_model(small_data, load_recipe(small_recipe))


def test_a_gesture_of_nobody_is_refused_by_its_name(small_data: Path, small_recipe: Path) -> None:
    """A class of the recipe that no training person gave is named, before anything is fitted."""
    text = small_recipe.read_text("utf-8")
    small_recipe.write_text(text.replace('"push"]', '"push", "circle"]'), "utf-8")
    with pytest.raises(UsageError, match=r"takes of circle is 0.*take it out of the recipe's"):
        fit_model(small_data, load_recipe(small_recipe))


def test_one_answer_for_all_is_refused() -> None:
    """A fit that answers one class to everybody held out is no model."""
    with pytest.raises(UsageError, match="is push, nothing else"):
        refuse_one_answer("small", np.array([1, 1, 1]), ("swipe_left", "push", "other"))
    refuse_one_answer("small", np.array([1, 2, 1]), ("swipe_left", "push", "other"))


def share(value: float, low: float | None = None) -> dict[str, dict[str, float]]:
    return {"accuracy": {"value": value, "low": value - 0.02 if low is None else low}}


def test_rounding_that_costs_a_point_is_told_of_model_and_baseline() -> None:
    """Each pipeline that loses more than a point from float to fixed point is named."""
    evaluation = {
        "classes": ["a", "b"],
        "confusion": [[9, 1], [1, 9]],
        "float": share(0.92),
        "fixed": share(0.915),
        "four_quadrant_float": share(0.766),
        "four_quadrant": share(0.71),
        "cross_validation": share(0.9),
        "majority": share(0.5),
    }
    (caution,) = doubts(evaluation, 9.0)
    assert caution.value == pytest.approx(0.056)
    assert "costs the four-quadrant baseline 5.6 points" in caution.text
    found = doubts(evaluation | {"float": share(0.95), "confusion": [[19, 0], [18, 1]]}, 1.0)
    assert [c.about for c in found] == ["level resolution", "rounding", "rounding", "one answer"]
    (_, chance) = doubts(evaluation | {"cross_validation": share(0.52, 0.45)}, None)
    assert chance.about == "no better than chance" and "52.0 %" in chance.text


def test_the_bits_that_the_level_stage_leaves_are_counted() -> None:
    """A floor far above the usual sum leaves the usual frame a few bits, and they are counted."""
    limit = np.full(4, 4095)
    values = np.random.default_rng(1).integers(20, 40, (200, 4)).astype(np.int32)
    for floor, bits in ((64, 13.0), (1 << 18, 2.0)):
        stage = Level(4, 16, 15 if floor == 64 else 14, floor, 12, 0)
        chain = StageChain(None, (), -limit, limit).then(stage)
        found = level_bits(chain, [values])
        largest = np.median(np.abs(chain.run(values)[:, :-1]).max(axis=1))
        assert found == pytest.approx(np.log2(max(1.0, largest)))
        assert (found > 12.0) == (bits == 13.0) and (found < 3.0) == (bits == 2.0)


def test_training_tells_its_progress_and_cautions_without_a_terminal(
    recorded_once: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """With standard error in a file, what is done and what is doubtful come as plain lines."""
    data = Path(shutil.copytree(recorded_once, tmp_path / "data"))
    code = "from trainer.cli import main; import sys; main(sys.argv[1:])"
    command = [sys.executable, "-c", code, "train", str(data), "--recipe", str(small_recipe),
               "--out", str(tmp_path / "model"), "--skip", "learning-curve,quadrants",
               "--jobs", "1"]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    lines = done.stderr.splitlines()
    assert "looking for takes" in lines and "exporting" in lines
    assert any(
        line.startswith("caution: swipe left and push: each 12 takes of 3 training people")
        for line in lines
    )
    found = json.loads((tmp_path / "model" / "evaluation.json").read_text("utf-8"))
    assert {c["about"] for c in found["cautions"]} >= {"few takes"}
    assert found["level_bits"] > 5
    [told] = [line for line in lines if line.startswith("readouts: ")]
    assert f"{found['readouts']['empty']:.1%} of the frame pairs empty" in told
    assert told.endswith(f"; {found['level_bits']:.1f} bits used after the level stage")
    for name in ("evaluation.html", "card.md"):
        assert (
            "swipe left and push: each 12 takes of 3 training people"
            in (tmp_path / "model" / name).read_text()
        )
