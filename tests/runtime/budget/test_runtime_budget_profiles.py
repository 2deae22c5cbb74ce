"""What is executed and priced: the firmware on disk, the watching stage, published benchmarks."""

from __future__ import annotations

import itertools
import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from budget_models import CORES, write_folder
from firmware_models import dense

from runtime.budget import budget
from runtime.budget.inputs.library import Mcu, load_parts
from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.page.report import budget_page
from runtime.budget.price.power import FORMULAS, average_power, controller_cycles, latency_ms
from runtime.errors import FormatError, UsageError
from runtime.firmware.emit.folder import write_firmware
from runtime.firmware.profile import CoreProfile, profile
from runtime.firmware.watching import WARM_UP_FRAMES, watching_model, watching_threshold
from runtime.model import Model, load_model, save_model
from runtime.sample_frames import write_test_frames
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.skip import Skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("models") / "dynamic")


@pytest.fixture(scope="module")
def priced(folder: Path) -> Any:
    return budget(folder, cores=CORES)


def test_profile_is_executed_once_and_kept(folder: Path, priced: Any) -> None:
    """A second budget reads the profile by the hash of its C and executes nothing."""
    (folder / "test_frames.npz").rename(folder / "away.npz")
    try:
        again = budget(folder, cores=CORES)
    finally:
        (folder / "away.npz").rename(folder / "test_frames.npz")
    assert again.profiles == priced.profiles
    assert again.average_uw == priced.average_uw


def test_a_head_that_runs_seldom_is_priced_by_its_mean(folder: Path, tmp_path: Path) -> None:
    """Whole periods are executed, power takes the mean frame, latency the one that takes most."""
    whole = load_model(folder)
    stages = (whole.stages[0], Skip(64, 7), *whole.stages[1:])
    seldom = Model("seldom", whole.task, whole.sensor, whole.classes, stages)
    copy = tmp_path / "seldom"
    save_model(seldom, copy)
    lit, dark = np.random.default_rng(2).integers(64, 4000, (2, 38, 32, 32)).astype(np.uint16)
    write_test_frames(copy, lit, dark)
    found = budget(copy, cores=CORES)
    core, peak = found.core, found.inputs["active.peak_cycles"].typical
    assert core.n_frames == 35
    share = core.worst_frame_instructions / core.instructions_per_frame - 1.0
    assert share > 0.2
    assert peak == pytest.approx(share * core.cycles_per_frame[1])
    assert "of 7 frames" in found.inputs["active.peak_cycles"].source
    typical = typical_values(found.inputs)
    even = {name: value for name, value in typical.items() if name != "active.peak_cycles"}
    assert average_power(typical) == average_power(even)
    more_us = peak / typical["active.clock"]
    assert latency_ms(typical) == pytest.approx(latency_ms(even) + more_us / 1e3)
    assert found.latency_ms.typical == latency_ms(typical)
    assert "state.peak_cycles" in FORMULAS["latency ms"]
    assert "active.peak_cycles" not in budget(folder, cores=CORES).inputs


def test_damaged_profile_cache_is_measured_again(folder: Path, priced: Any) -> None:
    """A cache that cannot be read is replaced, not believed."""
    keys = json.loads((folder / "profile.json").read_text())
    foreign = json.dumps({key: {"cortex-m33": {"core": 1}} for key in keys})
    for damage in ("{", "[]", foreign):
        (folder / "profile.json").write_text(damage)
        assert budget(folder, cores=CORES).profiles == priced.profiles


def test_firmware_on_disk_is_what_is_priced(folder: Path, priced: Any, tmp_path: Path) -> None:
    """The folder's own C is compiled, and a changed one is priced as it is and told to be so."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    assert priced.profiles.firmware == "generated"
    write_firmware(load_model(copy), copy / "firmware")
    same = budget(copy, cores=CORES)
    assert same.profiles.firmware == "on disk"
    assert same.core == priced.core
    source = copy / "firmware" / "pw_model.c"
    text = source.read_text()
    start = text.index("void pw_step(") if "void pw_step(" in text else text.index("pw_step(")
    body = text.index("{", start) + 1
    slower = "\n    for (volatile int32_t i = 0; i < 1000; i++) {\n    }\n"
    source.write_text(text[:body] + slower + text[body:])
    changed = budget(copy, cores=CORES)
    assert changed.profiles.firmware == "on disk, changed"
    assert changed.core.instructions_per_frame > same.core.instructions_per_frame + 3000
    assert any("changed firmware" in sentence for sentence in changed.cautions)
    assert "the changed C in the model folder" in budget_page([changed])
    assert changed.to_json()["firmware_priced"] == "on disk, changed"


def test_comment_in_the_firmware_changes_nothing(folder: Path, tmp_path: Path) -> None:
    """Comments are no code: the same profile is used, and nothing is executed."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    write_firmware(load_model(copy), copy / "firmware")
    budget(copy, cores=CORES)
    source = copy / "firmware" / "pw_model.c"
    source.write_text("/* reviewed */\n" + source.read_text())
    (copy / "test_frames.npz").unlink()
    assert budget(copy, cores=CORES).profiles.firmware == "on disk"


def test_firmware_that_lacks_a_file_or_is_no_text_is_refused(folder: Path, tmp_path: Path) -> None:
    """A firmware folder without its C, or with bytes that are no text, is one clear line."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    write_firmware(load_model(copy), copy / "firmware")
    (copy / "firmware" / "pw_weights.h").write_bytes(b"\xff\xfe")
    with pytest.raises(FormatError, match="not UTF-8"):
        budget(copy, cores=CORES)
    (copy / "firmware" / "pw_weights.h").unlink()
    with pytest.raises(UsageError, match=r"pw_weights\.h: the file is unreadable"):
        budget(copy, cores=CORES)


def test_watching_stage_is_executed_and_cheaper_than_what_it_wakes(priced: Any) -> None:
    """The watching stage has its own instructions, fewer than the model's."""
    asleep, awake = priced.watching_core, priced.core
    assert 0 < asleep.instructions_per_frame < awake.instructions_per_frame


@pytest.mark.parametrize("ambient_e", [0.0, 400.0, 8000.0])
def test_watching_stage_sleeps_on_noise_and_wakes_on_a_hand(ambient_e: float) -> None:
    """In the dark, indoors and in bright light noise does not wake; a bright object does."""
    sensor = Sensor("emulated 32x32", 32, 32)
    rng = np.random.default_rng(2)
    electrons = rng.poisson(ambient_e, (2, 300, 32, 32)) + rng.normal(0, 8, (2, 300, 32, 32))
    counts = np.clip(np.rint(64 + 0.25 * electrons), 0, 4095).astype(np.uint16)
    model = watching_model(sensor)
    warm = WARM_UP_FRAMES
    assert np.all(model.run(counts[0], counts[1]).events[warm:] == -1)
    counts[0, 200:, :, :16] += 400
    assert model.run(counts[0], counts[1]).events[200] == 1


@pytest.mark.parametrize("n_cols", [32, 12, 2, 33])
def test_noise_wakes_the_watching_stage_less_than_once_an_hour(n_cols: int) -> None:
    """Of 400,000 frames of noise alone, 22 hours at 5 Hz, fewer wake than there are hours."""
    model = watching_model(Sensor("narrow or wide", 32, n_cols))
    n_bins = model.entry.n_out
    x = np.random.default_rng(3).normal(0.0, 1000.0, (400_000, n_bins)).astype(np.int32)
    for stage in model.stages[1:-1]:
        x, _ = stage.run(x, stage.initial_state())
    woken = x[WARM_UP_FRAMES:, 1] - x[WARM_UP_FRAMES:, 0] >= watching_threshold(model)
    assert np.count_nonzero(woken) < 22


@pytest.mark.parametrize("light", ["lamp on", "lamp off"])
def test_a_lamp_that_is_switched_is_no_hand(light: str) -> None:
    """Noise that is three times as strong from one frame to the next, or as weak, wakes hardly."""
    sensor = Sensor("emulated 32x32", 32, 32)
    rng, model = np.random.default_rng(5), watching_model(sensor)
    n_woken = 0
    for _ in range(40):
        mean = np.where(np.arange(40) < 20, 200.0, 2400.0)[:, None, None]
        mean = mean if light == "lamp on" else mean[::-1]
        electrons = rng.poisson(np.broadcast_to(mean, (2, 40, 32, 32)))
        counts = np.rint(64 + 0.25 * (electrons + rng.normal(0, 8, electrons.shape)))
        lit, dark = counts.astype(np.uint16)
        n_woken += bool(np.any(model.run(lit, dark).events[WARM_UP_FRAMES:] == 1))
    assert n_woken <= 2


def test_a_hand_is_found_at_little_more_light_than_the_ideal_needs() -> None:
    """A step of twice the deviations that known noise and an ideal sum ask for wakes nearly always.

    What the ideal knows, and the stage has to learn from twelve frames, costs less than half.
    """
    sensor = Sensor("emulated 32x32", 32, 32)
    rng, model = np.random.default_rng(6), watching_model(sensor)
    noise = np.sqrt(2 * 16 * 32 * (800.0 + sensor.read_noise_e**2))  # electrons, of the whole sum
    ideal = 4.2 * noise / np.sqrt(4)  # once in four hours at 5 a second, of four frames' mean
    found = 0
    for _ in range(40):
        lit = np.full((24, 32, 32), 800.0)
        lit[16:] += 2.0 * ideal / (16 * 32)
        electrons = [rng.poisson(mean) + rng.normal(0, sensor.read_noise_e, mean.shape)
                     for mean in (lit, np.full_like(lit, 800.0))]  # fmt: skip
        counts = [np.rint(64 + sensor.conversion_gain_dn_per_e * e).astype(np.uint16)
                  for e in electrons]  # fmt: skip
        events = model.run(*counts).events
        assert np.all(events[WARM_UP_FRAMES:16] == -1)
        found += bool(np.any(events[16:20] == 1))
    assert found >= 38


def test_counts_of_the_watching_stage_take_the_place_of_assumed_ones(
    folder: Path, priced: Any, tmp_path: Path
) -> None:
    """A measured miss rate and false wakes are used, and called counted on the page."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    rate = {"value": 0.25, "low": 0.2, "high": 0.3}
    counts = {
        "n_arrivals": 480, "n_false_wakes": 1, "empty_hours": 2.1, "n_rows": 16,
        "rate_hz": 5.0, "led_share": 0.2,
    }  # fmt: skip
    found["wake_up"] = {"miss_rate": rate, "false_wakes_per_hour": rate, **counts}
    (copy / "evaluation.json").write_text(json.dumps(found))
    result = budget(copy, cores=CORES)
    missed = result.inputs["usage.miss_rate"]
    assert (missed.typical, missed.kind) == (0.25, "counted")
    assert "480 arrivals" in missed.source
    assert "(counted)" in budget_page([result])
    assert "not measured yet" not in budget_page([result])
    assert "not measured yet" in budget_page([priced])
    assert result.average_uw.typical < priced.average_uw.typical  # fewer false wakes than assumed
    found["wake_up"]["empty_hours"] = 0.02
    (copy / "evaluation.json").write_text(json.dumps(found))
    short = budget(copy, cores=CORES).inputs
    assert short["usage.miss_rate"].kind == "counted"
    assert short["usage.false_wakes"].kind == "invented"
    assert "1 in 1.2 min without a hand, too short" in short["usage.false_wakes"].source
    found["wake_up"]["rate_hz"] = 10.0  # counted at another setting: says nothing about this one
    (copy / "evaluation.json").write_text(json.dumps(found))
    assert budget(copy, cores=CORES).inputs["usage.miss_rate"].kind == "invented"


def _anomaly_network() -> tuple[Model, Any]:
    """Return the anomaly-detection network of the benchmark with random weights, and frames."""
    rng = np.random.default_rng(0)
    widths = (640, 128, 128, 128, 128, 8, 128, 128, 128, 128, 640)
    pairs = list(itertools.pairwise(widths))
    assert sum(a * b for a, b in pairs) == 264_192
    layers = []
    for index, (n_in, n_out) in enumerate(pairs):
        weights = rng.integers(-127, 128, (n_out, n_in)).astype(np.int8)
        last = index == len(pairs) - 1
        layers.append(dense(weights, 32) if last else dense(weights, 8, 1, 12 if index else 24))
    model = Model(
        name="anomaly",
        task="anomaly",
        sensor=Sensor("20x32", 20, 32),
        classes=tuple(f"class_{i}" for i in range(640)),
        stages=(Bins(20, 32, 20, 32), *layers, Decision((False,) * 640, 0, 0, 1, 0)),
        provenance={"made by": "a test"},
    )
    return model, rng.integers(64, 4000, (2, 20, 32)).astype(np.uint16)


@pytest.fixture(scope="module")
def anomaly() -> dict[str, CoreProfile]:
    model, lit = _anomaly_network()
    return {core: profile(model, core, lit, lit // 4) for core in ("cortex-m4", "cortex-m33")}


def _fastest(mcu: Mcu) -> dict[str, Any]:
    """Return the row of the fastest clock, with its power in uW: current x voltage x derating."""
    clocked = [s for s in mcu.state.values() if s.clock is not None]
    row = max(clocked, key=lambda s: s.clock.typical if s.clock is not None else 0.0)
    power = {}
    for end in ("low", "typical", "high"):
        heavier = 1.0 if row.derating is None else getattr(row.derating, end)
        power[end] = getattr(row.current, end) * row.supply.typical * heavier
    return {"clock": row.clock, "flash_wait": row.flash_wait, "power_uw": SimpleNamespace(**power)}


@pytest.mark.parametrize(
    ("name", "per_second", "microjoules"),
    [
        ("stm32l4r5", 190.086, 203.368),  # v1.2
        ("stm32l4r5", 145.829, 293.912),  # v1.1
        ("stm32u575", 291.589, 81.875),  # v1.2
    ],
)
def test_published_benchmark_rows_are_met_within_a_factor_of_two(
    anomaly: dict[str, CoreProfile], name: str, per_second: float, microjoules: float
) -> None:
    """The anomaly-detection network costs what was measured on boards, within a factor of two.

    MLPerf Tiny results v1.1 and v1.2 (mlcommons/tiny_results_v1.1 and _v1.2, closed,
    STMicroelectronics, ad, results.txt and log.txt, 2023 and 2024): inferences/s and uJ.
    640-128x4-8-128x4-640, 264,192 multiply-accumulates. The same layers are generated and
    executed; what is compared is what a budget would say: executed cycles and the waits for a
    flash from which every weight is read once, and energy with the benchmark's derating. The
    boards ran other software, which alone moved the first part from 3.1 to 2.4 cycles a
    multiply-accumulate; kernels better than theirs lower our figure and are no error of the model,
    so the bound below is checked at the upper end of the stated ranges, the one above at the lower.
    """
    mcu = load_parts().get(Mcu, name)
    row = _fastest(mcu)
    found = anomaly[mcu.core]
    measured_cycles = row["clock"].typical * 1e6 / per_second
    assert 1.8 < measured_cycles / 264_192 < 5.3

    def predicted(end: str, cycles: float) -> tuple[float, float]:
        values = {
            "active.cycles": cycles,
            "active.flash_bytes": found.code_bytes + found.const_bytes,
            "active.flash_wait": getattr(row["flash_wait"], end),
        }
        taken = float(controller_cycles(values, "active"))
        pj_a_cycle = getattr(row["power_uw"], end) / row["clock"].typical
        return taken / measured_cycles, taken * pj_a_cycle / 1e6 / microjoules

    low, typical, high = found.cycles_per_frame
    for at_low, at_typical, at_high in zip(
        predicted("low", low), predicted("typical", typical), predicted("high", high), strict=True
    ):
        assert at_low < 2.0
        assert at_high > 0.5
        assert 0.55 < at_typical < 1.8


def test_benchmarked_power_is_energy_times_rate() -> None:
    """293.912 uJ at 145.716/s is 42.827 mW (published: 42.823), 1.80 times the headline current.

    MLPerf Tiny results v1.1, STMicroelectronics NUCLEO_L4R5ZI, ad, energy results.txt, 2023; with
    the rows of v1.2 the derating spans 1.6 to 2.33.
    """
    watts = 293.912e-6 * 145.716
    assert watts == pytest.approx(42.823e-3, rel=2e-4)
    rows = {
        "stm32l4r5": (watts, 203.368e-6 * 190.458),
        "stm32u575": (81.875e-6 * 293.341,),
    }
    for name, benchmarked in rows.items():
        power_uw = _fastest(load_parts().get(Mcu, name))["power_uw"]
        for row in benchmarked:
            assert power_uw.low <= 1e6 * row <= power_uw.high


@pytest.mark.parametrize("demo", ["dynamic", "finger_count"])
def test_demo_models_cost_less_than_was_asked_for(demo: str, tmp_path: Path) -> None:
    """Half an hour of hand and 200 gestures a day under 100 uW, and under 2 mW meanwhile."""
    copy = tmp_path / demo
    shutil.copytree(Path(__file__).parents[3] / "models" / demo, copy)
    result = budget(copy, cores=CORES)
    inputs = {name: x.typical for name, x in result.inputs.items()}
    assert inputs["usage.hand_present"] >= 30
    assert inputs["usage.gestures"] * inputs["usage.hand_present"] / 60 >= 200
    # Shapes that are held still are read at three frames a second, movements at thirty.
    assert inputs["active.rate"] == (30 if demo == "dynamic" else 3)
    assert inputs["watching.rate"] == 5
    assert result.while_active_uw.typical < 2000
    assert result.average_uw.typical < 100
    assert all(result.part_uw[part].typical > 0 for part in result.part_uw)
