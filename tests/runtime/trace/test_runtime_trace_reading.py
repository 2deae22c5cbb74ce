"""Traces from files: CSV, Parquet and session files, and what is wrong with them."""

from __future__ import annotations

import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from trace_bench import CHANNELS, Bench, Synthesis, device

from runtime.errors import Error, FormatError, UsageError
from runtime.trace.measurement import open_trace
from runtime.trace.reading.bench_file import BenchFile, read_bench_file
from runtime.trace.reading.samples import SampleBlock, joined
from runtime.trace.reading.sigrok import write_session

HEAD = """
kind = "measured"
device = "board 3"
instrument = "source meter"
date = 2026-11-20
led_pulse_us = 205.0
[time]
{time}
[current]
channel = "i"
unit = "mA"
offset_ua = 2.0
[[current.range]]
up_to_ma = 100.0
gain_error_percent = 0.1
offset_error_ua = 1.0
[voltage]
channel = "v"
unit = "mV"
[markers]
led = "d0"
"""
BY_TIME = 'channel = "t"\nunit = "ms"'


def bench_of(folder: Path, time: str = BY_TIME) -> BenchFile:
    (folder / "bench.toml").write_text(HEAD.format(time=time))
    return read_bench_file(folder / "bench.toml")


def table() -> dict[str, np.ndarray]:
    n = 3000
    rng = np.random.default_rng(4)
    return {
        "t": 0.01 * np.arange(n),
        "d0": (np.arange(n) % 7 < 2).astype(int),
        "i": rng.uniform(-1.0, 40.0, n).round(6),
        "v": rng.uniform(3700.0, 3900.0, n).round(3),
    }


def write_csv(path: Path, columns: dict[str, np.ndarray]) -> Path:
    rows = zip(*(v.tolist() for v in columns.values()), strict=True)
    lines = [",".join(columns), *(",".join(map(repr, row)) for row in rows)]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_parquet(path: Path, columns: dict[str, np.ndarray]) -> Path:
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    parquet.write_table(pyarrow.table(columns), path)
    return path


def read(path: Path, bench: BenchFile) -> SampleBlock:
    trace = open_trace(path, bench)
    found = None
    for block in trace.blocks():
        found = block if found is None else joined(found, block)
    assert found is not None
    return found


@pytest.mark.parametrize(("ending", "write"), [(".csv", write_csv), (".parquet", write_parquet)])
def test_tables_give_the_samples_that_are_in_them(
    tmp_path: Path, ending: str, write: Callable[[Path, dict[str, np.ndarray]], Path]
) -> None:
    """Columns are found by name, in any order, and come in microamperes, volts and truth values."""
    columns, bench = table(), bench_of(tmp_path)
    path = write(tmp_path / f"a{ending}", columns)
    found = read(path, bench)
    np.testing.assert_allclose(found.current_ua, 1e3 * columns["i"] - 2.0, rtol=1e-12)
    assert found.voltage_v is not None
    np.testing.assert_allclose(found.voltage_v, columns["v"] / 1e3, rtol=1e-12)
    np.testing.assert_array_equal(found.markers["led"], columns["d0"] == 1)
    trace = open_trace(path, bench)
    list(trace.blocks())
    assert trace.rate_hz() == pytest.approx(1e5, rel=1e-9)


def test_a_rate_stands_in_for_a_time_column(tmp_path: Path) -> None:
    """Where the file beside the trace gives the rate, no column of time is needed."""
    columns = table()
    del columns["t"]
    trace = open_trace(
        write_csv(tmp_path / "a.csv", columns), bench_of(tmp_path, "rate_hz = 250000.0")
    )
    assert sum(len(b) for b in trace.blocks()) == 3000
    assert trace.rate_hz() == 250_000.0


def damaged(tmp_path: Path, change: Callable[[list[str]], list[str]]) -> Path:
    path = write_csv(tmp_path / "a.csv", table())
    path.write_text("\n".join(change(path.read_text().splitlines())) + "\n")
    return path


def without(line: int, n: int = 1) -> Callable[[list[str]], list[str]]:
    return lambda lines: lines[:line] + lines[line + n :]


def instead(line: int, text: str) -> Callable[[list[str]], list[str]]:
    return lambda lines: [*lines[:line], text, *lines[line + 1 :]]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (without(100, 5), r"row 101: time since the row before.*samples are missing"),
        (instead(50, "0.001,0,1.0,3800.0"), r"row 51: time is not rising"),
        (instead(70, "0.69,0,none,3800.0"), r"row 71: i is none, expected a number"),
        (instead(70, "0.69,0,,3800.0"), r"row 71: i is nan, expected a number"),
        (instead(70, "0.69,0,inf,3800.0"), r"row 71: i is inf, expected a number"),
        (instead(70, "0.69,0"), r"row 71: i is nan, expected a number"),
        (instead(0, "t,d0,i,volts"), r"columns named 'v' \(voltage.channel\) is 0, expected 1"),
        (instead(0, "t,d0,i,i"), r"columns named 'i' \(current.channel\) is 2, expected 1"),
        (instead(0, ""), r"first line is empty"),
        (instead(9, "1,2,3,4,5,6"), r"the table is damaged.*line 10, saw 6"),
        (instead(1, "0,00,0,1,0,3800,0"), r"row 2: number of cells is 7, expected 4.*points"),
    ],
)
def test_a_damaged_table_is_one_line_with_its_row(
    tmp_path: Path, change: Callable[[list[str]], list[str]], words: str
) -> None:
    """A gap, a step back, a cell that is no number or a missing column names file and row."""
    path, bench = damaged(tmp_path, change), bench_of(tmp_path)
    with pytest.raises(FormatError, match=words) as fault:
        read(path, bench)
    assert "\n" not in str(fault.value)


def test_a_table_cut_within_a_line_is_refused(tmp_path: Path) -> None:
    """A CSV whose last line has no end was cut off."""
    path = write_csv(tmp_path / "a.csv", table())
    path.write_bytes(path.read_bytes()[:-4])
    with pytest.raises(FormatError, match="last line is cut off"):
        read(path, bench_of(tmp_path))


@pytest.mark.parametrize("write", [write_parquet, None])
def test_a_binary_file_cut_anywhere_is_one_line(
    tmp_path: Path, write: Callable[[Path, dict[str, np.ndarray]], Path] | None
) -> None:
    """Parquet and session files cut at any of many places are refused, and never half read."""
    if write is None:
        path = Synthesis(device(), Bench(duration_s=0.05)).write_session(tmp_path / "a.sr")
        bench = read_bench_file(tmp_path / "a.toml")
    else:
        path, bench = write(tmp_path / "a.parquet", table()), bench_of(tmp_path)
    whole = path.read_bytes()
    for n in {0, 1, 3, *range(4, len(whole) - 1, max(1, len(whole) // 60))}:
        path.write_bytes(whole[:n])
        with pytest.raises(Error) as fault:
            read(path, bench)
        assert "\n" not in str(fault.value)


def test_flipped_bytes_of_a_session_never_escape(tmp_path: Path) -> None:
    """A session file with changed bytes is read or refused in one line, and raises nothing else."""
    path = Synthesis(device(), Bench(duration_s=0.02)).write_session(tmp_path / "a.sr")
    bench = read_bench_file(tmp_path / "a.toml")
    whole, rng = path.read_bytes(), np.random.default_rng(8)
    for _ in range(150):
        changed = bytearray(whole)
        for at in rng.integers(0, len(whole), 3):
            changed[at] = int(rng.integers(0, 256))
        path.write_bytes(bytes(changed))
        try:
            assert all(len(block) for block in open_trace(path, bench).blocks())
        except Error as fault:
            assert "\n" not in str(fault)


def repack(path: Path, change: Callable[[dict[str, bytes]], None]) -> None:
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    change(members)
    with zipfile.ZipFile(path, "w") as new:
        for name, data in members.items():
            new.writestr(name, data)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda m: m.pop("version"), "version is missing"),
        (lambda m: m.update(version=b"3"), "version of the session file is 3, expected 2"),
        (lambda m: m.update(metadata=b"[device 1]\nunitsize=1"), "samplerate is missing"),
        (
            lambda m: m.update(metadata=b"[device 1]\nsamplerate=" + b"9" * 400 + b" Hz"),
            "samplerate is 9999",
        ),
        (
            lambda m: m.update(metadata=m["metadata"].replace(b"size=1", b"size=" + b"1" * 5000)),
            "unitsize is 1111",
        ),
        (lambda m: m.pop("analog-1-5-1"), "length of the channels is not the same"),
        (lambda m: m.update({"analog-1-5-3": m.pop("analog-1-5-1")}), "parts of analog-1-5"),
        (
            lambda m: m.update({"analog-1-5-1": m["analog-1-5-1"][:-2]}),
            "length of the channels is not the same",
        ),
        (
            lambda m: m.update({"analog-1-5-1": b"\xff" * len(m["analog-1-5-1"])}),
            "channel current is not finite",
        ),
        (lambda m: m.update(metadata=m["metadata"].replace(b"=current", b"=A0")), "one of A0"),
        (lambda m: m.update(metadata=m["metadata"].replace(b"probe2=led", b"")), "pin of marker"),
        (lambda m: m.update(metadata=m["metadata"].replace(b"size=1", b"size=x")), "unitsize is x"),
    ],
)
def test_a_session_without_its_parts_is_one_line(
    tmp_path: Path, change: Callable[[dict[str, bytes]], None], words: str
) -> None:
    """Missing members, channels and unlike lengths are told."""
    bench = Bench(duration_s=0.02, marked=("led",))
    path = Synthesis(device(), bench).write_session(tmp_path / "a.sr")
    repack(path, change)
    with pytest.raises(FormatError, match=words):
        read(path, read_bench_file(tmp_path / "a.toml"))


def test_a_session_is_read_as_it_was_written(tmp_path: Path) -> None:
    """Values come back as 32-bit floats, pins bit by bit, over several members."""
    synthesis = Synthesis(device(), Bench(duration_s=3.0, marked=CHANNELS))
    path = synthesis.write_session(tmp_path / "a.sr")
    found = read(path, read_bench_file(tmp_path / "a.toml"))
    values = np.concatenate([v for v, _ in synthesis.blocks()])
    bits = np.concatenate([b for _, b in synthesis.blocks()])
    np.testing.assert_allclose(found.current_ua, values[:, 0], rtol=1e-6, atol=1e-4)
    for i, name in enumerate(CHANNELS):
        np.testing.assert_array_equal(found.markers[name], (bits >> i) & 1 == 1)
    first = path.read_bytes()
    assert synthesis.write_session(tmp_path / "a.sr").read_bytes() == first


@pytest.fixture
def sigrok(need_tool: Callable[[str], str]) -> str:
    """Return sigrok's own program, the outside reader and writer."""
    return need_tool("sigrok-cli")


def told_by_sigrok(sigrok: str, path: Path, *channels: str) -> dict[str, np.ndarray]:
    """What sigrok-cli prints of channels: volts of two decimals, pins bit by bit.

    Its CSV of pins and analog channels together shifts the latter (libsigrok 0.5.2).
    """
    shown = ""
    for form in ("analog", "bits:width=64"):
        done = subprocess.run([sigrok, "-i", path, "-O", form], capture_output=True, text=True)
        shown += "\n".join(x for x in done.stdout.split("\n") if ("V" in x) == (form == "analog"))
        shown += "\n"
    found: dict[str, list[float]] = {name: [] for name in channels}
    for line in shown.split("\n"):
        name, _, rest = line.partition(":")
        if name in found:
            pins = [float(bit) for bit in rest if bit in "01"]
            found[name] += [float(rest.split()[0])] if "V" in rest else pins
    return {name: np.array(values) for name, values in found.items()}


def test_sigrok_reads_a_session_of_ours(tmp_path: Path, sigrok: str) -> None:
    """sigrok-cli tells the same rate, channels, lengths and samples of a file of ours."""
    values = np.arange(50, dtype=np.float32)[:, None] * np.float32(0.25)
    bits = (np.arange(50) % 4).astype(np.uint8)
    path = tmp_path / "ours.sr"
    write_session(path, 20_000, ("current",), ("a", "b"), iter([(values, bits)]))
    shown = subprocess.run(
        [sigrok, "-i", path, "--show"], capture_output=True, text=True, check=True
    ).stdout
    for words in ("Samplerate: 20000", "a: logic", "b: logic", "current: analog",
                  "Logic sample count: 50", "Analog sample count: 50"):  # fmt: skip
        assert words in shown
    told = told_by_sigrok(sigrok, path, "current", "a", "b")
    np.testing.assert_allclose(told["current"], values[:, 0], atol=0.005)
    np.testing.assert_array_equal(told["a"] + 2 * told["b"], bits)


def test_a_session_of_sigrok_is_read(tmp_path: Path, sigrok: str) -> None:
    """A file that sigrok-cli wrote of its demo device gives what sigrok-cli tells of it."""
    path = tmp_path / "theirs.sr"
    subprocess.run(
        [sigrok, "-d", "demo", "--config", "samplerate=100k", "-C", "D0,A1,A2",
         "--samples", "20000", "-o", path],
        check=True, capture_output=True,
    )  # fmt: skip
    (tmp_path / "bench.toml").write_text(
        HEAD.format(time="error_ppm = 50.0").replace('"i"', '"A1"').replace('"v"', '"A2"')
        .replace('"d0"', '"D0"').replace("offset_ua = 2.0", "")
    )  # fmt: skip
    bench = read_bench_file(tmp_path / "bench.toml")
    found = read(path, bench)
    assert len(found) == 20_000
    assert open_trace(path, bench).rate_hz() == 100_000.0
    told = told_by_sigrok(sigrok, path, "A1", "D0")
    np.testing.assert_array_equal(found.markers["led"], told["D0"] == 1)
    assert 0.1 < found.markers["led"].mean() < 0.9
    np.testing.assert_allclose(found.current_ua / 1e3, told["A1"], atol=0.005)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('kind = "measured"', 'kind = "real"', "kind is 'real'"),
        ('kind = "measured"', "", "kind: key is missing"),
        ('unit = "mA"', 'unit = "A/m"', "current.unit is 'A/m'"),
        ("up_to_ma = 100.0", "up_to_ma = -1.0", "up_to_ma is -1.0, expected above 0"),
        ('unit = "mV"', 'unit = "mV"\nsupply_v = 3.0', "supply_v or channel"),
        ('led = "d0"', 'lamp = "d0"', "markers.lamp: unknown key"),
        ('unit = "ms"', 'unit = "ms"\nrate_hz = 5.0', "channel and rate_hz are both there"),
        ("date = 2026-11-20", 'date = "today"', "date"),
        (
            "[voltage]",
            "[[current.range]]\nup_to_ma = 50.0\ngain_error_percent = 1.0\noffset_error_ua = 1.0\n"
            "[voltage]",
            "does not rise",
        ),
        ("[markers]", "[unpowered]\nfrom_s = 2.0\nto_s = 1.0\n[markers]", "to_s is not after"),
    ],
)
def test_a_wrong_key_beside_the_trace_names_its_line(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    """The file beside the trace is checked whole; the message names file, line and key."""
    text = HEAD.format(time=BY_TIME)
    assert old in text
    (tmp_path / "bench.toml").write_text(text.replace(old, new, 1))
    with pytest.raises(FormatError, match=words) as fault:
        read_bench_file(tmp_path / "bench.toml")
    assert "bench.toml, line " in str(fault.value)


def test_other_endings_and_missing_files_are_told(tmp_path: Path) -> None:
    """A trace of another kind, or none at all, says what was expected."""
    bench = bench_of(tmp_path)
    with pytest.raises(UsageError, match=r"ending is \.txt, expected \.csv, \.parquet or \.sr"):
        open_trace(tmp_path / "a.txt", bench)
    for ending in (".csv", ".parquet", ".sr"):
        with pytest.raises(UsageError, match="unreadable"):
            read(tmp_path / f"a{ending}", bench)
    write_csv(tmp_path / "b.csv", table())
    with pytest.raises(FormatError, match=r"time\.channel is missing"):
        open_trace(tmp_path / "b.csv", bench_of(tmp_path, ""))
