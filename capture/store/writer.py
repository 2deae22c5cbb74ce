"""The recording on disk: one MCAP file a session, written so that a killed process loses little.

MCAP is an open container for timestamped logs. A session's file holds

- a metadata record ``session`` (texts): format, participant, session, unit, firmware, first_row,
  sensor, script (JSON), seed and, where somebody noted it, distance_mm;
- topic ``/frame_pairs``: binary messages that their schema in the file describes (``FRAME_SCHEMA``,
  little-endian CDR), the counts as they came, with the sequence and clock of the device. The
  container's own fields hold the session's time line: sequence and log time (nanoseconds), which
  go on rising when the sensor is started again after a lost connection;
- topic ``/events``: JSON, one message for each cue as it ended; a later one of the same index
  replaces it;
- topic ``/gaps`` and ``/status``: JSON, lost connections and leaps of the clock, and the sensor's
  state.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from mcap.writer import CompressionType, Writer

from capture.cues.script import Script
from capture.frames import FramePair
from capture.wire.codec import Description, Status
from runtime.errors import Error, FormatError, UsageError

__all__ = [
    "FARTHEST_MM",
    "FRAME_HEAD",
    "FRAME_TOPIC",
    "NEAREST_MM",
    "STILL_S",
    "SessionHeader",
    "SessionWriter",
    "hold_for_writing",
]

_CHUNK_BYTES = 256 * 1024
_FLUSH_US = 250_000
NEAREST_MM, FARTHEST_MM = 10.0, 1000.0
"""Between which a hand is in front of the sensor, where somebody notes its distance."""
STILL_S = 0.8
"""How long messages may lie in memory while the sensor says nothing."""
_SYNC_S = 0.5
_MAX_US = (2**64 - 1) // 1000  # the container counts nanoseconds in 64 bits

FRAME_TOPIC = "/frame_pairs"
FRAME_SCHEMA = """\
# One lit and one dark exposure of a lensless sensor, counts (DN) as they came.
uint32 run            # how often the sensor had been started again before
uint32 sequence       # the device's number of the pair in this run
uint64 time_us        # device clock at the start of the lit exposure, microseconds
uint64 dark_time_us   # the same of the dark exposure
uint16 first_row      # row of the sensor that the first row of counts is
uint16 n_rows
uint16 n_cols
uint16[] lit          # n_rows * n_cols counts, row by row
uint16[] dark
"""
JSON_TOPICS = {
    "/events": "A cue as it ended; a later message of the same index replaces it.",
    "/gaps": "A lost connection or a leap of the clock: the time line goes on by these offsets.",
    "/status": "The sensor's temperature, supply and lost exposures.",
}
# CDR: four bytes of encapsulation (little-endian), then each field at a multiple of its size,
# counted from behind them; an array is its length (uint32) and its elements.
FRAME_HEAD = struct.Struct("<4xIIQQHHHxxI")
_CDR_LITTLE = b"\x00\x01\x00\x00"


@dataclass(frozen=True, slots=True)
class SessionHeader:
    """What a session's file says about itself before the first readout.

    Parameters
    ----------
    participant, session : str
        Pseudonym and number, letters and digits only.
    description : Description
        The sensor as it was set.
    script : Script
        What the participant was asked to do.
    seed : int
        Seed of the order of the cues.
    distance_mm : float or None
        Distance of the hand at which the participant was asked to act, 10 to 1000 mm; None if
        nobody noted one.

    Raises
    ------
    UsageError
        A text or the distance is out of range.
    """

    participant: str
    session: str
    description: Description
    script: Script
    seed: int
    distance_mm: float | None = None

    def __post_init__(self) -> None:
        if self.distance_mm is not None and not NEAREST_MM <= self.distance_mm <= FARTHEST_MM:
            expected = f"{NEAREST_MM:g} to {FARTHEST_MM:g}"
            raise UsageError("session", "distance_mm", self.distance_mm, expected)
        for name in ("participant", "session"):
            value = getattr(self, name)
            if not (value.isascii() and value.isalnum() and len(value) <= 32):
                raise UsageError("session", name, repr(value), "1 to 32 letters and digits")

    def to_metadata(self) -> dict[str, str]:
        """Return the texts of the metadata record."""
        return {
            "format": "1",
            "participant": self.participant,
            "session": self.session,
            "unit": self.description.unit,
            "firmware": self.description.firmware,
            "first_row": str(self.description.first_row),
            "sensor": json.dumps(self.description.sensor.to_json()),
            "script": self.script.model_dump_json(by_alias=True),
            "seed": str(self.seed),
        } | ({} if self.distance_mm is None else {"distance_mm": repr(float(self.distance_mm))})


class SessionWriter:
    """Appends to one session's file; what was added is on the disk within a second.

    Parameters
    ----------
    path : Path
        A new file; its folder must exist.
    header : SessionHeader
        Written first.
    still_s : float
        How long messages may lie in memory while the sensor says nothing. Bringing them to the disk
        then ends a block of the file: a recording is the same bytes at any pace only without.

    Raises
    ------
    UsageError
        The file exists, or cannot be made.
    Error
        From any method: the disk is full or gone. What was written before stays readable.
    """

    def __init__(self, path: Path, header: SessionHeader, still_s: float = STILL_S) -> None:
        self.path, self._still_s = path, still_s
        try:
            self._file = path.open("xb")
        except FileExistsError:
            raise UsageError(
                str(path), "the session", "there already", "a new one", "choose another session"
            ) from None
        except OSError as error:
            raise UsageError(str(path), "the session", error.strerror, "writable") from None
        hold_for_writing(self._file.fileno(), path)
        self._writer = Writer(self._file, chunk_size=_CHUNK_BYTES, compression=CompressionType.ZSTD)
        self._flushed = self._synced = time.monotonic()
        self._sensor = header.description.sensor
        self._first_row = header.description.first_row
        self._time_us = self._flushed_us = 0
        try:
            self._writer.start(profile="", library="palmwatt")
            self._writer.add_metadata("session", header.to_metadata())
            schema = self._writer.register_schema(
                "capture/msg/FramePair", "ros2msg", FRAME_SCHEMA.encode()
            )
            self._frames = self._writer.register_channel(FRAME_TOPIC, "cdr", schema)
            self._json = {
                topic: self._writer.register_channel(
                    topic,
                    "json",
                    self._writer.register_schema(
                        topic[1:],
                        "jsonschema",
                        json.dumps({"type": "object", "description": text}).encode(),
                    ),
                )
                for topic, text in JSON_TOPICS.items()
            }
            self.flush()
        except OSError as error:
            raise self._lost(error) from None

    def add(self, pair: FramePair, sequence: int, time_us: int, run: int = 0) -> None:
        """Append a frame pair at its place in the session's time line.

        Raises
        ------
        FormatError
            The counts have another shape than the header's sensor, or the place is none.
        """
        if pair.lit.shape != (self._sensor.n_rows, self._sensor.n_cols):
            raise FormatError(
                str(self.path),
                "shape of a frame pair",
                pair.lit.shape,
                (self._sensor.n_rows, self._sensor.n_cols),
            )
        for name, value, highest in (("sequence", sequence, 2**32 - 1), ("time", time_us, _MAX_US)):
            if not 0 <= value <= highest:
                raise FormatError(str(self.path), f"{name} of a frame pair", value, f"<= {highest}")
        n_pixels = pair.lit.size
        head = FRAME_HEAD.pack(
            run,
            pair.sequence,
            pair.time_us,
            pair.dark_time_us,
            self._first_row,
            *pair.lit.shape,
            n_pixels,
        )
        data = b"".join(
            (
                _CDR_LITTLE,
                head[4:],
                pair.lit.astype("<u2", copy=False).tobytes(),
                bytes(2 * (n_pixels % 2)),
                n_pixels.to_bytes(4, "little"),
                pair.dark.astype("<u2", copy=False).tobytes(),
            )
        )
        self._time_us = time_us
        self._append(self._frames, data, sequence)

    def add_json(self, topic: str, content: dict[str, object]) -> None:
        """Append a JSON message to one of the topics of `JSON_TOPICS`."""
        self._append(self._json[topic], json.dumps(content).encode(), 0)

    def copy(self, topic: str, data: bytes | memoryview, sequence: int, time_us: int) -> None:
        """Append a message of another session's file as it is; unknown topics are left out."""
        channel = self._frames if topic == FRAME_TOPIC else self._json.get(topic)
        if channel is not None:
            self._time_us = time_us
            self._append(channel, bytes(data), sequence)

    def add_status(self, status: Status) -> None:
        """Append what the sensor says about itself."""
        self.add_json(
            "/status",
            {
                "time_us": status.time_us,
                "temperature_c": status.temperature_c,
                "supply_mv": status.supply_mv,
                "overruns": status.overruns,
            },
        )

    def _append(self, channel: int, data: bytes, sequence: int) -> None:
        try:
            time_ns = 1000 * self._time_us
            self._writer.add_message(channel, time_ns, data, time_ns, sequence)
            # By the sensor's clock, so that one recording gives the same bytes at any pace.
            if self._time_us - self._flushed_us >= _FLUSH_US:
                self.flush()
        except OSError as error:
            raise self._lost(error) from None

    def tick(self) -> None:
        """Bring old messages to the disk even though no new one came."""
        if time.monotonic() - self._flushed >= self._still_s:
            self.flush()

    def flush(self) -> None:
        """Bring everything out of this process, and twice a second onto the disk itself."""
        try:
            self._writer.flush()  # type: ignore[no-untyped-call]  # mcap leaves it untyped
            self._file.flush()
            now = self._flushed = time.monotonic()
            self._flushed_us = self._time_us
            if now - self._synced >= _SYNC_S:
                _sync_data(self._file.fileno())
                self._synced = now
        except OSError as error:
            raise self._lost(error) from None

    def close(self) -> None:
        """Finish the file: index, statistics, closing mark."""
        if self._file.closed:
            return
        try:
            self._writer.finish()  # type: ignore[no-untyped-call]  # mcap leaves it untyped
            self._file.flush()
            _sync_data(self._file.fileno())
        except OSError as error:
            raise self._lost(error) from None
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Let go of the file as it is; opening it later finishes it."""
        # Only bytes that the disk refused before can be lost here; the file closes all the same.
        with contextlib.suppress(OSError):
            self._file.close()

    def __enter__(self) -> SessionWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _lost(self, error: OSError) -> Error:
        return Error(
            str(self.path),
            "writing",
            f"refused ({error.strerror})",
            do="make room on the disk; what was received before this is kept in the file",
        )


def _sync_data(descriptor: int) -> None:
    """Bring a file's content onto the disk."""
    if sys.platform in ("win32", "darwin"):
        os.fsync(descriptor)
    else:
        os.fdatasync(descriptor)


def hold_for_writing(descriptor: int, path: Path) -> None:
    """Keep a session's file from being finished by another process while this one writes.

    Raises
    ------
    UsageError
        Another process is writing it.
    """
    if sys.platform == "win32":  # an open file cannot be replaced there anyway
        return
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise UsageError(
            str(path), "the session", "being recorded", "finished", "wait until it is"
        ) from None
