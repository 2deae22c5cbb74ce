"""Commands of capture; several stand in their rooms' ``command`` and are gathered here."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.bring.command import import_readouts
from capture.emulated.command import emulate
from capture.gather.command import export, merge
from capture.lead.command import live, truth
from capture.rehearse.command import rehearse
from capture.study.command import study
from capture.wording import (
    doubt_lines,
    forgotten_figures,
    forgotten_lines,
    inspection_figures,
    inspection_lines,
    photon_transfer_lines,
    recording_figures,
    recording_line,
    repair_figures,
    repair_line,
)
from runtime.front.finite_number import FiniteNumber

if TYPE_CHECKING:
    from capture.measure.overview import Overview
    from capture.measure.quality import Quality
    from capture.truth.truth import Doubt

__all__ = ["commands"]

_MANY = 20  # sessions from which on work is long enough to be told of


@click.command(
    epilog="Example: palmwatt record --port /dev/ttyACM0 --participant P01 --script dynamic "
    "--out recordings --consent"
)
@click.option("--port", required=True, help="Any pyserial URL: /dev/ttyACM0, COM3, socket://...")
@click.option(
    "--study", metavar="DIR", type=click.Path(path_type=Path),
    help="Record into DIR what its study.toml asks for next: person, script and seed are its.",
)  # fmt: skip
@click.option("--station", help="Where this is, such as a; part of the session's name.")
@click.option("--participant", help="Pseudonym such as P01; never a name.")
@click.option("--script", help="Cue script (TOML), or a built-in one.")
@click.option("--out", type=click.Path(path_type=Path), help="Data set folder.")
@click.option(
    "--seed", type=click.IntRange(0, 2**32 - 1),
    help="Of the order of cues; else 1, one order for everybody. A study draws one a session.",
)  # fmt: skip
@click.option("--session", help="Name of the session; the next number if not given.")
@click.option("--operator", help="Pseudonym of who leads it.")
@click.option("--notes", default="", help="What is to be remembered of it; one line.")
@click.option("--consent", is_flag=True, help="The person has agreed to be recorded.")
@click.option("--locked", is_flag=True, help="Keep this person for the final test.")
@click.option("--hand-length-mm", type=float, help="Wrist crease to tip of the middle finger.")
@click.option("--hand-breadth-mm", type=float, help="Across the palm at the knuckles.")
@click.option("--handedness", type=click.Choice(["right", "left", "ambidextrous"]))
@click.option(
    "--distance-mm",
    type=FiniteNumber(10.0, 1000.0),
    help="Distance of the hand that the participant was asked for.",
)
@click.option(
    "--host-clock",
    is_flag=True,
    help="Note beside it when readouts arrived, and how the sensor's clock stands to the host's.",
)
@click.option(
    "--truth", metavar="TABLE", type=click.Path(path_type=Path),
    help="Table of a rig: where its lights were, on the sensor's clock; kept beside the recording.",
)  # fmt: skip
@click.option(
    "--sensor", "setting", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Set the sensor first, to a sensor.toml as palmwatt frontier writes it.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the counts as JSON.")
def record(port: str, setting: Path | None, as_json: bool, **about: Any) -> None:
    """Lead one participant through a cue script and record every readout.

    Keys while it runs: space pauses and goes on, r gives the last cue again, q stops early, as
    Ctrl-C does.
    Caution: the sensor's LED is bright though it cannot be seen; nobody should look into it from
    near. Its limits are those of IEC 62471.
    """
    from capture.lead.asked_setting import set_sensor
    from capture.lead.record import Operator, SessionNotes
    from capture.lead.record import record as record_session
    from capture.lead.terminal import Screen, keys, stop_asked
    from capture.store.dataset import Participant
    from capture.study.planned import Call, asked_for
    from capture.study.provenance import Origin
    from capture.wire.link import SerialLink
    from runtime.firmware.sensor_file import read_sensor_file

    asked_setting = None if setting is None else read_sensor_file(setting)
    said = {name: about.pop(name) for name in ("station", "operator", "notes")}
    call = {field: about.pop(field) for field in Call.__dataclass_fields__}
    wanted = asked_for(Call(**call), Origin(**said))
    asked = {name: about.pop(name) for name in ("distance_mm", "host_clock", "truth")}
    notes = SessionNotes(about.pop("session"), origin=wanted.origin, **asked)
    person = Participant(wanted.participant, locked=wanted.locked, **about)
    cues = wanted.script
    with (
        stop_asked() as asked_to_stop,
        SerialLink(port) as link,
        keys() as controls,
        Screen(cues, quiet=as_json) as screen,
    ):
        wanted.check_unit(link.describe().unit)
        if asked_setting is not None:
            set_sensor(link, asked_setting)
        recording = record_session(
            link,
            person,
            cues,
            wanted.seed,
            wanted.out,
            notes=notes,
            operator=Operator(screen.show, lambda: "stop" if asked_to_stop() else controls()),
        )
    figures = recording_figures(recording)
    click.echo(json.dumps(figures, indent=2) if as_json else recording_line(recording))


@click.command(
    epilog="Example: palmwatt align sub-P01_ses-01_task-dynamic_readouts.mcap --out aligned.tsv"
)
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Table (TSV) to write.")
def align(session: Path, out: Path) -> None:
    """Write when each frame pair was taken on this machine's clock of the day, with its error.

    For a session that was recorded with its host's clock (--host-clock, or the booth), so that a
    camera or a reference device can be laid beside it. Times are UTC, Unix time in microseconds.
    """
    from capture.lead.aligned import align as align_session

    click.echo(f"{out}: {align_session(session, out)} frame pairs")


@click.command(epilog="Example: palmwatt inspect recordings")
@click.argument("path", metavar="DIR|SESSION", type=click.Path(path_type=Path))
@click.option(
    "--flat-field", "curve", metavar="FILE.svg", type=click.Path(path_type=Path),
    help="Take the sessions as flat fields, one light level each: photon transfer and its curve.",
)  # fmt: skip
@click.option(
    "--labels/--no-labels", default=True, help="Judge whether the labels are true; takes a while."
)
@click.option("--json", "as_json", is_flag=True, help="Print all figures as JSON.")
def inspect(path: Path, curve: Path | None, labels: bool, as_json: bool) -> None:
    """Say what recordings are worth: what is wrong in them, their figures, and fit or not.

    Lists every violation in a data set with file and row; then drops, timing, saturation and
    levels of each session; takes whose label is doubtful, the most doubtful first, with the reason;
    then whether all of it is ready to be learned from. Exit code 1 if anything is wrong or not fit
    for training.
    """
    from capture.measure.overview import Overview
    from capture.store.dataset import find_sessions
    from capture.store.validate import validate
    from capture.thin.own_noise import gain_cautions
    from runtime.errors import UsageError

    violations: tuple[object, ...] = ()
    files = [path]
    if path.is_dir():
        violations, files = validate(path), [info.path for info in find_sessions(path)]
    if not files:
        raise UsageError(str(path), "number of sessions", 0, "at least 1", "record one first")
    if curve is not None:
        _tell_photon_transfer(files, curve, as_json)
        return
    # An error in a session on its own is the answer; in a data set it is among the violations.
    data_set = Overview()
    results = _qualities(files, data_set, pass_over_errors=bool(violations))
    doubtful = _doubts([file for file, *_ in results]) if labels else []
    results = [
        (file, quality, (*reasons, *_label_faults(file, quality, doubtful)))
        for file, quality, reasons in results
    ]
    copies, gains = data_set.copies(), gain_cautions(file for file, *_ in results)
    if as_json:
        report = {
            "kinds": data_set.kinds(),
            "copies": copies,
            "cautions": [caution.to_json() for caution in (*data_set.cautions(), *gains)],
            "doubts": [doubt.to_json() for doubt in doubtful],
            **inspection_figures(violations, results),
        }
        click.echo(json.dumps(report, indent=2))
    else:
        for line in inspection_lines(violations, results):
            click.echo(line)
        for line in doubt_lines(doubtful):
            click.echo(line)
        for line in data_set.lines() if path.is_dir() else ():
            click.echo(line)
        for caution in gains:
            click.echo(f"caution: {caution.text}")
    if violations or copies or any(reasons for _, _, reasons in results):
        sys.exit(1)


def _qualities(
    files: Sequence[Path], data_set: Overview, pass_over_errors: bool
) -> list[tuple[Path, Quality, tuple[str, ...]]]:
    """Return each session's quality and why it is not fit for training; all are read once."""
    from capture.measure.quality import quality_faults, session_quality
    from capture.store.session import read_session
    from runtime.errors import Error

    results = []
    for file in files:
        try:
            session = read_session(file)
            quality = session_quality(session, data_set.passing(session))
        except Error:
            if not pass_over_errors:
                raise
            continue
        results.append((file, quality, quality_faults(quality, session.sensor)))
    return results


def _doubts(files: Sequence[Path]) -> list[Doubt]:
    import numpy as np

    from capture.truth.truth import doubts_of_files

    if len(files) > _MANY:
        click.echo(f"judging the labels of {len(files)} sessions", err=True)
    return doubts_of_files(files, np.random.default_rng(0))


def _label_faults(file: Path, quality: Quality, doubtful: Sequence[Doubt]) -> tuple[str, ...]:
    from capture.truth.truth import label_faults

    return label_faults(file.name, quality.n_takes, doubtful)


def _tell_photon_transfer(files: list[Path], curve: Path, as_json: bool) -> None:
    import numpy as np

    from capture.measure.photon_transfer import draw_curve, measure_level, photon_transfer
    from capture.store.session import read_session
    from capture.thin.own_noise import gain_fault

    sessions = [read_session(file) for file in files]
    result = photon_transfer(
        [measure_level(session.frames(), session.sensor.exposure_us) for session in sessions],
        np.random.default_rng(0),
    )
    draw_curve(result, curve)
    fault = gain_fault(sessions[0].sensor, measured=result)
    if as_json:
        click.echo(json.dumps({**result.to_json(), "gain_fault": fault}, indent=2))
        return
    for line in photon_transfer_lines(result):
        click.echo(line)
    if fault is not None:
        click.echo(f"caution: {fault}")
    click.echo(f"curve: {curve}")


@click.command(epilog="Example: palmwatt repair sub-P01_ses-01_task-dynamic_readouts.mcap")
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def repair(session: Path, as_json: bool) -> None:
    """Keep every whole chunk of a damaged session, mark what is lost, and keep the original.

    Takes that a loss cuts are rejected; the damaged file, and each table that changed, stay beside
    the mended ones under their names and .damaged. A sound session is left as it is.
    """
    from capture.store.repair import repair as repair_session

    done = repair_session(session)
    if as_json:
        click.echo(json.dumps(repair_figures(done), indent=2))
    else:
        click.echo(repair_line(session, done))


@click.command(epilog="Example: palmwatt booth recordings --port /dev/ttyACM0")
@click.argument("data", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--port", "ports", multiple=True, help="Port to offer first; may be given again.")
@click.option(
    "--script", "scripts", multiple=True,
    help="Cue script (TOML) to offer beside the built-in ones.",
)  # fmt: skip
@click.option(
    "--listen", metavar="ADDRESS:PORT", default="127.0.0.1:8137", show_default=True,
    help="Where the page is served; TCP port 0 is any free one.",
)  # fmt: skip
@click.option("--token", help="What the page must present; made up for an address others reach.")
@click.option(
    "--model", "models", multiple=True, type=click.Path(path_type=Path),
    help="Folder of a model that can learn its owner, to offer on the page Enrol.",
)  # fmt: skip
def booth(
    data: Path, ports: tuple[str, ...], scripts: tuple[str, ...], listen: str, token: str | None,
    models: tuple[Path, ...],
) -> None:  # fmt: skip
    """Serve a local page to record sessions in DIR and to review their labels; Ctrl-C ends it.

    A second screen shows the participant /participant of the same address: instruction, practice
    and cues, and nothing that is measured.
    The page shows cues in letters for two metres, live readouts and quality; its review view adds,
    moves, renames and rejects takes, by keyboard too, and lets a second labeller work blind.
    With --model, its page Enrol leads an owner through enrolment, as live --enrol does; what is
    learned is given to the page alone and never put into DIR.
    Caution: the connection is not encrypted. Beyond this machine, use it only in a network you
    trust. The sensor's LED is bright though it cannot be seen; nobody should look into it from
    near. Its limits are those of IEC 62471.
    """
    from capture.booth.server import serve

    serve(
        data,
        listen=listen,
        token=token,
        ports=ports,
        scripts=scripts,
        models=models,
        ready=lambda address: click.echo(f"open {address} (Ctrl-C ends)"),
    )


@click.command(epilog="Example: palmwatt forget P07 recordings --models models")
@click.argument("participant")
@click.argument("data", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--models", type=click.Path(path_type=Path), help="Folder of model folders.")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def forget(participant: str, data: Path, models: Path | None, as_json: bool) -> None:
    """Remove a participant's readouts, labels, working files and row from DIR, for good.

    Names the models that were trained or tested on the participant: they stay as they are, and
    hold what they learned until they are trained anew without those recordings.
    """
    from capture.store.forget import forget as forget_participant

    done = forget_participant(data, participant, models)
    if as_json:
        click.echo(json.dumps(forgotten_figures(done), indent=2))
        return
    for line in forgotten_lines(participant, done):
        click.echo(line)
    if models is None:
        click.echo("Models were not searched; name their folder with --models.")


commands: tuple[click.Command, ...] = (
    emulate, record, align, study, import_readouts, rehearse, inspect, repair, merge, export,
    booth, forget, live, truth,
)  # fmt: skip
