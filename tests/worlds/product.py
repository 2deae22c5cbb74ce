"""All that these worlds take from the product: its public way of writing and describing recordings.

They stand in one place because nothing else here depends on the product's rooms.
"""

from __future__ import annotations

from capture.cues.energy import EnergyMeter
from capture.cues.labels import Event, refine, write_events
from capture.cues.script import Cue, CueKind, Script, load_script, schedule
from capture.frames import FrameBlock, FramePair
from capture.lead.record import record
from capture.store.dataset import (
    Participant,
    add_participant,
    open_dataset,
    prepare_dataset,
    session_path,
)
from capture.store.session import Session, events_path, read_session
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
from capture.wire.link import SerialLink
from runtime.firmware.sensor_file import SensorFile
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Sensor

__all__ = [
    "Acknowledge",
    "Command",
    "CommandKind",
    "Cue",
    "CueKind",
    "Decoder",
    "Description",
    "DeviceSetting",
    "EnergyMeter",
    "Event",
    "Exposure",
    "FrameBlock",
    "FramePair",
    "Message",
    "Participant",
    "Result",
    "Script",
    "Sensor",
    "SensorFile",
    "SerialLink",
    "Session",
    "SessionHeader",
    "SessionWriter",
    "Status",
    "add_participant",
    "encode",
    "events_path",
    "load_script",
    "open_dataset",
    "prepare_dataset",
    "read_session",
    "record",
    "refine",
    "schedule",
    "session_path",
    "write_events",
]
