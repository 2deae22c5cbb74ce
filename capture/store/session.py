"""A recorded session, read in bounded memory; one that a killed recorder left is finished first."""

from __future__ import annotations

import dataclasses
import json
import logging
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydantic

from capture.cues.energy import EnergyMeter
from capture.cues.labels import Event, event_from_row, read_events, refine
from capture.cues.script import Script
from capture.frames import FrameBlock, FramePair
from capture.store.container import DAMAGE, MAGIC, messages, metadata
from capture.store.damaged.lost_takes import Losses, left_of
from capture.store.damaged.mending import Mended, mend
from capture.store.tables import frame_columns, library, pixel_columns
from capture.store.writer import FRAME_HEAD, FRAME_TOPIC, SessionHeader, hold_for_writing
from capture.wire.codec import Description
from runtime.errors import Error, FormatError, UsageError
from runtime.files import as_path
from runtime.sensor import Sensor

__all__ = ["READOUTS_SUFFIX", "Session", "events_path", "mend_session", "read_session"]

READOUTS_SUFFIX = "_readouts.mcap"
_LATEST_US = int(np.iinfo(np.int64).max)
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Session:
    """A recording of one participant at one script.

    Parameters
    ----------
    path : Path
        Its file.
    header : SessionHeader
        What the file says about itself.
    events : tuple of Event
        Labels from the events table beside the file; empty if there is none.
    finished : bool
        False for the file of a killed recorder that could not be finished where it is: it is read
        as far as it goes.
    """

    path: Path
    header: SessionHeader
    events: tuple[Event, ...]
    finished: bool = True

    @property
    def sensor(self) -> Sensor:
        """The sensor as it was set; ``n_rows`` are the rows that were read."""
        return self.header.description.sensor

    @property
    def unit(self) -> str:
        """The physical sensor."""
        return self.header.description.unit

    @property
    def participant(self) -> str:
        """Pseudonym, such as ``P01``."""
        return self.header.participant

    @property
    def script(self) -> Script:
        """What the participant was asked to do."""
        return self.header.script

    @property
    def distance_mm(self) -> float | None:
        """Distance of the hand that the participant was asked for; None if nobody noted one."""
        return self.header.distance_mm

    def blocks(self, max_frames: int = 256, since_us: int = 0) -> Iterator[FrameBlock]:
        """Yield the readouts in order, at most `max_frames` frame pairs at a time.

        With `since_us`, a time of the device's clock, most of what came before it is left out
        unread; the few frame pairs before it in the same chunk still come.

        Raises
        ------
        FormatError
            The file is damaged; the message says where.
        """
        n_rows, n_cols = self.sensor.n_rows, self.sensor.n_cols
        held: list[tuple[int, int, FramePair]] = []
        last = -1
        for message in messages(self.path, not self.finished, since_us):
            if message.topic != FRAME_TOPIC:
                continue
            pair = _read_pair(message.data, n_rows, n_cols, self.path)
            if message.sequence <= last:
                raise FormatError(str(self.path), "sequence", message.sequence, f"above {last}")
            last = message.sequence
            held.append((message.sequence, message.time_us, pair))
            if len(held) == max_frames:
                yield _block(held)
                held = []
        if held:
            yield _block(held)

    def frames(self) -> FrameBlock:
        """Return all readouts at once; for sessions that fit into memory."""
        blocks = list(self.blocks())
        if not blocks:
            return FrameBlock.empty(self.sensor.n_rows, self.sensor.n_cols)
        return FrameBlock.concatenate(blocks)

    def to_pandas(self, readout: str = "difference") -> Any:
        """Return a pandas DataFrame with one row a frame pair; for sessions that fit into memory.

        Columns: ``sequence``, ``time_us`` and ``dark_time_us`` (device clock at the start of the
        lit and of the dark exposure; 0 where that is not known), ``time_s`` (from the first frame
        pair), ``trial_type`` (the label that the frame pair lies in; rejected ones are left out),
        then ``r00c00`` and on, the counts of each pixel.

        Parameters
        ----------
        readout : str
            ``difference`` (lit minus dark, int32), ``lit`` or ``dark`` (uint16), or ``none``.

        Raises
        ------
        UsageError
            pandas is not installed, or there is no such readout.
        FormatError
            The file is damaged.
        """
        pandas = library("pandas")
        frames = self.frames()
        names, counts = pixel_columns(frames, readout)
        first = pandas.DataFrame(frame_columns(frames, self.events))
        return pandas.concat([first, pandas.DataFrame(counts, columns=names)], axis=1)

    def to_polars(self, readout: str = "difference") -> Any:
        """Return a polars DataFrame of the columns of :meth:`to_pandas`; errors likewise."""
        polars = library("polars")
        frames = self.frames()
        names, counts = pixel_columns(frames, readout)
        first = polars.DataFrame(
            frame_columns(frames, self.events), schema_overrides={"trial_type": polars.String}
        )
        return first.hstack(polars.from_numpy(counts, schema=names)) if names else first

    def journal(self, topic: str) -> Iterator[dict[str, object]]:
        """Yield the JSON messages of a topic: ``/events``, ``/gaps`` or ``/status``."""
        for message in messages(self.path, not self.finished):
            if message.topic == topic:
                yield _read_json(message.data, self.path)


def events_path(readouts: Path) -> Path:
    """Return where the labels of a session's file are."""
    return readouts.with_name(readouts.name.removesuffix(READOUTS_SUFFIX) + "_events.tsv")


def read_session(path: Path | str, *, with_labels: bool = True) -> Session:
    """Open a session's file; finish it first if its recorder was killed, and say so in the log.

    `with_labels` false leaves the events table unread.

    Raises
    ------
    UsageError
        There is no such file, or it is being recorded.
    FormatError
        It is no session, or its labels are wrong.
    """
    path = as_path(path, "session")
    try:
        with path.open("rb") as file:
            start = file.read(len(MAGIC))
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - len(MAGIC)))
            end = file.read()
    except OSError as error:
        raise UsageError(
            str(path),
            "the session",
            f"unreadable ({error.strerror})",
            "a readouts file",
            "check the path",
        ) from None
    if start != MAGIC:
        raise FormatError(str(path), "the start", start.hex(" ") or "empty", "an MCAP file")
    session = Session(path, _read_header(path), (), end == MAGIC and size >= 2 * len(MAGIC))
    if not session.finished:
        session = dataclasses.replace(session, finished=_finish(session))
    labels = events_path(path)
    if with_labels and labels.exists():
        return dataclasses.replace(session, events=read_events(labels))
    if with_labels and not session.finished:
        return dataclasses.replace(session, events=_journal_events(session))
    return session


def _finish(session: Session) -> bool:
    """Put a finished file in the place of an unfinished one, and its labels beside it.

    Returns whether that was possible: on a disk that is full or read-only it is not.

    Raises
    ------
    UsageError
        Another process is writing the file.
    """
    path = session.path
    try:
        with path.open("r+b") as file:
            hold_for_writing(file.fileno(), path)
            try:
                said = _rewrite(session)
            except Error as error:
                said, finished = _unmended(f"{error.what} is {error.got}"), False
            else:
                finished = True
    except OSError as error:
        said, finished = _unmended(str(error.strerror)), False
    _log.warning("%s: was not finished; %s", path, said)
    return finished


def _unmended(reason: str) -> str:
    return f"it cannot be repaired here ({reason}) and is read as far as it goes"


def _rewrite(session: Session) -> str:
    """Write what can be read of an unfinished session as a finished one; return what was done."""
    mended = mend_session(session)
    said = f"repaired, {mended.n_pairs} frame pairs kept"
    if mended.original is not None:
        said += f"; it is damaged, the original is kept as {mended.original.name}"
    return said


def mend_session(session: Session) -> Mended:
    """Put what is whole of a session in its place; its file must be held for writing."""

    def found_takes(path: Path, losses: Losses | None) -> tuple[Event, ...]:
        """The labels that the recorder would have written: cues, refined where they move."""
        whole = dataclasses.replace(session, path=path, finished=True)
        events = _journal_events(whole)
        return _refined(whole, events if losses is None else left_of(events, losses))

    return mend(session.path, session.header, events_path(session.path), found_takes)


def _refined(session: Session, events: tuple[Event, ...]) -> tuple[Event, ...]:
    if not session.script.movement:
        return events
    meter = EnergyMeter()
    blocks = [(block.time_us, meter.add(block.lit, block.dark)) for block in session.blocks()]
    if not blocks:
        return events
    time_us = np.concatenate([time for time, _ in blocks])
    return refine(events, np.concatenate([e for _, e in blocks]), (time_us - time_us[0]) / 1e6)


def _journal_events(session: Session) -> tuple[Event, ...]:
    """Return the cues as the recorder wrote them down while they ended."""
    by_index: dict[str, Event] = {}
    for number, entry in enumerate(session.journal("/events")):
        where = f"{session.path} event {number}"
        row = {key: None if value is None else str(value) for key, value in entry.items()}
        by_index[str(entry.get("index"))] = event_from_row(row, where)
    return tuple(by_index.values())


def _read_pair(data: memoryview, n_rows: int, n_cols: int, path: Path) -> FramePair:
    n = n_rows * n_cols
    lit_at = FRAME_HEAD.size
    dark_at = lit_at + 2 * (n + n % 2) + 4
    if len(data) != dark_at + 2 * n:
        raise FormatError(str(path), "length of a frame pair", len(data), dark_at + 2 * n)
    _, sequence, time_us, dark_us, _, rows, cols, n_lit = FRAME_HEAD.unpack_from(data)
    if dark_us > _LATEST_US:
        raise FormatError(str(path), "dark_time_us", dark_us, f"at most {_LATEST_US}")
    if (rows, cols, n_lit) != (n_rows, n_cols, n):
        raise FormatError(str(path), "shape of a frame pair", (rows, cols), (n_rows, n_cols))
    lit = np.frombuffer(data, "<u2", n, lit_at).reshape(n_rows, n_cols)
    dark = np.frombuffer(data, "<u2", n, dark_at).reshape(n_rows, n_cols)
    return FramePair(sequence, time_us, lit, dark, dark_us)


def _block(held: list[tuple[int, int, FramePair]]) -> FrameBlock:
    return FrameBlock(
        np.array([sequence for sequence, _, _ in held], np.int64),
        np.array([time_us for _, time_us, _ in held], np.int64),
        np.stack([pair.lit for _, _, pair in held]),
        np.stack([pair.dark for _, _, pair in held]),
        np.array([pair.dark_time_us for _, _, pair in held], np.int64),
    )


def _read_json(data: memoryview, path: Path) -> dict[str, object]:
    try:
        content = json.loads(bytes(data))
    except (ValueError, RecursionError) as error:
        raise FormatError(str(path), "a JSON message", f"wrong ({error})") from None
    if not isinstance(content, dict):
        raise FormatError(str(path), "a JSON message", type(content).__name__, "an object")
    return content


def _read_header(path: Path) -> SessionHeader:
    where = str(path)
    try:
        texts = metadata(path, "session")
        if texts["format"] != "1":
            raise FormatError(where, "format", repr(texts["format"][:20]), "1")
        sensor = Sensor.from_json(json.loads(texts["sensor"]), where)
        description = Description(sensor, texts["unit"], texts["firmware"], int(texts["first_row"]))
        script = Script.model_validate_json(texts["script"])
        distance_mm = texts.get("distance_mm")
        return SessionHeader(
            texts["participant"],
            texts["session"],
            description,
            script,
            int(texts["seed"]),
            None if distance_mm is None else float(distance_mm),
        )
    except (FormatError, UsageError):
        raise
    except pydantic.ValidationError:
        raise FormatError(where, "the script inside", "wrong", "a cue script") from None
    except (*DAMAGE, RecursionError) as error:
        raise FormatError(where, "the header", f"damaged ({error})") from None
