"""Reduced readouts at a weaker setting: quick, for what is tried first.

The same arithmetic as :mod:`capture.thin.thinned`, on sums over bins. A sum of n pixels' lit minus
dark of n S counts of LED light, over ambient light and dark signal A a pixel, has noise of n times
that of a pixel: scaled by the exposure's fraction f and the LED's l, it lacks

    n [K f (l (1 - f l) S + (1 - f l^2) A) + K f (1 - f) A + (2 - (f l)^2 - f^2) s^2
       + f^2 (1 - l^2) (K A + s^2)]

where the last term is the dark exposures' own noise, which ``l`` scales with the difference but the
pixels' arithmetic leaves whole. Coarser steps add their rounding, 1/12 of a step squared for each
pixel and exposure. What it leaves out: single saturated pixels, light that differs much between the
pixels of a bin, and what steps coarser than the noise do to a mean. So settings are put in order by
it, and by nothing else.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np

from capture.thin.setting import Setting, thinned_sensor
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Float64, Int32
from trainer.corpus.recordings import LabelledCue
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judged_spans
from trainer.recipe import Recipe
from trainer.work.cache import StoredArray

__all__ = ["at_times", "thin_reduced"]

_DARK = 1
"""Column of the mean dark counts in a recording's frames; before it stands their time."""


def thin_reduced(
    reduced: Reduced, recorded: Sensor, setting: Setting, pixels_per_bin: int, recipe: Recipe
) -> Reduced:
    """Return a reduced recording about as it would be at a weaker setting, in memory.

    Parameters
    ----------
    reduced : Reduced
        Sums over bins of the rows that are read at the setting, as recorded otherwise.
    recorded : Sensor
    setting : Setting
    pixels_per_bin : int
    recipe : Recipe
        At the setting's frame rate.
    """
    after = thinned_sensor(recorded, setting)
    kept = np.arange(0, reduced.n_frames, setting.frame_rate_divisor)
    steps = after.conversion_gain_dn_per_e / recorded.conversion_gain_dn_per_e
    frames = reduced.frames_table[kept]
    ambient = np.maximum(frames[:, _DARK] - recorded.black_level_counts, 0.0)
    values = reduced.values[kept].astype(np.float64)
    part, share = setting.exposure_fraction, setting.led_current_fraction
    lacking = _lacking(values / pixels_per_bin, ambient[:, None], recorded, setting)
    if steps < 1.0:
        lacking = lacking + 2.0 * (1.0 - steps**2) / 12.0 / steps**2
    seed = hashlib.sha256(reduced.recording.digest.encode()).digest()
    rng = np.random.default_rng(int.from_bytes(seed[:8], "little"))
    noise = np.sqrt(pixels_per_bin * lacking) * rng.standard_normal(values.shape)
    thinned = np.rint(steps * (part * share * values + noise)).astype(np.int32)
    frames[:, _DARK] = after.black_level_counts + steps * part * ambient
    return at_times(reduced, thinned, frames, recipe)


def _lacking(led: Float64, ambient: Float64, sensor: Sensor, setting: Setting) -> Float64:
    """Return the variance that a pixel's difference lacks after scaling, counts squared."""
    f, l = setting.exposure_fraction, setting.led_current_fraction  # noqa: E741 - as in the formula
    gain = sensor.conversion_gain_dn_per_e
    read = (gain * sensor.read_noise_e) ** 2
    led = np.maximum(led, 0.0)
    shot = gain * f * (l * (1 - f * l) * led + (1 - f * l * l) * ambient)
    shot = shot + gain * f * (1 - f) * ambient
    whole = f**2 * (1 - l**2) * (gain * ambient + read)
    return np.asarray(shot + (2 - (f * l) ** 2 - f**2) * read + whole)


def at_times(
    reduced: Reduced, values: StoredArray | Int32, frames: Float64, recipe: Recipe
) -> Reduced:
    """Return a recording of other frames with cues and movements at the same moments.

    Parameters
    ----------
    reduced : Reduced
        Whose cues and movements are placed.
    values : StoredArray or int32 (n_frames, n_values)
        Of the other frames.
    frames : float64 (n_frames, 22)
        Their times and signs.
    recipe : Recipe
        At the frames' rate.
    """
    old, new = reduced.time_s, frames[:, 0]
    last = len(new) - 1

    def moved(index: int) -> int:
        return min(int(np.searchsorted(new, old[min(index, len(old) - 1)] - 1e-9)), last)

    cues = [_moved_cue(cue, moved(cue.start), moved(cue.stop - 1) + 1) for cue in reduced.cues]
    judged = judged_spans(recipe, cues, len(new))
    starts = [moved(start) for start in reduced.starts]
    ends = [moved(end) for end in reduced.ends]
    other = replace(reduced, stored=values, stored_frames=frames, cues=cues, judged=judged)
    return other.placed(recipe, starts, ends)


def _moved_cue(cue: LabelledCue, start: int, stop: int) -> LabelledCue:
    return replace(cue, start=start, stop=max(stop, start + 1))
