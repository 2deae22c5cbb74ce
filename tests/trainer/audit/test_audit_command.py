"""The command: from a model and recordings to a page, with limits that end in an exit code."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from capture.emulated.optic.optics import SENSORS
from capture.store.session import events_path
from runtime.model import Model, load_model, save_model
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.dense import Dense
from trainer.audit import whole
from trainer.audit.command import _limit_line
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.limits import Held, Limit
from trainer.audit.page import audit_page
from trainer.audit.pictures import learned
from trainer.audit.pictures import whole as pictures
from trainer.audit.pictures.optic import calibrated_optic
from trainer.audit.questions import planned
from trainer.audit.steps import ChainTakes, chain_steps
from trainer.audit.whole import Audit
from trainer.cli import main
from trainer.corpus.noted import columns_of_people

KIND = ("drawn faces",)
LIMITS = """\
[[limit]]
question = "picture"
step = "raw pair"
measure = "psnr_db"
scenes = "drawn faces"
most_gain = 0.5
"""

FEW = (("N_DRAWN", 6), ("N_EACH", 3), ("DRAWN", KIND))


def run(*words: object) -> int:
    """Run the command; return its exit code."""
    with pytest.raises(SystemExit) as ended:
        main(["audit", *map(str, words)])
    return int(str(ended.value.code or 0))


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a model of two poses and few steps, by no recipe, for the emulated sensor."""
    weights = np.random.default_rng(1).integers(-9, 9, (2, 16)).astype(np.int8)
    bias = np.zeros(2, dtype=np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    decision = Decision((False, False), threshold=10, hysteresis=5, persist=1, hold_off=2)
    stages = (Bins(32, 32, 4, 4), dense, decision)
    classes = ("fingers_0", "fingers_5")
    folder = tmp_path_factory.mktemp("model") / "held"
    save_model(Model("held", "held", SENSORS["lensless32"], classes, stages), folder)
    return folder


@pytest.fixture(scope="module")
def audited(
    model: Path, held_people: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[int, Path]:
    """Return the exit code and the folder of an audit with few drawn scenes."""
    place = tmp_path_factory.mktemp("audit")
    (place / "privacy.toml").write_text(LIMITS, "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        for name, value in (("N_FURTHER", 1), ("N_FURTHER_DRAWN", 1), *FEW):
            patch.setattr(pictures, name, value)
        patch.setattr(learned, "_MOST_TURNS", 3)
        code = run(
            model, "--recordings", held_people, "--limits", place / "privacy.toml",
            "--out", place / "out",
        )  # fmt: skip
    return code, place / "out"


def test_a_broken_limit_ends_in_one(audited: tuple[int, Path]) -> None:
    """A raw readout gives faces away: the limit is broken, and the exit code says so."""
    code, out = audited
    told = json.loads((out / "audit.json").read_text("utf-8"))
    assert code == 1
    assert told["verdict"] == "broken"
    assert told["limits"][0]["worst"]["step"] == "raw pair"


def test_the_exit_code_is_0_for_a_kept_limit_alone(
    model: Path, held_people: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """What nobody can tell ends as what is broken does: nothing turns green by too little data."""
    figures = {"value": 0.27, "blind": 0.17, "gain": 0.1, "low": 0.05, "high": 0.15}
    found = Finding(
        "raw pair", "identity", "one take", "centroids", "", "accuracy", **figures,
        n_people=LEAST_PEOPLE,
    )  # fmt: skip
    monkeypatch.setattr(whole, "attack_people", lambda *_, **__: (found,))
    path = tmp_path / "privacy.toml"
    words = (model, "--recordings", held_people, "--without-pictures", "--limits", path)
    for most_gain, verdict, code in (("0.2", "pass", 0), ("0.1", "cannot tell", 1),
                                     ("0.01", "broken", 1)):  # fmt: skip
        path.write_text(f"[[limit]]\nquestion = 'identity'\nmost_gain = {most_gain}\n", "utf-8")
        assert run(*words) == code
        assert f"at most {most_gain}: {verdict}" in capsys.readouterr().out


def test_each_limit_is_told_with_what_decides(audited: tuple[int, Path]) -> None:
    """A line for each limit: the most, the verdict, the figure with its interval, or why not."""
    told = json.loads((audited[1] / "audit.json").read_text("utf-8"))["limits"][0]
    worst = Finding(**{k: v for k, v in told["worst"].items() if k not in ("told", "found_from")})
    asked = Limit(question="hand_length_mm", most_gain=0.25)
    line = _limit_line(Held(asked, "broken", worst))
    assert line.startswith("hand length at any step, at most 0.25: broken, +")
    assert f"({worst.low:+.3f} to {worst.high:+.3f}) at raw pair" in line
    assert f"{worst.gain:+.3f} of psnr_db (" in line, "a limit on any measure says which decides"
    assert _limit_line(Held(asked, "cannot tell", None, "only 2")).endswith("cannot tell; only 2")


def test_every_step_is_asked_about_every_scene(audited: tuple[int, Path]) -> None:
    """JSON and table hold each step with pictures of takes and stand-ins, in every measure."""
    out = audited[1]
    told = json.loads((out / "audit.json").read_text("utf-8"))
    scenes = ("takes", *KIND)
    wanted = {
        (step["name"], "picture", kind, measure)
        for step in told["steps"]
        for kind in scenes
        for measure in ("iou", "ssim", "psnr_db", "edge_overlap")
    }
    headline = {(f["step"], f["question"], f["scenes"], f["measure"]) for f in told["headline"]}
    assert wanted <= headline
    assert told["n_people"] == LEAST_PEOPLE
    assert told["data"] == "invented"
    rows = list(csv.DictReader((out / "findings.csv").read_text("utf-8").splitlines()))
    further = [f for f in told["headline"] if f["run_on_to"]]
    assert len(rows) == len(told["findings"]) + len(further)
    assert not any(f["run_on_to"] for f in told["findings"])
    follows = {step["name"]: step["run_on_to"] for step in told["steps"]}
    assert follows["bins"].keys() >= {"scores", "decision"}
    assert all(f["run_on_to"] in follows[f["step"]] for f in further)
    assert {row["told"] for row in rows} <= {"leaks", "nothing found", "cannot tell"}


def test_all_that_is_told_was_planned(
    audited: tuple[int, Path], model: Path, held_people: Path
) -> None:
    """What a limit may name is known before anything is attacked, and is all that is told of."""
    takes = chain_steps(load_model(model), held_people)
    will = planned(takes, columns_of_people(held_people))
    told = json.loads((audited[1] / "audit.json").read_text("utf-8"))["findings"]
    keys = {(f["question"], f["step"], f["scenes"], f["measure"]) for f in told if f["measure"]}
    assert keys <= will
    assert {question for question, *_ in will} >= {f["question"] for f in told}


def test_the_page_says_what_leaves_and_shows_pictures(audited: tuple[int, Path]) -> None:
    """The page has the caution, a table a step, a row of pictures a scene, and no script."""
    page = (audited[1] / "audit.html").read_text("utf-8")
    told = json.loads((audited[1] / "audit.json").read_text("utf-8"))
    assert "local law decides" in page
    assert page.count('<h3 class="detail">') >= len(told["steps"])
    assert page.count("data:image/png") == 2 * 2 * (len(told["steps"]) + 2)
    assert "leaves the device" in page
    assert "a device’s memory holds of a frame what is stored and no more" in page
    assert "within one session of everybody" in page
    assert "what is in them may give away more than is known: nobody can tell of who was" in page
    assert not re.search(r"<script|http[s]?://", page)


def test_the_page_says_what_it_would_have_found(dynamic: Model, heard: ChainTakes) -> None:
    """Beside what was not found stands from which gain on it would be; of members, in words too."""

    def finding(step: str, question: str, scenes: str, measure: str, low: float) -> Finding:
        ends = 0.5 + low + 0.1, 0.5, low + 0.1, low, low + 0.2, 300
        return Finding(step, question, scenes, "a network", "takes", measure, *ends)

    told = dynamic.closing.output_name
    found = (
        finding(told, "picture", "takes", "iou", 0.05),
        finding(told, "picture", "drawn faces", "iou", 0.05),
        finding(told, "hand_length_mm", "takes", "share of the spread told", -0.05),
        finding("model's files", "membership", "takes of a person", "advantage", -0.05),
    )
    page = audit_page(Audit(dynamic, heard, found, (), "", ()))
    shows = "beyond a blind guess, what stood before the sensor (drawn faces, takes); nothing was"
    assert f"{shows} found of hand length." in page
    assert "Of 300 people asked about, those who were trained on were taken for it" in page
    assert "misses an advantage below +0.143" in page  # 0.1 times (1 + 0.8416 / 1.9600)
    assert page.count("found from +0.143 on") == 2 and page.count("found from") == 2
    assert "misses an advantage" not in audit_page(Audit(dynamic, heard, found[:-1], (), "", ()))


def test_the_page_says_where_it_was_found(dynamic: Model, heard: ChainTakes) -> None:
    """What an attacker ran the model on for is told at the step, with the later step's name."""
    told = dynamic.closing.output_name
    ends = "one take", "a network", "takes", "accuracy", 0.9, 0.2, 0.7, 0.6, 0.8, 30
    found = (Finding(told, "identity", *ends),)
    page = audit_page(Audit(dynamic, heard, found, (), "", (), (), {"bins": {told: "the model"}}))
    assert page.count(f"a network, run on to {told} <span class") == 1
    assert page.count("→</span>") == 1 and "takes; the model</span>" in page
    plain = audit_page(Audit(dynamic, heard, found, (), "", ()))
    assert "run on" not in plain and "run it on" not in plain and "→" not in plain
    limit = Limit(question="identity", step="bins", most_gain=0.1)
    worst = dataclasses.replace(found[0], step="bins", run_on_to=told)
    line = _limit_line(Held(limit, "broken", worst))
    assert line.endswith(f"at bins, run on to {told}")


def test_the_title_leaves_nobody_to_think_that_the_rest_is_kept(
    dynamic: Model, heard: ChainTakes
) -> None:
    """Beside limits that are broken it counts those of which nobody can tell."""
    limit = Limit(question="identity", most_gain=0.1)
    for verdicts, title in (
        (("broken", "pass", "pass"), "1 of 3 limits is broken."),
        (("broken", "cannot tell", "broken"), "2 of 3 limits are broken; of 1 nobody can tell."),
        (("pass", "cannot tell"), "Nobody can tell yet whether the limits are kept."),
    ):
        against = tuple(Held(limit, verdict, None, "few") for verdict in verdicts)
        page = audit_page(Audit(dynamic, heard, (), (), "", against))
        assert f'<h1 class="top">{title}</h1>' in page


def test_the_page_says_in_which_measure_a_limit_is_decided(
    dynamic: Model, heard: ChainTakes
) -> None:
    """Decibels are not taken for overlap, nor a share of how lengths differ for millimetres."""
    told = dynamic.closing.output_name
    ends = 15.2, 15.0, 0.2, 0.1, 0.3, 300
    decibels = Finding(told, "picture", "takes", "a network", "takes", "psnr_db", *ends)
    share = 0.2, 0.0, 0.2, 0.1, 0.3, 300
    r2 = "share of the spread told"
    of = Finding(told, "hand_length_mm", "takes", "trees", "takes", r2, *share)
    limits = (
        Held(Limit(question="picture", most_gain=0.05), "broken", decibels),
        Held(Limit(question="hand_length_mm", most_gain=0.05), "broken", of),
    )
    page = audit_page(Audit(dynamic, heard, (decibels, of), (), "", limits))
    assert "any; here peak signal over error (PSNR, dB)" in page
    assert "any; here share of the spread told" in page
    assert "hand length mm" not in page and page.count("hand length") >= 3


def test_the_page_keeps_the_rules_of_wcag(
    audited: tuple[int, Path], faults_of_page: Callable[[str], list[str]]
) -> None:
    """The page of an audit keeps WCAG 2.2 AA, on a phone and a laptop."""
    assert faults_of_page((audited[1] / "audit.html").read_text("utf-8")) == []


def refused(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """Run the command, which must refuse in one line; return the line."""
    capsys.readouterr()
    assert run(*words) == 2
    lines = [x for x in capsys.readouterr().err.splitlines() if x.startswith("palmwatt:")]
    assert len(lines) == 1
    return lines[0]


def test_too_few_people_and_one_class_are_refused(
    model: Path, held_people: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of five people, or of one class, nothing is told: one line, exit 2."""
    few = Path(shutil.copytree(held_people, tmp_path / "few"))
    shutil.rmtree(few / "sub-P03")
    line = refused(capsys, model, "--recordings", few)
    assert "number of people" in line
    assert f"at least {LEAST_PEOPLE}" in line
    one = Path(shutil.copytree(held_people, tmp_path / "one"))
    for table in one.glob("sub-*/ses-*/*_readouts.mcap"):
        path = events_path(table)
        path.write_text(path.read_text("utf-8").replace("fingers_5", "fingers_0"), "utf-8")
    assert "classes with takes" in refused(capsys, model, "--recordings", one)


def test_another_recipe_and_a_place_that_is_no_folder_are_refused_at_once(
    model: Path, held_people: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Minutes of attacks are not thrown away: what can be known before them is told before them."""
    words = (model, "--recordings", held_people)
    assert "recipe is of" in refused(capsys, *words, "--recipe", "dynamic")
    (tmp_path / "file").write_bytes(b"")
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        assert "which is a file" in refused(capsys, *words, "--out", out)


def test_a_limit_on_what_was_not_asked_is_refused_before_anything_is_attacked(
    model: Path, held_people: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A faulty file of limits, an unknown question or step is one line, told at once."""
    path = tmp_path / "privacy.toml"
    for text, said in (
        ("question = 'picture'\nmost = 1.0", "line 3"),
        ("question = 'image'\nmost_gain = 1.0", "question of a limit is 'image'"),
        ("question = 'identity'\nmeasure = 'iuo'\nmost_gain = 1.0", "measure of a limit is 'iuo'"),
        ("question = 'hand_length_mm'\nstep = 'bin'\nmost_gain = 1.0", "step of a limit is 'bin'"),
        ("question = 'picture'\nscenes = 'faces'\nmost_gain = 1.0", "scenes of a limit is 'faces'"),
        ("question = 'membership'\nstep = 'bins'\nmost_gain = 1.0", "step of a limit is 'bins'"),
    ):
        path.write_text(f"[[limit]]\n{text}\n", "utf-8")
        assert said in refused(capsys, model, "--recordings", held_people, "--limits", path)


def test_without_a_known_optic_pictures_are_refused_or_left_out(
    model: Path, held_people: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a sensor without a calibration: one line; left out, pictures are not cleared, not told."""
    kept = pictures.NOT_ASKED
    takes = dataclasses.replace(chain_steps(load_model(model), held_people), kind="recorded")
    assert pictures.known_optic(takes) is None
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole, "chain_steps", lambda *_: takes)
        line = refused(capsys, model, "--recordings", held_people)
    assert "optic" in line and "--optic" in line and "--without-pictures" in line
    found = pictures.no_pictures(takes)
    assert found.optic == ""
    assert found.rows == ()
    assert len(found.findings) == 3 * 4 * len(takes.steps)
    assert {finding.told for finding in found.findings} == {"cannot tell"}
    assert {finding.why_not for finding in found.findings} == {kept}
    path = tmp_path / "privacy.toml"
    path.write_text("[[limit]]\nquestion = 'picture'\nmost_gain = 0.9\n", "utf-8")
    words = (model, "--recordings", held_people, "--without-pictures", "--limits", path)
    assert run(*words) == 1
    assert f"cannot tell; {kept}" in capsys.readouterr().out


def test_what_attackers_are_given_is_looked_through_before_any_begins(
    model: Path, held_people: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """A faulty calibration or evaluation is one line, before minutes of attacks."""

    def begun(*_: object) -> None:
        raise AssertionError("an attacker began")

    for name in ("attack_pictures", "attack_people"):
        monkeypatch.setattr(whole, name, begun)
    words = ("--recordings", held_people)
    (tmp_path / "broken.npz").write_bytes(b"PK\x03\x04")
    lit, read = np.ones((4, 10, 10)), np.zeros((4, 32, 32))
    np.savez(tmp_path / "other.npz", patterns=lit, responses=lit)
    np.savez(tmp_path / "dark.npz", patterns=lit, responses=read)
    for name, said in (("broken", "content"), ("other", "rows and columns"), ("dark", "all zero")):
        file = tmp_path / f"{name}.npz"
        assert said in refused(capsys, model, *words, "--optic", file)
    told = Path(shutil.copytree(model, tmp_path / "told"))
    (told / "evaluation.json").write_text("{}", "utf-8")
    assert "participants.train" in refused(capsys, told, *words)


def test_a_calibration_answers_for_stand_ins_alone(
    model: Path, held_people: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a real sensor with a calibrated optic, stand-ins are attacked and takes are not told."""
    for name, value in (("N_FURTHER_DRAWN", 18), *FEW):
        monkeypatch.setattr(pictures, name, value)
    rng = np.random.default_rng(2)
    shown = rng.uniform(0, 1, (150, 10, 10))
    read = (shown.reshape(150, -1) @ rng.uniform(0, 5, (100, 1024))).reshape(150, 32, 32)
    np.savez(tmp_path / "optic.npz", patterns=shown, responses=read)
    takes = dataclasses.replace(chain_steps(load_model(model), held_people), kind="recorded")
    optic = calibrated_optic(tmp_path / "optic.npz", takes.model.sensor)
    found = pictures.attack_pictures(takes, optic)
    assert found.optic == "calibration optic.npz"
    told = {(f.scenes, f.told) for f in found.findings if f.step == "raw pair"}
    assert ("takes", "cannot tell") in told
    assert ("drawn faces", "leaks") in told
    assert {row.scenes for row in found.rows} == {"drawn faces"}
