"""Takes that no cue asked for, added in review: edits like others, seen by all that read labels."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from booth_browser import go_to_session, open_booth, press, saved_at, window
from booth_session import EVENTS, SCRIPT, make_session
from click.testing import CliRunner
from playwright.sync_api import Browser

from capture.agree.added import added_takes
from capture.agree.whole import study_agreement
from capture.booth.labelling import Edit, apply_edit, open_table
from capture.cli import inspect
from capture.cues.labels import GOOD, REJECTED, Event, read_events
from capture.gather.bids import export
from capture.store.dataset import SessionInfo, find_sessions
from capture.store.session import read_session
from capture.store.validate import validate
from runtime.errors import UsageError
from trainer.corpus.recordings import labelled_cues
from trainer.recipe import load_recipe

NOW = "2026-11-25T12:00:00+00:00"
ADDED = {"onset_s": 8.2, "duration_s": 0.6, "trial_type": "push"}


@pytest.fixture
def info(tmp_path: Path) -> SessionInfo:
    make_session(tmp_path / "set")
    return find_sessions(tmp_path / "set")[0]


def edit(info: SessionInfo, act: str, labeller: str = "L1", blind: bool = False, **more: object):
    revision = open_table(info, labeller, blind).revision
    wanted = Edit.model_validate(
        {"labeller": labeller, "blind": blind, "revision": revision, "act": act} | more
    )
    return apply_edit(info, wanted, SCRIPT.trial_types, 10.0, NOW)


def test_an_added_take_is_a_row_of_its_own(info: SessionInfo) -> None:
    """It has no cue and says who added it; readouts and all other rows stay, and undo takes it."""
    readouts, first = info.path.read_bytes(), info.events_path.read_bytes()
    table = edit(info, "add", **ADDED)
    assert table.row == 4
    added = read_events(info.events_path)[4]
    assert added == Event(8.2, 0.6, "push", labeller="L1", edited=NOW)
    assert first.splitlines() == info.events_path.read_bytes().splitlines()[:-1]
    log = info.events_path.with_name(info.events_path.name.replace("_events.tsv", "_edits.jsonl"))
    entry = json.loads(log.read_text())
    assert (entry["act"], entry["after"]["onset_s"], "before" in entry) == ("add", 8.2, False)
    edit(info, "change", row=4, trial_type="swipe_left")
    edit(info, "undo")
    assert edit(info, "undo").row is None
    assert info.events_path.read_bytes() == first
    assert edit(info, "redo").events[4] == added
    assert edit(info, "redo").events[4].trial_type == "swipe_left"
    assert info.path.read_bytes() == readouts


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"onset_s": 5.0}, "over another by"),
        ({"onset_s": 9.8}, "within the session's 10"),
        ({"duration_s": 0.001}, "at least 0.01 s"),
        ({"trial_type": "juggle"}, "label is 'juggle'"),
        ({"trial_type": None}, "onset_s, duration_s and trial_type"),
        ({"status": REJECTED}, "onset_s, duration_s and trial_type"),
        ({"row": 2}, "onset_s, duration_s and trial_type"),
    ],
)
def test_a_take_that_cannot_be_added_is_one_line(
    info: SessionInfo, change: dict[str, object], message: str
) -> None:
    """Over another take, out of the session, too short, or not wholly said: nothing is saved."""
    before = info.events_path.read_bytes()
    with pytest.raises(UsageError, match=message):
        edit(info, "add", **ADDED | change)
    assert info.events_path.read_bytes() == before


def test_an_added_take_is_trained_on_inspected_and_exported(
    info: SessionInfo, tmp_path: Path
) -> None:
    """Training cuts it at its own ends; `inspect` counts it; validation and export accept it."""
    edit(info, "add", **ADDED)
    session = read_session(info.path)
    time_us = session.frames().time_us
    cues = labelled_cues(session, load_recipe("dynamic"), (time_us - time_us[0]) / 1e6)
    assert [(cue.start, cue.stop, cue.from_labels) for cue in cues][-1] == (246, 264, True)
    root = info.path.parents[2]
    assert not list(validate(root))
    told = json.loads(CliRunner().invoke(inspect, [str(root), "--json"]).output)
    assert told["sessions"][0]["n_takes"] == 4
    export(root, tmp_path / "out")
    (table,) = (tmp_path / "out").glob("sub-P01/**/*_events.tsv")
    last = table.read_text().splitlines()[-1].split("\t")
    assert last[:3] == ["8.200000", "0.600000", "push"]
    assert "n/a" in last


def test_a_blind_labeller_who_adds_another_is_held_against_the_first(info: SessionInfo) -> None:
    """A movement that both marked counts once; what one alone marked is absent for the other."""
    edit(info, "add", **ADDED)
    for row, name in enumerate(("swipe_left", "push", "push", "idle")):
        edit(info, "change", "L2", True, row=row, trial_type=name)
    edit(info, "add", "L2", True, onset_s=8.4, duration_s=0.8, trial_type="push")
    edit(info, "add", "L2", True, onset_s=9.4, duration_s=0.3, trial_type="swipe_left")
    table = edit(info, "finish", "L2", True)
    (found,) = table.agreements
    assert (found.n_takes, found.n_alike) == (6, 4)
    assert found.differences == ((3.0, REJECTED, "push"), (9.4, "absent", "swipe_left"))
    (pair,) = study_agreement(info.path.parents[2]).pairs
    assert (pair.kappa.n, pair.n_alike) == (6, 4)
    assert pair.kappa.value == pytest.approx(found.kappa)
    assert set(pair.per_class) == {"swipe_left", "push", "idle", REJECTED, "absent"}
    # The cue's takes have no ends of L2's own; of the added one 0.4 s of 1.0 s is in common.
    assert pair.boundaries["push"].overlap.value == pytest.approx(0.4)


def test_movements_of_several_labellers_are_told_apart() -> None:
    """A take is of the movement it shares most with; who marked and rejected marked nothing."""

    def take(onset_s: float, end_s: float, status: str = GOOD) -> Event:
        reason = "" if status == GOOD else "no movement"
        return Event(onset_s, end_s - onset_s, "push", 0, status, reason)

    tables = {
        "first": [take(1.0, 2.0), take(2.0, 3.0), take(8.0, 9.0, REJECTED)],
        "L2": [take(1.9, 2.9)],
        "L3": [take(5.0, 6.0), EVENTS[0]],
    }
    found = added_takes(tables)
    starts = [{who: event.onset_s for who, event in one.items() if event} for one in found]
    assert starts == [{"first": 1.0}, {"first": 2.0, "L2": 1.9}, {"L3": 5.0}]


def test_a_take_is_added_by_keys_and_by_pointer(browser: Browser, tmp_path: Path) -> None:
    """T, the end and a label; or a stretch of the free lane, drawn and named; Esc leaves it."""
    make_session(tmp_path / "set")
    (info,) = find_sessions(tmp_path / "set")
    before = hashlib.sha256(info.path.read_bytes()).digest()
    with open_booth(tmp_path / "set") as address, window(browser, address) as page:
        go_to_session(page, address, "01", "L1")
        press(page, "End", "Shift+ArrowLeft", "t")
        page.wait_for_selector("#add:has-text('It ends here')")
        press(page, "Escape")
        page.wait_for_selector("#add:has-text('New take')")
        press(page, "t", "ArrowRight", "ArrowRight", "ArrowRight", "t")
        page.wait_for_selector("#ask-title:has-text('new take, 9.00 to 9.10 s')")
        press(page, "2")
        saved_at(page, 1)
        assert page.inner_text("#told") == "Added: push, 9.00 to 9.10 s"
        page.wait_for_selector("#takes tr:nth-child(5)[aria-current=true]")
        press(page, "z")
        saved_at(page, 2)
        assert page.locator("#takes tr").count() == 4
        page.locator("#near").scroll_into_view_if_needed()
        box = page.locator("#near").bounding_box()
        assert box is not None

        def at(time_s: float) -> float:  # the whole session of 10 s is in sight
            return box["x"] + 1 + (box["width"] - 2) * time_s / 10.0

        page.mouse.move(at(2.6), box["y"] + 20)
        page.mouse.down()
        page.mouse.move(at(2.0), box["y"] + 20, steps=3)
        page.mouse.up()
        page.wait_for_selector("#ask[open]")
        page.click("#ask-options button:has-text('swipe left')")
        saved_at(page, 3)
        page.wait_for_selector("#takes tr:nth-child(2)[aria-current=true]")
        press(page, "t", "t")
        page.wait_for_selector("#error:has-text('must come after')")
    added = read_events(info.events_path)[1]
    assert (added.trial_type, added.cue_onset_s, added.labeller) == ("swipe_left", None, "L1")
    assert added.onset_s == pytest.approx(2.0, abs=0.03)
    assert added.end_s == pytest.approx(2.6, abs=0.03)
    assert hashlib.sha256(info.path.read_bytes()).digest() == before
