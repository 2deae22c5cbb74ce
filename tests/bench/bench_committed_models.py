"""Hold the committed models to what the demo makes of as many people as taught them, byte for byte.

    python tests/bench/bench_committed_models.py [--keep DIR]

Four minutes on two idle cores. ``tests/test_readme_demo.py`` asks the same of every model but that
of fingers, which there learns from the demo's usual number of people.
"""

from __future__ import annotations

import argparse
import filecmp
import subprocess
import sys
import tempfile
from pathlib import Path

from trainer.demo_recordings import COMMITTED_PEOPLE

MODELS = Path(__file__).resolve().parents[2] / "models"


def differing(made: Path, committed: Path) -> list[str]:
    """Return the files that are not alike in two folders, or in one of them only."""
    names = {
        path.relative_to(root).as_posix()
        for root in (made, committed)
        for path in root.rglob("*")
        if path.is_file()
    }
    _, other, missing = filecmp.cmpfiles(made, committed, names, shallow=False)
    return sorted([*other, *missing])


def main() -> int:
    """Run the demo, compare, and return 1 where a file differs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", type=Path, help="where the demo's folder is to stay")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        out = options.keep or Path(scratch) / "demo"
        command = ["palmwatt", "demo", "--people", str(COMMITTED_PEOPLE), "--out", str(out)]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
        found = {
            model.parent.name: differing(out / "models" / model.parent.name, model.parent)
            for model in sorted(MODELS.glob("*/model.json"))
        }
    for name, files in found.items():
        print(f"{name}: {'alike' if not files else 'other bytes: ' + ', '.join(files)}")
    return int(any(found.values()))


if __name__ == "__main__":
    sys.exit(main())
