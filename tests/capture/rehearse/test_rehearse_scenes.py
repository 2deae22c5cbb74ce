"""Real shapes before an emulated optic: what is seen is what stands there, and is marked so."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from capture.emulated.optic.light import LED_LOBE, LED_MW_PER_SR_PER_MA, Illumination
from capture.emulated.optic.optics import SENSORS, AngularGrid
from capture.emulated.optic.render import render
from capture.rehearse.middles import hand_middle
from capture.rehearse.rehearse import Rehearsal, rehearse
from capture.rehearse.scenes import Scene, load_scene, read_scenes
from capture.rehearse.surfaces import surfaces
from capture.store.dataset import open_dataset, prepare_dataset, read_description
from capture.store.kind import REHEARSED, kind_of
from capture.store.session import read_session
from capture.store.validate import validate
from runtime.errors import Error, FormatError, UsageError
from trainer.cli import main
from trainer.tell.sentences import emulated_words

GRID = AngularGrid()
DARK = Illumination(np.zeros(1), 0.0, np.zeros(GRID.n_angles, np.float32))
SENSOR = SENSORS["lensless32"]
HOW = Rehearsal(SENSOR, hold_s=0.4, rest_s=0.2, consent=True)


def disc(radius: float, side: int = 200) -> np.ndarray:
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    return np.hypot(x, y) < radius


def a_scene(folder: Path, values: np.ndarray, **more: object) -> Scene:
    path = folder / f"{len(list(folder.iterdir()))}.npy"
    np.save(path, values)
    given: dict[str, object] = {
        "kind": "silhouette", "mm_per_pixel": 1.0, "distance_mm": 120.0, "middle": "shape", **more
    }  # fmt: skip
    return Scene("row", path, "P01", "shape", **given)  # type: ignore[arg-type]


def seen(scene: Scene, led_offset_mm: float = 0.0) -> np.ndarray:
    """Return the radiance from the LED at 100 mA over the field."""
    (surface,) = surfaces(scene, *load_scene(scene))
    led, _ = render([surface], GRID, DARK, led_offset_mm, 100.0, fill=True)
    return np.asarray(led[0], dtype=np.float64)


def test_a_flat_mask_sends_back_what_a_flat_reflector_does(tmp_path: Path) -> None:
    """On axis radiance is intensity over distance squared, times reflectance over pi (Lambert)."""
    z = GRID.directions[:, 2]
    for distance_mm in (60.0, 120.0, 240.0):
        scene = a_scene(tmp_path, disc(90), distance_mm=distance_mm, reflectance=0.5)
        on_axis = seen(scene)[z > np.cos(np.radians(8.0))].mean()
        intensity = LED_MW_PER_SR_PER_MA * 1e-3 * 100.0
        expected = intensity / (distance_mm * 1e-3) ** 2 * 0.5 / np.pi
        assert on_axis == pytest.approx(expected, rel=0.05)
    # Off axis: inverse square, the LED's lobe and its incidence each fall with the angle's cosine.
    scene = a_scene(tmp_path, disc(95), distance_mm=90.0, reflectance=0.5)
    found, ring = seen(scene), np.abs(z - np.cos(np.radians(30.0))) < 0.01
    fall = np.cos(np.radians(30.0)) ** (2 + 1 + LED_LOBE)
    assert found[ring].mean() / found[z > 0.99].mean() == pytest.approx(fall, rel=0.08)


def test_a_plane_of_depth_is_the_mask_at_its_distance(tmp_path: Path) -> None:
    """A depth map of a flat disc, and one that is moved to a distance, are seen as the mask is."""
    flat = seen(a_scene(tmp_path, disc(40)))
    plane = np.where(disc(40), 120.0, 0.0)
    for depth, distance_mm in ((plane, 0.0), (np.where(disc(40), 300.0, np.nan), 120.0)):
        found = seen(a_scene(tmp_path, depth, kind="depth", distance_mm=distance_mm))
        assert found.sum() == pytest.approx(flat.sum(), rel=0.05)
    tilted = np.where(disc(40), 120.0 + np.mgrid[:200, :200][1] - 100.0, 0.0)
    leaning = seen(a_scene(tmp_path, tilted, kind="depth", distance_mm=0.0))
    axis = GRID.directions[:, 2] > np.cos(np.radians(3.0))
    assert leaning[axis].mean() / flat[axis].mean() == pytest.approx(np.sqrt(0.5), rel=0.05), (
        "on the axis it stands as far away, half turned to the LED"
    )
    right = GRID.directions[:, 0] > 0.05
    assert leaning[right].sum() < leaning[GRID.directions[:, 0] < -0.05].sum(), "farther right"


def test_what_is_up_and_right_in_the_picture_is_so_for_the_sensor(tmp_path: Path) -> None:
    """Row 0 is high and column 0 is left; an arm is carried on to its side only."""
    corner = np.zeros((100, 100), bool)
    corner[10:50, 60:75] = True  # moved to the middle by its own centre
    corner[10:25, 60:95] = True  # more of it up and right
    found = seen(a_scene(tmp_path, corner))
    x, y = GRID.directions[:, 0], GRID.directions[:, 1]
    reach = [found[side > 0.1].sum() for side in (x, -x, y, -y)]
    assert reach[0] > reach[1] and found[(x > 0.06) & (y < -0.03)].sum() < 0.05 * found.sum()
    bare = seen(a_scene(tmp_path, disc(25)))
    armed = seen(a_scene(tmp_path, disc(25), arm="down"))
    assert armed[y < -0.5].sum() > 0.0 == bare[y < -0.5].sum()
    np.testing.assert_allclose(armed[y > 0.0], bare[y > 0.0], rtol=1e-4, atol=1e-7)


@pytest.mark.parametrize("mm_per_pixel", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("n_fingers", [0, 1, 3, 5])
def test_a_hands_middle_is_half_way_from_the_wrist(n_fingers: int, mm_per_pixel: float) -> None:
    """Fingers that are folded, an arm of any length and a sleeve move it by 3 mm at most.

    A palm of 106 mm, the last 84 of which are its circle, belongs to a hand of 189 (A. Tilley, The
    Measure of Man and Woman, 1993, from memory).
    """
    n = round(400 / mm_per_pixel)
    x, y = np.mgrid[:n, :n][1] * mm_per_pixel - 200.0, np.mgrid[:n, :n][0] * mm_per_pixel - 180.0
    hand = (np.hypot(x, y) < 42) | ((np.abs(x) < 28) & (y > 0) & (y < 62))
    for place in np.linspace(-32, 32, 5)[:n_fingers]:
        hand |= (np.abs(x - place) < 7.5) & (y < 0) & (y > -110)
    armed = hand | ((np.abs(x) < 30) & (y > 0))
    sleeved = armed | ((np.abs(x) < 65) & (y > 140))
    expected = (180.0 - 42.0 + 106.0 - 189.0 / 2) / mm_per_pixel, 200.0 / mm_per_pixel
    for mask in (hand, armed, sleeved):
        for turns, arm in enumerate(("down", "right", "up", "left")):
            turned = np.rot90(mask, turns)
            way = arm if mask is hand else "none"
            row, col = hand_middle(turned, mm_per_pixel, way)
            at = [
                expected,
                (n - 1 - expected[1], expected[0]),
                (n - 1 - expected[0], n - 1 - expected[1]),
                (expected[1], n - 1 - expected[0]),
            ]
            assert math.dist((row, col), at[turns]) * mm_per_pixel < 3.0, (turns, arm)
    assert hand_middle(hand, mm_per_pixel, "none") == hand_middle(hand, mm_per_pixel, "down")


def test_a_hand_is_brought_to_its_place_by_its_middle(tmp_path: Path) -> None:
    """A longer arm in the picture moves no finger, unless the shape's own middle is asked for."""
    y, x = np.mgrid[:300, :200] - 100.0
    fist = np.hypot(x, y) < 40
    seen_to = {
        (middle, end): seen(a_scene(tmp_path, fist | ((np.abs(x) < 30) & (y > 0) & (y < end)),
                                    middle=middle, distance_mm=150.0))
        for middle in ("hand", "shape") for end in (60, 160)
    }  # fmt: skip
    above = GRID.directions[:, 1] > -0.1
    moved = {
        middle: np.abs(seen_to[middle, 60] - seen_to[middle, 160])[above].sum()
        / seen_to[middle, 60].sum()
        for middle in ("hand", "shape")
    }
    assert moved["hand"] < 0.02 < 0.2 < moved["shape"]


def test_joints_are_balls_and_bones_fill_what_lies_between(tmp_path: Path) -> None:
    """Two joints a hand apart are seen as two; with a bone the gap between them shines as well."""
    joints = np.array([[[-40.0, 0.0, 0.0], [40.0, 0.0, 0.0]]])
    np.savez(tmp_path / "bare.npz", values=joints)
    np.savez(tmp_path / "bone.npz", values=joints, bones=np.array([[0, 1]]))
    middle = np.abs(GRID.directions[:, 0]) < 0.08
    found = [
        seen(Scene("row", tmp_path / name, "P01", "shape", "joints", 1.0, 100.0))
        for name in ("bare.npz", "bone.npz")
    ]
    assert found[0][middle].sum() == 0.0 < found[0].sum() < found[1].sum()
    assert found[1][middle].sum() > 0.0


def write_table(folder: Path, rows: list[dict[str, object]]) -> Path:
    columns = dict.fromkeys(key for row in rows for key in row)
    with (folder / "scenes.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(columns))
        writer.writeheader()
        writer.writerows(rows)
    return folder / "scenes.csv"


def some_scenes(folder: Path) -> Path:
    """Two people: pictures, a depth map of 16 bits, a walk of joints and a path."""
    Image.fromarray((255 * disc(30, 120)).astype(np.uint8)).save(folder / "flat.png")
    depth = np.where(disc(40, 120), 130 + 10 * np.mgrid[:120, :120][0] // 60, 0)
    Image.fromarray(depth.astype(np.uint16)).save(folder / "depth.png")
    steps = np.linspace(-40, 40, 10)
    joints = np.stack([np.array([[x, 0.0, 120.0], [x, 20.0, 125.0]]) for x in steps])
    np.savez(folder / "joints.npz", values=joints, bones=np.array([[0, 1]]))
    np.save(folder / "path.npy", np.stack([steps, 0 * steps], axis=1))
    rows: list[dict[str, object]] = []
    for person in ("P1", "P2"):
        common = {"participant": person, "mm_per_pixel": 1}
        rows += [
            {"file": "flat.png", "label": "disc", "distance_mm": 100, "arm": "down", **common},
            {"file": "depth.png", "label": "bowl", "distance_mm": 0, "kind": "depth", **common},
            {"file": "joints.npz", "label": "walk", "kind": "joints", "rate_hz": 15, **common},
            {"file": "path.npy", "label": "walk", "distance_mm": 140, "kind": "path", **common},
        ]
    return write_table(folder, rows)


def test_recordings_say_what_they_are_and_hold_each_take(tmp_path: Path) -> None:
    """A rehearsal is a valid data set, marked as such in its description and in each session."""
    table = some_scenes(tmp_path)
    done = rehearse(table, Rehearsal(SENSOR, hold_s=0.4, consent=True, locked=("P2",)),
                    tmp_path / "set")  # fmt: skip
    again = rehearse(table, Rehearsal(SENSOR, hold_s=0.4, consent=True, locked=("P2",)),
                     tmp_path / "again")  # fmt: skip
    assert [one.path.read_bytes() for one in done] == [one.path.read_bytes() for one in again]
    assert not validate(tmp_path / "set")
    assert read_description(tmp_path / "set")["DataKind"] == REHEARSED
    people = open_dataset(tmp_path / "set").participants
    assert [(p.participant_id, p.locked) for p in people] == [("P1", False), ("P2", True)]
    session = read_session(done[0].path)
    assert kind_of(session.header.description.firmware) == REHEARSED
    assert [e.trial_type for e in session.events] == ["disc", "bowl", "walk", "walk"]
    assert [round(e.duration_s, 2) for e in session.events] == [0.4, 0.4, 0.67, 0.33]
    block = session.frames()
    light = (block.lit.astype(float) - block.dark).mean(axis=(1, 2))
    time_s = block.time_us / 1e6
    empty = light[time_s < 0.45].mean()
    for event in session.events:
        inside = (time_s > event.onset_s + 0.02) & (time_s < event.end_s - 0.02)
        assert light[inside].min() > empty + 20, event.trial_type
    words = emulated_words(
        {"recorded_by": [f"unit a, firmware {session.header.description.firmware}"]}
    )
    assert "real shapes, emulated optic" in words and "invented" not in words


def test_kinds_are_never_mixed(tmp_path: Path) -> None:
    """A rehearsal into a data set of recordings is refused; figures on a mix say that they are."""
    table = some_scenes(tmp_path)
    prepare_dataset(tmp_path / "set")
    content = json.loads((tmp_path / "set" / "dataset_description.json").read_text())
    content["DataKind"] = "recorded"
    (tmp_path / "set" / "dataset_description.json").write_text(json.dumps(content))
    with pytest.raises(UsageError, match="kind of data in it is recorded, expected real shapes"):
        rehearse(table, HOW, tmp_path / "set")
    mix = emulated_words(
        {"recorded_by": ["unit a, firmware 1", f"unit b, firmware x ({REHEARSED})"]}
    )
    assert mix.startswith("A mix of data that is recorded and real shapes, emulated optic")


def test_the_command_rehearses_and_inspect_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the command line too, and without consent nothing is written."""
    table, out = some_scenes(tmp_path), tmp_path / "set"
    call = ["rehearse", str(table), "--sensor", "lensless32", "--out", str(out), "--hold-s", "0.4"]
    with pytest.raises(SystemExit) as end:
        main(call)
    assert end.value.code == 2 and "consent is not given" in capsys.readouterr().err
    assert not out.exists()
    with pytest.raises(SystemExit) as end:
        main([*call, "--consent", "--locked", "P2"])
    said = capsys.readouterr()
    assert not end.value.code, said.err
    assert "2 sessions, 8 takes of real shapes, emulated optic" in said.out
    with pytest.raises(SystemExit):
        main(["inspect", str(out)])
    assert "kind of data: real shapes, emulated optic" in capsys.readouterr().out


def test_a_shape_thinner_than_the_raster_takes_no_more_memory() -> None:
    """A line of one fine pixel has a middle within 3 mm of it, found at the raster's own pitch."""
    mask = np.zeros((2000, 2000), bool)
    mask[:, 1003] = True
    row, col = hand_middle(mask, 0.01, "none")
    assert np.isfinite(row) and abs(col - 1003) < 300, (row, col)


WRONG: list[tuple[dict[str, object], Callable[[Path], object], str]] = [
    ({"distance_mm": ""}, lambda f: None, "row 2: distance_mm is 0, expected 10 to 2000"),
    ({"distance_mm": "0.1"}, lambda f: None, "distance_mm is 0.1, expected 10 to 2000"),
    ({"mm_per_pixel": "0.001"}, lambda f: None, "size of the shape is 0.06 mm, expected 10 to"),
    ({"mm_per_pixel": "50"}, lambda f: None, "row 2: size of the shape is 3000 mm"),
    ({"Kind": "path"}, lambda f: None, "a column's name is 'Kind', expected kind"),
    ({"middle": "wrist"}, lambda f: None, "middle is 'wrist', expected one of hand, shape"),
    ({"mm_per_pixel": "-1"}, lambda f: None, "row 2: mm_per_pixel is '-1'"),
    ({"kind": "hologram"}, lambda f: None, "kind is 'hologram'"),
    ({"arm": "sideways"}, lambda f: None, "arm is 'sideways'"),
    ({"label": "Two Words"}, lambda f: None, "row 2: label is 'Two Words', expected up to 40"),
    ({"participant": "Jo Doe"}, lambda f: None, "pseudonym"),
    ({"file": "none.png"}, lambda f: None, "unreadable"),
    ({}, lambda f: (f / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n rest"), "damaged"),
    ({}, lambda f: Image.fromarray((255 * ~disc(30, 120)).astype(np.uint8)).save(f / "a.png"),
     "invert the picture"),
    ({}, lambda f: Image.fromarray(np.zeros((9, 9), np.uint8)).save(f / "a.png"), "empty"),
    ({"kind": "joints"}, lambda f: None, "kind of an image is joints"),
    ({"file": "a.npy"}, lambda f: np.save(f / "a.npy", np.array([{}], dtype=object)), "damaged"),
    ({"file": "a.npy"}, lambda f: np.save(f / "a.npy", np.zeros(3)), "shape is"),
    ({"file": "a.npy", "kind": "path"}, lambda f: np.save(f / "a.npy", np.full((5, 2), np.inf)),
     "not finite"),
    ({"file": "a.npz", "kind": "joints"}, lambda f: np.savez(
        f / "a.npz", values=[50 * np.eye(3)], bones=np.array([[0, 3]])), "array bones"),
    ({"file": "a.npz", "kind": "joints", "mm_per_pixel": 500}, lambda f: np.savez(
        f / "a.npz", values=[50 * np.eye(3)]), "size of the shape is 25000 mm, expected 10 to"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "spoil", "words"), WRONG)
def test_what_is_wrong_is_one_line_and_nothing_is_written(
    row: dict[str, object], spoil: Callable[[Path], object], words: str, tmp_path: Path
) -> None:
    """Each fault of a table or a shape is refused with its place, and leaves nothing."""
    Image.fromarray((255 * disc(30, 120)).astype(np.uint8)).save(tmp_path / "a.png")
    whole = {"file": "a.png", "participant": "P1", "label": "disc", "mm_per_pixel": 1,
             "distance_mm": 100}  # fmt: skip
    table = write_table(tmp_path, [whole | row])
    spoil(tmp_path)
    with pytest.raises(Error, match=words) as caught:
        rehearse(table, HOW, tmp_path / "set")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "set").exists()


def test_a_table_without_rows_is_refused(tmp_path: Path) -> None:
    """A table of scenes holds at least one."""
    path = tmp_path / "scenes.csv"
    path.write_text("file,participant,label,mm_per_pixel,distance_mm\n")
    with pytest.raises(FormatError, match="number of scenes is 0"):
        read_scenes(path)
