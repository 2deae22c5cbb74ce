"""How good the fast tests are: plant small faults in the files that decide, count those noticed.

    python tests/bench/mutation_gate.py --out mutants.jsonl              # all, resumable
    python tests/bench/mutation_gate.py --out some.jsonl --share 0.05    # a fixed sample
    python tests/bench/mutation_gate.py --out mutants.jsonl --retry      # only what survived

Which files, and which test files speak for each, stands in ``mutation_files.toml``; faults that
change nothing anyone can see stand, with the reason, in ``mutation_equivalent.toml``. Results are
appended as they come and are found again by a hash of the source, of the fault and of the tests,
so that a run may be broken off at any time. Ends with 1 when fewer than ``--least`` of the faults
that can be noticed are.

Why a script: of the registry's tools, mutmut (3.8.1) is maintained, forks, and finds the tests of a
function by itself, but makes no fault in a constant of a module, a field's default or a property
(10 of the 25 faults that are made here of the test's small file), leaves out no statement and no
argument, has no fixed sample, and runs each test file of the whole suite once before it begins.
cosmic-ray (8.7.0) is maintained and resumable, but edits the tree that one works in and starts the
interpreter anew for each fault: two processor-seconds for tests that take 10 ms, and imports of
this house besides. Here a fault costs a fork: about half a second, most of it in the tests.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from mutation_operators import Mutant, mutants_of

HERE = Path(__file__).resolve().parent
KILLED = ("killed", "timeout")


def main() -> int:
    """Plant, count, print; return 0 when enough was noticed."""
    options = _options()
    root, options.out = options.root.resolve(), options.out.resolve()
    plan = tomllib.loads(options.files.read_text())
    equivalent = _equivalent(options.equivalent)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copy = _copied(root, Path(folder) / "tree")
        work = _work(copy, plan, options)
        done = _read(options.out)
        todo = {
            file: [m for m, ids in chosen if not _known(done, ids, options.retry)]
            for file, chosen in work.items()
        }
        if any(todo.values()):
            print(f"{sum(map(len, todo.values()))} faults to plant", file=sys.stderr, flush=True)
            _preload(plan.get("preload", []))
            ids = {m.name: i for chosen in work.values() for m, i in chosen}
            _run(copy, plan, todo, ids, options)
    done = _read(options.out)
    return _tell(work, done, equivalent, options)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only files whose path holds one of these")
    parser.add_argument("--out", type=Path, required=True, help="JSON lines, appended to")
    parser.add_argument("--root", type=Path, default=HERE.parent.parent)
    parser.add_argument("--files", type=Path, default=HERE / "mutation_files.toml")
    parser.add_argument("--equivalent", type=Path, default=HERE / "mutation_equivalent.toml")
    parser.add_argument("--share", type=float, default=1.0, help="of all faults, by a fixed draw")
    parser.add_argument("--seed", type=int, default=1, help="of that draw")
    parser.add_argument("--workers", type=int, default=2, help="source files at a time")
    parser.add_argument("--least", type=float, default=0.9, help="share that must be noticed")
    parser.add_argument("--patience", type=float, default=10.0, help="least seconds for a fault")
    parser.add_argument("--retry", action="store_true", help="believe kills by older tests")
    return parser.parse_args()


def _equivalent(path: Path) -> set[tuple[str, str, str, str, int]]:
    table = tomllib.loads(path.read_text()).get("mutant", []) if path.exists() else []
    for one in table:
        if not one["reason"].strip():
            raise SystemExit(f"{path}: a fault without a reason: {one}")
    return {
        (o["file"], o["function"], o["original"], o["mutated"], o.get("occurrence", 0))
        for o in table
    }


def _copied(root: Path, to: Path) -> Path:
    """Copy the tree, so that work on it may go on meanwhile."""
    git = ["git", "-C", str(root), "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(git, capture_output=True, text=True)
    names = listed.stdout.split("\0") if listed.returncode == 0 else []
    for name in names or [str(p.relative_to(root)) for p in root.rglob("*")]:
        if (root / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(root / name, to / name)
    return to


Ids = tuple[str, str]
"""Hash of source and fault, and hash of the tests."""


def _work(
    root: Path, plan: dict[str, Any], options: argparse.Namespace
) -> dict[str, list[tuple[Mutant, Ids]]]:
    """Return the chosen faults of each file."""
    chosen: dict[str, list[tuple[Mutant, Ids]]] = {}
    for file, tests in plan["tests"].items():
        if options.names and not any(name in file for name in options.names):
            continue
        source = (root / file).read_text()
        shared = sorted(p for p in (root / "tests").rglob("*.py") if _is_shared(p))
        spoken = hashlib.sha256()
        for path in (*shared, *(root / test for test in tests)):
            spoken.update(path.read_bytes())
        chosen[file] = [
            (mutant, (mutant.key(source), spoken.hexdigest()[:24]))
            for mutant in mutants_of(file, source)
            if _draw(mutant, options.seed) < options.share
        ]
    return chosen


def _is_shared(path: Path) -> bool:
    return not path.name.startswith("test_") and path.parent.name != "bench"


def _draw(mutant: Mutant, seed: int) -> float:
    text = "\0".join(map(str, (seed, *mutant.name)))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6]) / 2**48


def _read(path: Path) -> dict[Ids, dict[str, Any]]:
    """Return earlier results; a line that a kill cut short is none."""
    done: dict[Ids, dict[str, Any]] = {}
    for line in path.read_text().splitlines() if path.exists() else []:
        try:
            one = json.loads(line)
        except ValueError:
            continue
        done[one["mutant"], one["tests"]] = one
        if one["outcome"] in KILLED:
            done[one["mutant"], ""] = one
    return done


def _known(done: dict[Ids, dict[str, Any]], ids: Ids, retry: bool) -> dict[str, Any] | None:
    return done.get(ids) or (done.get((ids[0], "")) if retry else None)


def _preload(names: Sequence[str]) -> None:
    """Import once what the tests import, as far as it is installed; none of it is faulty here."""
    os.environ |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    for name in (*names, "pytest"):
        try:
            importlib.import_module(name)
        except ImportError:
            continue


def _run(
    root: Path,
    plan: dict[str, Any],
    todo: dict[str, list[Mutant]],
    ids: dict[Any, Ids],
    options: argparse.Namespace,
) -> None:
    """Try the faults, some source files at a time, each in a process that is forked from here."""
    os.chdir(root)
    sys.path.insert(0, str(root))
    os.environ["PYTHONPATH"] = str(root)

    def one_file(file: str) -> None:
        child = os.fork()
        if child == 0:
            code = 1
            try:
                _try_file(root, file, plan["tests"][file], todo[file], ids, options)
                code = 0
            except RuntimeError as error:
                print(error, file=sys.stderr, flush=True)
            finally:
                os._exit(code)
        if os.waitpid(child, 0)[1]:
            failed.append(file)

    failed: list[str] = []
    if options.out.exists() and not options.out.read_bytes().endswith(b"\n"):
        with options.out.open("a") as lines:
            lines.write("\n")  # after a line that a kill cut short
    with ThreadPoolExecutor(options.workers) as pool:
        list(pool.map(one_file, [file for file, mutants in todo.items() if mutants]))
    if failed:
        raise SystemExit(f"could not be tried: {', '.join(failed)}")


def _try_file(
    root: Path,
    file: str,
    tests: Sequence[str],
    mutants: Sequence[Mutant],
    ids: dict[Any, Ids],
    options: argparse.Namespace,
) -> None:
    from mutation_trial import try_mutants

    tried = try_mutants(root, file, tests, mutants, options.patience)
    with options.out.open("a") as lines:
        for mutant, outcome, by, took_s in tried:
            key, spoken = ids[mutant.name]
            row = {
                "file": file, "function": mutant.function, "line": mutant.line,
                "original": mutant.original, "mutated": mutant.mutated,
                "occurrence": mutant.occurrence, "outcome": outcome, "by": by,
                "took_s": round(took_s, 3), "mutant": key, "tests": spoken,
            }  # fmt: skip
            print(json.dumps(row), file=lines, flush=True)


def _tell(
    work: dict[str, list[tuple[Mutant, Ids]]],
    done: dict[Ids, dict[str, Any]],
    equivalent: set[tuple[str, str, str, str, int]],
    options: argparse.Namespace,
) -> int:
    """Print survivors and the score of each file; say whether all is well."""
    all_killed = all_counted = 0
    rows = []
    for file, chosen in work.items():
        killed = counted = alike = 0
        for mutant, ids in chosen:
            found = _known(done, ids, options.retry)
            noticed = found is not None and found["outcome"] in KILLED
            if mutant.name in equivalent:
                alike += 1
                if noticed:
                    print(f"{file}:{mutant.line}: listed as equivalent, but a test notices it")
                continue
            counted += 1
            killed += noticed
            if not noticed:
                fate = found["outcome"] if found else "not tried"
                print(f"{file}:{mutant.line}: {fate}: {_short(mutant)}")
        rows.append(f"{killed:5} of {counted:5} killed, {alike:3} equivalent  {file}")
        all_killed, all_counted = all_killed + killed, all_counted + counted
    share = all_killed / all_counted if all_counted else 0.0
    print("\n".join(rows))
    print(f"{all_killed:5} of {all_counted:5} killed: {share:.1%}")
    return 0 if share >= options.least else 1


def _short(mutant: Mutant) -> str:
    """Return the change in one line; of a long piece, only where it differs."""
    old, new = " ".join(mutant.original.split()), " ".join(mutant.mutated.split())
    where = f" ({mutant.occurrence})" if mutant.occurrence else ""
    return f"{mutant.function or 'module'}: {old} -> {new}{where}"


if __name__ == "__main__":
    raise SystemExit(main())
