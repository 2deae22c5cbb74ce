"""Runs chosen tests inside pytest, in a chosen order, until the first one fails.

And notes, when asked to, which of them call which functions of one source file.
"""

from __future__ import annotations

import contextlib
import itertools
import sys
from collections.abc import Callable, Iterator, Sequence
from types import FrameType
from typing import Any

import pytest

__all__ = ["Runner", "run_pytest"]


class Runner:
    """The part of pytest that runs chosen tests, in a chosen order, until the first one fails."""

    def __init__(self, path: str, order: Sequence[str] = ()) -> None:
        self.path, self.order = path, list(order)
        self.failed = ""
        self.tell: Callable[[str], None] = lambda _: None
        self.calls: set[str] = set()
        self.of_fixture: dict[str, set[str]] = {}
        self.instead: Callable[[pytest.Session], None] | None = None

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        for item in session.items:
            _without_shrinking(item)
        if self.instead is not None:
            self.instead(session)
        else:
            place = {name: index for index, name in enumerate(self.order)}
            self.run(sorted(session.items, key=lambda item: place.get(item.nodeid, 0)))
        return True

    def run(self, items: Sequence[pytest.Item]) -> bool:
        for item, following in itertools.zip_longest(items, items[1:]):
            item.ihook.pytest_runtest_protocol(item=item, nextitem=following)
            if self.failed:
                self.tell(self.failed)
                return False
        return True

    @pytest.hookimpl(hookwrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Iterator[None]:
        before = set(self.calls)
        self.calls.clear()
        yield
        self.of_fixture.setdefault(fixturedef.argname, set()).update(self.calls)
        self.calls |= before

    @contextlib.contextmanager
    def noting_calls(self) -> Iterator[None]:
        def note(frame: FrameType, event: str, _: object) -> None:
            code = frame.f_code
            if event == "call" and code.co_filename == self.path:
                self.calls.add(code.co_qualname.split(".<locals>")[0])

        sys.setprofile(note)
        try:
            yield
        finally:
            sys.setprofile(None)


def run_pytest(tests: Sequence[str], runner: Runner) -> int:
    """Collect and run fast tests without a word of pytest's own files; return its exit code."""
    quiet = ["-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow"]
    quiet += ["-o", "addopts="]  # of which some are xdist's
    quiet += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # hypothesis came before pytest
    return int(pytest.main([*quiet, *tests], plugins=[runner]))


def _without_shrinking(item: pytest.Item) -> None:
    """Let property tests stop at the first example that fails, the same examples on every run."""
    from hypothesis import Phase, settings

    test = getattr(getattr(item, "function", None), "_hypothesis_internal_use_settings", None)
    if test is not None:
        phases = (Phase.explicit, Phase.generate)
        item.function._hypothesis_internal_use_settings = settings(  # type: ignore[attr-defined]
            test, database=None, derandomize=True, deadline=None, phases=phases,
            report_multiple_bugs=False,
        )  # fmt: skip
