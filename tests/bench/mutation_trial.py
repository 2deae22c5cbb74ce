"""Tries the faults of one source file on its tests, each in a forked process of its own.

The tests are imported and collected once. They are then run once, sound, while it is noted which
of them call which functions of the source file, and how long they take. For each fault the process
is forked, the fault's function gets its faulty code in place (whoever imported the function by
name sees it too), and of the tests those that call it are run, quickest first, until one fails. A
fault outside of functions, or in one that is already called at import, is planted before the
import instead, and all tests are run. Nothing is written to the tree.
"""

from __future__ import annotations

import contextlib
import gc
import importlib.abc
import importlib.machinery
import itertools
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import pytest
from mutation_operators import Mutant
from mutation_runner import Runner, run_pytest

__all__ = ["Tried", "try_mutants"]

PATIENCE = 4.0
"""A faulty run may take this many times what the sound one took, or it counts as never ending."""
_PASSED, _FAILED, _BROKEN = 0, 1, 99

Tried = tuple[Mutant, str, str, float]
"""A fault, its outcome (killed, timeout, survived), the test that told, and the seconds taken."""


def try_mutants(
    root: Path, file: str, tests: Sequence[str], mutants: Sequence[Mutant], least_s: float
) -> Iterator[Tried]:
    """Yield what becomes of each fault.

    Parameters
    ----------
    root : pathlib.Path
        A copy of the tree; the working directory, and first in ``sys.path``.
    file : str
        The source file, below `root`.
    tests : sequence of str
        Test files, below `root`.
    mutants : sequence of Mutant
        Faults of that file.
    least_s : float
        Seconds that any run may take before it counts as never ending.

    Raises
    ------
    RuntimeError
        The tests fail without any fault, or none of them runs.
    """
    source = (root / file).read_text()
    answers, questions = os.pipe()
    wishes, asked = os.pipe()
    server = os.fork()
    if server == 0:
        os.close(answers)
        os.close(asked)
        _quietly(lambda: _serve(root, file, tests, mutants, least_s, wishes, questions))
    os.close(questions)
    os.close(wishes)
    late: list[Mutant] = []
    with os.fdopen(answers) as lines, os.fdopen(asked, "w") as ask:
        first = json.loads(lines.readline() or '{"fault": "the tests cannot be collected"}')
        if "fault" in first:
            os.waitpid(server, 0)
            raise RuntimeError(f"{file}: {first['fault']}")
        for number, mutant in enumerate(mutants):
            if not mutant.function or mutant.function in first["at_import"]:
                late.append(mutant)
                continue
            print(number, file=ask, flush=True)
            yield mutant, *json.loads(lines.readline())
        print(-1, file=ask, flush=True)
    os.waitpid(server, 0)
    for name in first["modules"]:  # what every import anew would spend its time on
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    patience_s = least_s + PATIENCE * (first["collect_s"] + first["run_s"])
    for mutant in late:
        code = compile(mutant.tree(source), str(root / file), "exec", dont_inherit=True)
        runner = Runner(str(root / file), first["order"])
        begun = time.monotonic()
        outcome, by = _in_fork(_imported_anew(file, code, tests, runner), patience_s)
        yield mutant, outcome, by, time.monotonic() - begun


def _imported_anew(
    file: str, code: CodeType, tests: Sequence[str], runner: Runner
) -> Callable[[Callable[[str], None]], int]:
    def run(tell: Callable[[str], None]) -> int:
        runner.tell = tell
        sys.meta_path.insert(0, _Faulty(file.removesuffix(".py").replace("/", "."), code))
        return _FAILED if run_pytest(tests, runner) or runner.failed else _PASSED

    return run


class _Faulty(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from code that is at hand, and leaves all others alone."""

    def __init__(self, module: str, code: CodeType) -> None:
        self.module, self.code = module.removesuffix(".__init__"), code

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        if name != self.module:
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path)
        if spec is not None:
            spec.loader = self
        return spec

    def create_module(self, spec: Any) -> None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)  # noqa: S102  (the faulty module's own code)


def _serve(
    root: Path,
    file: str,
    tests: Sequence[str],
    mutants: Sequence[Mutant],
    least_s: float,
    wishes: int,
    questions: int,
) -> int:
    """Collect, run sound, then answer for one fault after another until told to stop."""
    runner, source = Runner(str(root / file)), (root / file).read_text()

    def serve(session: pytest.Session) -> None:
        sys.setprofile(None)
        at_import = sorted(runner.calls)
        collect_s = time.monotonic() - begun
        live = _live(root / file)
        gc.freeze()  # or each fork would copy all that the collector touches
        read, write = os.pipe()
        with os.fdopen(read) as told, os.fdopen(questions, "w") as answers:
            child = os.fork()
            if child == 0:
                os.write(write, (json.dumps(_sound(session, runner)) + "\n").encode())
                os._exit(_PASSED)
            os.close(write)
            sound = json.loads(told.readline() or '{"fault": "the sound run ended early"}')
            os.waitpid(child, 0)
            modules = sorted(name for name, m in sys.modules.items() if _is_outside(m, root))
            first = {"at_import": at_import, "collect_s": collect_s, "modules": modules, **sound}
            print(json.dumps(first), file=answers, flush=True)
            if "fault" in first:
                return
            items = {item.nodeid: item for item in session.items}
            for line in os.fdopen(wishes):
                if int(line) < 0:
                    return
                mutant = mutants[int(line)]
                calling = [n for n in first["order"] if mutant.function in first["calls"][n]]
                patience_s = least_s + PATIENCE * sum(first["took"][n] for n in calling)
                started = time.monotonic()
                chosen = [items[n] for n in calling]
                faulty = _planted(root / file, source, mutant, live, chosen, runner)
                outcome, by = _in_fork(faulty, patience_s)
                took = time.monotonic() - started
                print(json.dumps((outcome, by, took)), file=answers, flush=True)

    runner.instead = serve
    begun = time.monotonic()
    with runner.noting_calls():
        return run_pytest(tests, runner)


def _sound(session: pytest.Session, runner: Runner) -> dict[str, Any]:
    """Run every test without a fault; note what each calls and how long it takes."""
    took: dict[str, float] = {}
    own: dict[str, set[str]] = {}
    begun = time.monotonic()
    with runner.noting_calls():
        for item, following in itertools.zip_longest(session.items, session.items[1:]):
            runner.calls.clear()
            started = time.monotonic()
            item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
            took[item.nodeid], own[item.nodeid] = time.monotonic() - started, set(runner.calls)
            if runner.failed:
                return {"fault": f"{runner.failed} fails without any fault"}
    if not took:
        return {"fault": "no test runs"}
    for item in session.items:  # a fixture that was set up for an earlier test is this one's too
        for name in getattr(item, "fixturenames", ()):
            own[item.nodeid] |= runner.of_fixture.get(name, set())
    return {
        "run_s": time.monotonic() - begun,
        "took": took,
        "order": sorted(took, key=lambda name: took[name]),
        "calls": {name: sorted(calls) for name, calls in own.items()},
    }


def _live(path: Path) -> list[FunctionType]:
    """Return the source file's functions, wherever they are held."""
    functions = [one for one in gc.get_objects() if isinstance(one, FunctionType)]
    return [one for one in functions if one.__code__.co_filename == str(path)]


def _is_outside(module: ModuleType, root: Path) -> bool:
    file = getattr(module, "__file__", None)
    return file is not None and not Path(file).is_relative_to(root)


def _planted(
    path: Path,
    source: str,
    mutant: Mutant,
    live: Sequence[FunctionType],
    items: Sequence[pytest.Item],
    runner: Runner,
) -> Callable[[Callable[[str], None]], int]:
    def run(tell: Callable[[str], None]) -> int:
        runner.tell, runner.failed = tell, ""
        code = compile(mutant.tree(source), str(path), "exec", dont_inherit=True)
        faulty = {(c.co_qualname, c.co_firstlineno): c for c in _functions(code)}
        for function in live:
            name = function.__code__.co_qualname, function.__code__.co_firstlineno
            if name in faulty:
                function.__code__ = faulty[name]
        return _PASSED if runner.run(items) else _FAILED

    return run


def _functions(code: CodeType) -> Iterator[CodeType]:
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield constant
            yield from _functions(constant)


def _in_fork(run: Callable[[Callable[[str], None]], int], patience_s: float) -> tuple[str, str]:
    """Run in a process of its own, which may end as it likes; return outcome and test that told."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.close(read)
        _quietly(lambda: run(lambda name: _write(write, name)))
    os.close(write)
    until = time.monotonic() + patience_s
    status: int | None = None
    by = ""
    while status is None and time.monotonic() < until:
        pid, ended = os.waitpid(child, os.WNOHANG)
        status = ended if pid else None
        if status is None:
            time.sleep(0.005)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # and whatever the tests have started
    if status is None:
        os.waitpid(child, 0)
    os.set_blocking(read, False)
    with contextlib.suppress(BlockingIOError):
        by = os.read(read, 4096).decode()
    os.close(read)
    if status is None:
        return "timeout", ""
    code = os.waitstatus_to_exitcode(status)
    if code == _BROKEN:
        return "broken", by
    return ("survived", "") if code == _PASSED else ("killed", by)


def _write(pipe: int, text: str) -> None:
    os.write(pipe, text.encode()[:4000])


def _quietly(run: Callable[[], int]) -> None:
    """Run without a word and end the process, whatever happens."""
    code = _BROKEN
    try:
        silence = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(silence, stream)
        code = run()
    finally:
        os._exit(int(code))
