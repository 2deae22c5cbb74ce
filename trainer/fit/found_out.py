"""What is to be known beside a training's figures: cautions, bits in use, how the sensor wakes."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from capture.measure.readiness import Caution
from runtime.firmware.watching import Watching
from runtime.stages.contract.stage import Int32
from trainer.corpus.recordings import recorded_with
from trainer.fit.candidates import Candidate
from trainer.fit.doubts import doubts, level_bits
from trainer.fit.pipeline import Fitted
from trainer.judge.wake_up import examine_wake_up

__all__ = ["foretold", "found_out", "readouts_of", "wake_up"]

MAX_LIT_FRAMES = 512
"""Of each recording, to count the bits in use: a median needs no more."""


def found_out(candidate: Candidate, fitted: Fitted, evaluation: dict[str, Any]) -> dict[str, Any]:
    """Say what is to be known beside the figures: cautions, bits in use, how the sensor wakes."""
    bits = level_bits(fitted.whole, _with_light(candidate))
    cautions = [*foretold(candidate), *candidate.cautions, *doubts(evaluation, bits)]
    found: dict[str, Any] = {
        "readouts": readouts_of(candidate),
        "cautions": [caution.to_json() for caution in cautions],
        "level_bits": None if bits is None else round(bits, 3),
    }
    return found | wake_up(candidate)


def readouts_of(candidate: Candidate) -> dict[str, float]:
    """Say how much of the readouts is empty, saturated or flicker, whether it is fit or not."""
    return {name: round(share, 6) for name, share in asdict(candidate.light).items()}


def foretold(candidate: Candidate) -> list[Caution]:
    """Say of a model for a weaker setting that its figures are foretold."""
    thinning = None if candidate.at is None else candidate.at.thinning
    if thinning is None:
        return []
    charge = thinning.led_current_fraction * thinning.exposure_fraction
    text = (
        "Every figure is foretold: readouts were recorded at full light and thinned to what this "
        f"setting would have read ({100 * charge:.3g} % of the LED's charge a frame). Record some "
        "people at the setting, with record --sensor, before it is relied on."
    )
    return [Caution("foretold", charge, text)]


def wake_up(candidate: Candidate) -> dict[str, Any]:
    """Say how the watching state wakes, where the recordings can tell."""
    corpus = candidate.corpus
    recorded, at, watching = recorded_with(corpus), candidate.at, Watching()
    if at is not None:
        watching = at.watching(recorded)
    found = examine_wake_up(corpus.folder, candidate.recipe, recorded, watching)
    if found is not None and at is not None:  # of the active state's, as a budget takes them
        device = at.device
        found["led_share"] = device.watching_led_current_ma / max(device.led_current_ma, 1e-9)
        found["exposure_share"] = device.exposure_of("watching") / device.exposure_us
    return {} if found is None else {"wake_up": found}


def _with_light(candidate: Candidate) -> list[Int32]:
    """Return the values of training frames in which light came back, a share of each recording."""
    found = []
    for recording in candidate.fit().train:
        lit = np.flatnonzero(~recording.signs(candidate.corpus.sensor).empty)
        every = max(1, len(lit) // MAX_LIT_FRAMES)
        found.append(recording.values[lit[::every]])
    return found
