"""What every test may ask for."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import pytest


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Return one worker more than cores: many tests wait for a device's clock or for a browser."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that hold slow tests: begun last, one of them keeps a core to itself."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture
def need_tool() -> Callable[[str], str]:
    """Return a finder of programs pip cannot bring; it skips where one is missing, fails on CI."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            if os.environ.get("CI") == "true":
                pytest.fail(f"{name} is missing, and CI must not skip", pytrace=False)
            pytest.skip(f"{name} is not installed")
        return path

    return find


@pytest.fixture
def faults_of_page(need_tool: Callable[[str], str]) -> Callable[[str], list[str]]:
    """Return what says where a page of one file breaks WCAG 2.2 AA, on a phone and a laptop."""
    chromium, axe = need_tool("chromium"), need_tool("axe.min.js")

    def faults(text: str) -> list[str]:
        from wcag import file_faults

        return file_faults(text, chromium, axe)

    return faults
