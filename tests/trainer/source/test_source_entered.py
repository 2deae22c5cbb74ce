"""Lights that shine in both exposures: told above what is there anyway, or not at all."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from firmware_models import save_folder
from recorded_rigs import record_lamps, record_rig

from capture.cues.script import parse_script
from capture.emulated.optic.optics import SENSORS
from capture.emulated.points.scene import PointScene
from capture.emulated.points.session import PointSession
from capture.store.dataset import open_dataset
from capture.store.session import read_session
from capture.truth.takes import read_exposures
from capture.truth.truth import Doubt, doubts_of_files
from runtime.errors import FormatError, UsageError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.model import load_model, save_model
from runtime.sensor import Sensor
from runtime.stages.passive.offset import Offset
from runtime.verification.engines import ENGINES, open_engine
from runtime.verification.verify import compare, reference_records
from trainer.recipe import Recipe, load_recipe, parse_recipe
from trainer.source.entered import as_one_exposure, flicker_kept, following, offsets_of
from trainer.source.fitted import FittedSource, fit_source
from trainer.source.readouts import Box, SourceReadouts, apertures_of

SENSOR = SENSORS["ambient32pair"]
ROOM = {
    "clutter": 0, "illuminance_lx": 5.0, "warming_k": 0.0, "auto_exposure": False, "room": 3,
    "electrons": (2e5, 4e5), "half_field_deg": 12.0, "distances_mm": (60.0, 200.0),
    "source": "shines", "flicker_depth": 0.2,
}  # fmt: skip
"""As `record_lamps` has it."""
TEXT = """like = "range"
name = "lamps"
task = "lamps"
classes = ["rig_hold", "rig_path"]
other = ["rig_none", "rig_two", "rig_three", "rig_outside", "rig_bright"]
[entry]
light = "ambient"
[source]
half_field_deg = 12.0
"""


@pytest.fixture(scope="module")
def lamps_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a rig's recordings of lamps in a lit room."""
    return record_lamps(tmp_path_factory.mktemp("lamps"))


@pytest.fixture(scope="module")
def lamps(lamps_once: Path) -> FittedSource:
    """Return a range calibrated on lamps in a lit room, and held to others there."""
    return fit_source(lamps_once, parse_recipe(TEXT, "lamps.toml"), lambda said: None)


def doubted(folder: Path) -> list[Doubt]:
    paths = [info.path for info in open_dataset(folder).sessions]
    assert len(paths) == 2
    return doubts_of_files(paths, np.random.default_rng(1))


@pytest.mark.parametrize(
    "otherwise",
    [
        "auto_exposure = true\n",
        "flicker_depth = 0.5\nwarming_k = 6.0\nauto_exposure = true\n",
        "flicker_depth = 1.0\n",
    ],
)
def test_noise_of_lamps_is_no_doubt(tmp_path: Path, otherwise: str) -> None:
    """Of what shines in both exposures lit minus dark holds noise or flicker: nothing is said."""
    assert doubted(record_lamps(tmp_path, otherwise, 20)) == []


@pytest.mark.parametrize(("electrons", "told"), [((1, 1), 2), ((5e5, 1e6), 0)])
def test_a_rig_whose_lights_flash_is_judged(
    tmp_path: Path, electrons: tuple[float, float], told: int
) -> None:
    """Lights of an electron are nothing there, in both sessions; of usual ones that is not said."""
    folder = record_rig(tmp_path, 1.0, 20, electrons)
    assert [doubt.about for doubt in doubted(folder) if doubt.row is None] == [
        "nothing there"
    ] * told
    for info in open_dataset(folder).sessions:
        found = read_exposures(read_session(info.path))
        assert abs(found.dark_share) < 0.05
        assert found.times_dark == pytest.approx(1.0, abs=0.05) if told else found.times_dark > 5.0


def seen(
    cue: str, seed: int = 9, n_stops: int = 12, **changes: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return lit and dark exposures of the frames of a cue, and tangents of the one source."""
    text = 'name = "rig"\nlead_in_s = 0.2\nrest_s = [0.1, 0.1]\nmovement = false\n[[cue]]\n'
    text += f'trial_type = "{cue}"\nrepetitions = {n_stops}\nduration_s = 0.2\n'
    scene = PointScene(**{**ROOM, **changes})
    session = PointSession(parse_script(text.encode(), "rig"), 1, seed, SENSOR, scene=scene)
    blocks = list(session.blocks())
    lit, dark = (np.concatenate([getattr(b, name) for b in blocks]) for name in ("lit", "dark"))
    time_us = np.concatenate([block.dark_time_us for block in blocks])
    own = np.zeros(len(lit), dtype=bool)
    for each in session.cues:
        own |= (time_us - 10_000 > each.onset_us) & (time_us + 10_000 < each.end_us)
    tangents = np.tan(session.truth().at(time_us)[0, :, :2])
    return lit[own], dark[own], tangents[own]


def told(fitted: FittedSource, lit: np.ndarray, dark: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return values in their units, and which frames have all of them, of the whole model."""
    outputs = fitted.calibrated.model.run(lit, dark).outputs
    scales = [output.value(1) for output in fitted.calibrated.model.closing.outputs()[1:5]]
    return np.asarray(outputs[:, 1:5] * scales), np.asarray(outputs[:, 5:].any(axis=1))


def test_lamps_in_a_lit_room_are_told_near_the_bound(lamps: FittedSource) -> None:
    """All values are valid and near the bound; what is not to be measured has none."""
    found = lamps.evaluation["source"]
    assert found["n_valid"] > 0.9 * found["n_frames"]
    for value in found["fixed"]:
        assert value["ratio"] < 3.0
        assert value["within"] > 0.7
    for cue, refused in found["refusals"].items():
        assert refused["n_valid"] == 0, cue
        assert refused["n_frames"] > 8
    assert found["calibration"]["flicker_kept"] == {"100": 0.0, "120": 0.1559}
    model = lamps.calibrated.model
    assert [stage.kind for stage in model.stages[:3]] == ["ambient", "offset", "registration"]
    assert model.entry.always_on


def test_exposures_become_directions_that_are_those_of_the_truth(lamps: FittedSource) -> None:
    """From raw exposures to milliradians by the whole model, lamps that flicker or not."""
    for depth in (0.0, 0.2, 1.0):
        lit, dark, tangents = seen("rig_hold", flicker_depth=depth)
        values, valid = told(lamps, lit, dark)
        assert valid.mean() > 0.9
        off = np.abs(values[:, :2] - np.arctan(tangents) * 1e3)[valid]
        assert np.median(off) < 0.2
        assert off.max() < 1.5


@pytest.mark.parametrize("changes", [
    {"illuminance_lx": 10.0}, {"illuminance_lx": 0.0}, {"illuminance_lx": 100.0}, {"room": 4},
    {"room": 4, "illuminance_lx": 50.0}, {"clutter": 6}, {"covered": 0}, {"covered": 1},
    {"smeared": 1, "smear_pixels": 0.5}, {"shift_um": (0.0, 5.0)}, {"shift_um": (0.0, -5.0)},
    {"electrons": (2e4, 2e4)}, {"electrons": (5e6, 5e6)},
])  # fmt: skip
def test_another_room_or_a_changed_aperture_gives_no_value(
    lamps: FittedSource, changes: dict[str, Any]
) -> None:
    """Where what stands behind the source, or an optic, is not as calibrated, nothing is valid."""
    lit, dark, _ = seen("rig_hold", **changes)
    assert told(lamps, lit, dark)[1].mean() < 0.02


@pytest.mark.parametrize(
    "cue", ["rig_none", "rig_two", "rig_three", "rig_outside", "rig_bright"]
)  # fmt: skip
@pytest.mark.parametrize("lx", [5.0, 50.0])
def test_no_source_and_too_many_give_no_value(lamps: FittedSource, cue: str, lx: float) -> None:
    """Nor does a source outside or too bright, in the room as calibrated and ten times lighter."""
    lit, dark, _ = seen(cue, illuminance_lx=lx)
    assert told(lamps, lit, dark)[1].mean() < 0.02


@pytest.mark.parametrize("core", ["host", "cortex-m0plus", "cortex-m4"])
def test_the_firmware_gives_the_references_bits_of_emulated_exposures(
    lamps: FittedSource, tmp_path: Path, core: str
) -> None:
    """Exposures of lamps, of none and of two through C: outputs and evidence as the reference's."""
    model = lamps.calibrated.model
    frames = [seen(cue, n_stops=1) for cue in ("rig_hold", "rig_none", "rig_two", "rig_bright")]
    lit, dark = (np.concatenate([each[k] for each in frames]) for k in (0, 1))
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    assert (
        compare(
            reference_records(model, lit, dark), execute(compile_for(tmp_path, core), lit, dark)
        )
        == ""
    )


def test_every_engine_gives_the_references_bits(lamps: FittedSource, tmp_path: Path) -> None:
    """ONNX Runtime, the ONNX reference and C say what the reference says of each frame."""
    model = lamps.calibrated.model
    folder = save_folder(model, tmp_path / "model")
    lit, dark, _ = seen("rig_hold", n_stops=1)
    run = model.run(lit, dark)
    for name in ENGINES:
        step = open_engine(name, model, folder)
        for frame, pair in enumerate(zip(lit, dark, strict=True)):
            assert step(*pair).outputs.tolist() == run.outputs[frame].tolist(), name


def ambient_recipe(name: str = "range") -> Recipe:
    recipe = load_recipe(name)
    entry = recipe.entry.model_copy(update={"light": "ambient"})
    return recipe.model_copy(update={"entry": entry})


def test_light_that_is_there_anyway_wants_a_source_or_people_and_no_led() -> None:
    """A recipe of gestures by ambient light is refused, and so are recordings made with an LED."""
    with pytest.raises(FormatError, match="occupancy or source"):
        parse_recipe(TEXT.replace('"range"', '"dynamic"').split("[source]")[0], "lamps.toml")
    with pytest.raises(UsageError, match="led_current_ma of the recordings is 100, expected 0"):
        apertures_of(SENSORS["lensless32pair"], ambient_recipe())
    box = apertures_of(SENSOR, ambient_recipe("point"))
    assert (box.n_rows, box.n_cols, box.firsts) == (32, 64, (0,))
    assert apertures_of(SENSOR, ambient_recipe()).firsts == (0, 32)


def sums(levels: list[float], n_frames: int, on: bool = False) -> SourceReadouts:
    """Return sums of both exposures at some levels, none of them of a source unless it is on."""
    rng = np.random.default_rng(3)
    values = np.round(rng.normal(levels, 3.0, (n_frames, len(levels)))).astype(np.int16)
    nowhere = np.full((n_frames, 2), np.nan)
    recording = cast(Any, type("R", (), {"path": Path("set/sub-P01/readouts")}))
    return SourceReadouts(
        recording, values, ("rig_none",) * n_frames, np.full(n_frames, int(on)), nowhere,
        np.full(n_frames, np.nan), np.zeros(n_frames, bool), np.full((n_frames, 2, 3), np.nan),
    )  # fmt: skip


def test_offsets_are_what_frames_without_a_source_hold() -> None:
    """Means rounded down, each recording's alike; a rig that never stands dark is refused."""
    found = offsets_of([sums([130.5, 400.5], 900), sums([132.5, 400.5], 400)])
    assert found.tolist() == [131, 400]
    assert found.dtype == np.int32
    with pytest.raises(UsageError, match="frames without a source is 0, expected at least 8"):
        offsets_of([sums([130.0], 50, on=True)])


def test_offsets_follow_as_slowly_as_the_recipe_says() -> None:
    """Parts in turn and shifts make up the time; the limit is half of the least that came."""
    recipe, offsets = parse_recipe(TEXT, "lamps.toml"), np.zeros(4, dtype=np.int32)
    found = following(offsets, np.array([900, 400, 2000], dtype=np.int32), recipe, SENSOR)
    assert found.limit == 200
    assert found.n_parts * 2**found.shift / SENSOR.frame_rate_hz == pytest.approx(16.0, rel=0.5)
    assert found.longest == 600 * SENSOR.frame_rate_hz
    assert following(offsets, np.zeros(0, dtype=np.int32), recipe, SENSOR).limit == 0
    slow = replace(SENSOR, frame_rate_hz=0.05)
    assert (following(offsets, offsets, recipe, slow).n_parts, found.shift) == (1, 5)


@pytest.mark.parametrize("drift_s", [0.01, 2.0, 137.0, 600.0, 2184.0])
def test_a_drift_is_followed_as_slowly_as_is_asked_or_refused(drift_s: float) -> None:
    """Up to 65,536 frames; beyond, one line says what is the longest at this frame rate."""
    offsets, sensor = np.zeros(4, dtype=np.int32), replace(SENSOR, frame_rate_hz=30.0)
    recipe = parse_recipe(f"{TEXT}drift_s = {drift_s}\n", "lamps.toml")
    found = following(offsets, offsets, recipe, sensor)
    frames = found.n_parts * 2**found.shift
    assert frames == pytest.approx(max(1.0, drift_s * 30.0), rel=0.42)  # a power of two, rounded
    recipe = parse_recipe(f"{TEXT}drift_s = 2185.0\n", "lamps.toml")
    with pytest.raises(UsageError, match="drift_s is 2185, expected at most 2184 at 30 frames"):
        following(offsets, offsets, recipe, sensor)


def test_half_of_two_exposures_is_one_of_half_the_gain() -> None:
    """Counts an electron halve, twice the electrons fit, less what is there without a source."""
    sensor = Sensor("s", 1, 2, conversion_gain_dn_per_e=0.1, full_well_e=40_000.0)
    box = Box(0, 1, 0, 2, sensor.apertures, ambient=True)
    assert as_one_exposure(sensor, box) is sensor
    offset = Offset(np.array([130, 1128], dtype=np.int32), 0, 0, 1, 1)
    seen_as = as_one_exposure(sensor, replace(box, offset=offset))
    assert seen_as.conversion_gain_dn_per_e == 0.05
    assert seen_as.black_level_counts == 564
    # A full pixel holds as much in both exposures.
    assert seen_as.saturation_counts == sensor.saturation_counts
    rng = np.random.default_rng(2)
    electrons = rng.poisson(3000.0, (40_000, 2)).astype(np.float64)
    values = (electrons * 0.1).sum(axis=1) / 2.0
    light = values / seen_as.conversion_gain_dn_per_e
    assert light.var() == pytest.approx(light.mean(), rel=0.05)  # as shot noise is


@pytest.mark.parametrize(
    ("exposure_us", "kept"),
    [
        (5000.0, {"100": 0.0, "120": 0.1559}),
        (25_000.0, {"100": 0.0, "120": 0.0}),
        (200.0, {"100": 0.9974, "120": 0.9962}),
    ],
)
def test_what_flicker_is_left_is_told(exposure_us: float, kept: dict[str, float]) -> None:
    """Two exposures, one behind the other, keep ``|sinc(2 f T)|`` of a flicker of frequency f."""
    sensor = replace(SENSOR, exposure_us=exposure_us, frame_rate_hz=10.0)
    assert flicker_kept(sensor) == kept


def test_the_model_says_what_it_takes(lamps: FittedSource, tmp_path: Path) -> None:
    """Stored and read again, the model gives the same of the same exposures."""
    save_model(lamps.calibrated.model, tmp_path / "model")
    lit, dark, _ = seen("rig_hold", n_stops=2)
    again = load_model(tmp_path / "model")
    np.testing.assert_array_equal(
        again.run(lit, dark).outputs, lamps.calibrated.model.run(lit, dark).outputs
    )
