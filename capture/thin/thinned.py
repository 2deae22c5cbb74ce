"""Readouts at a weaker setting, exposure by exposure, from those at the recorded one.

In counts above black, with gain K and read noise s (counts), an exposure of mean m has variance
``K m + s^2`` (EMVA 1288, Release 4.0, section 2, from memory). Of light that is a share f of it
remains ``f m``, with variance ``K f m + s^2``. Scaling the counts by f leaves ``f^2 (K m + s^2)``,
so that noise of variance ``K f (1 - f) m + s^2 (1 - f^2)`` is added: the thinning of a Poisson
count, each electron kept with probability f (any textbook), seen through the sensor's gain.

A shorter exposure shrinks both exposures so. A weaker LED shrinks the LED's part of the lit one
alone: with its fraction l, and A the ambient light and dark signal below the noise of the dark
exposures, the lit exposure x becomes ``f (l x + (1 - l) A)``. A is estimated from the few patterns
in which dark exposures move (`capture.thin.underlying`), and so has a small part of their noise.
That part would be missing in lit minus dark; it is made up in those patterns, where lit has a
little more noise for it (``2 (1 - l)`` times that of the dark one), so that lit minus dark has its
noise whole.

What cannot be known and stays as it is:

- a saturated pixel's light (`capture.measure.headroom`);
- each pixel's own black level, which is scaled like light: lit minus dark does not show it;
- telegraph noise of single pixels, likewise;
- light that flickers, where the frame rate hides it in the dark exposures;
- the skew of counts of a few electrons: added noise is normal.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from capture.frames import Counts, FrameBlock
from capture.store.session import Session
from capture.thin.setting import Setting, thinned_sensor
from capture.thin.underlying import Floats, Underlying, underlying
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = ["generator_of", "thinned"]

STRETCH_FRAMES = 256
"""Frame pairs whose light is estimated together; part of the result."""


def generator_of(session: Session, seed: int) -> np.random.Generator:
    """Return the generator of one session's noise: of its name and a seed, in whatever order.

    All settings share it, so that two settings differ by the setting and less by chance.
    """
    digest = hashlib.sha256(session.path.name.encode()).digest()
    return np.random.default_rng([seed, int.from_bytes(digest[:8], "little")])


def thinned(
    blocks: Iterable[FrameBlock] | Session,
    sensor: Sensor,
    setting: Setting,
    rng: np.random.Generator,
) -> Iterator[FrameBlock]:
    """Yield the readouts that the sensor would have given at a weaker setting.

    Parameters
    ----------
    blocks : iterable of FrameBlock, or Session
        In order; how they are cut changes nothing.
    sensor : Sensor
        What recorded them.
    setting : Setting
        With nothing weaker, counts come back as they are.
    rng : numpy.random.Generator
        Draws the added noise; see `generator_of`.

    Yields
    ------
    FrameBlock
        At most 511 frame pairs. With a lower rate, sequence numbers are those of the kept pairs
        divided by the divisor. A shorter exposure brings the dark exposure closer.

    Raises
    ------
    UsageError
        The setting asks for more than was recorded.
    FormatError
        A block's shape is not the sensor's, or dark exposures are missing.
    """
    plan = _Plan(sensor, setting)
    source = blocks.blocks() if isinstance(blocks, Session) else blocks
    return (each for stretch in _stretches(source, sensor) for each in plan.run(stretch, rng))


def _stretches(blocks: Iterable[FrameBlock], sensor: Sensor) -> Iterator[FrameBlock]:
    """Cut a stream anew into stretches of 256; the last has up to 511, so that none is short."""
    held: list[FrameBlock] = []
    shape = sensor.n_rows, sensor.n_cols
    for block in blocks:
        if block.lit.shape[1:] != shape:
            raise FormatError("frame block", "shape", block.lit.shape[1:], f"{shape}, the sensor's")
        held.append(block)
        if sum(map(len, held)) < 2 * STRETCH_FRAMES:
            continue
        whole = FrameBlock.concatenate(held)
        while len(whole) >= 2 * STRETCH_FRAMES:
            yield whole[:STRETCH_FRAMES]
            whole = whole[STRETCH_FRAMES:]
        held = [whole]
    if sum(map(len, held)):
        yield FrameBlock.concatenate(held)


class _Plan:
    """One setting, worked out once for all stretches."""

    def __init__(self, sensor: Sensor, setting: Setting) -> None:
        self.sensor, self.setting = sensor, setting
        self.after = thinned_sensor(sensor, setting)
        self.rows = slice(*(setting.rows or (0, sensor.n_rows)))
        self.exposure, self.led = setting.exposure_fraction, setting.led_current_fraction
        gain = sensor.conversion_gain_dn_per_e
        self.read_dn2 = (gain * sensor.read_noise_e) ** 2 + 1.0 / 12.0
        self.read_after_dn2 = (gain * self.after.read_noise_e) ** 2
        self.noisier = self.after.read_noise_e > sensor.read_noise_e

    def run(self, stretch: FrameBlock, rng: np.random.Generator) -> Iterator[FrameBlock]:
        """Yield a stretch at the setting, unless no frame pair of it is kept."""
        kept = stretch.sequence % self.setting.frame_rate_divisor == 0
        lit, dark = self._exposures(stretch, kept, rng)
        if not kept.any():
            return
        shorter_us = round(self.sensor.exposure_us - self.after.exposure_us)
        dark_time_us = stretch.dark_time_us[kept]
        known = dark_time_us > shorter_us
        yield FrameBlock(
            stretch.sequence[kept] // self.setting.frame_rate_divisor,
            stretch.time_us[kept],
            lit,
            dark,
            np.where(known, dark_time_us - shorter_us, 0),
        )

    def _exposures(
        self, stretch: FrameBlock, kept: npt.NDArray[np.bool_], rng: np.random.Generator
    ) -> tuple[Counts, Counts]:
        if not self.setting.weaker_light and not self.noisier:
            return (
                self._read(self._above_black(stretch.lit)[kept], rng, False),
                self._read(self._above_black(stretch.dark)[kept], rng, False),
            )
        lit, dark = self._above_black(stretch.lit), self._above_black(stretch.dark)
        in_lit, in_dark = underlying(lit, self.sensor), underlying(dark, self.sensor)
        ambient = np.maximum(in_dark.mean, 0.0)
        led = np.maximum(in_lit.mean - ambient, 0.0)
        lit, dark = self._lit(lit, led, in_dark, rng), self._dark(dark, ambient, rng)
        return self._read(lit[kept], rng, True), self._read(dark[kept], rng, self.adds_to_dark)

    @property
    def adds_to_dark(self) -> bool:
        """Whether dark exposures get any noise at all."""
        return self.exposure < 1.0 or self.noisier

    def _lit(
        self, lit: Floats, led: Floats, in_dark: Underlying, rng: np.random.Generator
    ) -> Floats:
        """Return lit exposures at the setting, counts above black with their fractions."""
        gain, share, both = self.sensor.conversion_gain_dn_per_e, self.led, self.exposure * self.led
        ambient = np.maximum(in_dark.mean, 0.0)
        shot = gain * self.exposure * (share * (1 - both) * led + (1 - both * share) * ambient)
        values = both * lit + _noise(shot + self.read_after_dn2 - both**2 * self.read_dn2, rng)
        if share < 1.0:
            values += self.exposure * (1 - share) * in_dark.mean
            drawn = rng.standard_normal((len(lit), in_dark.patterns.shape[1]))
            made_up = drawn @ in_dark.patterns.T * in_dark.noise
            values += self.exposure * np.sqrt(1 - share**2) * made_up
        return values

    def _dark(self, dark: Floats, ambient: Floats, rng: np.random.Generator) -> Floats:
        """Return dark exposures at the setting, counts above black with their fractions."""
        if not self.adds_to_dark:
            return dark
        part = self.exposure
        shot = self.sensor.conversion_gain_dn_per_e * part * (1 - part) * ambient
        return part * dark + _noise(shot + self.read_after_dn2 - part**2 * self.read_dn2, rng)

    def _above_black(self, counts: Counts) -> Floats:
        return counts.reshape(len(counts), -1).astype(np.float64) - self.sensor.black_level_counts

    def _read(self, values: Floats, rng: np.random.Generator, noisy: bool) -> Counts:
        """Return whole counts of the thinned sensor: ADC steps, rows read."""
        before, after = self.sensor, self.after
        steps = after.conversion_gain_dn_per_e / before.conversion_gain_dn_per_e
        if not noisy and steps < 1.0:
            # A whole count that lies on the edge of two steps fell on either side of it.
            values = values + 0.25 * rng.choice([-1.0, 1.0], values.shape)
        counts = np.floor(values * steps + (after.black_level_counts + 0.5))
        whole = np.clip(counts, 0, after.max_counts).astype(np.uint16)
        return whole.reshape(len(values), before.n_rows, before.n_cols)[:, self.rows]


def _noise(variance: Floats, rng: np.random.Generator) -> Floats:
    """Draw normal noise; none where the variance is negative."""
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)) * rng.standard_normal(variance.shape))
