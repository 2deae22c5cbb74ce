"""The command line: help, exit codes, one line for every fault."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from trainer.cli import main, palmwatt
from trainer.recipe import load_recipe


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(words)
    told = capsys.readouterr()
    return int(left.value.code or 0), told.out, told.err


@pytest.mark.parametrize("name", sorted(palmwatt.commands))
def test_each_command_shows_an_example(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """The help of every command ends with an example and exits with 0."""
    code, out, err = run(capsys, name, "--help")
    assert (code, err) == (0, "")
    assert f"palmwatt {name}" in out.split("Example", 1)[1]


@pytest.mark.parametrize(
    "words",
    [
        ("learn",),
        ("train",),
        ("train", "none", "--recipe", "dynamic", "--out", "model"),
        ("train", "none", "--recipe", "missing.toml", "--out", "model"),
        ("train", "none", "--recipe", "dynamic", "--out", "model", "--fast"),
        ("live", "--port", "socket://localhost:1", "--model", "none", "--seconds", "nan"),
        ("record", "--port", "socket://localhost:1", "--participant", "P01", "--script", "dynamic",
         "--out", "data", "--consent", "--hand-length-mm", "nan"),
        ("drain", "plan", "--host", "a", "--scenario", "idle", "--margin", "25mW", "--expected",
         "nan", "--between", "1mW", "--within", "1mW", "--out", "sheet.csv"),
    ],
)  # fmt: skip
def test_a_wrong_call_is_one_line_and_exit_code_2(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    words: tuple[str, ...],
) -> None:
    """Unknown words, what is missing and what is no number give one line and exit code 2."""
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err.startswith("palmwatt: ") and err.count("\n") == 1
    assert not list(tmp_path.iterdir())


def options(command: click.Command, name: str) -> Iterator[tuple[str, click.Parameter]]:
    for one in command.params:
        yield f"{name} {one.opts[0]}", one
    if isinstance(command, click.Group):
        for below in command.commands.values():
            yield from options(below, f"{name} {below.name}")


OPTIONS = dict(options(palmwatt, "palmwatt"))
LIMITED = (click.FloatRange, click.IntRange)


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999"])
@pytest.mark.parametrize(
    "place", [place for place, one in OPTIONS.items() if isinstance(one.type, LIMITED)]
)
def test_an_option_with_limits_takes_only_what_can_be_compared(place: str, text: str) -> None:
    """No number, and no end of numbers, is within limits: a comparison would let them through."""
    with pytest.raises(click.BadParameter, match=r"not a finite number|not a valid integer"):
        OPTIONS[place].type.convert(text, OPTIONS[place], None)


def test_train_prints_its_evaluation_as_json(
    capsys: pytest.CaptureFixture[str], small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """With --json, standard output is the evaluation that was written, and nothing else."""
    model = tmp_path / "model"
    words = ("train", str(small_data), "--recipe", str(small_recipe), "--out", str(model))
    code, out, _ = run(capsys, *words, "--json")
    assert code == 0
    assert json.loads(out) == json.loads((model / "evaluation.json").read_text("utf-8"))


def test_a_truncated_recording_is_one_line(
    capsys: pytest.CaptureFixture[str], small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """A recording cut off inside its first chunk ends the training with one line, not a model."""
    path = next(small_data.glob("sub-P02/ses-*/*_readouts.mcap"))
    path.write_bytes(path.read_bytes()[:200])
    words = ("train", str(small_data), "--recipe", str(small_recipe), "--out", str(tmp_path / "m"))
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    *progress, last = err.splitlines()
    assert last.startswith("palmwatt: ") and path.name in last
    assert not any("palmwatt: " in line for line in progress)
    assert not (tmp_path / "m").exists()


def test_several_recipes_are_told_side_by_side(
    capsys: pytest.CaptureFixture[str], small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """With several recipes, a table tells what each reached and which one was taken."""
    other = tmp_path / "other.toml"
    text = small_recipe.read_text("utf-8")
    other.write_text(text.replace('name = "small"', 'name = "linear"').replace("mlp", "linear"))
    words = ("train", str(small_data), "--recipe", str(small_recipe), "--recipe", str(other))
    code, out, _ = run(capsys, *words, "--out", str(tmp_path / "model"), "--jobs", "1")
    assert code == 0
    table = out.split("Recognition of people", 1)[0]
    assert "small" in table and "linear" in table and table.count("yes") == 1


def test_a_recipe_with_two_classifiers_takes_the_one_that_tells_people_held_out(
    capsys: pytest.CaptureFixture[str], small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Whichever told them better is in the model, the usual one or the other."""
    recipe = tmp_path / "two.toml"
    text = small_recipe.read_text("utf-8")
    network = "[classifier]" + text.split("[classifier]")[1].split("\n[")[0]
    text = text.replace(network, '[classifier]\nkind = "tree"\ndepth = 1\n')
    recipe.write_text(text + network.replace("[classifier]", "\n[or_classifier]"), "utf-8")
    words = ("train", str(small_data), "--recipe", str(recipe))
    code, out, _ = run(capsys, *words, "--out", str(tmp_path / "model"), "--jobs", "1")
    assert code == 0
    assert out.split("Recognition of people", 1)[0].count("yes") == 1
    found = json.loads((tmp_path / "model" / "evaluation.json").read_text("utf-8"))["candidates"]
    reached = [each["cross_validation"]["macro_f1"]["value"] for each in found]
    tree, other = (each["chosen"] for each in found)
    assert (tree, other) == (reached[0] >= reached[1], reached[0] < reached[1])
    model = json.loads((tmp_path / "model" / "model.json").read_text("utf-8"))
    assert any(stage["kind"] == "trees" for stage in model["stages"]) == tree
    forms = [form.digest() for form in load_recipe(recipe).forms]
    assert [each["recipe"] for each in found] == forms and len(set(forms)) == 2
    assert model["provenance"]["recipe"] == forms[not tree]


def test_processes_and_a_cluster_are_not_both_named(
    capsys: pytest.CaptureFixture[str], small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Either processes on this machine or the workers of a cluster do the work."""
    words = ("train", str(small_data), "--recipe", str(small_recipe), "--out", str(tmp_path / "m"))
    code, _, err = run(capsys, *words, "--jobs", "2", "--cluster", "tcp://127.0.0.1:1")
    assert code == 2
    assert "--jobs is 2, expected not given with --cluster" in err
