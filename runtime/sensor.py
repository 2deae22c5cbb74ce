"""The one description of a sensor that every room uses."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

from runtime.errors import FormatError

__all__ = ["Sensor"]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One kind of lensless sensor at one setting; validated on construction.

    Raw ADC values are always called counts (DN). A frame pair is one lit and one dark exposure,
    each an array of shape (n_rows, n_cols), dtype uint16, values 0 to ``max_counts``.

    Parameters
    ----------
    name : str
        Kind of sensor, for people.
    n_rows, n_cols : int
        Pixels down and across, 1 to 256.
    bit_depth : int
        ADC bits, one of 8, 10, 12, 16.
    conversion_gain_dn_per_e : float
        Counts per electron (the K of EMVA 1288), > 0.
    read_noise_e : float
        Temporal dark noise at zero exposure, electrons rms, >= 0.
    dark_signal_e_per_s : float
        Mean dark signal, electrons per second and pixel, >= 0.
    full_well_e : float
        Saturation capacity, electrons, > 0.
    black_level_counts : int
        Offset added before the ADC so that noise is not cut at zero.
    exposure_us : float
        Length of one exposure, microseconds, > 0.
    frame_rate_hz : float
        Frame pairs per second, > 0; two exposures must fit into one period.
    led_current_ma : float
        LED current while lit, milliamperes, >= 0.
    led_wavelength_nm : float
        Peak wavelength, nanometres, 380 to 1100 (silicon).
    baseline_mm : float
        LED to optic, centre to centre, millimetres, >= 0.

    Raises
    ------
    FormatError
        A value is outside its range; the message names the field.
    """

    name: str
    n_rows: int
    n_cols: int
    bit_depth: int = 12
    conversion_gain_dn_per_e: float = 0.25
    read_noise_e: float = 8.0
    dark_signal_e_per_s: float = 500.0
    full_well_e: float = 16000.0
    black_level_counts: int = 64
    exposure_us: float = 200.0
    frame_rate_hz: float = 30.0
    led_current_ma: float = 100.0
    led_wavelength_nm: float = 940.0
    baseline_mm: float = 1.86

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            wanted = {"str": str, "int": int}.get(str(field.type), (int, float))
            if isinstance(value, bool) or not isinstance(value, wanted):
                raise FormatError("sensor", field.name, repr(value), f"a {field.type}")
            if isinstance(value, float) and not math.isfinite(value):
                raise FormatError("sensor", field.name, value, "a finite number")
        self._check("n_rows", self.n_rows, 1, 256)
        self._check("n_cols", self.n_cols, 1, 256)
        if self.bit_depth not in (8, 10, 12, 16):
            raise FormatError("sensor", "bit_depth", self.bit_depth, "8, 10, 12 or 16")
        self._check("conversion_gain_dn_per_e", self.conversion_gain_dn_per_e, 1e-6, 1e3)
        self._check("read_noise_e", self.read_noise_e, 0.0, 1e5)
        self._check("dark_signal_e_per_s", self.dark_signal_e_per_s, 0.0, 1e9)
        self._check("full_well_e", self.full_well_e, 1.0, 1e9)
        self._check("black_level_counts", self.black_level_counts, 0, self.max_counts)
        self._check("exposure_us", self.exposure_us, 0.1, 1e6)
        self._check("frame_rate_hz", self.frame_rate_hz, 0.01, 10_000.0)
        self._check("led_current_ma", self.led_current_ma, 0.0, 10_000.0)
        self._check("led_wavelength_nm", self.led_wavelength_nm, 380.0, 1100.0)
        self._check("baseline_mm", self.baseline_mm, 0.0, 1000.0)
        if 2 * self.exposure_us > self.frame_period_us:
            raise FormatError(
                "sensor",
                "exposure_us",
                self.exposure_us,
                f"at most {self.frame_period_us / 2:g} so that a lit and a dark exposure fit",
            )

    @staticmethod
    def _check(field: str, value: float, low: float, high: float) -> None:
        if not low <= value <= high:
            raise FormatError("sensor", field, value, f"{low:g} to {high:g}")

    @property
    def n_pixels(self) -> int:
        """Pixels of one exposure."""
        return self.n_rows * self.n_cols

    @property
    def max_counts(self) -> int:
        """Largest ADC value, 2**bit_depth - 1."""
        return (1 << self.bit_depth) - 1

    @property
    def saturation_counts(self) -> int:
        """Value from which a pixel is saturated: its full well or the ADC, whichever is first."""
        full = self.black_level_counts + self.conversion_gain_dn_per_e * self.full_well_e
        return min(self.max_counts, int(full))

    @property
    def frame_period_us(self) -> float:
        """Microseconds from one frame pair to the next."""
        return 1e6 / self.frame_rate_hz

    def to_json(self) -> dict[str, str | int | float]:
        """Return the fields as plain JSON values, in declaration order."""
        return {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}

    @classmethod
    def from_json(cls, data: object, where: str = "sensor") -> Sensor:
        """Build a sensor from untrusted JSON.

        Raises
        ------
        FormatError
            `data` is not an object, a key is unknown or missing, or a value is out of range.
        """
        if not isinstance(data, Mapping):
            raise FormatError(where, "sensor", type(data).__name__, "an object")
        fields = {f.name: f for f in dataclasses.fields(cls)}
        unknown = sorted(str(k) for k in data if k not in fields)
        if unknown:
            raise FormatError(where, "sensor key", unknown[0], f"one of {', '.join(fields)}")
        for key in ("name", "n_rows", "n_cols"):
            if key not in data:
                raise FormatError(where, "sensor key", f"without {key}", "present")
        return cls(**{str(k): v for k, v in data.items()})
