"""The README's demo command, run as a newcomer would run it, and the longer one behind models/."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from readme_commands import readme_commands

from trainer.demo_recordings import SHIPPED_PEOPLE, STILL

HOUSE = Path(__file__).resolve().parent.parent
LONGER = f"palmwatt demo --people {SHIPPED_PEOPLE} --out demo-out/1200"
"""What the README says makes the committed models."""
COMMITTED = tuple((HOUSE / "models").glob("*/model.json"))


def files_below(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file below a folder, by its path from there."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run(command: str, folder: Path) -> None:
    """Run a command of the README as a shell does."""
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]


def check_models(out: Path) -> list[Path]:
    """Hold a demo's pages and models to what each must be; return the model folders."""
    for report in out.rglob("*.html"):
        page = report.read_text(encoding="utf-8")
        assert len(page) < 2_000_000
        assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", page), report
    models = sorted(path.parent for path in out.rglob("model.json"))
    assert [model.name for model in models] == sorted(p.parent.name for p in COMMITTED)
    for model in models:
        evaluation = json.loads((model / "evaluation.json").read_text(encoding="utf-8"))
        if "source" in evaluation:  # a light's place: near what noise allows, and hardly refused
            found = evaluation["source"]
            assert all(value["ratio"] < 2.0 for value in found["fixed"])
            assert found["n_valid"] > 0.9 * found["n_frames"]
        else:
            told, majority = (evaluation[name]["accuracy"] for name in ("fixed", "majority"))
            assert told["value"] > majority["value"]
    return models


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_readme_demo_command_does_the_whole_job(tmp_path: Path) -> None:
    """In a fresh environment, the demo makes three models, two of them the committed ones.

    Asked for as many people as the third was learned from, it rebuilds all of them byte for byte.
    """
    copy = tmp_path / "palmwatt"
    unwanted = shutil.ignore_patterns(
        ".venv*", ".git", "demo-out", "__pycache__", ".*_cache", "build"
    )
    shutil.copytree(HOUSE, copy, ignore=unwanted)
    readme = (copy / "README.md").read_text(encoding="utf-8")
    run(readme_commands(readme)["demo"], copy)
    for model in check_models(copy / "demo-out"):
        if model.name != STILL:  # which fewer people hold up fingers for
            assert files_below(model) == files_below(HOUSE / "models" / model.name), model.name
    note = f"palmwatt demo --people {SHIPPED_PEOPLE}"
    assert note in (copy / "demo-out" / "report.html").read_text(encoding="utf-8")

    assert LONGER in readme
    run(f".venv/bin/{LONGER}", copy)
    for model in check_models(copy / "demo-out" / "1200"):
        assert files_below(model) == files_below(HOUSE / "models" / model.name), model.name
