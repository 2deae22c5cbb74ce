"""What participant and operator see and press in the terminal."""

from __future__ import annotations

import os
import pty
import sys

import pytest
from rich.console import Console

from capture.cues.conductor import Moment
from capture.cues.script import load_script
from capture.lead.record import RecordingStatus
from capture.lead.terminal import Screen, keys, picture

SCRIPT = load_script("dynamic")


def shown(moment: Moment) -> str:
    progress = RecordingStatus(120, 4.0, 80.0, moment, 2, 412.0, 0.02, -0.25, 3, 1)
    console = Console(width=90, record=True, file=open(os.devnull, "w"))  # noqa: SIM115, PTH123
    with console.file:
        console.print(picture(progress, SCRIPT))
        return console.export_text()


def test_the_cue_stands_out_in_the_participant_s_words() -> None:
    """A standing cue is shown in capitals, by its prompt; the next one with its countdown."""
    assert "PUSH TOWARDS THE SENSOR" in shown(Moment("cue", "push", 1.2))
    assert "next: swipe left in 2" in shown(Moment("rest", "swipe_left", 2.2))
    assert "PAUSED" in shown(Moment("paused", "push", 0.0))
    assert "SENSOR IS GONE" in shown(Moment("disconnected", "", 0.0))


def test_live_quality_is_shown() -> None:
    """Drops, corrupt packets, level, saturation and drift are on the screen all the time."""
    text = shown(Moment("rest", "", 1.0))
    for words in (
        "cues done 2 of ",
        "missing 3",
        "corrupt packets 1",
        "level 412 counts",
        "saturated 2.0%",
        "lit minus dark -25%",
    ):
        assert words in text


def test_a_quiet_screen_shows_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """With machine-readable output the screen stays empty."""
    with Screen(SCRIPT, quiet=True) as screen:
        screen.show(
            RecordingStatus(1, 0.0, 1.0, Moment("rest", "push", 1.0), 0, 0.0, 0.0, 0.0, 0, 0)
        )
    assert capsys.readouterr() == ("", "")


def test_without_a_terminal_a_lost_sensor_is_told_in_lines(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Gone and back again are a line each, however often the screen is asked to show it."""
    with Screen(SCRIPT) as screen:
        for phase in ("cue", "disconnected", "disconnected", "cue", "cue"):
            moment = Moment(phase, "push", 1.0)
            screen.show(RecordingStatus(1, 0.0, 1.0, moment, 0, 0.0, 0.0, 0.0, 0, 0))
    told = [
        line for line in capsys.readouterr().err.splitlines() if "gone" in line or "again" in line
    ]
    assert [line.strip() for line in told][:2] == [
        "the sensor is gone, and is waited for: plug it in again", "frame pairs come again",
    ]  # fmt: skip


def test_keys_are_wishes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Space, r and q pause, redo and stop; other keys and no key do nothing."""
    host, terminal = pty.openpty()
    with os.fdopen(terminal, "r", closefd=True, buffering=1) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with keys() as wish:
            assert wish() is None
            for key, expected in ((b" ", "pause"), (b"r", "redo"), (b"x", None), (b"q", "stop")):
                os.write(host, key)
                assert wish() == expected
            os.write(host, b"r ")
            assert [wish(), wish(), wish()] == ["redo", "pause", None]
    os.close(host)


def test_without_a_terminal_no_key_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording started from a service reads no keys."""
    with open(os.devnull) as stdin:  # noqa: PTH123
        monkeypatch.setattr(sys, "stdin", stdin)
        with keys() as wish:
            assert wish() is None
