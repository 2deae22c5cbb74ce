"""Memory and time of training on a large data set, on first and second sight.

Run as a script: python tests/bench/bench_trainer_scale.py [people] [megabytes each] [folder]
The people are few invented ones whose minutes are put together anew for each name, because
emulating so much would take days: the figures of recognition mean nothing here. 200 people of
100 MB fill 20 GB of disk; by default it is a tenth of that.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1] / "trainer"))

from invented_people import record_people

from capture.cues.labels import Event, write_events
from capture.cues.script import load_script
from capture.frames import FramePair
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import events_path, read_session
from capture.store.writer import SessionWriter

TASK = "dynamic"
N_SOURCES = 8
STEP_FRAMES = 37
"""Each name begins its minutes so much later than the one before."""
LOCKED_EVERY = 5
POLL_S = 0.5


def widen(source: Path, data: Path, number: int, n_bytes: int) -> int:
    """Write the session of one name from a recorded one, over and over; return its frames."""
    session = read_session(source)
    pairs: list[FramePair] = [pair for block in session.blocks() for pair in block]
    n_base = len(pairs)
    period_us = (pairs[-1].time_us - pairs[0].time_us) / (n_base - 1)
    n_frames = max(n_base, round(n_bytes / source.stat().st_size * n_base))
    first = STEP_FRAMES * number
    name = f"P{number:03d}"
    path = session_path(data, name, "01", TASK)
    path.parent.mkdir(parents=True)
    with SessionWriter(path, replace(session.header, participant=name)) as writer:
        for index in range(n_frames):
            pair = pairs[(first + index) % n_base]
            moment = round(index * period_us)
            writer.add(replace(pair, sequence=index, time_us=moment), index, moment)
    events: list[Event] = []
    for turn in range(first // n_base, (first + n_frames) // n_base + 1):
        shift_s = (turn * n_base - first) * period_us * 1e-6
        for event in session.events:
            onset_s = event.onset_s + shift_s
            if onset_s >= 0 and onset_s + event.duration_s < n_frames * period_us * 1e-6:
                events.append(
                    replace(event, onset_s=onset_s, cue_onset_s=None, cue_duration_s=None)
                )
    write_events(events_path(path), events)
    return n_frames


def train(data: Path, out: Path) -> tuple[float, float]:
    """Train as a user would; return seconds, and the peak memory of all its processes in GiB."""
    began = time.perf_counter()
    program = "from trainer.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", program, "train", data, "--recipe", TASK, "--out", out],
        stdout=subprocess.DEVNULL,
    )
    peak = 0
    while process.poll() is None:
        with suppress(psutil.Error):  # one of them has just ended
            family = psutil.Process(process.pid)
            # Memory that processes share is counted in shares.
            members = (family, *family.children(recursive=True))
            peak = max(peak, sum(member.memory_full_info().pss for member in members))
        time.sleep(POLL_S)
    if process.returncode:
        sys.exit(f"training ended with {process.returncode}")
    return time.perf_counter() - began, peak / 2**30


def main(n_people: int, megabytes: float, folder: Path) -> None:
    """Write the data set, train on it twice, and print what it took."""
    data = folder / "data"
    if not data.exists():
        began = time.perf_counter()
        record_people(folder / "sources", load_script(TASK), N_SOURCES, 0)
        sources = sorted((folder / "sources").glob("sub-*/ses-*/*_readouts.mcap"))
        prepare_dataset(data)
        n_frames = 0
        for number in range(n_people):
            locked = number % LOCKED_EVERY == LOCKED_EVERY - 1
            add_participant(data, Participant(f"P{number:03d}", consent=True, locked=locked))
            n_frames += widen(sources[number % N_SOURCES], data, number, round(megabytes * 1e6))
        print(f"written in {time.perf_counter() - began:.0f} s: {n_frames:,} frame pairs")
    n_bytes = sum(path.stat().st_size for path in data.rglob("*_readouts.mcap"))
    print(f"{n_people} people, {n_bytes / 1e9:.2f} GB of recordings", flush=True)
    for sight in ("first", "second"):
        seconds, peak_gib = train(data, folder / f"model-{sight}")
        print(f"{sight} training: {seconds:.0f} s, at most {peak_gib:.2f} GiB in all processes")
    kept = sum(p.stat().st_size for p in (data / "derivatives").rglob("*.npy"))
    print(f"working files: {kept / 1e9:.2f} GB")
    one, two = (
        json.loads((folder / f"model-{s}" / "evaluation.json").read_text())
        for s in ("first", "second")
    )
    print("the same figures both times:", one == two)


if __name__ == "__main__":
    words = sys.argv[1:]
    with tempfile.TemporaryDirectory() as scratch:
        main(
            int(words[0]) if words else 200,
            float(words[1]) if len(words) > 1 else 10.0,
            Path(words[2]) if len(words) > 2 else Path(scratch),
        )
