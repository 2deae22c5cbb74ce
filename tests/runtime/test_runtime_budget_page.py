"""From a model folder to budget.json and the page, on a real model executed on emulated cores."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from runtime.budget import Choice, Limits, budget, load_limits, write_budget, write_report
from runtime.budget.limits import check, junit_xml
from runtime.budget.power import PARTS, average_power
from runtime.budget.report import render
from runtime.budget.uncertainty import Interval
from runtime.budget.watching import watching_model
from runtime.cli import commands
from runtime.errors import FormatError, UsageError
from runtime.firmware.profile import profile
from runtime.model import Model, save_model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.decision import Decision
from runtime.stages.dense import Dense

CORES = ("cortex-m33",)


def _dense(weights: Any, out_bits: int = 32, multiplier: int = 1, shift: int = 0) -> Dense:
    bias = np.zeros(len(weights), dtype=np.int32)
    return Dense(
        weights, bias, multiplier, shift, out_bits != 32, out_bits,
        real_weights=weights.astype(np.float64), real_bias=bias.astype(np.float64),
    )  # fmt: skip


def _share(value: float) -> dict[str, Any]:
    return {"accuracy": {"value": value, "low": value - 0.05, "high": value + 0.04}}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a model folder: 64 bins, a linear head of random weights, 12 random frames."""
    path: Path = tmp_path_factory.mktemp("models") / "dynamic"
    path.mkdir()
    rng = np.random.default_rng(0)
    weights = rng.integers(-127, 128, (3, 64)).astype(np.int8)
    model = Model(
        name="dynamic",
        task="dynamic",
        sensor=Sensor("emulated 32x32", 32, 32),
        classes=("other", "swipe_left", "swipe_right"),
        stages=(
            Bins(32, 32, 8, 8), _dense(weights), Decision((True, False, False), 1000, 0, 1, 5),
        ),
        provenance={"made by": "a test"},
    )  # fmt: skip
    save_model(model, path)
    lit = rng.integers(64, 4000, (12, 32, 32)).astype(np.uint16)
    np.savez(path / "test_frames.npz", lit=lit, dark=lit // 8)
    scores = {"float": _share(0.93), "fixed": _share(0.92), "four_quadrant": _share(0.71)}
    (path / "evaluation.json").write_text(json.dumps(scores))
    return path


@pytest.fixture(scope="module")
def priced(folder: Path) -> Any:
    return budget(folder, cores=CORES, limits=Limits(average_uw=500.0, accuracy=0.9))


def test_json_holds_all_inputs_of_its_own_result(priced: Any) -> None:
    """The average worked out anew from the printed inputs alone is the printed average."""
    data = json.loads(json.dumps(priced.to_json()))
    values = {name: x["typical"] for name, x in data["inputs"].items()}
    again = sum(average_power(values).values())
    assert again == pytest.approx(data["average_uw"]["typical"], rel=1e-9)
    by_part = sum(part["total"]["typical"] for part in data["average_uw_by_part"].values())
    assert by_part == pytest.approx(again, rel=1e-9)
    assert data["average_uw"]["low"] < again < data["average_uw"]["high"]


def test_profile_is_executed_once_and_kept(folder: Path, priced: Any) -> None:
    """A second budget reads the profile by the hash of its C and executes nothing."""
    (folder / "test_frames.npz").rename(folder / "away.npz")
    try:
        again = budget(folder, cores=CORES)
    finally:
        (folder / "away.npz").rename(folder / "test_frames.npz")
    assert again.profiles == priced.profiles
    assert again.average_uw == priced.average_uw


def test_damaged_profile_cache_is_measured_again(folder: Path, priced: Any) -> None:
    """A cache that cannot be read is replaced, not believed."""
    keys = json.loads((folder / "profile.json").read_text())
    foreign = json.dumps({key: {"cortex-m33": {"core": 1}} for key in keys})
    for damage in ("{", "[]", foreign):
        (folder / "profile.json").write_text(damage)
        assert budget(folder, cores=CORES).profiles == priced.profiles


def test_watching_stage_is_executed_and_cheaper_than_what_it_wakes(priced: Any) -> None:
    """The watching stage has its own instructions, fewer than the model's."""
    asleep, awake = priced.watching_core, priced.core
    assert 0 < asleep.instructions_per_frame < awake.instructions_per_frame


def test_watching_stage_sleeps_on_noise_and_wakes_on_a_hand() -> None:
    """Read noise and photon noise do not wake; a bright object that moves in does."""
    sensor = Sensor("emulated 32x32", 32, 32)
    rng = np.random.default_rng(2)
    electrons = rng.poisson(1600.0, (2, 300, 32, 32)) + rng.normal(0, 8, (2, 300, 32, 32))
    counts = np.clip(np.rint(64 + 0.25 * electrons), 0, 4095).astype(np.uint16)
    model = watching_model(sensor)
    still = model.run(counts[0], counts[1]).decisions[1:]  # the first frame has none before it
    assert np.all(still == -1)
    counts[0, 200:, :, :16] += 400
    assert model.run(counts[0], counts[1]).decisions[200] == 1


def test_host_and_controller_can_be_chosen(folder: Path) -> None:
    """Another host changes the verdict, not the power of the frame; unknown names are refused."""
    watch = budget(folder, cores=CORES, choice=Choice(host="watch"))
    phone = budget(folder, cores=CORES, choice=Choice(host="phone-mixed"))
    assert watch.verdict.runs.typical < phone.verdict.runs.typical
    assert watch.frame_uj == phone.frame_uj
    with pytest.raises(UsageError, match="toaster"):
        budget(folder, cores=CORES, choice=Choice(host="toaster"))


def test_own_evaluation_of_the_watching_stage_is_used(folder: Path, tmp_path: Path) -> None:
    """A miss rate measured by the trainer takes the place of the assumed one."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    rate = {"value": 0.25, "low": 0.2, "high": 0.3}
    found["wake_up"] = {"miss_rate": rate, "false_wakes_per_hour": rate}
    (copy / "evaluation.json").write_text(json.dumps(found))
    result = budget(copy, cores=CORES)
    assert result.inputs["usage.miss_rate"].typical == 0.25
    assert result.inputs["usage.miss_rate"].kind == "measured"


def test_faulty_evaluation_is_one_clear_line(folder: Path, tmp_path: Path) -> None:
    """An evaluation that is not JSON, or holds an impossible accuracy, is refused."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    for text, fault in (
        ("{", r"the file is .*, expected JSON"),
        (json.dumps({"fixed": _share(1.5)}), r"fixed\.accuracy\.value is 1\.5, expected at most 1"),
        ("{}", "fixed is missing, expected a value"),
        ("[1]", r"content is \[1\], expected an object"),
    ):
        (copy / "evaluation.json").write_text(text)
        with pytest.raises(FormatError, match=rf"evaluation\.json: {fault}"):
            budget(copy, cores=CORES)


class _Page(HTMLParser):
    """Collects text, numbers without an origin mark near them, and addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.origins: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        fields = dict(attrs)
        if fields.get("id"):
            self.ids.append(str(fields["id"]))
        for key in ("src", "href", "data", "action"):
            if fields.get(key):
                self.addresses.append(str(fields[key]))
        if fields.get("class") == "n":
            self.origins.append(str(fields["title"]))


def test_page_needs_no_network_and_is_small(priced: Any) -> None:
    """The page loads nothing, is under 1 MB, and its ids are unique, even with two models."""
    text = render([priced, priced])
    page = _Page()
    page.feed(text)
    assert all(address.startswith("#") for address in page.addresses)
    assert "@import" not in text
    assert "url(http" not in text
    assert "<script" not in text
    assert len(text.encode()) < 1_000_000
    assert len(page.ids) == len(set(page.ids))


def test_page_is_the_same_bytes_each_time(priced: Any, tmp_path: Path) -> None:
    """Two writings of one budget agree in every byte."""
    first = write_report([priced], tmp_path / "a.html").read_bytes()
    assert write_report([priced], tmp_path / "b.html").read_bytes() == first
    assert (
        write_budget(priced, tmp_path).read_bytes() == write_budget(priced, tmp_path).read_bytes()
    )


def test_page_opens_with_the_verdict_and_ends_with_origins(priced: Any) -> None:
    """Verdict first, caution on light, the baseline, and a hover origin beside every figure."""
    text = render([priced])
    page = _Page()
    page.feed(text)
    order = [
        text.index(words)
        for words in (
            priced.verdict.word.capitalize(), "Where the power goes", "Value against limit",
            "four-quadrant baseline", "What would halve the power", "IEC 62471", "Evidence",
        )
    ]  # fmt: skip
    assert order == sorted(order)
    assert len(page.origins) > len(priced.inputs)
    kinds = "measured|published|setting|from memory|invented|computed"
    assert all(re.match(rf"({kinds}): \S", origin) for origin in page.origins)
    assert all(part in text for part in PARTS)


def test_accuracy_of_an_emulated_sensor_is_never_shown_as_real(
    folder: Path, priced: Any, tmp_path: Path
) -> None:
    """Where recordings came from an emulated sensor, the page says so beside the accuracy."""
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    found = json.loads((copy / "evaluation.json").read_text())
    found["recorded_by"] = ["unit a, firmware emulated 1"]
    (copy / "evaluation.json").write_text(json.dumps(found))
    assert "no measurement of real ones" in render([budget(copy, cores=CORES)])
    assert "no measurement of real ones" not in render([priced])


def test_limit_states() -> None:
    """Kept, broken, crossed by the interval, and unknown are told apart; margins have signs."""
    value = Interval(10.0, 8.0, 13.0)
    assert check("x", "uW", value, 20.0).state == "kept"
    assert check("x", "uW", value, 9.0).state == "broken"
    assert check("x", "uW", value, 12.0).state == "crossed"
    assert check("x", "share", value, 9.0, at_least=True).state == "crossed"
    assert check("x", "share", value, 8.0, at_least=True).state == "kept"
    assert check("x", "uW", None, 9.0).state == "unknown"
    assert check("x", "uW", value, 20.0).margin == pytest.approx(0.5)
    assert check("x", "uW", value, 8.0).margin == pytest.approx(-0.25)
    assert check("x", "uW", value, 12.0).keeps(strict=False)
    assert not check("x", "uW", value, 12.0).keeps(strict=True)
    assert not check("x", "uW", None, 12.0).keeps(strict=False)


def test_junit_counts_failures() -> None:
    """The XML holds one case a limit and a failure for each that is broken."""
    value = Interval(10.0, 8.0, 13.0)
    checks = [check("a", "uW", value, 20.0), check("b", "uW", value, 9.0)]
    suite = ElementTree.fromstring(junit_xml([("model <1>", checks)], strict=False))[0]  # noqa: S314
    assert suite.get("failures") == "1"
    assert [len(case) for case in suite] == [0, 1]


def test_limits_file_faults(tmp_path: Path) -> None:
    """An unknown key, a wrong type and a missing table name file, line and key."""
    path = tmp_path / "limits.toml"
    for text, reason in (
        ("[limits]\naverage_uw = 100.0\npower = 1\n", r"line 3: limits\.power: unknown key"),
        ('[limits]\naverage_uw = "much"\n', r"line 2: limits\.average_uw"),
        ("[limit]\naverage_uw = 1.0\n", "unknown key"),
    ):
        path.write_text(text)
        with pytest.raises(FormatError, match=reason):
            load_limits(path)
    path.write_text("[limits]\naverage_uw = 100\nhidden_runs = 12\n")
    assert load_limits(path).hidden_runs == 12


def _invoke(name: str, *arguments: str) -> Any:
    command = next(c for c in commands if c.name == name)
    return CliRunner().invoke(command, list(arguments))


def test_budget_command_gates(folder: Path, tmp_path: Path) -> None:
    """Exit code 0 within the limits, 1 beyond; JSON, JUnit and the page are written."""
    limits = tmp_path / "limits.toml"
    limits.write_text("[limits]\naverage_uw = 100000\n")
    done = _invoke("budget", str(folder), "--limits", str(limits), "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)[0]["limits"][0]["state"] == "kept"
    limits.write_text("[limits]\naverage_uw = 1\n")
    junit = tmp_path / "junit.xml"
    broken = _invoke("budget", str(folder), "--limits", str(limits), "--junit", str(junit))
    assert broken.exit_code == 1
    assert "broken" in broken.output
    assert b"<failure" in junit.read_bytes()
    assert (folder / "budget.html").exists()
    assert (folder / "budget.json").exists()


def test_commands_show_an_example() -> None:
    """Each command's help ends with an example."""
    for command in commands:
        assert f"Example: palmwatt {command.name}" in _invoke(str(command.name), "--help").output


@pytest.mark.parametrize(
    ("core", "rows"),
    [
        ("cortex-m4", [("stm32l4r5", 120, 190.086, 203.368), ("stm32l4r5", 120, 145.829, 293.912)]),
        ("cortex-m33", [("stm32u575", 160, 291.589, 81.875)]),
    ],
)
def test_published_benchmark_rows_are_met_within_a_factor_of_two(
    core: str, rows: list[tuple[str, float, float, float]]
) -> None:
    """The anomaly-detection network costs what was measured on boards, within a factor of two.

    MLPerf Tiny results v1.1 and v1.2 (mlcommons/tiny_results_v1.*, closed, STMicroelectronics,
    ad, results.txt): inferences/s and uJ. 640-128x4-8-128x4-640, 264,192 multiply-accumulates.
    The same layers, with random weights, are generated, executed, and priced.
    """
    from runtime.budget.parts import Mcu, load_parts

    rng = np.random.default_rng(0)
    widths = (640, 128, 128, 128, 128, 8, 128, 128, 128, 128, 640)
    pairs = list(itertools.pairwise(widths))
    assert sum(a * b for a, b in pairs) == 264_192
    layers = []
    for index, (n_in, n_out) in enumerate(pairs):
        weights = rng.integers(-127, 128, (n_out, n_in)).astype(np.int8)
        last = index == len(pairs) - 1
        layers.append(_dense(weights) if last else _dense(weights, 8, 1, 24 if index == 0 else 12))
    model = Model(
        name="anomaly",
        task="anomaly",
        sensor=Sensor("20x32", 20, 32),
        classes=tuple(f"class_{i}" for i in range(640)),
        stages=(Bins(20, 32, 20, 32), *layers, Decision((False,) * 640, 0, 0, 1, 0)),
        provenance={"made by": "a test"},
    )
    lit = rng.integers(64, 4000, (2, 20, 32)).astype(np.uint16)
    cycles = profile(model, core, lit, lit // 4).cycles_per_frame[1]
    for name, mhz, per_second, microjoules in rows:
        mcu = load_parts().get(Mcu, name)
        assert mcu.core == core
        assert 0.5 < cycles / (mhz * 1e6 / per_second) < 2.0
        picojoules = mcu.run_current.typical * mcu.supply.typical * mcu.derating.typical
        assert 0.5 < cycles * picojoules / 1e6 / microjoules < 2.0
