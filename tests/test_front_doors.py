"""The front doors: the names that programs use, what they load, their examples, their errors."""

from __future__ import annotations

import ast
import doctest
import importlib
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import capture
import runtime
import trainer
from runtime.errors import ArgumentError, Error, UsageError
from runtime.sensor import Sensor
from trainer.fit.take_classifier import NotFitted

HOUSE = Path(__file__).resolve().parent.parent
PACKAGES = ("capture", "runtime", "trainer")
MODEL = HOUSE / "models" / "finger_count"


def door(package: str) -> ast.Module:
    return ast.parse((HOUSE / package / "__init__.py").read_text("utf-8"))


@pytest.mark.parametrize("package", PACKAGES)
def test_a_front_door_has_few_names_and_type_checkers_see_the_same(package: str) -> None:
    """A package offers at most ten names, and all are imported for type checkers as they load."""
    module = importlib.import_module(package)
    seen: set[str] = set()
    for node in ast.walk(door(package)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(f"{package}."):
            for alias in node.names:
                if alias.name == "lazy_names":
                    continue
                home = importlib.import_module(str(node.module))
                assert getattr(module, alias.name) is getattr(home, alias.name)
                seen.add(alias.name)
    assert seen == set(module.__all__)
    assert 5 <= len(seen) <= 10
    assert seen <= set(dir(module))
    assert list(module.__all__) == sorted(module.__all__)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_front_door_refuses_other_names(package: str) -> None:
    """A name that a package does not offer is an AttributeError that names both."""
    with pytest.raises(AttributeError, match=f"module '{package}' has no attribute 'nothing'"):
        importlib.import_module(package).nothing  # noqa: B018  # the look-up is the test


def test_opening_the_front_doors_loads_nothing_heavy() -> None:
    """Importing the three packages loads no library beside Python's own."""
    heavy = ("numpy", "sklearn", "pydantic", "mcap", "serial", "click", "onnx", "pandas", "polars")
    code = (
        "import sys, capture, runtime, trainer\n"
        f"print([name for name in {heavy!r} if name in sys.modules], dir(trainer)[:1])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=HOUSE
    )
    assert done.stdout.startswith("[] "), done.stdout


def test_nothing_inside_goes_through_a_front_door() -> None:
    """A room imports what it needs from where it stands: a door opens upwards for nobody inside."""
    for package in PACKAGES:
        for path in (HOUSE / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                names = (
                    [alias.name for alias in node.names]
                    if isinstance(node, ast.Import)
                    else [str(node.module)]
                    if isinstance(node, ast.ImportFrom)
                    else []
                )
                through = set(names) & set(PACKAGES)
                inner = isinstance(node, ast.ImportFrom) and all(
                    (HOUSE / str(node.module) / alias.name).exists()
                    or (HOUSE / str(node.module) / f"{alias.name}.py").exists()
                    for alias in node.names
                )
                assert not through or inner, f"{path}: {through}"


@pytest.mark.slow
@pytest.mark.parametrize("package", PACKAGES)
def test_the_examples_of_a_front_door_run(
    package: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each package's example, typed in an empty folder beside the models, answers as it says."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "models").symlink_to(HOUSE / "models")
    failed, attempted = doctest.testmod(importlib.import_module(package))
    assert not failed
    assert attempted >= 10


def a_person() -> Any:
    return capture.Participant("P01", consent=True)


def frames(model: Any, n_frames: int = 2) -> Any:
    shape = (n_frames, model.sensor.n_rows, model.sensor.n_cols)
    return np.zeros(shape, np.uint16)


WRONG: dict[str, Callable[[Any, Path], Any]] = {
    "open no path": lambda m, p: capture.open_dataset(5),  # type: ignore[arg-type]
    "open nothing": lambda m, p: capture.open_dataset(p / "none"),
    "read no path": lambda m, p: capture.read_session(None),  # type: ignore[arg-type]
    "read a folder": lambda m, p: capture.read_session(p),
    "load no script": lambda m, p: capture.load_script(p / "none.toml"),
    "record from no port": lambda m, p: capture.record(5, a_person(), "dynamic", p),  # type: ignore[arg-type]
    "record nobody": lambda m, p: capture.record("loop://", "P01", "dynamic", p),  # type: ignore[arg-type]
    "record without consent": lambda m, p: capture.record(
        "loop://", capture.Participant("P01"), "dynamic", p
    ),
    "record no script": lambda m, p: capture.record("loop://", a_person(), 5, p),  # type: ignore[arg-type]
    "record without seed": lambda m, p: capture.record(
        "loop://", a_person(), "dynamic", p, seed="1"  # type: ignore[arg-type]
    ),
    "record where no port is": lambda m, p: capture.record(
        str(p / "tty"), a_person(), "dynamic", p
    ),
    "emulate a word": lambda m, p: capture.emulated_sensor("one").__enter__(),  # type: ignore[arg-type]
    "emulate at no speed": lambda m, p: capture.emulated_sensor(speed="1").__enter__(),  # type: ignore[arg-type]
    "emulate no sensor": lambda m, p: capture.emulated_sensor(sensor="other").__enter__(),
    "emulate no script": lambda m, p: capture.emulated_sensor(script=p / "none").__enter__(),
    "load no model": lambda m, p: runtime.load_model(p),
    "load a number": lambda m, p: runtime.load_model(3),  # type: ignore[arg-type]
    "run a list": lambda m, p: m.run([[1]], [[1]]),
    "run floats": lambda m, p: m.run(frames(m) * 1.0, frames(m)),
    "run a number": lambda m, p: m.run(np.uint16(1), np.uint16(1)),
    "run no axes": lambda m, p: m.run(np.array(1, np.uint16), np.array(1, np.uint16)),
    "run another shape": lambda m, p: m.run(frames(m)[:, 1:], frames(m)),
    "export no model": lambda m, p: runtime.export("m", p / "m", frames(m), frames(m)),  # type: ignore[arg-type]
    "export into a full folder": lambda m, p: runtime.export(m, HOUSE, frames(m), frames(m)),
    "export without frames": lambda m, p: runtime.export(m, p / "m", frames(m, 0), frames(m, 0)),
    "verify nothing": lambda m, p: runtime.verify(p, cores=["cortex-m4"]),
    "verify on no core": lambda m, p: runtime.verify(MODEL, cores=["z80"]),
    "verify on one word": lambda m, p: runtime.verify(MODEL, cores="cortex-m4"),
    "verify no frames": lambda m, p: runtime.verify(MODEL, n_frames=0),
    "price by no part": lambda m, p: runtime.price(MODEL, host="toaster"),
    "price by no such choice": lambda m, p: runtime.price(MODEL, battery="big"),
    "price by a number": lambda m, p: runtime.price(MODEL, host=3),  # type: ignore[arg-type]
    "price against a bare number": lambda m, p: runtime.price(MODEL, margin="0.1"),
    "price against no text": lambda m, p: runtime.price(MODEL, margin=0.1),  # type: ignore[arg-type]
    "price against no limits": lambda m, p: runtime.price(MODEL, limits=p / "none"),
    "read no recipe": lambda m, p: trainer.load_recipe("none"),
    "train on nothing": lambda m, p: trainer.train_model(p, "dynamic", p / "m"),
    "train no recipe": lambda m, p: trainer.train_model(p, 5, p / "m"),  # type: ignore[arg-type]
    "train recipes' names": lambda m, p: trainer.train_model(p, ["dynamic"], p / "m"),  # type: ignore[list-item]
    "train to no path": lambda m, p: trainer.train_model(p, "dynamic", None),  # type: ignore[arg-type]
    "read takes of nothing": lambda m, p: trainer.read_takes(p, "dynamic"),
    "read takes by no recipe": lambda m, p: trainer.read_takes(p, 5),  # type: ignore[arg-type]
    "fit words": lambda m, p: trainer.TakeClassifier().fit([["a"]], [1]),
    "fit by no recipe": lambda m, p: trainer.TakeClassifier(5).fit([[1, 2]], [1]),  # type: ignore[arg-type]
    "fit a quantity": lambda m, p: trainer.TakeClassifier("distance").fit([[1, 2]], [1]),
    "fit five axes": lambda m, p: trainer.TakeClassifier().fit(np.zeros((2, 1, 1, 1, 1)), [0, 1]),
    "fit one class": lambda m, p: trainer.TakeClassifier().fit([[1, 2], [2, 3]], [1, 1]),
    "fit takes of one frame": lambda m, p: trainer.TakeClassifier().fit([[1, 2], [3, 4]], [0, 1]),
    "fit too few people": lambda m, p: trainer.TakeClassifier().fit(
        np.ones((2, 1, 4, 4)), [0, 1], people=["P01"]
    ),
    "fit another shape": lambda m, p: trainer.TakeClassifier(readout_shape=(1, 3, 3)).fit(
        [[1, 2], [3, 4]], [0, 1]
    ),
    "predict unfitted": lambda m, p: trainer.TakeClassifier().predict([[1, 2]]),
    "a model unfitted": lambda m, p: trainer.TakeClassifier().to_model(Sensor("a", 4, 4)),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_misuse_of_a_front_door_is_one_line_of_the_tree_of_errors(
    case: str, tmp_path: Path
) -> None:
    """Whatever a program hands in wrongly, it meets one line that says what and what was right."""
    (tmp_path / "notes").write_text("mine", "utf-8")
    with pytest.raises(Error) as caught:
        WRONG[case](runtime.load_model(MODEL), tmp_path)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) > 20
    assert [path.name for path in tmp_path.iterdir()] == ["notes"]


def test_misuse_can_be_caught_as_the_built_in_that_it_resembles() -> None:
    """A wrong type is a TypeError too, and an unfitted classifier what scikit-learn raises."""
    from sklearn.exceptions import NotFittedError

    assert issubclass(ArgumentError, TypeError)
    assert issubclass(ArgumentError, UsageError)
    assert issubclass(NotFitted, NotFittedError)
