"""The mutation gate itself: it tells a test that can fail from one that cannot."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from mutation_operators import mutants_of

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DECIDES = '''\
"""Two functions that decide alike; only the first is tested."""

LIMIT = 10


def held(value: int, margin: int = 2) -> bool:
    return value - margin >= LIMIT


def unwatched(value: int) -> bool:
    return value > 3


def endless(n: int) -> int:
    while n > 0:
        n -= 1
    return n
'''
TESTS = """\
from decides import endless, held, unwatched


def test_held() -> None:
    assert held(12) and not held(11) and held(10, 0) and not held(13, 4)


def test_unwatched() -> None:
    assert unwatched(100) in (True, False)  # cannot fail


def test_endless() -> None:
    assert endless(3) == 0 and endless(-1) == -1
"""


def gate(folder: Path, *options: str) -> tuple[int, list[dict[str, Any]], str]:
    """Run the gate over the tree; return its exit code, all results so far, and what it printed."""
    call = [
        sys.executable, str(HERE / "mutation_gate.py"), "--root", str(folder / "tree"),
        "--files", str(folder / "files.toml"), "--out", str(folder / "out.jsonl"),
        "--equivalent", str(folder / "equivalent.toml"), "--workers", "2", "--patience", "2",
        *options,
    ]  # fmt: skip
    done = subprocess.run(call, capture_output=True, text=True, cwd=folder)
    rows = []
    out = folder / "out.jsonl"
    for line in out.read_text().splitlines() if out.exists() else []:
        with contextlib.suppress(ValueError):
            rows.append(json.loads(line))
    return done.returncode, rows, done.stdout + done.stderr


def a_tree(folder: Path) -> Path:
    """Write a tree with one source file, its tests and a plan."""
    root = folder / "tree"
    (root / "tests").mkdir(parents=True)
    (root / "decides.py").write_text(DECIDES)
    (root / "tests" / "test_decides.py").write_text(TESTS)
    (root / "pytest.ini").write_text("[pytest]\nmarkers =\n    slow: s\n")
    (folder / "files.toml").write_text('[tests]\n"decides.py" = ["tests/test_decides.py"]\n')
    return folder


Tried = tuple[Path, int, list[dict[str, Any]], str]


@pytest.fixture(scope="module")
def tried_once(tmp_path_factory: pytest.TempPathFactory) -> Tried:
    """Return a tree whose faults were all planted, and what the gate said; not to be changed."""
    folder = a_tree(tmp_path_factory.mktemp("tried"))
    return folder, *gate(folder)


@pytest.fixture
def tried(tried_once: Tried, tmp_path: Path) -> Tried:
    """Return a copy of it that the test may change."""
    return Path(shutil.copytree(tried_once[0], tmp_path / "tried")), *tried_once[1:]


def test_faults_that_tests_notice_are_killed_and_unwatched_ones_survive(tried: Tried) -> None:
    """Every fault of a tested function is killed, each of an untested one survives and shuts it."""
    _, code, rows, said = tried
    fate = {(r["function"], r["original"], r["mutated"], r["occurrence"]): r for r in rows}
    assert len(rows) == len(mutants_of("decides.py", DECIDES)) == len(fate)
    for (function, *change), row in fate.items():
        expected = ("survived",) if function == "unwatched" else ("killed", "timeout")
        assert row["outcome"] in expected, (function, change)
    assert fate["endless", "n -= 1", "pass", 0]["outcome"] == "timeout"
    assert fate["held", "value - margin", "value + margin", 0]["by"].endswith("::test_held")
    assert fate["", "10", "11", 0]["outcome"] == fate["", "2", "3", 0]["outcome"] == "killed"
    unwatched = [row for key, row in fate.items() if key[0] == "unwatched"]
    assert code == 1
    assert "decides.py:11: survived: unwatched: value > 3 -> value >= 3" in said
    assert f"{len(rows) - len(unwatched)} of {len(rows):5} killed" in said


def test_listed_faults_open_the_gate_only_with_a_reason(tried: Tried) -> None:
    """Equivalent faults are left out of the score by name; nothing is planted a second time."""
    folder, _, rows, _ = tried
    survivors = [row for row in rows if row["outcome"] == "survived"]
    listed = "".join(
        f'[[mutant]]\nfile = "decides.py"\nfunction = "unwatched"\noriginal = "{r["original"]}"\n'
        f'mutated = "{r["mutated"]}"\nreason = "nobody asks"\n'
        for r in survivors
    )
    (folder / "equivalent.toml").write_text(listed)
    code, again, said = gate(folder)
    assert code == 0 and again == rows
    assert f"{len(survivors):3} equivalent  decides.py" in said
    (folder / "equivalent.toml").write_text(listed.replace("nobody asks", " "))
    assert gate(folder)[0] == 1


def test_a_better_test_is_tried_on_what_survived(tried: Tried) -> None:
    """When tests change, survivors are planted anew, and what a kill cut short."""
    folder, _, rows, _ = tried
    out, tests = folder / "out.jsonl", folder / "tree" / "tests" / "test_decides.py"
    out.write_text(out.read_text()[:-20])  # as a kill would leave it
    tests.write_text(
        TESTS.replace("unwatched(100) in (True, False)", "unwatched(4) > unwatched(3)")
    )
    code, _, said = gate(folder, "--retry")
    assert code == 0, said
    again = sum(row["outcome"] == "survived" or row is rows[-1] for row in rows)
    assert f"{again} faults to plant" in said


def test_a_share_is_a_fixed_sample(tried: Tried) -> None:
    """A share with a seed is the same faults on every run; another seed draws others."""
    folder, _, rows, _ = tried
    told = [gate(folder, "--share", "0.4", "--seed", seed)[2] for seed in ("1", "1", "2")]
    assert told[0] == told[1] != told[2]
    assert "faults to plant" not in told[0]
    sampled = int(told[0].splitlines()[-1].split()[2])
    assert 0 < sampled < len(rows)


def test_tests_that_fail_without_a_fault_are_told(tmp_path: Path) -> None:
    """Where the sound tests fail, nothing is counted as killed."""
    tests = a_tree(tmp_path) / "tree" / "tests" / "test_decides.py"
    tests.write_text(TESTS + "\n\ndef test_wrong() -> None:\n    assert held(0)\n")
    code, rows, said = gate(tmp_path)
    assert code == 1 and rows == []
    assert "test_wrong fails without any fault" in said


def test_the_rounding_rule_cannot_be_changed_unnoticed(tmp_path: Path) -> None:
    """Of the product itself: a fixed sample of faults in the fixed point is killed."""
    plan = tmp_path / "files.toml"
    plan.write_text(
        'preload = ["numpy", "hypothesis"]\n[tests]\n"runtime/fixedpoint.py" = '
        '["tests/runtime/test_runtime_fixedpoint.py"]\n'
    )
    (tmp_path / "tree").symlink_to(ROOT)
    shutil.copyfile(HERE / "mutation_equivalent.toml", tmp_path / "equivalent.toml")
    code, rows, said = gate(tmp_path, "--share", "0.07", "--seed", "4", "--patience", "60")
    assert code == 0, said
    assert len(rows) > 4 and all(row["outcome"] != "broken" for row in rows)


def test_faults_keep_their_names_when_lines_move() -> None:
    """A fault is named by file, function, change and occurrence, so that a table stays valid."""
    moved = "# a line more\n" + DECIDES.replace(
        "\n\n\ndef unwatched", "\n\n\n# and one\ndef unwatched"
    )
    before, after = mutants_of("decides.py", DECIDES), mutants_of("decides.py", moved)
    assert [m.name for m in before] == [m.name for m in after]
    assert [m.line for m in before] != [m.line for m in after]
    assert len({m.name for m in before}) == len(before)


@pytest.mark.parametrize(
    ("source", "mutated"),
    [
        ("x < y", {"x <= y", "x >= y"}),
        ("x == y", {"x != y"}),
        ("x is None", {"x is not None"}),
        ("a + b", {"a - b"}),
        ("a << b", {"a >> b"}),
        ("-a", {"a"}),
        ("not a", {"a"}),
        ("a and b", {"a or b", "a", "b"}),
        ("1", {"2", "0"}),
        ("2.5", {"5.0"}),
        ("True", {"False"}),
        ("f(a, b)", {"f(b, a)"}),
        ("max(a, b)", {"min(a, b)"}),
        ("f(k=a)", {"f()"}),
        ("a[b:c]", {"b:", ":c"}),
        ("a if b else c", {"a if not b else c"}),
    ],
)
def test_each_operator_makes_its_faults(source: str, mutated: set[str]) -> None:
    """Constants, comparisons, signs, conditions, arguments and slices have faults of their own."""
    assert {m.mutated for m in mutants_of("f.py", f"def f():\n    return {source}\n")} == mutated


def test_what_only_words_an_error_is_left_alone() -> None:
    """In a raise, a text, a docstring, an annotation or the list of names nothing is changed."""
    source = (
        '"""Text 1."""\n__all__ = ["a", "b"]\n\n\ndef f(x: list[1]) -> "int":\n'
        '    """Say 1 < 2."""\n    raise E(1, 2 + x, f"{x + 1}")\n'
    )
    assert [m.mutated for m in mutants_of("f.py", source)] == ["pass"]
