"""What the tests of the booth's pages share: the command that serves them, and windows on it."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from playwright.sync_api import Browser, Page


@contextmanager
def open_booth(root: Path, *options: str) -> Iterator[str]:
    """Serve a data set by the command; gives the address it printed, and ends it by Ctrl-C."""
    command = [sys.executable, "-c", "from trainer.cli import main; main()", "booth", str(root)]
    process = subprocess.Popen(
        [*command, "--listen", "127.0.0.1:0", *options], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        yield process.stdout.readline().split()[1]
        process.send_signal(signal.SIGINT)
        assert process.wait(15.0) == 0
    finally:
        process.kill()
        process.wait(5.0)
        process.stdout.close()


@contextmanager
def window(browser: Browser, address: str, scheme: str = "light") -> Iterator[Page]:
    """Open a window that fails the test on any request elsewhere and any error of the page."""
    context = browser.new_context(
        viewport={"width": 1280, "height": 720}, color_scheme=scheme, reduced_motion="reduce"
    )
    faults: list[str] = []
    page = context.new_page()
    page.set_default_timeout(15_000)
    host = urlsplit(address).netloc

    def look(url: str) -> None:
        if urlsplit(url).netloc != host:
            faults.append(f"a request to {url}")

    context.on("request", lambda request: look(request.url))
    page.on("websocket", lambda socket: look(socket.url))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda line: line.type == "error" and faults.append(line.text))
    try:
        yield page
    finally:
        context.close()
    # A refused edit is told to the console by the browser itself.
    assert [fault for fault in faults if "409 (Conflict)" not in fault] == []


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def saved_at(page: Page, revision: int) -> None:
    page.wait_for_selector(f"#saved:text-matches('revision {revision}\\\\.')")


def page_of(address: str, name: str) -> str:
    base, hash_sign, token = address.partition("#")
    return f"{base}{name}{hash_sign}{token}"


def go_to_session(
    page: Page, address: str, number: str, labeller: str, blind: bool = False
) -> None:
    """Open a session by keyboard, from a fresh review page."""
    page.goto(page_of(address, "review"))
    page.wait_for_selector("#sessions button")
    page.wait_for_selector("#labeller:focus")
    page.keyboard.type(labeller)
    press(
        page, "Tab", *(["ArrowDown"] if blind else []), "Tab", *["Tab"] * (int(number) - 1), "Enter"
    )
    page.wait_for_selector(f"#title:has-text('ses-{number}')")
