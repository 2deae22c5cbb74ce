"""What-ifs and named scenarios: where they are written, and what one changes against another."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from budget_models import write_folder
from click.testing import CliRunner, Result

from runtime.budget.explained import explain
from runtime.budget.page.difference import difference_page, difference_sentence, labels
from runtime.budget.price.power import PARTS
from runtime.budget.stored import read_stored
from runtime.errors import FormatError
from trainer.cli import main


@pytest.fixture(scope="module", autouse=True)
def _one_core() -> Iterator[None]:
    """Execute one core besides the chosen controller's: which ones there are matters elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("runtime.cli._executable", lambda _compiler: ("cortex-m33",))
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_folder(tmp_path_factory.mktemp("models") / "dynamic")
    assert call("budget", str(path)).exit_code == 0
    return path


@pytest.fixture(scope="module")
def pair(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the model's own budget, and the scenario of a heavy user with another LED."""
    out = tmp_path_factory.mktemp("scenarios")
    done = call(
        "budget", str(folder), "--usage", "heavy", "--driver", "linear", "--host", "watch",
        "--name", "winter", "--out", str(out),
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    return folder / "budget.json", out / "winter.json"


def call(*arguments: str) -> Result:
    @click.command()
    @click.argument("words", nargs=-1)
    def palmwatt(words: tuple[str, ...]) -> None:
        main(words)

    return CliRunner().invoke(palmwatt, ["--", *arguments])


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_a_what_if_never_touches_the_models_folder(folder: Path, tmp_path: Path) -> None:
    """With --out every file goes there; without, a what-if is printed and written nowhere."""
    before = hashes(folder)
    out = tmp_path / "apart" / "deeper"
    done = call("budget", str(folder), "--mcu", "nrf52840", "--out", str(out))
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in out.iterdir()) == ["budget.html", "budget.json"]
    printed = call("budget", str(folder), "--host", "watch")
    assert "written nowhere: give --out FOLDER" in printed.output
    assert hashes(folder) == before
    both = call("budget", str(folder), str(folder), "--out", str(tmp_path / "both"))
    assert both.exit_code == 0
    made = sorted(str(p.relative_to(tmp_path / "both")) for p in (tmp_path / "both").rglob("*.*"))
    assert made == ["budget.html", "dynamic-1/budget.json", "dynamic-2/budget.json"]
    assert hashes(folder) == before


def test_what_is_executed_for_a_what_if_is_not_kept_in_the_models_folder(tmp_path: Path) -> None:
    """A folder that was never priced is the same after a what-if, its profiles too."""
    fresh = write_folder(tmp_path / "dynamic")
    before = hashes(fresh)
    assert call("budget", str(fresh), "--out", str(tmp_path / "out")).exit_code == 0
    assert hashes(fresh) == before


def test_a_named_scenario_has_its_name_on_files_page_and_json(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a folder, a scenario's files go into the one that the command is called from."""
    monkeypatch.chdir(tmp_path)
    done = call("budget", str(folder), "--usage", "heavy", "--name", "winter")
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["winter.html", "winter.json"]
    assert json.loads((tmp_path / "winter.json").read_text())["scenario"] == "winter"
    assert "scenario “winter”" in (tmp_path / "winter.html").read_text()
    assert "dynamic (winter) on" in done.output


def test_a_scenario_replaces_its_older_self_and_no_other_file(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file of the scenario's name that is no budget is left as it is; the call ends with 2."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "package.json").write_text("{}")
    refused = call("budget", str(folder), "--name", "package")
    assert refused.exit_code == 2 and "there already, and no budget" in refused.output
    assert [path.name for path in tmp_path.iterdir()] == ["package.json"]
    assert (tmp_path / "package.json").read_text() == "{}"
    for _ in range(2):
        assert call("budget", str(folder), "--name", "winter").exit_code == 0


def test_a_margin_is_declared_by_the_call(folder: Path, tmp_path: Path) -> None:
    """The margin given is the one the verdict names; none given is shown as the default."""
    out = str(tmp_path / "out")
    declared = call("budget", str(folder), "--margin", "0.001%/day", "--out", out)
    assert "Visible: it takes" in declared.output
    assert "above the margin of 0.001 %/day." in declared.output
    default = call("budget", str(folder), "--out", out)
    assert "below the margin of 0.1 %/day (the default)." in default.output


def test_a_verdict_in_a_limits_file_gates(folder: Path, tmp_path: Path) -> None:
    """Visible breaks the limit; undecided breaks it under --strict, and the line says it all."""
    limits, out = tmp_path / "limits.toml", str(tmp_path / "out")
    limits.write_text('[limits]\nverdict = "hidden"\n')
    common = ("budget", str(folder), "--limits", str(limits), "--out", out)
    assert call(*common).exit_code == 0
    assert call(*common, "--margin", "0.001%/day").exit_code == 1
    percent = json.loads((tmp_path / "out" / "budget.json").read_text())["host_verdict"]["bounds"]
    between = f"{(percent['median'] + percent['high']) / 2}%/day"
    junit = tmp_path / "junit.xml"
    lenient = call(*common, "--margin", between)
    strict = call(*common, "--margin", between, "--strict", "--junit", str(junit))
    assert (lenient.exit_code, strict.exit_code) == (0, 1)
    line = next(x for x in strict.output.splitlines() if "crossed" in x)
    for words in ("verdict hidden: undecided,", " to ", "limit at most", "100,000 draws of"):
        assert words in line
    assert "verdict hidden: undecided" in junit.read_text()


def test_terms_and_causes_add_up_to_the_change(pair: tuple[Path, Path]) -> None:
    """Every term's change is the sum of what each input did to it, and all of them the total's."""
    found = explain(*(read_stored(path) for path in pair))
    total = found.after.average_uw.typical - found.before.average_uw.typical
    assert found.change_uw == total != 0.0
    assert sum(t.change_uw for t in found.terms) == pytest.approx(total, rel=1e-9)
    assert sum(c.total_uw for c in found.causes) == pytest.approx(total, rel=1e-9)
    percent = found.percent[1] - found.percent[0]
    assert sum(c.effect_percent for c in found.causes) == pytest.approx(percent, rel=1e-9)
    assert found.by_percent is not None and found.by_percent.name == "host.battery_energy"
    for term in found.terms:
        assert sum(effect for _, effect in term.because) == pytest.approx(
            term.change_uw, rel=1e-9, abs=1e-9
        )
    printed = [json.loads(path.read_text())["average_uw_by_part"] for path in pair]
    for term in found.terms:
        assert term.part in PARTS
        assert term.before_uw == pytest.approx(printed[0][term.part]["total"]["typical"])
        assert term.after_uw == pytest.approx(printed[1][term.part]["total"]["typical"])
    names = {c.name for c in found.causes}
    assert {"driver.efficiency", "usage.hand_present"} <= names


def test_what_moves_most_is_told_first(pair: tuple[Path, Path]) -> None:
    """Terms, inputs and the reasons of a term each begin with the largest change."""
    found = explain(*(read_stored(path) for path in pair))
    reasons = [[effect for _, effect in term.because] for term in found.terms]
    rows = ([t.change_uw for t in found.terms], [c.total_uw for c in found.causes], *reasons)
    for row in rows:
        sizes = [abs(x) for x in row]
        assert sizes == sorted(sizes, reverse=True)
    assert any(len(row) > 1 for row in reasons)


def test_a_term_that_was_nothing_is_told_when_it_comes(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    """A part that only one of the budgets has stands with nothing in the other."""
    data = json.loads(pair[0].read_text())
    data["inputs"]["usage.cold_starts"].update(low=0.0, typical=0.0)
    data["average_uw"]["typical"] = _total(data)
    (tmp_path / "b.json").write_text(json.dumps(data))
    without, with_it = read_stored(tmp_path / "b.json"), read_stored(pair[0])
    for one, other in ((without, with_it), (with_it, without)):
        term = {t.part: t for t in explain(one, other).terms}["start-up"]
        assert min(term.before_uw, term.after_uw) == 0.0 < max(term.before_uw, term.after_uw)


def test_two_inputs_share_what_they_do_together(tmp_path: Path, pair: tuple[Path, Path]) -> None:
    """Twice the current at twice the voltage: each has half of what both do and neither alone.

    LED energy is current x voltage x time (all else alike): 4 times the first, so that the added
    three parts are half a sum of 1 and 2 each.
    """
    data = json.loads(pair[0].read_text())
    changed = json.loads(pair[0].read_text())
    voltage = changed["inputs"]["led.forward_voltage"]
    for key in ("low", "typical", "high"):
        voltage[key] *= 2.0
    for state in ("watching", "active"):
        for key in ("low", "typical", "high"):
            changed["inputs"][f"{state}.led_current"][key] *= 2.0
    led = sum(data["average_uw_by_part"]["LED"][s] for s in ("watching", "active"))
    second = tmp_path / "b.json"
    changed["average_uw"]["typical"] = _total(changed)
    second.write_text(json.dumps(changed))
    found = explain(read_stored(pair[0]), read_stored(second))
    effects = {c.name: c.effect_uw["LED"] for c in found.causes}
    assert effects["led.forward_voltage"] == pytest.approx(1.5 * led)
    both = effects["watching.led_current"] + effects["active.led_current"]
    assert both == pytest.approx(1.5 * led)


def _total(data: dict[str, Any]) -> float:
    from runtime.budget.price.power import average_power

    return float(sum(average_power({k: x["typical"] for k, x in data["inputs"].items()}).values()))


def test_compare_says_what_changed_and_why_on_one_page(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    """The command prints a sentence and each term with its reasons; the page holds all of it."""
    done = call("budget", "--compare", *map(str, pair), "--out", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert done.output.startswith("winter takes ")
    assert "most of all by host.battery_energy" in done.output
    assert "hidden turns visible" in done.output
    assert "LED driver: +" in done.output and "driver.efficiency +" in done.output
    page = (tmp_path / "comparison.html").read_text()
    (tmp_path / "mine.html").write_text("mine")
    named = ("--out", str(tmp_path), "--name")
    assert call("budget", "--compare", *map(str, pair), *named, "mine").exit_code == 2
    assert (tmp_path / "mine.html").read_text() == "mine"
    assert call("budget", "--compare", *map(str, pair), *named, "comparison").exit_code == 0
    for words in (
        "Term by term, and why", "What changed", "driver.efficiency", "a charge is shorter by",
        "a smart watch",
    ):  # fmt: skip
        assert words in page
    assert "<script" not in page and "http" not in page
    printed = call("budget", "--compare", *map(str, pair), "--out", str(tmp_path), "--json")
    data = json.loads(printed.output)
    total = data["change_uw_at_typical_inputs"]
    assert sum(t["change_uw"] for t in data["terms"]) == pytest.approx(total)
    assert data["after"]["title"] == "winter"


def test_the_page_keeps_the_rules_of_wcag(
    pair: tuple[Path, Path], faults_of_page: Callable[[str], list[str]]
) -> None:
    """Two budgets are compared on a page that keeps WCAG 2.2 AA."""
    found = explain(*map(read_stored, pair))
    assert faults_of_page(difference_page(found)) == []


def test_a_budget_against_itself_changes_nothing(pair: tuple[Path, Path]) -> None:
    """No cause, no change; two budgets of one name are told apart."""
    found = explain(read_stored(pair[0]), read_stored(pair[0]))
    assert not found.causes and not found.restated and found.change_uw == 0.0
    assert labels(found) == ("dynamic (first)", "dynamic (second)")
    assert "takes what dynamic (first) takes" in difference_sentence(found)
    assert difference_page(found) == difference_page(found)


def test_a_changed_range_is_told_apart_from_a_changed_value(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    """An input whose range alone differs moves no term, and is named as restated."""
    data = json.loads(pair[0].read_text())
    data["inputs"]["led.forward_voltage"]["high"] *= 1.1
    (tmp_path / "b.json").write_text(json.dumps(data))
    found = explain(read_stored(pair[0]), read_stored(tmp_path / "b.json"))
    assert not found.causes
    assert [c.name for c in found.restated] == ["led.forward_voltage"]


def test_damaged_and_older_files_are_one_line_each(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """Whatever is handed in as a budget, the answer is a budget or one line, and exit code 2."""
    good = json.loads(pair[0].read_text())
    older = {k: v for k, v in good.items() if k != "format"}
    lacking = {**good, "inputs": dict(list(good["inputs"].items())[1:])}
    wrong = json.loads(pair[0].read_text())
    wrong["inputs"]["led.forward_voltage"]["typical"] *= 2
    zero = json.loads(pair[0].read_text())
    zero["inputs"]["driver.efficiency"]["typical"] = 0.0
    flat = json.loads(pair[0].read_text())
    flat["inputs"]["host.battery_energy"]["typical"] = 0.0
    below = json.loads(pair[0].read_text())
    below["inputs"]["led.forward_voltage"]["low"] = -1.0
    text = json.loads(pair[0].read_text())
    text["inputs"]["led.forward_voltage"]["typical"] = "much"
    for content, words in (
        ("{", "unreadable"), ("[]", "no budget"), ("{}", "no budget"),
        (json.dumps(older), "format is 1, expected 2. Make it again"),
        (json.dumps(lacking), "missing"), (json.dumps(wrong), "which follows from its inputs"),
        (json.dumps(zero), "not computable"), (json.dumps(text), "led.forward_voltage.typical"),
        (json.dumps(flat), "average power"), (json.dumps(below), "at least 0"),
        (json.dumps({**good, "host_verdict": 3}), "host_verdict"),
        (json.dumps({**good, "average_uw": 1.0}), "average_uw"),
    ):  # fmt: skip
        path = tmp_path / "b.json"
        path.write_text(content)
        with pytest.raises(FormatError, match=r"b\.json") as caught:
            read_stored(path)
        assert words in str(caught.value) and "\n" not in str(caught.value)
        done = call("budget", "--compare", str(pair[0]), str(path), "--out", str(tmp_path / "o"))
        assert done.exit_code == 2
        assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "of models and --compare is neither"),
        (("--margin", "0.1"), "a number with a unit"),
        (("--margin", "-1mW"), "a number with a unit"),
        (("--margin", ""), "a number with a unit"),
        (("--name", "../up"), "letters, digits"),
        (("--name", ""), "letters, digits"),
        (("--out", "page.html"), "named like a file"),
        (("--margin", "999999min/charge"), "minutes of a charge"),
    ],
)
def test_wrong_calls_are_one_line(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: Any, words: str
) -> None:
    """A wrong margin, name, folder or call ends with 2, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    models = (str(folder),) if arguments else ()
    done = call("budget", *models, *arguments)
    assert done.exit_code == 2
    assert words in done.output
    assert list(tmp_path.iterdir()) == []


def test_out_is_no_models_folder(folder: Path, pair: tuple[Path, Path]) -> None:
    """A what-if is not written into a model's folder, whichever it is."""
    done = call("budget", str(folder), "--out", str(folder))
    assert done.exit_code == 2 and "never touches a model's folder" in done.output
    other = folder.parent / "other"
    shutil.copytree(folder, other)
    before = hashes(folder.parent)
    above = call("budget", str(folder), str(other), "--out", str(folder.parent))
    assert above.exit_code == 2 and "never touches a model's folder" in above.output
    assert hashes(folder.parent) == before
    shutil.rmtree(other)
    both = call("budget", str(folder), "--compare", *map(str, pair))
    assert both.exit_code == 2 and "is both" in both.output
