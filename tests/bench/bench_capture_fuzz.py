"""Mutated and random bytes into everything that reads: prints what came of it and its memory.

python tests/bench/bench_capture_fuzz.py [BYTES]

Each reader gets BYTES (10 million if not given) twice, in a process of its own: once from plain
mutations, where each readout that is accepted is compared with the one that was written, and once
led by coverage where atheris is installed (``pip install atheris``), which learns to forge
checksums and therefore looks for crashes only. Ends with exit code 1 if anything is raised that is
not of the tree of errors, or a wrong readout is accepted.
"""

from __future__ import annotations

import contextlib
import logging
import resource
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path

import numpy as np

LED = "led"  # how a process of the coverage-led kind is called
if sys.argv[1:2] == [LED]:
    import atheris

    instrumented = atheris.instrument_imports(include=["capture", "runtime"])
else:
    instrumented = contextlib.nullcontext()

with instrumented:
    from capture.cues.labels import Event, read_events, write_events
    from capture.cues.script import load_script
    from capture.frames import FramePair
    from capture.measure.quality import measure
    from capture.store.dataset import read_description, read_participants
    from capture.store.session import events_path, read_session
    from capture.store.writer import SessionHeader, SessionWriter
    from capture.wire.codec import (
        Acknowledge,
        Command,
        CommandKind,
        Decoder,
        Description,
        Exposure,
        Message,
        Result,
        Status,
        encode,
    )
    from capture.wire.pairing import Pairer
    from runtime.errors import Error
    from runtime.sensor import Sensor

SIDE = 8
SENSOR = Sensor("fuzzed", SIDE, SIDE)
N_PAIRS = 40
CHUNK = struct.Struct(
    "<BQQQQII"
)  # opcode, length, first and last time, size, CRC-32, no compression
HEAD_BYTES = 4  # of a fed piece of wire: how it is cut


def counts(sequence: int, lit: bool) -> np.ndarray:
    return np.random.default_rng([sequence, lit]).integers(0, 4096, (SIDE, SIDE), np.uint16)


def pair(sequence: int) -> FramePair:
    lit, dark = counts(sequence, True), counts(sequence, False)
    return FramePair(sequence, 33_000 * sequence, lit, dark, 33_000 * sequence + 300)


@dataclass
class Reader:
    """One reader under test: `feed` gives it bytes and returns how many wrong readouts it took."""

    seeds: list[bytes]
    feed: Callable[[bytes], int]
    refused: int = 0
    known: dict[tuple[int, bool], bytes] = field(
        default_factory=lambda: {
            (n, lit): counts(n, lit).tobytes() for n in range(N_PAIRS) for lit in (True, False)
        }
    )

    def wrong(self, sequence: int, lit: bool, got: np.ndarray) -> bool:
        return self.known.get((sequence, lit)) != got.tobytes()

    def take(self, data: bytes) -> int:
        try:
            return self.feed(data)
        except Error as error:
            if "\n" in str(error):
                raise RuntimeError("an error of more than one line") from error
            self.refused += 1
            return 0


def decoder_reader(folder: Path) -> Reader:
    messages: list[Message] = [Description(SENSOR, "unit-1", "1.0"), Status(5, 20.0, 3300, 0)]
    messages.append(Command(CommandKind.SET_ROWS, 3 << 16, 4))
    messages.append(Acknowledge(CommandKind.START, Result.DONE, 0, 1))
    for n in range(N_PAIRS):
        messages += [Exposure(lit, n, 33_000 * n, counts(n, lit)) for lit in (True, False)]
    packets = [encode(message) for message in messages]

    def feed(data: bytes) -> int:
        decoder, pairer = Decoder(), Pairer(Description(SENSOR, "unit-1", "1.0"))
        size = 1 + int.from_bytes(data[:HEAD_BYTES], "little") % 5000
        n_wrong = 0
        wire = data[HEAD_BYTES:] + b"\0"
        for start in range(0, len(wire), size):
            for message in decoder.feed(wire[start : start + size]):
                if isinstance(message, Exposure):
                    n_wrong += reader.wrong(message.sequence, message.lit, message.counts)
                    pairer.add(message)
        return n_wrong

    whole = [bytes(HEAD_BYTES) + b"".join(packets), b"\xff\3\0\0" + b"".join(packets[:12])]
    reader = Reader(whole + [bytes(HEAD_BYTES) + packet for packet in packets[:6]], feed)
    return reader


def session_file(path: Path, n_pairs: int) -> bytes:
    header = SessionHeader("P01", "01", Description(SENSOR, "u", "1"), load_script("dynamic"), 1)
    with SessionWriter(path, header) as writer:
        for n in range(n_pairs):
            writer.add(pair(n), n, 33_000 * n)
        entry = {"index": 0, "onset": 0.1, "duration": 0.2, "trial_type": "push", "reason": None}
        writer.add_json("/events", entry)
        writer.add_json("/gaps", {"run": 1, "after_sequence": 3})
        writer.add_status(Status(5, 24.0, 3300, 1))
    return path.read_bytes()


def read_all(path: Path, reader: Reader) -> int:
    """Do what a user of a session does: open it, judge it, read its readouts and its journal."""
    events_path(path).unlink(missing_ok=True)
    path.with_name(f"{path.name}.damaged").unlink(missing_ok=True)
    session = read_session(path)
    for topic in ("/events", "/gaps", "/status"):
        list(session.journal(topic))
    measure(session.blocks(), session.sensor)
    return sum(
        reader.wrong(got.sequence, True, got.lit) + reader.wrong(got.sequence, False, got.dark)
        for block in session.blocks(16)
        for got in block
    )


def session_reader(folder: Path) -> Reader:
    whole = session_file(folder / "whole.mcap", N_PAIRS)
    few = session_file(folder / "few.mcap", 4)
    path = folder / "sub-P01_ses-01_task-dynamic_readouts.mcap"

    def feed(data: bytes) -> int:
        path.write_bytes(data)
        return read_all(path, reader)

    reader = Reader([whole, few, few[:-400], few[: len(few) // 2]], feed)
    return reader


def chunk_reader(folder: Path) -> Reader:
    """What stands inside the chunks of a session's file, given with a right checksum."""
    whole = session_file(folder / "whole.mcap", 8)
    first = whole.index(b"\x28\xb5\x2f\xfd")  # magic number of Zstandard, RFC 8878 section 3.1.1
    start = first - CHUNK.size - len(b"zstd") - 8  # where the chunk that holds it begins
    import zstandard

    inside = zstandard.ZstdDecompressor().decompressobj().decompress(whole[first:])
    path = folder / "sub-P01_ses-01_task-dynamic_readouts.mcap"

    def feed(data: bytes) -> int:
        size = len(data)
        head = CHUNK.pack(6, CHUNK.size - 9 + 8 + size, 0, 0, size, zlib.crc32(data), 0)
        end = struct.pack("<BQI", 15, 4, 0) + struct.pack("<BQQQI", 2, 20, 0, 0, 0)
        chunk = head + struct.pack("<Q", size) + data
        # Half of them unfinished, as a killed recorder leaves them.
        path.write_bytes(whole[:start] + chunk + (b"" if size % 2 else end + whole[:8]))
        read_all(path, reader)
        return 0  # whoever writes a right checksum may write any readout

    reader = Reader([inside, inside[:1000]], feed)
    feed(inside)
    if sum(len(block) for block in read_session(path).blocks()) != 8:
        raise RuntimeError("the rebuilt chunk is not the one that was written")
    return reader


def events_reader(folder: Path) -> Reader:
    path = folder / "x_events.tsv"
    events = (Event(0.1, 0.3, "push"), Event(0.5, 0.2, "pull", 3, "rejected", "late", 0.5, 0.2))
    write_events(path, events)

    def feed(data: bytes) -> int:
        path.write_bytes(data)
        read_events(path)
        return 0

    return Reader([path.read_bytes(), b"onset\tduration\ttrial_type\n1\t2\tpush\n"], feed)


def participants_reader(folder: Path) -> Reader:
    path = folder / "participants.tsv"
    table = (
        b"participant_id\tconsent\thand_length_mm\thandedness\tskin_reflectance\tlocked\n"
        b"sub-P01\tyes\t180.5\tright\t0.5\tno\nsub-P02\tno\tn/a\tn/a\tn/a\tyes\n"
    )

    def feed(data: bytes) -> int:
        path.write_bytes(data)
        read_participants(path)
        return 0

    return Reader([table, b"participant_id\tconsent\nsub-P01\tyes\n"], feed)


def description_reader(folder: Path) -> Reader:
    path = folder / "dataset_description.json"
    text = b'{\n  "Name": "Readouts",\n  "BIDSVersion": "1.10.0",\n  "DatasetType": "raw"\n}\n'

    def feed(data: bytes) -> int:
        path.write_bytes(data)
        read_description(folder)
        return 0

    return Reader([text, b"[[1e5, {}], null]"], feed)


READERS: dict[str, Callable[[Path], Reader]] = {
    "decoder": decoder_reader,
    "session": session_reader,
    "inside a session's chunks": chunk_reader,
    "events.tsv": events_reader,
    "participants.tsv": participants_reader,
    "dataset_description.json": description_reader,
}


def mutated(rng: np.random.Generator, seeds: list[bytes]) -> bytes:
    """Return noise, or a seed with a few runs of it flipped, cut, doubled, moved or overwritten."""
    if rng.random() < 0.1:
        return rng.bytes(int(rng.integers(1, 2000)))
    data = bytearray(seeds[rng.integers(len(seeds))])
    for _ in range(rng.integers(1, 8)):
        start = int(rng.integers(0, len(data) + 1))
        run = bytes(data[start : start + int(rng.geometric(0.1))])
        match rng.integers(7):
            case 0 if start < len(data):
                data[start] ^= 1 << rng.integers(8)
            case 1:
                data[start : start + len(run)] = rng.bytes(len(run))
            case 2:
                del data[start : start + len(run)]
            case 3:
                data[start:start] = run * int(rng.integers(1, 4))
            case 4:
                data[start : start + 8] = [b"\0", b"\xff", b"\x7f"][rng.integers(3)] * 8
            case 5:
                there = int(rng.integers(0, len(data) + 1))
                data[there:there] = run
            case 6 if rng.random() < 0.2:
                del data[start:]
    return bytes(data)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def tell(name: str, kind: str, reader: Reader, fed: tuple[int, int, int], before: float) -> None:
    n_bytes, n_inputs, n_wrong = fed
    print(
        f"{name}, {kind}: {n_bytes / 1e6:.1f} MB in {n_inputs} inputs, {reader.refused} refused, "
        f"nothing else raised, {n_wrong} wrong readouts, {peak_mb() - before:.0f} MB more memory",
        flush=True,
    )


def run_plain(name: str, n_bytes: int, folder: Path) -> int:
    reader, rng = READERS[name](folder), np.random.default_rng(11)
    for seed in reader.seeds:
        reader.take(seed)
    before = peak_mb()
    fed = n_inputs = n_wrong = 0
    while fed < n_bytes:
        data = mutated(rng, reader.seeds)
        try:
            n_wrong += reader.take(data)
        except Exception:
            keep(name, data)
            return 1
        fed, n_inputs = fed + len(data), n_inputs + 1
    tell(name, "mutated", reader, (fed, n_inputs, n_wrong), before)
    return int(n_wrong > 0)


def run_led(name: str, n_bytes: int, folder: Path) -> None:
    """Let coverage choose the bytes; the library ends the process."""
    reader = READERS[name](folder)
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(reader.seeds):
        (corpus / str(number)).write_bytes(seed)
    before, fed, n_inputs = peak_mb(), 0, 0

    def one(data: bytes) -> None:
        nonlocal fed, n_inputs
        try:
            reader.take(data)
        except Exception:
            keep(name, data)
            leave(1)
        fed, n_inputs = fed + len(data), n_inputs + 1
        if fed >= n_bytes:
            tell(name, "led by coverage", reader, (fed, n_inputs, 0), before)
            leave(0)

    longest = 4 * max(map(len, reader.seeds))
    atheris.Setup([sys.argv[0], f"-max_len={longest}", "-seed=1", str(corpus)], one)
    atheris.Fuzz()


def leave(code: int) -> None:
    """End the process past the library's own exit, which would call any end a crash."""
    import os

    sys.stdout.flush()
    os._exit(code)


def keep(name: str, data: bytes) -> None:
    """Say what was raised, and leave the bytes that did it for a test."""
    path = Path(tempfile.gettempdir()) / f"fuzz-{name.split('.')[0].replace(' ', '-')}.bin"
    path.write_bytes(data)
    print(f"{name}: raised on the {len(data)} bytes in {path}\n{traceback.format_exc()}")


def main() -> int:
    logging.disable()  # each mended file says that it was
    if len(sys.argv) == 4:
        kind, name, n_bytes = sys.argv[1], sys.argv[2], int(sys.argv[3])
        memory = Path("/dev/shm")  # noqa: S108  # spares the disk where there is such a folder
        with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
            if kind == LED:
                run_led(name, n_bytes, Path(folder))
            return run_plain(name, n_bytes, Path(folder))
    n_bytes = sys.argv[1] if len(sys.argv) > 1 else "10000000"
    if find_spec("atheris") is None:
        print("atheris is not installed: mutated bytes only")
    failed = 0
    for name in READERS:
        for kind in ("plain", LED) if find_spec("atheris") is not None else ("plain",):
            start = time.perf_counter()
            words = [sys.executable, __file__, kind, name, n_bytes]
            failed |= subprocess.run(words, stderr=subprocess.DEVNULL, check=False).returncode
            print(f"  {time.perf_counter() - start:.0f} s")
    return int(failed != 0)


if __name__ == "__main__":
    sys.exit(main())
