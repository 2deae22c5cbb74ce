"""Print one of the README's two commands, so that CI and the tests run exactly what a user would.

Usage: ``python3 tests/readme_commands.py demo`` or ``... test``. Standard library only: it runs
before anything is installed.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parent.parent / "README.md"


def readme_commands(text: str) -> dict[str, str]:
    """Return the README's copy-and-paste commands: exactly two, the demo first, then the tests.

    Raises
    ------
    ValueError
        The README's first two ``sh`` blocks are not one line of command each.
    """
    blocks = re.findall(r"^```sh\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)[:2]
    commands = [" ".join(block.replace("\\\n", " ").split()) for block in blocks]
    if len(commands) != 2 or "palmwatt demo" not in commands[0] or "pytest" not in commands[1]:
        raise ValueError(f"{README.name}: expected the demo command and the test command first")
    return {"demo": commands[0], "test": commands[1]}


if __name__ == "__main__":
    print(readme_commands(README.read_text(encoding="utf-8"))[sys.argv[1]])
