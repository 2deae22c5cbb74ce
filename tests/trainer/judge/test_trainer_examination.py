"""The examination: streams of the model as the device runs it, waking, units, and groups."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invented_people import add_person, record_session

from capture.cues.labels import Event, write_events
from capture.cues.script import parse_script
from capture.store.session import events_path, read_session
from runtime.errors import UsageError
from runtime.intervals import garwood_upper
from runtime.stages.closing.decision import NO_EVENT
from trainer.corpus.recordings import labelled_cues, open_corpus
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judged_spans
from trainer.fit.training import fit_model
from trainer.judge.examination import stream_of
from trainer.judge.wake_up import examine_wake_up
from trainer.recipe import load_recipe

ARRIVALS = b"""\
name = "arrival"
lead_in_s = 3.5
rest_s = [1.6, 2.0]

[[cue]]
trial_type = "arrive"
repetitions = 2
duration_s = 2.5

[[cue]]
trial_type = "away"
repetitions = 2
duration_s = 2.5
"""

EVERYDAY = b"""\
name = "everyday"
lead_in_s = 0.5
movement = false

[[cue]]
trial_type = "everyday_type"
repetitions = 1
duration_s = 12.0
"""

SCRIPT = b"""\
name = "small"
lead_in_s = 1.0
rest_s = [0.3, 0.4]

[[cue]]
trial_type = "swipe_left"
repetitions = 2
duration_s = 1.5

[[cue]]
trial_type = "push"
repetitions = 2
duration_s = 1.5

[[cue]]
trial_type = "idle"
repetitions = 1
duration_s = 1.5
"""


def sessions(folder: Path, name: str) -> list[Path]:
    return sorted(folder.glob(f"sub-{name}/ses-*/*_readouts.mcap"))


def test_events_are_those_that_the_model_tells(small_data: Path, small_recipe: Path) -> None:
    """Run on the locked participant's frames, the exported model tells the events counted."""
    trained = fit_model(small_data, load_recipe(small_recipe))
    block = read_session(sessions(small_data, "P04")[0]).frames()
    heard = trained.model.run(block.lit, block.dark).events
    n_detected = int((heard != NO_EVENT).sum())
    events = trained.evaluation["events"]
    right = events["latency_ms"]["n_events"]
    assert events["f1"]["n_events"] == 8
    assert n_detected == right + events["false_events_per_hour"]["n_events"] > 0
    assert events["recall"]["value"] == pytest.approx(right / 8, abs=1e-6)
    assert events["precision"]["value"] == pytest.approx(right / n_detected, abs=1e-6)
    at = [row["at_s"] for row in events["false_events"]]
    times = (block.time_us - block.time_us[0])[heard != NO_EVENT] / 1e6
    assert all(np.abs(times - moment).min() < 1e-3 for moment in at)


def test_probabilities_and_operations_are_those_of_the_model(
    small_data: Path, small_recipe: Path
) -> None:
    """Calibration before and after is that of the model's own scores at the locked takes."""
    trained = fit_model(small_data, load_recipe(small_recipe))
    found = trained.evaluation["calibration"]
    assert found["n_takes"] == 33
    block = read_session(sessions(small_data, "P04")[0]).frames()
    scores = trained.model.run(block.lit, block.dark).evidence * found["score_unit"]
    times = (block.time_us - block.time_us[0]) / 1e6
    for take in trained.worst:
        frame = int(np.argmin(np.abs(times - take.summary["at_s"])))
        at = int(np.argmin(np.abs(take.time_s - take.summary["at_s"])))
        np.testing.assert_allclose(scores[frame], take.scores[at], rtol=1e-5, atol=1e-6)
    assert 0 <= found["error"]["after"] <= 1
    assert found["log_loss"]["after"] < np.log(3), "worse than calling all answers equally likely"
    operations = trained.evaluation["operations"]
    assert operations["model"] == trained.model.n_operations > operations["four_quadrant"] > 0


def test_everyday_time_is_where_false_events_are_counted(
    small_data: Path, small_recipe: Path
) -> None:
    """Everyday recordings of locked people give the hours, those of others help to choose."""
    script = parse_script(EVERYDAY, "everyday")
    for number in (1, 4):
        record_session(small_data, script, number)
    text = 'background = ["everyday_*"]\n' + small_recipe.read_text("utf-8")
    small_recipe.write_text(text, "utf-8")
    evaluation = fit_model(small_data, load_recipe(small_recipe)).evaluation
    rate = evaluation["events"]["false_events_per_hour"]
    assert (rate["counted_on"], rate["n_participants"]) == ("background", 1)
    # Half a second, the cue, and the second that is recorded after the last cue.
    assert rate["hours"] * 3600 == pytest.approx(13.5, abs=0.1)
    assert rate["upper_95"] == pytest.approx(garwood_upper(rate["n_events"], rate["hours"]), abs=1)
    assert evaluation["fixed"]["accuracy"]["n_takes"] == 11
    assert evaluation["events"]["f1"]["n_events"] == 8
    false = evaluation["events"]["false_events"]
    assert sum(row["background"] for row in false) == rate["n_events"]


@pytest.mark.parametrize(
    ("events", "background"),
    [
        ([Event(1.0, 3.0, "everyday_desk"), Event(5.0, 3.0, "everyday_walk")], True),
        ([Event(1.0, 3.0, "everyday_desk"), Event(5.0, 1.5, "push")], False),
        ([Event(5.0, 1.5, "push")], False),
        # Cued after the last readout that was kept: of this gesture there is no frame.
        ([Event(1e4, 1.5, "push")], False),
    ],
)
def test_only_what_is_known_to_be_everyday_time_is_background(
    small_data: Path, small_recipe: Path, events: list[Event], background: bool
) -> None:
    """A recording of gestures that ends before the first one is no time to count events on."""
    text = 'background = ["everyday_*"]\n' + small_recipe.read_text("utf-8")
    small_recipe.write_text(text, "utf-8")
    recipe = load_recipe(small_recipe)
    path = sessions(small_data, "P04")[0]
    write_events(events_path(path), events)
    corpus = open_corpus(small_data, recipe)
    (recording,) = corpus.select(locked=True)
    session = read_session(path)
    time_us = session.frames().time_us
    frames = np.stack([(time_us - time_us[0]) / 1e6, np.zeros(len(time_us))], axis=1)
    cues = labelled_cues(session, recipe, frames[:, 0])
    spans = judged_spans(recipe, cues, len(frames))
    nothing = np.zeros(0, dtype=np.int64)
    reduced = Reduced(
        recording, np.zeros((len(frames), 1), dtype=np.int32), frames, cues,
        spans, [cue.start for cue in cues], [cue.stop - 1 for cue in cues], nothing, nothing,
    )  # fmt: skip
    scores = np.zeros((len(frames), len(recipe.answers)), dtype=np.int32)
    assert stream_of(reduced, scores, recipe, corpus.sensor).background is background


def test_a_persons_label_is_the_reference(small_data: Path, small_recipe: Path) -> None:
    """Where somebody has set a gesture's bounds, events are matched with these."""
    path = sessions(small_data, "P04")[0]
    events = list(read_session(path).events)
    index = next(i for i, e in enumerate(events) if e.trial_type == "push")
    took = events[index]
    events[index] = Event(
        took.onset_s, took.duration_s, took.trial_type, took.repetition, labeller="L7"
    )
    write_events(events_path(path), events)
    figures = fit_model(small_data, load_recipe(small_recipe)).evaluation["events"]
    assert figures["reference_ends"] == {"person": 1, "alignment": 7}


def test_locked_people_choose_nothing(small_data: Path, small_recipe: Path) -> None:
    """The margin, the placing and the figures in turn stay when the locked labels change."""
    recipe = load_recipe(small_recipe)
    before = fit_model(small_data, recipe).evaluation
    path = sessions(small_data, "P04")[0]
    events = read_session(path).events
    swapped = {"push": "swipe_left", "swipe_left": "push", "idle": "idle"}
    write_events(
        events_path(path),
        [Event(e.onset_s, e.duration_s, swapped[e.trial_type], e.repetition) for e in events],
    )
    after = fit_model(small_data, recipe).evaluation
    assert after["fixed"] != before["fixed"]
    for key in ("cross_validation", "learning_curve"):
        assert after[key] == before[key]
    for key in ("margin", "rules", "trade_off_in_turn"):
        assert after["events"][key] == before["events"][key]


def test_groups_are_those_of_the_table_of_participants(
    small_data: Path, small_recipe: Path
) -> None:
    """People fall into groups by the table; a single locked person is never called the worst."""
    evaluation = fit_model(small_data, load_recipe(small_recipe)).evaluation
    assert evaluation["worst_group"] is None
    in_turn = evaluation["groups_in_turn"]
    n_people = [row["accuracy"]["n_participants"] for row in in_turn["hand_length"]]
    assert sum(n_people) == 3
    n_takes = [row["accuracy"]["n_takes"] for row in in_turn["ambient"]]
    assert sum(n_takes) == 33
    rows = evaluation["per_participant"]
    assert [(r["participant"], r["side"]) for r in rows] == [
        ("P04", "locked"), ("P01", "in_turn"), ("P02", "in_turn"), ("P03", "in_turn")
    ]  # fmt: skip
    assert all(0 <= r["n_right"] <= r["n_takes"] == 11 for r in rows)


def test_units_are_held_out_whole(tmp_path: Path, small_recipe: Path) -> None:
    """With another unit for the locked people, training on one unit is judged on the other."""
    data = tmp_path / "data"
    script = parse_script(SCRIPT, "small")
    for number, unit in ((1, "unit-a"), (2, "unit-b"), (3, "unit-a"), (4, "unit-c")):
        add_person(data, number, locked=number == 4)
        record_session(data, script, number, unit=unit)
    text = small_recipe.read_text("utf-8") + '\n[evaluation]\nsplit = "units"\n'
    small_recipe.write_text(text, "utf-8")
    evaluation = fit_model(data, load_recipe(small_recipe)).evaluation
    assert evaluation["split"] == "units"
    assert evaluation["participants"] == {"train": ["P01", "P02", "P03"], "test": ["P04"]}
    # Two units to hold out in turn: P01 and P03 together, then P02.
    assert evaluation["cross_validation"]["accuracy"]["n_takes"] == 15
    record_session(data, script, 4, session=2, unit="unit-b")
    with pytest.raises(UsageError, match="units unit-b"):
        fit_model(data, load_recipe(small_recipe))


def test_waking_is_counted_on_hands_that_arrive(small_data: Path, small_recipe: Path) -> None:
    """Arrivals and empty time of the locked participants are counted, and nobody else's."""
    recipe = load_recipe(small_recipe)
    sensor = read_session(sessions(small_data, "P04")[0]).sensor
    assert examine_wake_up(small_data, recipe, sensor) is None
    script = parse_script(ARRIVALS, "arrival")
    record_session(small_data, script, 1)
    assert examine_wake_up(small_data, recipe, sensor) is None
    record_session(small_data, script, 4)
    found = examine_wake_up(small_data, recipe, sensor)
    assert found is not None
    assert found["n_arrivals"] == 2 and 0 <= found["n_missed"] <= 2
    # Two cues of 2.5 s, less the frames that are compared with some before the cue.
    assert 3.0 < found["empty_hours"] * 3600 <= 5.0
    trained = fit_model(small_data, recipe).evaluation
    assert trained["wake_up"] == found
