"""The command ``palmwatt rehearse``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

__all__ = ["rehearse"]

_PATH = click.Path(path_type=Path)


@click.command(
    epilog="Example: palmwatt rehearse scenes.csv --sensor sensor.toml --out rehearsed --consent "
    "--locked P10,P11",
)
@click.argument("scenes", metavar="SCENES", type=_PATH)
@click.option("--sensor", required=True, help="Sensor file (TOML), or lensless32 or lensless64.")
@click.option("--out", required=True, type=_PATH, help="Data set folder; holds this kind only.")
@click.option("--consent", is_flag=True, help="The people, or their licence, agree to this use.")
@click.option("--locked", default="", help="People kept for the final test: P10,P11.")
@click.option("--task", default="rehearsed", show_default=True, help="Task of the recordings.")
@click.option("--hold-s", default=1.0, show_default=True, help="How long a still is shown.")
@click.option("--rest-s", default=0.5, show_default=True, help="Time between takes.")
@click.option("--unit", default="unit-a", show_default=True, help="Which physical sensor it plays.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0, 2**32 - 1))
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def rehearse(
    scenes: Path,
    sensor: str,
    out: Path,
    locked: str,
    as_json: bool,
    **how: Any,
) -> None:
    """Let real shapes and movements go by an emulated optic: recordings before there is a sensor.

    SCENES (CSV, TSV or Parquet) has a row for each take: file, participant, label, mm_per_pixel,
    distance_mm; where wanted kind (silhouette, depth, joints or path), reflectance, arm (none, up,
    down, left or right: where the shape goes on out of view), middle (hand or shape: what of it is
    brought to x_mm, y_mm), rate_hz, radius_mm.
    A file is an image (white is the shape; grey of 16 bits is depth in mm) or an array: (height,
    width) or (n_frames, height, width); joints (n_frames, n_joints, 3) in an .npz as values, with
    bones (n_bones, 2); a path (n_frames, 2 or 3). The picture is what the sensor sees: x to its
    right, y up. Every later page says "real shapes, emulated optic".
    """
    from capture.bring.plan import read_sensor
    from capture.emulated.optic.optics import SENSORS
    from capture.rehearse.rehearse import Rehearsal
    from capture.rehearse.rehearse import rehearse as rehearse_scenes

    looks = SENSORS[sensor] if sensor in SENSORS else read_sensor(Path(sensor))
    people = tuple(name.strip() for name in locked.split(",") if name.strip())
    rehearsal = Rehearsal(looks, locked=people, **how)
    done = rehearse_scenes(scenes, rehearsal, out, lambda now: click.echo(now, err=True))
    if as_json:
        click.echo(json.dumps([each.to_json() for each in done], indent=2))
        return
    n_takes = sum(d.n_takes for d in done)
    click.echo(f"{out}: {len(done)} sessions, {n_takes} takes of real shapes, emulated optic")
