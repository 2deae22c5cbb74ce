"""`palmwatt measure`: faults are one line and leave everything as it was; parts close the loop."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from trace_bench import Bench, Synthesis, device, operating, write_budget_json

from runtime.budget.inputs.library import Driver, Link, Mcu, load_parts
from runtime.trace.predicted import frame_steps, read_prediction, sleep_power_uw
from trainer.cli import main

AUTO = ((1_000.0, 0.1, 0.02, 1.0), (200_000.0, 20.0, 1.0, 1.0))


@dataclass(frozen=True)
class Result:
    """How a command ended, and all that it printed."""

    exit_code: int
    output: str


def run(*words: object) -> Result:
    printed = io.StringIO()
    with (
        redirect_stdout(printed),
        redirect_stderr(printed),
        pytest.raises(SystemExit) as end,
    ):
        main(["measure", *map(str, words)])
    return Result(int(end.value.code or 0), printed.getvalue())


def refused(result: Result, *words: str) -> None:
    assert result.exit_code == 2, result.output
    lines = [line for line in result.output.splitlines() if line.strip()]
    assert len(lines) == 1, lines
    for each in words:
        assert each in lines[0]


def written(folder: Path, bench: Bench, seed: int = 1, **inputs: float) -> tuple[Path, Synthesis]:
    synthesis = Synthesis(device(**inputs), bench, seed)
    return synthesis.write_session(folder / "run.sr"), synthesis


def edit(path: Path, old: str, new: str) -> None:
    text = path.with_suffix(".toml").read_text()
    assert old in text
    path.with_suffix(".toml").write_text(text.replace(old, new, 1))


FAULTS = {
    "clipped at the range's end": (
        Bench(duration_s=3.0, ranges=((30_000.0, 3.0, 0.0, 1.0),), clip_ua=30_000.0),
        ("current is clipped", "below 30 mA", "wider range"),
    ),
    "clipped below it": (
        Bench(duration_s=3.0, clip_ua=25_000.0),
        ("current is clipped", "exactly 25 mA", "wider range"),
    ),
    "sampled too slowly": (
        Bench(duration_s=20.0, rate_hz=10_000.0),
        ("sampling rate is 10,000 Hz", "at least 19,512 Hz", "alias"),
    ),
    "zero too low": (
        Bench(duration_s=3.0, ranges=((100_000.0, 1.0, -20.0, 1.0),)),
        ("The zero is wrong", "current.offset_ua"),
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_trace_that_cannot_be_right_is_one_line(tmp_path: Path, name: str) -> None:
    """Clipping, aliasing and a wrong zero each end with 2 and one line, and nothing is written."""
    bench, words = FAULTS[name]
    path, _ = written(tmp_path, bench)
    if name == "zero too low":
        edit(path, "offset_error_ua = 30.02", "offset_error_ua = 0.5")
    page = tmp_path / "run.html"
    page.write_text("an older page")
    refused(run(path), str(path), *words)
    assert page.read_text() == "an older page"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.html", "run.sr", "run.toml"]


def test_clipped_tops_are_told_from_quiet_ones(tmp_path: Path) -> None:
    """Coarse steps of an instrument and a current without noise are not taken for clipping."""
    for step, noise in ((50.0, 20.0), (0.0, 0.0), (200.0, 20.0)):
        bench = Bench(duration_s=3.0, ranges=((100_000.0, noise, 0.0, 1.0),), step_ua=step)
        path, _ = written(tmp_path, bench)
        edit(path, "offset_error_ua = 0.02", "offset_error_ua = 120.0")
        assert run(path).exit_code == 0, (step, noise)


def test_seconds_taken_for_milliseconds_are_told(tmp_path: Path) -> None:
    """A frame period a thousand times off says which key to look at, either way round."""
    synthesis = Synthesis(device(), Bench(duration_s=2.0))
    values = np.concatenate([v for v, _ in synthesis.blocks()])[:, 0]
    lines = ["t,current", *(f"{1e-5 * i:.6f},{x:.4f}" for i, x in enumerate(values))]
    (tmp_path / "run.csv").write_text("\n".join(lines) + "\n")
    text = synthesis.toml(frame_period_ms="33.333").replace(
        "rate_hz = 100000.0", 'channel = "t"\nunit = "ms"'
    )
    (tmp_path / "run.toml").write_text(text)
    refused(run(tmp_path / "run.csv"), "frame period is 3.333e-05 s", "time.unit", "milliseconds")
    (tmp_path / "run.toml").write_text(text.replace('unit = "ms"', 'unit = "s"'))
    assert run(tmp_path / "run.csv").exit_code == 0
    late = [f"{1e-2 * i:.6f},{x:.4f}" for i, x in enumerate(values)]
    (tmp_path / "run.csv").write_text("\n".join(["t,current", *late]) + "\n")
    (tmp_path / "run.toml").write_text(text.replace('unit = "ms"', 'unit = "s"'))
    refused(run(tmp_path / "run.csv"), "frame period is 33.33 s", "time.unit")


def test_a_marker_that_never_changes_is_told(tmp_path: Path) -> None:
    """A pin that is low, or high, all the time names its channel."""
    path, _ = written(tmp_path, Bench(duration_s=2.0, marked=("led",)))
    text = path.with_suffix(".toml").read_text()
    dead = Synthesis(device(mcu__start_time=0.0), Bench(duration_s=2.0, marked=("led",)))
    dead.write_session(path)
    path.with_suffix(".toml").write_text(text.replace('led = "led"', 'compute = "wake"'))
    refused(run(path), "marker compute (channel wake) is low all the time", "Check the wire")


def test_a_cut_off_trace_is_told(tmp_path: Path) -> None:
    """A file cut short, or with fewer samples than announced, is refused."""
    path, _ = written(tmp_path, Bench(duration_s=2.0))
    edit(path, "led_pulse_us", "n_samples = 250000\nled_pulse_us")
    refused(run(path), "number of samples is 200000, expected 250000", "cut off")
    path.write_bytes(path.read_bytes()[:-5000])
    refused(run(path), "damaged or cut off")


def test_a_zero_read_without_power_is_held_to_its_bounds(tmp_path: Path) -> None:
    """With the device off for a while, the instrument's own zero is seen, and told if it is off."""
    bench = Bench(duration_s=4.0, unpowered_s=0.5, ranges=((100_000.0, 2.0, 4.0, 1.0),))
    path, _ = written(tmp_path, bench)
    assert run(path).exit_code == 0
    edit(path, "offset_error_ua = 6.02", "offset_error_ua = 1.0")
    result = run(path)
    refused(result, "current without power is", "current.offset_ua to")
    wanted = float(result.output.split("offset_ua to ")[1].split()[0].rstrip("."))
    assert wanted == pytest.approx(4.0, abs=0.2)


def test_a_trace_without_a_device_is_told(tmp_path: Path) -> None:
    """A current of one level, noise alone, holds no frames."""
    _, synthesis = written(tmp_path, Bench(duration_s=2.0))
    rng = np.random.default_rng(2)
    for current in (np.full(200_000, 5.0), 5.0 + rng.standard_normal(200_000)):
        lines = ["current", *(f"{x:.5f}" for x in current)]
        (tmp_path / "run.csv").write_text("\n".join(lines) + "\n")
        (tmp_path / "run.toml").write_text(synthesis.toml())
        refused(run(tmp_path / "run.csv"), "number of frames found")


def test_parts_of_a_trace_bring_the_budget_to_the_device(tmp_path: Path) -> None:
    """A budget that takes the values of a trace predicts the device that the trace came from.

    The device differs from the library's in sleep, waiting, compute, waking, driver and link; each
    value is found again within its range, and the state machine's energies within 1 %. Cycles are
    looser: bringing the clock up takes half a microsecond at another current, within one sample.
    """
    unlike = {
        "mcu__sleep_current": 7.0, "mcu__wait_current": 180.0, "active__derating": 1.9,
        "active__flash_wait": 2.5, "mcu__start_time": 31.0, "driver__efficiency": 0.74,
        "driver__settle_time": 9.0, "sensor_link__bit_energy": 40.0,
    }  # fmt: skip
    bench = Bench(duration_s=30.0, ranges=AUTO, jitter_us=120.0)
    path, synthesis = written(tmp_path, bench, **unlike)
    budget = write_budget_json(tmp_path / "budget.json", device())
    result = run(path, "--budget", budget, "--json")
    assert result.exit_code == 0, result.output
    own = tmp_path / "run.parts.toml"
    library, states = load_parts(own), operating()
    state = library.get(Mcu, "stm32u575").state
    driver, link = library.get(Driver, "switched"), library.get(Link, "spi")
    computing = state[states["computing"]]
    assert computing.derating is not None
    assert computing.flash_wait is not None
    found = {
        "mcu__sleep_current": state[states["sleeping"]].current,
        "mcu__wait_current": state[states["waiting"]].current,
        "active__derating": computing.derating,
        "active__flash_wait": computing.flash_wait,
        "driver__efficiency": driver.efficiency,
        "driver__settle_time": driver.settle_time,
        "sensor_link__bit_energy": link.bit_energy,
    }
    for name, value in found.items():
        slack = (0.04 if name == "active__flash_wait" else 0.002) * unlike[name]
        assert value.low - slack <= unlike[name] <= value.high + slack, name
        assert value.measured is None
        assert value.source.startswith("invented: a synthetic trace, sha256 ")
    v = dict(read_prediction(budget, "active").values)
    v |= {name.replace("__", "."): value.typical for name, value in found.items()}
    v["mcu.start_time"] = next(
        p["typical"] for p in json.loads(result.output)["parts"] if ".wakes." in p["value"]
    )
    steps = {s.name: s.energy_uj for s in frame_steps(v, "active")}
    for step in synthesis.made.steps:
        assert steps[step.name] == pytest.approx(step.energy_uj, rel=0.01), step.name
    assert sleep_power_uw(v) == pytest.approx(synthesis.made.floor_uw, rel=0.02)


def test_a_synthetic_trace_is_synthetic_everywhere(tmp_path: Path) -> None:
    """Lines, JSON, page and parts of a synthetic trace say so, and never that it was measured."""
    path, _ = written(tmp_path, Bench(duration_s=4.0))
    budget = write_budget_json(tmp_path / "budget.json", device())
    lines = run(path, "--budget", budget).output.splitlines()
    assert "synthetic trace, no device was measured" in lines[0]
    told = json.loads(run(path, "--budget", budget, "--json").output)
    assert told["kind"] == "synthetic"
    assert all("synthetic_uj" in term and "measured_uj" not in term for term in told["terms"])
    page = (tmp_path / "run.html").read_text()
    body = page.split("<body>")[1]
    assert "Synthetic." in body
    assert "No device was measured" in body
    assert "measured, µJ" not in body
    parts = (tmp_path / "run.parts.toml").read_text()
    assert parts.startswith("# Synthetic: no device was measured.")
    assert "measured = {" not in parts


def test_a_measured_trace_carries_device_instrument_date_and_hash(tmp_path: Path) -> None:
    """Values of a real trace are of the kind measured, with what a reader needs to ask again."""
    path, _ = written(tmp_path, Bench(duration_s=4.0))
    edit(path, 'kind = "synthetic"', 'kind = "measured"')
    edit(path, '"state machine of the budget"', "'board \"3\" \\ rev B'")
    budget = write_budget_json(tmp_path / "budget.json", device())
    told = json.loads(run(path, "--budget", budget, "--json").output)
    value = load_parts(tmp_path / "run.parts.toml").get(Driver, "switched").efficiency
    one = value.as_input("driver.efficiency")
    assert one.kind == "measured"
    assert one.bench is not None
    assert one.bench.device == 'board "3" \\ rev B'
    assert one.bench.instrument == "none: synthesised"
    assert one.bench.date == "2026-11-20"
    assert one.bench.sha256 == told["sha256"]
    assert all("measured_uj" in term for term in told["terms"])
    assert "Synthetic" not in (tmp_path / "run.html").read_text().split("<body>")[1]


def test_a_value_that_cannot_be_is_left_out_and_said(tmp_path: Path) -> None:
    """An LED that takes less than its set current would at no loss gives no efficiency above 1."""
    path, synthesis = written(tmp_path, Bench(duration_s=4.0), driver__efficiency=0.98)
    made = synthesis.made
    dim = replace(
        made,
        steps=tuple(
            replace(s, energy_uj=0.8 * s.energy_uj) if s.phase == "led" else s for s in made.steps
        ),
    )
    Synthesis(dim, Bench(duration_s=4.0)).write_session(path)
    budget = write_budget_json(tmp_path / "budget.json", device())
    told = json.loads(run(path, "--budget", budget, "--json").output)
    assert not any(p["value"] == "driver.switched.efficiency" for p in told["parts"])
    assert any(m.startswith("driver.switched.efficiency: the trace") for m in told["parts_missing"])
    assert (
        "# not from this trace: driver.switched.efficiency"
        in (tmp_path / "run.parts.toml").read_text()
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        "[1]",
        '{"inputs": {}, "parts": {}, "choice": {}, "operating_states": {}}',
        '{"inputs": {"a": {"unit": "1"}}}',
        "[" * 100_000,
    ],
)
def test_a_budget_that_is_none_is_one_line(tmp_path: Path, text: str) -> None:
    """Any other file in place of budget.json is told, before the trace is read."""
    path, _ = written(tmp_path, Bench(duration_s=1.0))
    (tmp_path / "budget.json").write_text(text)
    refused(run(path, "--budget", tmp_path / "budget.json"), "the budget is not whole")


def test_names_in_a_budget_cannot_write_tables_of_their_own(tmp_path: Path) -> None:
    """A part's name that is no plain key is refused: it would become a line of the parts file."""
    path, _ = written(tmp_path, Bench(duration_s=1.0))
    budget = write_budget_json(tmp_path / "budget.json", device())
    data = json.loads(budget.read_text())
    data["choice"]["mcu"] = "x]\n[host.phone]\nn_runs = 5 #"
    budget.write_text(json.dumps(data))
    refused(run(path, "--budget", budget), "the budget is not whole")


def test_help_shows_an_example() -> None:
    """The command's help ends with one."""
    assert "Example: palmwatt measure" in run("--help").output


def test_an_output_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    """A page into a folder that is not there ends with 2 and one line."""
    path, _ = written(tmp_path, Bench(duration_s=2.0))
    refused(run(path, "--out", tmp_path / "no" / "page.html"), "not writable")
    refused(run(path, "--parts-out", tmp_path / "p.toml"), "the budget is missing")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run.sr", "run.toml"]
