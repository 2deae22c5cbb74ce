"""People recorded anew at a picked model's setting, and what the model makes of them."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from capture.cues.script import load_script
from capture.emulated.body.people import participant_row
from capture.emulated.port.device import DeviceSettings
from capture.emulated.port.forked import running_fork
from capture.lead.record import Operator, SessionNotes, record
from capture.store.dataset import session_path
from capture.wire.link import SerialLink
from runtime.model import load_model
from runtime.stages.contract.stage import Int32
from trainer.choice.worth.resamples import scores_of
from trainer.corpus.at_setting import recorded_at
from trainer.corpus.recordings import Recording
from trainer.fit.candidates import reduce_for
from trainer.judge.event_figures import match_streams
from trainer.judge.events import Margins
from trainer.judge.examination import stream_of
from trainer.judge.intervals import over_participants
from trainer.recipe import Recipe
from trainer.work.jobs import Workers

__all__ = ["Kept", "ask", "is_kept", "record_anew"]

SEED = 2000


@dataclass(frozen=True)
class Kept:
    """Event F1 of people recorded anew, with its interval over them."""

    value: float
    low: float
    high: float
    n_people: int


def record_anew(
    folder: Path,
    numbers: Sequence[int],
    n_locked: int,
    scripts: Sequence[str],
    sensor: str,
    led_ma: float | None = None,
) -> None:
    """Record people through the port of an emulated sensor; what is there already stays.

    Parameters
    ----------
    folder : Path
        Data set.
    numbers : sequence of int
        People, of whom the last `n_locked` are locked.
    n_locked : int
    scripts : sequence of str
        Built-in ones, or paths.
    sensor : str
        Of an emulated sensor, or the path of a ``sensor.toml``.
    led_ma : float, optional
        Another LED current than the sensor's.
    """
    locked = set(numbers[len(numbers) - n_locked :])
    for number in numbers:
        row = participant_row(number, locked=number in locked)
        for name in scripts:
            if session_path(folder, row.participant_id, "01", load_script(name).name).exists():
                continue
            settings = DeviceSettings(
                number, name, sensor, SEED + number, speed=0.0, led_current_ma=led_ma
            )
            with running_fork(settings) as port, SerialLink(port) as link:
                record(
                    link, row, load_script(name), SEED + number, folder,
                    notes=SessionNotes("01"), operator=Operator(still_s=math.inf),
                )  # fmt: skip


def _evidence(folder: Path, recording: Recording) -> Int32:
    """Return what the model's decision sees of every frame of a recording, int32."""
    model, state, found = load_model(folder), None, []
    for block in recording.readouts():
        run = model.run(block.lit, block.dark, state)
        found.append(run.evidence)
        state = run.state
    return np.concatenate(found)


def ask(folder: Path, data: Path, recipe: Recipe, workers: Workers) -> Kept:
    """Ask a picked model about people recorded at its setting, events by its own margins."""
    evaluation = json.loads((folder / "evaluation.json").read_text("utf-8"))
    events, unit = evaluation["events"], evaluation["calibration"]["score_unit"]
    more = tuple(events["more_margin"][name] for name in recipe.classes)
    at = recorded_at(folder / "sensor.toml", data)
    (candidate,) = reduce_for(data, [recipe], workers, lambda _: None, at)
    sensor = candidate.corpus.sensor
    streams = [
        stream_of(r, _evidence(folder, r.recording), candidate.recipe, sensor, unit)
        for r in candidate.main
    ]
    counts: dict[str, Any] = {}
    for one in match_streams(streams, candidate.recipe, Margins(events["margin"], more)):
        if one.stream.references:
            who = one.stream.participant
            counts[who] = counts.get(who, np.zeros(3, np.int64)) + np.array(one.counts)
    table = np.array([counts[who] for who in sorted(counts)])
    each, n_events = scores_of(table).tolist(), int(table[:, 2].sum())
    low, high = over_participants(each, n_events)
    return Kept(float(scores_of(table.sum(axis=0))), low, high, len(each))


def is_kept(promise: dict[str, float], found: Kept) -> bool:
    """Tell whether promise and finding are as near as both their intervals allow."""
    if found.value >= promise["value"]:
        below, above = promise["high"] - promise["value"], found.value - found.low
    else:
        below, above = promise["value"] - promise["low"], found.high - found.value
    return abs(found.value - promise["value"]) <= math.hypot(below, above)
