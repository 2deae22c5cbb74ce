"""Session files of sigrok (``.sr``): a ZIP of text and raw samples, read and written.

| member | content |
| --- | --- |
| ``version`` | ``2`` |
| ``metadata`` | text of sections: ``[device 1]`` with ``samplerate``, ``capturefile``, |
| | ``total probes``, ``total analog``, ``probe1=NAME``, ``analog9=NAME``, ``unitsize`` |
| ``logic-1-N`` | part N of the pins: ``unitsize`` bytes a sample, pin 1 in the lowest bit |
| ``analog-1-K-N`` | part N of channel K of the metadata: a 32-bit float a sample |

Source: sigrok's wiki, "File format:sigrok/v2", revision of 12 November 2020; that the bytes come
lowest first, and that channels are numbered behind the pins, was seen in files of sigrok-cli 0.7.2.
Only the first device is read. Units of analog channels are not in the file.
"""

from __future__ import annotations

import math
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import BLOCK, SampleBlock, Trace
from runtime.trace.reading.tables import block_of

__all__ = ["open_session", "write_session"]

_MAX_METADATA = 1 << 20
_CHUNK_SAMPLES = 1 << 20  # 4 MiB a member, as sigrok's own files have at most
_RATE = re.compile(r"^(\d+(?:\.\d+)?)\s*([kMG]?)(?:Hz)?$")
_SCALE = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the channels of a session file are."""

    rate_hz: float
    unit_bytes: int
    pins: dict[str, int]
    analog: dict[str, int]


def open_session(path: Path, bench: BenchFile) -> Trace:
    """Open a session file; only its metadata are read yet.

    Raises
    ------
    UsageError
        The file cannot be read.
    FormatError
        It is no session file, is cut off, or lacks a channel that the bench file names.
    """
    with _zip(path) as archive:
        layout = _layout(path, archive)
    voltage = [] if bench.voltage.channel is None else [bench.voltage.channel]
    for key, channel in (("current", bench.current.channel), *(("voltage", v) for v in voltage)):
        if channel not in layout.analog:
            known = ", ".join(layout.analog) or "none"
            raise FormatError(str(path), f"analog channel of {key}", channel, f"one of {known}")
    for phase, channel in bench.markers.wired().items():
        if channel not in layout.pins:
            known = ", ".join(layout.pins) or "none"
            raise FormatError(str(path), f"pin of marker {phase}", channel, f"one of {known}")

    def blocks() -> Iterator[SampleBlock]:
        with _zip(path) as archive:
            yield from _blocks(path, archive, layout, bench)

    return Trace(path, blocks, lambda: layout.rate_hz)


def _zip(path: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except OSError as error:
        raise UsageError(str(path), "the file", f"unreadable ({error.strerror})") from None
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise _damaged(path, error) from None


def _damaged(path: Path, error: object) -> FormatError:
    return FormatError(
        str(path), "session file", f"damaged or cut off ({error})", "a whole .sr file",
        "record or copy it again",
    )  # fmt: skip


def _text(path: Path, archive: zipfile.ZipFile, name: str) -> str:
    try:
        with archive.open(name) as member:
            return member.read(_MAX_METADATA).decode("utf-8")
    except KeyError:
        raise FormatError(str(path), name, "missing", "a member of that name") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, RuntimeError,
            NotImplementedError) as error:  # fmt: skip
        raise _damaged(path, error) from None


def _layout(path: Path, archive: zipfile.ZipFile) -> _Layout:
    version = _text(path, archive, "version").strip()
    if version != "2":
        raise FormatError(str(path), "version of the session file", version[:20], 2)
    keys: dict[str, str] = {}
    section = ""
    for line in _text(path, archive, "metadata").splitlines():
        name, separator, value = line.partition("=")
        if line.startswith("["):
            section = line.strip()
        elif section == "[device 1]" and separator and not line.startswith("#"):
            keys[name.strip()] = value.strip()
    rate = _RATE.match(keys.get("samplerate", ""))
    rate_hz = 0.0 if rate is None else float(rate[1]) * _SCALE[rate[2]]
    if not 0.0 < rate_hz < math.inf:
        raise FormatError(
            str(path), "samplerate", keys.get("samplerate", "missing")[:40], "such as 100 kHz"
        )
    unit = keys.get("unitsize", "1")
    if unit not in "12345678" or len(unit) != 1:
        raise FormatError(str(path), "unitsize", unit[:20], "1 to 8 bytes")
    found: dict[str, dict[str, int]] = {"probe": {}, "analog": {}}
    for key, value in keys.items():
        match = re.fullmatch(r"(probe|analog)(\d{1,3})", key)
        if match:
            found[match[1]][value] = int(match[2])
    pins = {name: n - 1 for name, n in found["probe"].items() if 1 <= n <= 8 * int(unit)}
    return _Layout(rate_hz, int(unit), pins, found["analog"])


class _Members:
    """One channel's members as one stream of bytes."""

    def __init__(self, path: Path, archive: zipfile.ZipFile, stem: str) -> None:
        numbered = []
        for info in archive.infolist():
            match = re.fullmatch(rf"{re.escape(stem)}(?:-(\d+))?", info.filename)
            if match:
                numbered.append((int(match[1] or 0), info))
        numbers = sorted(n for n, _ in numbered)
        if numbers and numbers not in ([0], list(range(1, len(numbers) + 1))):
            raise FormatError(
                str(path), f"parts of {stem}", f"{len(numbers)} with gaps", "each from 1 on",
                "record or copy it again",
            )  # fmt: skip
        self._path, self._archive = path, archive
        self._left = [info for _, info in sorted(numbered, key=lambda each: each[0])]
        self._open: IO[bytes] | None = None
        self._stack = ExitStack()

    def read(self, n: int) -> bytes:
        """Return the next `n` bytes, fewer only at the end."""
        found = bytearray()
        try:
            while len(found) < n:
                if self._open is None:
                    if not self._left:
                        break
                    self._open = self._stack.enter_context(self._archive.open(self._left.pop(0)))
                piece = self._open.read(n - len(found))
                if not piece:
                    self._stack.close()
                    self._open = None
                found += piece
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, ValueError,
                NotImplementedError) as error:  # fmt: skip
            raise _damaged(self._path, error) from None
        return bytes(found)


def _blocks(
    path: Path, archive: zipfile.ZipFile, layout: _Layout, bench: BenchFile
) -> Iterator[SampleBlock]:
    names = [bench.current.channel]
    if bench.voltage.channel is not None:
        names.append(bench.voltage.channel)
    analog = {
        name: _Members(path, archive, f"analog-1-{layout.analog[name]}")
        for name in dict.fromkeys(names)
    }
    wired = bench.markers.wired()
    logic = _Members(path, archive, "logic-1") if wired else None
    while True:
        raw = {name: member.read(4 * BLOCK) for name, member in analog.items()}
        lengths = {name: len(data) / 4 for name, data in raw.items()}
        bits = b""
        if logic is not None:
            bits = logic.read(layout.unit_bytes * BLOCK)
            lengths["the pins"] = len(bits) / layout.unit_bytes
        n = min(lengths.values())
        if n != max(lengths.values()) or n != int(n):
            raise FormatError(
                str(path), "length of the channels", "not the same", "one for all",
                "the file is cut off; record or copy it again",
            )  # fmt: skip
        if n == 0:
            return
        channels: dict[str, NDArray[np.float64]] = {
            name: np.frombuffer(data, "<f4").astype(np.float64) for name, data in raw.items()
        }
        for name, values in channels.items():
            if not np.isfinite(values).all():
                raise FormatError(str(path), f"channel {name}", "not finite", "numbers")
        if logic is not None:
            units = np.frombuffer(bits, np.uint8).reshape(int(n), layout.unit_bytes)
            for name in wired.values():
                byte, bit = divmod(layout.pins[name], 8)
                channels[name] = ((units[:, byte] >> bit) & 1).astype(np.float64)
        yield block_of(str(path), bench, channels)


def write_session(
    path: Path,
    rate_hz: int,
    analog: Sequence[str],
    pins: Sequence[str],
    blocks: Iterator[tuple[NDArray[np.float32], NDArray[np.uint8]]],
) -> None:
    """Write a session file, which sigrok opens, block by block.

    Parameters
    ----------
    path : Path
        Written under a hidden name, then renamed.
    rate_hz : int
        Samples a second.
    analog, pins : sequence of str
        Names of the channels; at most 8 pins.
    blocks : iterator of (float32 (n, n_analog), uint8 (n,))
        Samples, and the pins' bits, the first one lowest.

    Raises
    ------
    UsageError
        It cannot be written.
    """
    head = [
        "[global]", "sigrok version=0.5.2", "", "[device 1]", "capturefile=logic-1",
        f"total probes={len(pins)}", f"samplerate={rate_hz} Hz", f"total analog={len(analog)}",
    ]  # fmt: skip
    head += [f"probe{i + 1}={name}" for i, name in enumerate(pins)]
    head += [f"analog{len(pins) + i + 1}={name}" for i, name in enumerate(analog)]
    head += ["unitsize=1", ""]
    part = path.with_name(f".{path.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            _store(archive, "version", b"2")
            _store(archive, "metadata", "\n".join(head).encode())
            for number, (values, bits) in enumerate(_chunks(blocks), 1):
                if pins:
                    _store(archive, f"logic-1-{number}", bits.astype(np.uint8).tobytes())
                for i in range(len(analog)):
                    name = f"analog-1-{len(pins) + i + 1}-{number}"
                    _store(archive, name, np.ascontiguousarray(values[:, i], "<f4").tobytes())
        part.replace(path)
    except OSError as error:
        raise UsageError(str(path), "the file", f"not writable ({error.strerror})") from error
    finally:
        part.unlink(missing_ok=True)


def _store(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    # A date of the member's own would make the same trace another file every time.
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    archive.writestr(info, data)


def _chunks(
    blocks: Iterator[tuple[NDArray[np.float32], NDArray[np.uint8]]],
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.uint8]]]:
    for values, bits in blocks:
        for start in range(0, len(values), _CHUNK_SAMPLES):
            cut = slice(start, start + _CHUNK_SAMPLES)
            yield values[cut], bits[cut]
