"""The README's demo command, run as a newcomer would run it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from readme_commands import readme_commands

HOUSE = Path(__file__).resolve().parent.parent
COMMITTED = tuple((HOUSE / "models").glob("*/model.json"))


def files_below(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file below a folder, by its path from there."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_readme_demo_command_does_the_whole_job(tmp_path: Path) -> None:
    """In a fresh environment, the demo command rebuilds the committed models byte for byte."""
    copy = tmp_path / "palmwatt"
    unwanted = shutil.ignore_patterns(
        ".venv*", ".git", "demo-out", "__pycache__", ".*_cache", "build"
    )
    shutil.copytree(HOUSE, copy, ignore=unwanted)
    command = readme_commands((copy / "README.md").read_text(encoding="utf-8"))["demo"]
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=copy,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
    out = copy / "demo-out"
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
        assert files_below(model) == files_below(HOUSE / "models" / model.name), model.name
