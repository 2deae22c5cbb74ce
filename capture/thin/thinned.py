"""Readouts at a weaker setting, exposure by exposure, from those at the recorded one.

In counts above black, with gain K and read noise s (counts), an exposure of mean m has variance
``K m + s^2`` (EMVA 1288, Release 4.0, section 2, from memory). Of light that is a share f of it
remains ``f m``, with variance ``K f m + s^2``. Scaling the counts x by f leaves
``f^2 (K m + s^2)``, so that noise of variance ``K f (1 - f) x + s^2 (1 - f^2)`` is added: the
thinning of a Poisson count, in which each electron that was collected is kept with probability f
(any textbook), seen through the sensor's gain. It is x and no estimate of m that stands there:
thinning acts on the electrons that came. Read noise may make x negative, and the variance is right
in the mean all the same, since x enters as it is; the sum falls below zero only where x lies under
black by twice s/K standard deviations, s/K being the read noise in electrons.

A shorter exposure shrinks both exposures so. A weaker LED shrinks the LED's part of the lit one
alone: with its fraction l, and A the ambient light and dark signal below the noise of the dark
exposures, the lit exposure becomes ``f (l x + (1 - l) A)``, and noise of variance
``K f ((1 - f l) l x + (1 - l) A) + s^2 (1 - f^2 l^2)`` is added. A is estimated from the few
patterns in which dark exposures move (`capture.thin.underlying`), and so has a small part of their
noise. That part would be missing in lit minus dark; it is made up in those patterns, where lit has
a little more noise for it (``2 (1 - l)`` times that of the dark one), so that lit minus dark has
its noise whole. Flicker of the mains is followed from the dark exposure to the lit one, and to
where both move when exposures are shorter: the gap between them is kept (`capture.thin.mains`).

What cannot be known and stays as it is:

- a saturated pixel's light (`capture.measure.headroom`);
- each pixel's own black level, which is scaled like light: lit minus dark does not show it;
- on which side of a step's edge that black level lies, where bits are taken away: with steps of up
  to three times the read noise sums of pixels err by a small part of their noise, and coarser ones
  are refused (`capture.thin.setting.MOST_STEP`);
- telegraph noise of single pixels, likewise;
- light that flickers, where dark exposures have no times or the frame rate hides it in them;
- the skew of counts of a few electrons: added noise is normal;
- what was cut at zero, where the black level is within a few standard deviations of it;
- an LED that is more efficient at less current: its light is taken as proportional.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from capture.frames import Counts, FrameBlock
from capture.store.session import Session
from capture.thin.mains import fit_flicker
from capture.thin.setting import Setting, thinned_sensor
from capture.thin.underlying import Floats, ambient_of, read_noise_dn2, refuse_missing_dark
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = ["generator_of", "thinned"]

STRETCH_FRAMES = 512
"""Frame pairs whose patterns of light are found together; part of the result."""
PART_FRAMES = 256
"""Frame pairs over which a lamp's depth of flicker is taken as a straight line; likewise."""


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
    """Cut a stream anew into stretches of 512; the last has up to 1,023, so that none is short."""
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


def _parts(n_frames: int) -> list[slice]:
    """Cut a stretch into parts of 256 frame pairs and a little more."""
    n_parts = max(1, n_frames // PART_FRAMES)
    edges = [n_frames * i // n_parts for i in range(n_parts + 1)]
    return [slice(*both) for both in pairwise(edges)]


class _Plan:
    """One setting, worked out once for all stretches of a recording."""

    def __init__(self, sensor: Sensor, setting: Setting) -> None:
        self.sensor, self.setting = sensor, setting
        self.after = thinned_sensor(sensor, setting)
        self.rows = slice(*(setting.rows or (0, sensor.n_rows)))
        self.exposure, self.led = setting.exposure_fraction, setting.led_current_fraction
        self.gain = sensor.conversion_gain_dn_per_e
        self.noisier = self.after.read_noise_e > sensor.read_noise_e
        self.row_noise: tuple[float, float] | None = None

    def run(self, stretch: FrameBlock, rng: np.random.Generator) -> Iterator[FrameBlock]:
        """Yield a stretch at the setting, unless no frame pair of it is kept."""
        kept = stretch.sequence % self.setting.frame_rate_divisor == 0
        dark_time_us = self._dark_time_us(stretch)
        parts = zip(_parts(len(stretch)), self._exposures(stretch, rng), strict=True)
        for part, (lit, dark) in parts:
            here = kept[part]
            if not here.any():
                continue
            yield FrameBlock(
                stretch.sequence[part][here] // self.setting.frame_rate_divisor,
                stretch.time_us[part][here],
                self._read(lit[here], rng),
                self._read(dark[here], rng),
                dark_time_us[part][here],
            )

    def _exposures(
        self, stretch: FrameBlock, rng: np.random.Generator
    ) -> Iterator[tuple[Floats, Floats]]:
        if self.setting.weaker_light or self.noisier:
            yield from self._thinned(stretch, rng)
            return
        for part in _parts(len(stretch)):
            yield self._above_black(stretch.lit[part]), self._above_black(stretch.dark[part])

    def _thinned(
        self, stretch: FrameBlock, rng: np.random.Generator
    ) -> Iterator[tuple[Floats, Floats]]:
        """Yield lit and dark exposures at the setting, part by part: counts above black."""
        share, dark = self.led, self._above_black(stretch.dark)
        refuse_missing_dark(dark, self.sensor)
        with threadpool_limits(1):  # small matrices; more threads only wait for each other
            ambient = ambient_of(dark, self.sensor)
        if self.row_noise is None:
            self.row_noise = ambient.row_noise_dn2, ambient.unstated_dn2
        followed = rng.standard_normal((ambient.courses.shape[1], len(ambient.noise)))
        for part in _parts(len(stretch)):
            with threadpool_limits(1):
                to_lit, to_dark = self._moved(stretch[part], ambient.shares[part])
                lit = self._above_black(stretch.lit[part])
                mean = ambient.mean(part)
                lit = self._lit(lit, mean, to_lit @ ambient.patterns, rng)
                if share < 1.0:
                    drawn = rng.standard_normal(ambient.shares[part].shape)
                    made_up = drawn @ ambient.patterns
                    made_up += ambient.courses[part] @ followed * ambient.noise
                    lit += self.exposure * np.sqrt(1 - share**2) * made_up
                yield lit, self._dark(dark[part], to_dark @ ambient.patterns, rng)

    def _lit(self, lit: Floats, ambient: Floats, moved: Floats, rng: np.random.Generator) -> Floats:
        part, share = self.exposure, self.led
        shot = self.gain * part * ((1 - part * share) * share * lit + (1 - share) * ambient)
        values = part * (share * lit + (1 - share) * ambient + moved)
        return np.asarray(values + self._noise(shot, part * share, rng))

    def _dark(self, dark: Floats, moved: Floats, rng: np.random.Generator) -> Floats:
        part = self.exposure
        if part == 1.0 and not self.noisier:
            return dark
        shot = self.gain * part * (1 - part) * dark
        return np.asarray(part * (dark + moved) + self._noise(shot, part, rng))

    def _moved(self, stretch: FrameBlock, shares: Floats) -> tuple[Floats, Floats]:
        """Return how the mains' flicker differs at the setting, in patterns: of lit, of dark."""
        nothing = np.zeros_like(shares)
        if not stretch.dark_time_us.all():
            return nothing, nothing
        before_us, after_us = self.sensor.exposure_us, self.after.exposure_us
        found = fit_flicker(shares, stretch.dark_time_us, before_us, self.sensor.frame_rate_hz)
        if found is None:
            return nothing, nothing
        dark_us = found.start_us
        lit_us = dark_us - (stretch.dark_time_us - stretch.time_us)
        seen = found.at(dark_us, before_us)
        # The lit exposure brings a share of its own ambient light, the rest comes from the dark.
        brought = self.led * found.at(lit_us, before_us) + (1 - self.led) * seen
        closer_us = dark_us - (before_us - after_us)
        return found.at(lit_us, after_us) - brought, found.at(closer_us, after_us) - seen

    def _noise(self, shot: Floats, part: float, rng: np.random.Generator) -> Floats:
        """Draw the noise that counts scaled by `part` lack, given what shot noise they lack."""
        in_common, unstated = self.row_noise or (0.0, 0.0)
        # Rounding is not added: whole counts are made of the sum. Rows have their own below.
        read = (self.gain * self.after.read_noise_e) ** 2 - part**2 * read_noise_dn2(self.sensor)
        alone = shot + read - (1 - part**2) * (in_common - unstated)
        noise = np.sqrt(np.maximum(alone, 0.0))
        noise *= rng.standard_normal(shot.shape, np.float32)
        if in_common:
            rows = rng.standard_normal((len(shot), self.sensor.n_rows))
            rows *= np.sqrt((1 - part**2) * in_common)
            noise += np.repeat(rows, self.sensor.n_cols, axis=1)
        return noise

    def _dark_time_us(self, stretch: FrameBlock) -> npt.NDArray[np.int64]:
        shorter_us = round(self.sensor.exposure_us - self.after.exposure_us)
        known = stretch.dark_time_us > shorter_us
        return np.where(known, stretch.dark_time_us - shorter_us, 0)

    def _above_black(self, counts: Counts) -> Floats:
        return counts.reshape(len(counts), -1).astype(np.float64) - self.sensor.black_level_counts

    def _read(self, values: Floats, rng: np.random.Generator) -> Counts:
        """Return whole counts of the thinned sensor: its steps, its range, the rows it reads."""
        before, after = self.sensor, self.after
        steps = after.conversion_gain_dn_per_e / before.conversion_gain_dn_per_e
        if steps < 1.0:
            # A whole count that lies on the edge of two larger steps came from either side of it.
            values = values + 0.25 * rng.choice([-1.0, 1.0], values.shape)
        counts = np.floor(values * steps + (after.black_level_counts + 0.5))
        whole = np.clip(counts, 0, after.max_counts).astype(np.uint16)
        return whole.reshape(len(values), before.n_rows, before.n_cols)[:, self.rows]
