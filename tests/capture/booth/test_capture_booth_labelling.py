"""Edits of labels: saved at once, with who and when, one at a time; second labellers work blind."""

from __future__ import annotations

import hashlib
import json
import re
import threading
from pathlib import Path

import pytest
from booth_session import EVENTS, SCRIPT, make_session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from capture.booth.label_sheet import UNLABELLED
from capture.booth.labelling import Edit, StaleRevisionError, apply_edit, open_table
from capture.cues.labels import GOOD, REJECTED, read_events
from capture.store.dataset import SessionInfo, find_sessions
from capture.store.forget import forget
from capture.store.session import read_session
from runtime.errors import Error, FormatError, UsageError
from trainer.corpus.recordings import labelled_cues
from trainer.recipe import load_recipe

NOW = "2026-11-25T12:00:00+00:00"
LABELS = SCRIPT.trial_types


@pytest.fixture
def info(tmp_path: Path) -> SessionInfo:
    make_session(tmp_path / "set")
    return find_sessions(tmp_path / "set")[0]


def edit(info: SessionInfo, act: str = "change", labeller: str = "L1", **more: object):
    blind = bool(more.pop("blind", False))
    revision = more.pop("revision", None) or open_table(info, labeller, blind).revision
    wanted = Edit(labeller=labeller, blind=blind, revision=revision, act=act, **more)
    return apply_edit(info, wanted, LABELS, 10.0, NOW)


def log_of(info: SessionInfo, who: str = "") -> Path:
    stem = info.events_path.name.removesuffix("_events.tsv")
    return info.events_path.with_name(f"{stem}{who}_edits.jsonl")


def test_an_edit_is_saved_with_who_and_when(info: SessionInfo) -> None:
    """A changed take is in the events table at once, and the log says who did what and when."""
    table = edit(info, row=0, onset_s=1.1, duration_s=0.7, trial_type="push")
    event = read_events(info.events_path)[0]
    assert (event.onset_s, event.duration_s, event.trial_type) == (1.1, 0.7, "push")
    assert (event.labeller, event.edited) == ("L1", NOW)
    assert event.cue_onset_s == EVENTS[0].cue_onset_s
    assert table.events[0] == event
    (entry,) = map(json.loads, log_of(info).read_text().splitlines())
    assert (entry["revision"], entry["time"], entry["labeller"]) == (1, NOW, "L1")
    assert (entry["before"]["trial_type"], entry["after"]["trial_type"]) == ("swipe_left", "push")


def test_an_edit_keeps_columns_that_somebody_added(info: SessionInfo) -> None:
    """A note beside each take stays there through a change and its undoing."""
    header, *rows = info.events_path.read_text().splitlines()
    noted = [f"{header}\tnote", *(f"{row}\tnote {i}" for i, row in enumerate(rows))]
    info.events_path.write_text("\n".join(noted) + "\n")
    before = info.events_path.read_bytes()
    edit(info, row=0, trial_type="push")
    assert read_events(info.events_path)[0].further == (("note", "note 0"),)
    edit(info, "undo")
    assert info.events_path.read_bytes() == before


def test_edits_reach_training_and_never_the_readouts(info: SessionInfo) -> None:
    """What training reads follows the edits; the file of readouts stays bit for bit."""
    before = hashlib.sha256(info.path.read_bytes()).digest()
    recipe = load_recipe("dynamic")
    time_us = read_session(info.path).frames().time_us
    time_s = (time_us - time_us[0]) / 1e6
    assert len(labelled_cues(read_session(info.path), recipe, time_s)) == 3
    edit(info, row=0, status=REJECTED, reason="no movement")
    edit(info, row=2, onset_s=5.5, duration_s=1.0)
    cues = labelled_cues(read_session(info.path), recipe, time_s)
    assert [(cue.start, cue.stop) for cue in cues] == [(165, 195), (210, 240)]
    assert hashlib.sha256(info.path.read_bytes()).digest() == before


def test_the_log_only_grows(info: SessionInfo) -> None:
    """Each edit, undo and redo appends one line to the log and leaves the earlier ones alone."""
    seen = b""
    for act, more in (
        ("change", {"row": 0, "trial_type": "push"}),
        ("change", {"row": 3, "duration_s": 0.5}),
        ("undo", {}),
        ("redo", {}),
    ):
        edit(info, act, **more)
        now = log_of(info).read_bytes()
        assert now.startswith(seen)
        assert now.count(b"\n") == seen.count(b"\n") + 1
        seen = now


CHANGES = st.lists(
    st.one_of(
        st.fixed_dictionaries({"row": st.integers(0, 3), "trial_type": st.sampled_from(LABELS)}),
        st.fixed_dictionaries(
            {
                "row": st.integers(0, 3),
                "onset_s": st.floats(0.0, 9.0),
                "duration_s": st.floats(0.0, 2.0),
            }
        ),
        st.fixed_dictionaries(
            {"row": st.integers(0, 3), "status": st.just(REJECTED), "reason": st.just("why")}
        ),
        st.fixed_dictionaries({"row": st.integers(0, 3), "status": st.just(GOOD)}),
    ),
    max_size=5,
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(changes=CHANGES)
def test_all_can_be_taken_back_and_done_again(
    tmp_path_factory: pytest.TempPathFactory, changes: list[dict[str, object]]
) -> None:
    """Undoing every change gives back the first table byte for byte; redoing gives the last."""
    root = tmp_path_factory.mktemp("undo")
    make_session(root)
    info = find_sessions(root)[0]
    first = info.events_path.read_bytes()
    for change in changes:
        try:
            edit(info, **change)
        except UsageError:
            continue
    last = info.events_path.read_bytes()
    for act, end in (("undo", first), ("redo", last)):
        table = open_table(info, "L1", False)
        while table.can_undo if act == "undo" else table.can_redo:
            table = edit(info, act)
        assert info.events_path.read_bytes() == end


def test_nobody_takes_back_the_edit_of_another(info: SessionInfo) -> None:
    """Undo reaches the labeller's own changes, and not where somebody changed the take since."""
    edit(info, row=0, trial_type="push")
    assert not open_table(info, "L3", False).can_undo
    edit(info, labeller="L3", row=0, trial_type="idle")
    with pytest.raises(UsageError, match="changed since"):
        edit(info, "undo")
    assert read_events(info.events_path)[0].trial_type == "idle"
    with pytest.raises(UsageError, match="changes to redo"):
        edit(info, "redo")


def test_two_windows_cannot_overwrite_each_other(info: SessionInfo) -> None:
    """An edit of labels that were changed since they were read is refused and changes nothing."""
    old = open_table(info, "L1", False).revision
    edit(info, row=0, trial_type="push", revision=old)
    saved = info.events_path.read_bytes()
    with pytest.raises(StaleRevisionError):
        edit(info, labeller="L3", row=0, trial_type="idle", revision=old)
    assert info.events_path.read_bytes() == saved


def test_a_change_by_another_program_is_not_overwritten(info: SessionInfo) -> None:
    """A table that was changed without the booth is another revision too."""
    old = open_table(info, "L1", False).revision
    text = info.events_path.read_text()
    info.events_path.write_text(text.replace("idle", "push"))
    with pytest.raises(StaleRevisionError):
        edit(info, row=0, trial_type="idle", revision=old)


def test_of_edits_at_the_same_moment_one_is_saved(info: SessionInfo) -> None:
    """Of eight edits sent at once at one revision, one is saved and seven are refused."""
    old = open_table(info, "L1", False).revision
    refused: list[Error] = []

    def send(number: int) -> None:
        try:
            edit(info, row=0, duration_s=0.3 + 0.01 * number, revision=old)
        except StaleRevisionError as error:
            refused.append(error)

    threads = [threading.Thread(target=send, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 7
    assert len(log_of(info).read_text().splitlines()) == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"row": None}, "number is missing"),
        ({"row": 4}, "expected 0 to 3"),
        ({"row": -1}, "expected 0 to 3"),
        ({"row": 0, "onset_s": -1.0}, "onset"),
        ({"row": 0, "onset_s": float("nan")}, "onset"),
        ({"row": 0, "duration_s": 0.0}, "at least 0.01 s"),
        ({"row": 3, "duration_s": 3.5}, "within the session's 10.000 s"),
        ({"row": 0, "trial_type": "wave"}, "swipe_left, push, idle"),
        ({"row": 0, "trial_type": UNLABELLED}, "swipe_left, push, idle"),
        ({"row": 0, "status": "bad"}, "good or rejected"),
        ({"row": 0, "status": REJECTED}, "one for each rejected take"),
        ({"row": 0, "status": REJECTED, "reason": " "}, "one for each rejected take"),
        ({"row": 0, "status": REJECTED, "reason": "a\tb"}, "printable"),
        ({"row": 0, "reason": "because"}, "one for each rejected take"),
        ({"row": 0, "duration_s": 4.5}, "over another by 0.600 s"),
        ({"row": 1, "status": GOOD, "duration_s": 2.5}, "over another"),
    ],
)
def test_a_wrong_edit_is_refused_in_one_line(
    info: SessionInfo, change: dict[str, object], words: str
) -> None:
    """What would break the table or put two labels on one readout is refused, and nothing saved."""
    before = info.events_path.read_bytes()
    with pytest.raises(Error) as error:
        edit(info, **change)
    assert words in str(error.value)
    assert "\n" not in str(error.value)
    assert info.events_path.read_bytes() == before
    assert not log_of(info).exists()


@pytest.mark.parametrize(
    "labeller", ["", "l1", "L 1", "../L1", "L1\n", "script", "energy", "L" * 17]
)
def test_a_labeller_is_a_pseudonym(info: SessionInfo, labeller: str) -> None:
    """Only capitals and digits name a labeller, so that a name never becomes a path."""
    for blind in (False, True):
        with pytest.raises(UsageError, match="pseudonym"):
            open_table(info, labeller, blind)


def test_a_second_labeller_sees_cues_without_their_names(info: SessionInfo) -> None:
    """A blind table holds the cues' times and nothing of what the first labeller set."""
    edit(info, row=0, onset_s=1.15)
    table = open_table(info, "L2", True)
    assert [(e.onset_s, e.duration_s) for e in table.events] == [
        (e.cue_onset_s, e.cue_duration_s) for e in EVENTS
    ]
    assert {e.trial_type for e in table.events} == {UNLABELLED}
    assert {(e.status, e.reason, e.labeller, e.repetition) for e in table.events} == {
        (GOOD, "", "script", 0)
    }
    assert table.agreements == ()


def test_a_blind_review_leaves_the_first_labels_alone(info: SessionInfo) -> None:
    """A second labeller's names go to a table of their own, and training does not see them."""
    before = info.events_path.read_bytes()
    edit(info, labeller="L2", blind=True, row=1, trial_type="idle")
    assert info.events_path.read_bytes() == before
    assert read_session(info.path).events == EVENTS
    assert open_table(info, "L2", True).events[1].trial_type == "idle"
    assert len(log_of(info, "_labeller-L2").read_text().splitlines()) == 1


def finish(info: SessionInfo, names: list[str]) -> None:
    for row, name in enumerate(names):
        change = {"status": REJECTED, "reason": "x"} if name == REJECTED else {"trial_type": name}
        edit(info, labeller="L2", blind=True, row=row, **change)
    edit(info, "finish", labeller="L2", blind=True)


@pytest.mark.parametrize(
    "names",
    [
        ["swipe_left", REJECTED, "push", "idle"],
        ["swipe_left", "push", "push", "idle"],
        ["push", "push", "idle", "push"],
    ],
)
def test_agreement_is_cohen_s_kappa_over_the_cues(info: SessionInfo, names: list[str]) -> None:
    """At the end of a blind review the agreement is scikit-learn's cohen_kappa_score.

    A rejected take is a name of its own.
    """
    finish(info, names)
    first = ["swipe_left", REJECTED, "push", "idle"]
    (found,) = open_table(info, "L2", True).agreements
    assert found.kappa == pytest.approx(cohen_kappa_score(first, names))
    assert (found.n_takes, found.n_alike) == (
        4,
        sum(a == b for a, b in zip(first, names, strict=True)),
    )
    assert [(a, b) for _, a, b in found.differences] == [
        (a, b) for a, b in zip(first, names, strict=True) if a != b
    ]
    assert open_table(info, "L1", False).agreements == (found,)


def test_after_the_end_a_blind_review_stays_as_it_is(info: SessionInfo) -> None:
    """Who has seen the first labels can no longer change the second ones, nor their agreement."""
    finish(info, ["swipe_left", "push", "push", "idle"])
    (found,) = open_table(info, "L2", True).agreements
    for act, more in (("change", {"row": 0, "trial_type": "push"}), ("undo", {}), ("finish", {})):
        with pytest.raises(UsageError, match="finished"):
            edit(info, act, labeller="L2", blind=True, **more)
    edit(info, row=0, trial_type="push")
    (later,) = open_table(info, "L1", False).agreements
    assert later.kappa == found.kappa
    assert len(later.differences) == len(found.differences) + 1


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999"])
def test_a_log_whose_agreement_is_no_number_is_refused(info: SessionInfo, number: str) -> None:
    """A kappa that is no finite number is a damaged line: no page could show it."""
    finish(info, ["swipe_left", "push", "push", "idle"])
    log = log_of(info, "_labeller-L2")
    log.write_text(re.sub(r'"kappa":[0-9.]+', f'"kappa":{number}', log.read_text()))
    with pytest.raises(FormatError, match="the edit is Input should be a finite number"):
        open_table(info, "L2", True)


def test_blind_means_blind(info: SessionInfo) -> None:
    """Nobody reviews their own labels blind, nor looks at the first ones before the end."""
    edit(info, row=0, trial_type="push")
    with pytest.raises(UsageError, match="refused"):
        open_table(info, "L1", True)
    edit(info, labeller="L2", blind=True, row=0, trial_type="push")
    with pytest.raises(UsageError, match="blind review first"):
        open_table(info, "L2", False)
    with pytest.raises(UsageError, match="takes without a label is 3"):
        edit(info, "finish", labeller="L2", blind=True)
    with pytest.raises(UsageError, match="a blind one"):
        edit(info, "finish")


def test_a_line_that_power_cut_off_is_no_edit(info: SessionInfo) -> None:
    """A log whose last line is torn opens, and goes on after its last whole line."""
    edit(info, row=0, trial_type="push")
    whole = log_of(info).read_bytes()
    log_of(info).write_bytes(whole + whole[:50])
    assert open_table(info, "L1", False).can_undo
    edit(info, "undo")
    lines = log_of(info).read_bytes().splitlines(keepends=True)
    assert lines[0] == whole
    assert json.loads(lines[1])["act"] == "undo"


@pytest.mark.parametrize("line", [b"{}", b"\xff", b"[1]", b'{"revision": "x"}', b"{" * 5000])
def test_a_wrong_log_is_named_with_its_line(info: SessionInfo, line: bytes) -> None:
    """An edit log that is none is refused by file and line."""
    log_of(info).write_bytes(line + b"\n")
    with pytest.raises(FormatError, match="line 1") as error:
        open_table(info, "L1", False)
    assert "\n" not in str(error.value)


def test_an_edit_that_cannot_be_written_down_is_not_made(
    info: SessionInfo, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the log has no room for an edit, the table stays as the log says."""

    def refuse(events: Path, entry: object) -> None:
        raise UsageError(str(events), "the edit", "not writable")

    before = info.events_path.read_bytes()
    monkeypatch.setattr("capture.booth.label_sheet.append_entry", refuse)
    with pytest.raises(UsageError, match="not writable"):
        edit(info, row=0, trial_type="push")
    assert info.events_path.read_bytes() == before


def test_a_forgotten_participant_leaves_no_second_labels(info: SessionInfo) -> None:
    """Forgetting a participant removes edit logs and second labels with the rest."""
    edit(info, row=0, trial_type="push")
    edit(info, labeller="L2", blind=True, row=0, trial_type="push")
    root = info.path.parents[2]
    forget(root, "P01")
    assert not [path for path in root.rglob("*") if "P01" in path.name]
