"""What the commands of this room print; imports nothing heavy."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from capture.lead.record import RecordedSession
    from capture.measure.photon_transfer import PhotonTransfer
    from capture.measure.quality import Quality
    from capture.store.damaged.mending import Mended
    from capture.store.forget import Forgotten
    from capture.truth.truth import Doubt
    from capture.wire.clock import ClockFit

__all__ = [
    "clock_line",
    "doubt_lines",
    "forgotten_figures",
    "forgotten_lines",
    "inspection_figures",
    "inspection_lines",
    "photon_transfer_lines",
    "recording_figures",
    "recording_line",
    "repair_figures",
    "repair_line",
]

_TELLING = 0.1  # standard error of a drift, above which the number says nothing


def recording_figures(recording: RecordedSession) -> dict[str, object]:
    """Return the counts of a recording as plain JSON values."""
    return {
        "path": str(recording.path),
        "n_pairs": recording.n_pairs,
        "duration_s": recording.duration_s,
        "n_takes": recording.n_takes,
        "n_rejected": recording.n_rejected,
        "missing": recording.pairs.missing,
        "late": recording.pairs.late,
        "foreign": recording.pairs.foreign,
        "corrupt": recording.wire.corrupt,
        "repeated": recording.wire.repeated,
        "reordered": recording.wire.reordered,
        "n_gaps": recording.n_gaps,
        "n_clock_leaps": recording.n_clock_leaps,
        "doubted": recording.wire.doubted,
        "overruns": recording.overruns,
        "stopped_early": recording.stopped_early,
        "clock": [fit and fit.to_json() for fit in recording.clock],
    }


def clock_line(fit: ClockFit | None) -> str:
    """Return how a sensor's clock stood to the host's, in one line."""
    if fit is None:
        return "the sensor did not tell its clock"
    off = f", {fit.wander_us:.0f} us off a straight line" if fit.wander_us else ""
    return (
        f"the sensor's clock runs {fit.drift_ppm:+.2f} ppm (error {fit.drift_error_ppm:.2f}) "
        f"against the host's and stands to it within {fit.offset_error_us / 1e3:.2f} ms{off}; "
        f"{fit.n_exchanges} exchanges, shortest round trip {fit.shortest_us / 1e3:.2f} ms"
    )


def recording_line(recording: RecordedSession) -> str:
    """Return what was recorded, in one line."""
    if recording.n_pairs == 0:  # its file went away
        return "nothing was recorded: stopped before the first frame pair came"
    text = f"{recording.path}: {recording.n_pairs} frame pairs, {recording.n_takes} takes"
    if recording.n_rejected:
        text += f" and {recording.n_rejected} rejected"
    if recording.stopped_early:
        text += ", stopped early"
    if recording.n_gaps:
        text += f", {_several(recording.n_gaps, 'lost connection')}"
    if recording.n_clock_leaps:
        text += f", {_several(recording.n_clock_leaps, 'leap')} of the sensor's clock mended"
    text += f", {recording.pairs.missing} pairs missing, {recording.wire.corrupt} packets corrupt"
    return "; ".join([text, *(clock_line(fit) for fit in recording.clock)])


def repair_figures(done: Mended | None) -> dict[str, object]:
    """Return what a repair did as plain JSON values."""
    if done is None:
        return {"damaged": False}
    figures = dataclasses.asdict(done) | {"original": str(done.original)}
    return {"damaged": True, **figures}


def repair_line(session: Path, done: Mended | None) -> str:
    """Return what a repair did, in one line."""
    if done is None:
        return f"{session}: not damaged, left as it is"
    return (
        f"{session}: {done.n_pairs} frame pairs in {_several(done.n_chunks, 'whole chunk')} kept; "
        f"{_several(done.n_stretches, 'damaged stretch', 'damaged stretches')} of "
        f"{done.n_bytes} bytes, {_several(done.n_lost, 'frame pair')} known to be lost, "
        f"{_several(done.n_cut, 'good take')} given up; the original is {done.original}"
    )


def inspection_figures(
    violations: Iterable[object], results: Iterable[tuple[Path, Quality, Sequence[str]]]
) -> dict[str, object]:
    """Return what is wrong in a data set and each session's figures as plain JSON values."""
    return {
        "violations": [str(violation) for violation in violations],
        "sessions": [
            {"path": str(file), **quality.to_json(), "fit": not reasons, "reasons": reasons}
            for file, quality, reasons in results
        ],
    }


def inspection_lines(
    violations: Iterable[object], results: Iterable[tuple[Path, Quality, Sequence[str]]]
) -> Iterator[str]:
    """Yield what is wrong in a data set, then each session's figures and whether it is fit."""
    for violation in violations:
        yield f"wrong: {violation}"
    for file, quality, reasons in results:
        yield file.name
        for line in _quality_lines(quality):
            yield f"  {line}"
        yield f"  not fit: {'; '.join(reasons)}" if reasons else "  fit for training"


def doubt_lines(doubtful: Sequence[Doubt]) -> Iterator[str]:
    """Yield the takes whose labels are doubtful, in the order given, with their rows and reasons.

    The header of the events table is row 1, as in `capture.store.validate`.
    """
    takes = [doubt for doubt in doubtful if doubt.row is not None]
    if takes:
        how_many = _several(len(takes), "take")
        yield f"{how_many} to look at again, by row of the events table, the most doubtful first:"
    for doubt in takes:
        yield f"  {doubt.session} row {(doubt.row or 0) + 2}: {doubt.text}"


def _quality_lines(quality: Quality) -> Iterator[str]:
    """Yield the figures of a session, a few to a line."""
    gaps = ""
    if quality.n_gaps:
        gaps = f" and {_several(quality.n_gaps, 'lost connection')} of {quality.gap_s:.1f} s in all"
    yield (
        f"{quality.n_pairs} frame pairs in {quality.duration_s:.1f} s, {quality.n_dropped} "
        f"missing{gaps}, jitter {quality.jitter_us:.0f} us"
    )
    yield (
        f"{_several(quality.n_takes, 'good take')}, {quality.n_rejected} rejected; saturated "
        f"{quality.saturated_fraction:.2%} of the lit pixels, some in "
        f"{quality.saturated_pairs_fraction:.0%} of the frame pairs"
    )
    levels = (
        f"mean lit {quality.mean_lit_counts:.0f}, dark {quality.mean_dark_counts:.0f}, ambient "
    )
    levels += f"light {quality.ambient_counts:.0f} counts; "
    if quality.lit:
        levels += (
            f"lit minus dark {quality.level_drift:+.0%} from start to end, hand and LED together"
        )
        yield levels
        yield _led_line(quality)
    else:
        yield levels + "the LED is off in both"
    yield _flicker_line(quality)
    if quality.apertures:
        yield (
            f"{len(quality.apertures)} apertures, baseline {quality.baseline_mm:g} mm: "
            f"{'; '.join(quality.apertures)}"
        )
        if quality.temperature_c is not None:
            low, high = quality.temperature_c
            yield f"{low:.1f} to {high:.1f} degrees Celsius: apertures move apart as it warms"
    if quality.n_sources is not None:
        yield f"a truth is beside it: where {_several(quality.n_sources, 'source')} of light were"


def _led_line(quality: Quality) -> str:
    if quality.led_drift is None:
        text = "LED: the session is too short to tell its drift"
    elif quality.led_drift_error > _TELLING:
        text = f"LED: too much moved to tell its drift (error {quality.led_drift_error:.0%})"
    else:
        text = f"LED: drift {quality.led_drift:+.1%} (error {quality.led_drift_error:.1%})"
    if quality.led_rms is not None:
        most = quality.led_rms + 2.0 * quality.led_rms_error
        text += f", rms from pulse to pulse at most {most:.1%}"
    return text


def _flicker_line(quality: Quality) -> str:
    text = "no mains flicker seen"
    if quality.flicker_hz is not None:
        text = f"mains flicker {quality.flicker_hz:.0f} Hz of {quality.flicker_counts:.1f} counts"
    if quality.flicker_hidden_hz:
        hidden = " and ".join(f"{frequency:.0f}" for frequency in quality.flicker_hidden_hz)
        text += f" ({hidden} Hz cannot show at this frame rate{_still(quality)})"
    return text


def _still(quality: Quality) -> str:
    """Return what flicker that stands still does to lit minus dark; empty where none does."""
    from capture.measure.flicker import AS_A_HAND_HZ, clear_rate_hz, folded_hz

    rate_hz = quality.frame_rate_hz
    places = [folded_hz(hz, rate_hz) for hz in quality.flicker_hidden_hz if rate_hz > 0]
    if not quality.lit or min(places, default=AS_A_HAND_HZ) >= AS_A_HAND_HZ:
        return ""
    return (
        ": in lit minus dark it stands still or drifts slowly, "
        f"where at {clear_rate_hz(rate_hz):.0f} pairs/s a mean over frames takes it out"
    )


def _several(n: int, thing: str, things: str = "") -> str:
    return f"{n} {thing}" if n == 1 else f"{n} {things or thing + 's'}"


def photon_transfer_lines(result: PhotonTransfer) -> Iterator[str]:
    """Yield the figures of a flat-field series with their intervals, one a line."""
    for name, unit, estimate in (
        ("conversion gain", "DN/e", result.conversion_gain_dn_per_e),
        ("read noise", "e rms", result.read_noise_e),
        ("sensitivity threshold", "e", result.threshold_e),
        ("dark non-uniformity", "e rms", result.dark_nonuniformity_e),
        ("response non-uniformity", "of the signal", result.response_nonuniformity),
        ("saturation", "e", result.saturation_e),
        ("dynamic range", "", result.dynamic_range),
        ("largest signal-to-noise ratio", "", result.snr_max),
        ("dark signal", "e/s", result.dark_signal_e_per_s),
    ):
        if estimate is None:
            yield f"{name}: this series cannot tell"
        else:
            yield (
                f"{name}: {estimate.value:.4g} {unit}".rstrip()
                + f" (95 % {estimate.low:.4g} to {estimate.high:.4g})"
            )


def forgotten_figures(done: Forgotten) -> dict[str, object]:
    """Return what was removed, and what was not, as plain JSON values."""
    return {
        name: [str(path) for path in value] if isinstance(value, tuple) else value
        for name, value in dataclasses.asdict(done).items()
    }


def forgotten_lines(participant: str, done: Forgotten) -> Iterator[str]:
    """Yield what was removed, and what holds on to the participant."""
    yield f"{participant}: {done.n_files} files and the row in participants.tsv removed"
    if done.n_working_files:
        yield f"{done.n_working_files} working files of training removed"
    for model in done.trained:
        yield f"{model} was trained on {participant}: train it anew"
    for model in done.tested:
        yield f"{model} was tested on {participant}" + (
            f": it may hold readouts of {participant} in test_frames.npz, train it anew"
            if model in done.with_readouts
            else ""
        )
    for model in done.unclear:
        yield f"{model} does not say on whom it was trained"
    for path in done.naming:
        yield f"{path} goes on naming {participant}, without readouts: it counts final tests"
