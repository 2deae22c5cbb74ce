"""What the tests of this room share.

Property tests are judged on what they find, never on how fast a shared machine is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from bench_sensor import BenchSensor
from hypothesis import settings
from playwright.sync_api import Browser, sync_playwright

settings.register_profile("capture", deadline=None, max_examples=60)
settings.load_profile("capture")


@pytest.fixture
def bench_sensor() -> Iterator[BenchSensor]:
    sensor = BenchSensor()
    yield sensor
    sensor.close()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Callable[[str], Browser]]:
    """Start the browser when the first test has found it; its event loop ends with the module."""
    started: list[Browser] = []
    with sync_playwright() as playwright:

        def start(path: str) -> Browser:
            if not started:
                flags = ["--no-sandbox", "--disable-gpu", "--disable-quic"]
                started.append(playwright.chromium.launch(executable_path=path, args=flags))
            return started[0]

        yield start
        for browser in started:
            browser.close()


@pytest.fixture
def browser(chromium: Callable[[str], Browser], need_tool: Callable[[str], str]) -> Browser:
    return chromium(need_tool("chromium"))
