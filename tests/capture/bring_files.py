"""Readouts of a small sensor in every form that can be brought in, with the tables beside them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from capture.bring.plan import Sources
from capture.cues.labels import Event, write_events
from capture.cues.script import load_script
from capture.frames import FrameBlock, FramePair
from capture.store.dataset import (
    Participant,
    add_participant,
    prepare_dataset,
    session_path,
)
from capture.store.session import events_path
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.sensor import Sensor

SENSOR = Sensor("bench", 4, 6, bit_depth=10, black_level_counts=20, frame_rate_hz=50.0)
N_FRAMES = 300
EVENTS = (
    Event(0.5, 1.25, "push", cue_onset_s=0.5, cue_duration_s=1.25, labeller="energy"),
    Event(2.0, 1.0, "swipe_left", 0, "rejected", "looked away"),
    Event(3.5, 0.75, "swipe_left", 1, labeller="anna"),
)
SENSOR_TEXT = "".join(
    f"{key} = {value!r}\n".replace("'", '"') for key, value in SENSOR.to_json().items()
)


def readouts(seed: int = 1) -> FrameBlock:
    rng = np.random.default_rng(seed)
    dark = rng.integers(10, 40, (N_FRAMES, 4, 6))
    lit = dark + rng.integers(0, 900, (N_FRAMES, 4, 6))
    sequence = np.arange(N_FRAMES, dtype=np.int64)
    sequence[120:] += 3  # frame pairs that are missing
    time_us = sequence * 20_000 + rng.integers(0, 50, N_FRAMES)
    return FrameBlock(sequence, time_us, lit.astype(np.uint16), dark.astype(np.uint16))


def write_rows(path: Path, rows: list[dict[str, object]], delimiter: str = ",") -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)


def event_rows(name: str) -> list[dict[str, object]]:
    return [
        {
            "file": name, "onset": e.onset_s, "duration": e.duration_s,
            "trial_type": e.trial_type, "repetition": e.repetition, "status": e.status,
            "reason": e.reason, "labeller": e.labeller,
            "cue_onset": "" if e.cue_onset_s is None else e.cue_onset_s,
            "cue_duration": "" if e.cue_duration_s is None else e.cue_duration_s,
        }
        for e in EVENTS
    ]  # fmt: skip


def tables(folder: Path, name: str, **more: object) -> None:
    write_rows(folder / "recordings.csv", [{"file": name, "participant": "P01", **more}])
    write_rows(
        folder / "people.csv",
        [{"participant_id": "P01", "consent": "yes", "locked": "yes", "hand_length_mm": "181.5"}],
    )
    write_rows(folder / "events.csv", event_rows(name))
    (folder / "sensor.toml").write_text(SENSOR_TEXT, "utf-8")


def sources(folder: Path, order: str = "two-arrays", **more: object) -> Sources:
    return Sources(
        folder / "recordings.csv", folder / "events.csv", folder / "people.csv",
        folder / "sensor.toml", order, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def interleaved(block: FrameBlock, dark_first: bool = False) -> np.ndarray:
    pair = (block.dark, block.lit) if dark_first else (block.lit, block.dark)
    return np.stack(pair, axis=1).reshape(-1, 4, 6)


def as_npz(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    times = {"sequence": block.sequence, "time_us": block.time_us}
    np.savez_compressed(folder / "a.npz", lit=block.lit, dark=block.dark, **times)
    return "a.npz", "two-arrays", {}


def as_npz_interleaved(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    times = {"sequence": block.sequence, "time_us": block.time_us}
    np.savez(folder / "a.npz", frames=interleaved(block).reshape(-1, 24), **times)
    return "a.npz", "interleaved", {}


def frame_table(block: FrameBlock, dark_first: bool) -> tuple[list[str], np.ndarray]:
    frames = interleaved(block, dark_first).reshape(-1, 24)
    is_lit = np.tile([0, 1] if dark_first else [1, 0], N_FRAMES)
    head = np.stack([np.repeat(block.sequence, 2), np.repeat(block.time_us, 2), is_lit], axis=1)
    names = ["sequence", "time_us", "lit", *(f"pixel_{i}" for i in range(24))]
    return names, np.concatenate([head, frames], axis=1)


def as_csv(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    names, values = frame_table(block, dark_first=True)
    np.savetxt(
        folder / "a.csv", values, "%d", ",", header=",".join(names), comments="", encoding="utf-8"
    )
    return "a.csv", "dark-first", {}


def as_wide_tsv(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    names = ["time_us", "sequence", *(f"lit_{i}" for i in range(24))]
    names += [f"dark_{i}" for i in range(24)]
    times = np.stack([block.time_us, block.sequence], axis=1)
    values = np.concatenate([times, block.lit.reshape(-1, 24), block.dark.reshape(-1, 24)], axis=1)
    np.savetxt(folder / "a.tsv", values, "%d", "\t", header="\t".join(names), comments="")
    return "a.tsv", "two-arrays", {}


def as_parquet(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    names, values = frame_table(block, dark_first=False)
    parquet.write_table(pyarrow.table(list(values.T), names), folder / "a.parquet")
    return "a.parquet", "interleaved", {}


def recorded(folder: Path, firmware: str = "1.2") -> Path:
    """Write a session as the recorder does, with labels and a gap."""
    prepare_dataset(folder)
    add_participant(folder, Participant("P07", True))
    path = session_path(folder, "P07", "02", "dynamic")
    path.parent.mkdir(parents=True)
    header = SessionHeader(
        "P07", "02", Description(SENSOR, "u3", firmware), load_script("dynamic"), 5
    )
    with SessionWriter(path, header) as writer:
        for pair in readouts():
            dated = FramePair(pair.sequence, pair.time_us, pair.lit, pair.dark, pair.time_us + 300)
            writer.add(dated, pair.sequence, pair.time_us)
        writer.add_json("/gaps", {"after_sequence": 119})
    write_events(events_path(path), EVENTS)
    return path
