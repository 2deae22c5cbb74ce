"""Prints what the booth costs at 60 frame pairs a second of 64x64; asserts nothing.

python tests/bench/bench_capture_booth.py [SECONDS]

The sender is a process of its own on a pseudo-terminal that only sends: no optics are emulated.
"""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import subprocess
import sys
import tempfile
import time
import tty
import urllib.request
from pathlib import Path

import numpy as np

from capture.wire.codec import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Result,
    encode,
)
from runtime.sensor import Sensor

SENSOR = Sensor("lensless64", 64, 64, frame_rate_hz=60.0, exposure_us=200.0)
SCRIPT = """
name = "long"
lead_in_s = 600.0
[[cue]]
trial_type = "push"
repetitions = 1
duration_s = 1.0
"""


def send_frames() -> None:
    """Be the sensor: print the port, then the clock at each START, and send when it is due."""
    host, device = pty.openpty()
    tty.setraw(device)
    print(os.ttyname(device), flush=True)
    rng = np.random.default_rng(1)
    shape = (16, SENSOR.n_rows, SENSOR.n_cols)
    noise = rng.integers(60, 4000, shape, np.uint16)
    decoder = Decoder()
    out = bytearray()
    began: float | None = None
    sequence = 0
    while True:
        wait_s = 1.0
        if began is not None:
            wait_s = max(0.0, began + sequence / SENSOR.frame_rate_hz - time.monotonic())
        readable, writable, _ = select.select([host], [host] if out else [], [], wait_s)
        if readable:
            for message in decoder.feed(os.read(host, 4096)):
                if not isinstance(message, Command):
                    continue
                out += encode(Acknowledge(message.kind, Result.DONE, 0, message.sequence))
                if message.kind in (CommandKind.DESCRIBE, CommandKind.START):
                    out += encode(Description(SENSOR, "bench", "bench"))
                if message.kind == CommandKind.START:
                    began, sequence = time.monotonic(), 0
                    print(began, flush=True)
        if began is not None and time.monotonic() >= began + sequence / SENSOR.frame_rate_hz:
            time_us = round(1e6 * sequence / SENSOR.frame_rate_hz)
            for lit in (True, False):
                counts = noise[(2 * sequence + lit) % 16]
                out += encode(Exposure(lit, sequence, time_us + 300 * (not lit), counts))
            sequence += 1
        if writable:
            del out[: os.write(host, out[:4096])]


def cpu_s(pid: int) -> float:
    """Return the processor time a process has used, seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def post(address: str, path: str, body: dict[str, object]) -> None:
    """Send one request of the page."""
    headers = {"Content-Type": "application/json", "Origin": address.rstrip("/")}
    request = urllib.request.Request(address + path, json.dumps(body).encode(), headers)  # noqa: S310
    urllib.request.urlopen(request).close()  # noqa: S310


def measure(address: str, booth: int, began: float, seconds: float) -> None:
    """Listen as a window does; print share of a core and delay from the sensor's clock."""
    from websockets.sync.client import connect

    from capture.booth.recording.desk import LIVE_HEAD

    url = address.replace("http", "ws") + "live"
    delays_ms = []
    with connect(url, origin=address.rstrip("/"), max_size=2**20, compression=None) as socket:
        used, start = cpu_s(booth), time.monotonic()
        while (now := time.monotonic()) < start + seconds:
            message = socket.recv()
            if isinstance(message, bytes):
                time_s = LIVE_HEAD.unpack_from(message)[2]
                delays_ms.append(1e3 * (time.monotonic() - began - time_s))
        share = (cpu_s(booth) - used) / (now - start)
    median, late = np.percentile(delays_ms, [50, 99])
    print(f"booth with one window: {share:.1%} of a core, {len(delays_ms) / seconds:.1f} pairs/s")
    print(f"sensor's clock to window: median {median:.1f} ms, 99th percentile {late:.1f} ms")


def main() -> None:
    """Record through the booth, listen, and let a browser show it where there is one."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "long.toml"
        script.write_text(SCRIPT)
        here = [sys.executable, __file__, "send"]
        sender = subprocess.Popen(here, stdout=subprocess.PIPE, text=True)
        command = "from trainer.cli import main; main()"
        options = ["booth", f"{folder}/set", "--listen", "127.0.0.1:0", "--script", str(script)]
        booth = subprocess.Popen(
            [sys.executable, "-c", command, *options], stdout=subprocess.PIPE, text=True
        )
        try:
            assert sender.stdout is not None and booth.stdout is not None
            port, address = sender.stdout.readline().strip(), booth.stdout.readline().split()[1]
            form = {"participant": "P01", "consent": True, "script": "long", "seed": 1}
            post(address, "api/recording", form | {"port": port})
            began = float(sender.stdout.readline())
            time.sleep(2.0)
            measure(address, booth.pid, began, seconds)
            chromium = shutil.which("chromium")
            if chromium is not None:
                show(chromium, address, booth.pid, seconds)
            post(address, "api/recording/wishes", {"wish": "stop"})
            time.sleep(1.0)
        finally:
            for process in (sender, booth):
                process.terminate()
                process.wait(10.0)


def show(chromium: str, address: str, booth: int, seconds: float) -> None:
    """Print how many pairs a second a real page draws, and what that leaves of the booth's core."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-quic"]
        browser = playwright.chromium.launch(executable_path=chromium, args=flags)
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.add_init_script(
            """{
              window.drawn = 0;
              const put = CanvasRenderingContext2D.prototype.putImageData;
              CanvasRenderingContext2D.prototype.putImageData = function (...rest) {
                window.drawn += 1 / 3; // three pictures a frame pair
                return put.apply(this, rest);
              };
            }"""
        )
        page.goto(address)
        page.wait_for_selector("#scene:visible")
        used, drawn, start = cpu_s(booth), page.evaluate("drawn"), time.monotonic()
        page.wait_for_timeout(1000 * seconds)
        passed = time.monotonic() - start
        drawn = (page.evaluate("drawn") - drawn) / passed
        print(f"Chromium draws {drawn:.1f} pairs/s; booth {(cpu_s(booth) - used) / passed:.1%}")
        missing = page.inner_text("#figures dd:nth-of-type(3)")
        print(f"frame pairs missing in the recording: {missing}")
        browser.close()


if __name__ == "__main__":
    send_frames() if sys.argv[1:] == ["send"] else main()
