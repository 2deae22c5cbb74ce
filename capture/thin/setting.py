"""A weaker setting of a sensor than the recorded one, and the sensor at it."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from runtime.errors import FormatError, UsageError
from runtime.sensor import LEAST_BITS, MOST_BITS, Sensor

__all__ = ["MOST_STEP", "Setting", "least_bits", "thinned_sensor"]

MOST_STEP = 3.0
"""A step of the ADC over the read noise, at most, where bits are taken away.

Of noise s and steps q the mean of what is read errs by up to ``q / pi * exp(-2 (pi s / q)^2)``
(B. Widrow and I. Kollar, Quantization Noise, 2008, from memory), by where between two steps the
pixel's own black level lies: a ninth of the noise at three times it, nearly twice the noise at
eight times. No recording tells where it would lie at another exposure, so that sums of dark pixels,
each off by as much, could not be foretold.
"""


@dataclass(frozen=True, slots=True)
class Setting:
    """What is weaker than it was recorded; nothing by default.

    Sums over bins are made of counts after they are read, in a recipe's entry stage
    (``features.bins``), so that bins need no thinning: train on another recipe. The same holds for
    single pixels. Rows that are not read may be left out here, where the sensor reads fewer, or
    there (``features.rows``).

    Parameters
    ----------
    led_current_fraction : float
        LED current as a share of the recorded one, above 0 and at most 1. The LED's light is taken
        as proportional to it. Ambient light stays as it is.
    exposure_fraction : float
        Length of both exposures as a share of the recorded one, above 0 and at most 1. LED's light,
        ambient light and dark signal shrink alike.
    rows : (int, int), optional
        First row that is still read, counted from the first one recorded, and the one after the
        last; all that were recorded without.
    frame_rate_divisor : int
        Every so manieth frame pair is kept, 1 to 1,000.
    bit_depth : int, optional
        ADC bits, any whole number from 4 to those recorded; the range stays, steps grow.
        Steps of more than three times the read noise cannot be foretold (`MOST_STEP`).
    read_noise_e : float, optional
        Another read noise, electrons rms, at least the recorded one times the exposure fraction:
        no noise can be taken away from a recording.

    Raises
    ------
    UsageError
        A value is outside its range; the message names it.
    """

    led_current_fraction: float = 1.0
    exposure_fraction: float = 1.0
    rows: tuple[int, int] | None = None
    frame_rate_divisor: int = 1
    bit_depth: int | None = None
    read_noise_e: float | None = None

    def __post_init__(self) -> None:
        for name in ("led_current_fraction", "exposure_fraction"):
            value = getattr(self, name)
            if not _is_number(value) or not 0.0 < value <= 1.0:
                raise _wrong(name, value, "above 0 and at most 1, the recorded one")
        divisor = self.frame_rate_divisor
        if not _is_whole(divisor) or not 1 <= divisor <= 1000:
            raise _wrong("frame_rate_divisor", divisor, "a whole number from 1 to 1000")
        bits = self.bit_depth
        if bits is not None and not (_is_whole(bits) and LEAST_BITS <= bits <= MOST_BITS):
            raise _wrong("bit_depth", bits, f"a whole number from {LEAST_BITS} to {MOST_BITS}")
        noise = self.read_noise_e
        if noise is not None and (not _is_number(noise) or not 0.0 <= noise <= 1e5):
            raise _wrong("read_noise_e", noise, "0 to 1e5 electrons")
        if self.rows is not None:
            whole = len(self.rows) == 2 and all(_is_whole(row) for row in self.rows)
            if not whole or not 0 <= self.rows[0] < self.rows[1]:
                raise _wrong(
                    "rows", self.rows, "the first row and, above it, the one after the last"
                )

    @property
    def weaker_light(self) -> bool:
        """Whether there is less light than recorded, so that saturated pixels are wrong."""
        return self.led_current_fraction < 1.0 or self.exposure_fraction < 1.0

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return dataclasses.asdict(self)


def least_bits(sensor: Sensor, read_noise_e: float | None = None) -> int:
    """Return the fewest bits whose steps are fine enough to foretell; else those recorded.

    Parameters
    ----------
    sensor : Sensor
        As it recorded.
    read_noise_e : float, optional
        Of the setting; the sensor's own by default.
    """
    noise_dn = sensor.conversion_gain_dn_per_e * (
        sensor.read_noise_e if read_noise_e is None else read_noise_e
    )
    depths = range(LEAST_BITS, sensor.bit_depth)
    fine = (bits for bits in depths if 2.0 ** (sensor.bit_depth - bits) <= MOST_STEP * noise_dn)
    return next(fine, sensor.bit_depth)


def thinned_sensor(sensor: Sensor, setting: Setting) -> Sensor:
    """Return the sensor at a weaker setting.

    Fewer bits keep the range: gain and black level shrink by the same factor. The black level is
    rounded to whole counts.

    Parameters
    ----------
    sensor : Sensor
        As it recorded.
    setting : Setting

    Raises
    ------
    UsageError
        The setting asks for more than was recorded, or for what no sensor can be set to.
    """
    bits = sensor.bit_depth if setting.bit_depth is None else setting.bit_depth
    if bits > sensor.bit_depth:
        raise _wrong("bit_depth", bits, f"at most {sensor.bit_depth}, as recorded")
    least = least_bits(sensor, setting.read_noise_e)
    if bits < least:
        raise _wrong(
            "bit_depth", bits,
            f"at least {least}: steps of more than {MOST_STEP:g} times the read noise cannot be "
            "foretold",
        )  # fmt: skip
    first, stop = setting.rows or (0, sensor.n_rows)
    if stop > sensor.n_rows:
        raise _wrong("rows", setting.rows, f"within the {sensor.n_rows} rows recorded")
    noise = sensor.read_noise_e if setting.read_noise_e is None else setting.read_noise_e
    held = sensor.read_noise_e * setting.exposure_fraction
    if noise < held:
        raise _wrong(
            "read_noise_e", f"{noise:g}", f"at least {held:g}: the recording holds that much"
        )
    steps = 2.0 ** (bits - sensor.bit_depth)
    try:
        return dataclasses.replace(
            sensor.reading_rows(first, stop - first),
            bit_depth=bits,
            conversion_gain_dn_per_e=sensor.conversion_gain_dn_per_e * steps,
            black_level_counts=math.floor(sensor.black_level_counts * steps + 0.5),
            read_noise_e=noise,
            exposure_us=sensor.exposure_us * setting.exposure_fraction,
            led_current_ma=sensor.led_current_ma * setting.led_current_fraction,
            frame_rate_hz=sensor.frame_rate_hz / setting.frame_rate_divisor,
        )
    except FormatError as error:
        raise _wrong(f"{error.what} that follows", error.got, error.expected) from None


def _wrong(name: str, got: object, expected: object) -> UsageError:
    return UsageError("setting", name, got, expected)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
