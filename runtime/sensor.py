"""The one description of a sensor that every room uses."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from runtime.errors import FormatError

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["LEAST_BITS", "MAX_APERTURES", "MOST_BITS", "Aperture", "Sensor"]

MAX_APERTURES = 4
"""Most apertures of one sensor: two for a baseline, two more for one across it."""
LEAST_BITS, MOST_BITS = 4, 16
"""Of an ADC: fewer tell too few levels of light, counts are kept in 16 bits."""
_FAR_MM = 1000.0
_OLD_KEYS = {"baseline_mm": "led_offset_mm"}
"""Keys of files written before there were several apertures: *baseline* then meant LED to optic."""


@dataclass(frozen=True, slots=True)
class Aperture:
    """One optic, and the rectangle of the array that it throws its light on.

    Parameters
    ----------
    x_mm, y_mm : float
        Centre of the optic from the sensor's origin, millimetres, -1000 to 1000; x along the
        columns, y along the rows, both rising with their numbers.
    first_row, n_rows, first_col, n_cols : int
        Its rectangle, in the rows and columns that are read.

    Raises
    ------
    FormatError
        A value is outside its range; the message names the field.
    """

    x_mm: float
    y_mm: float
    first_row: int
    n_rows: int
    first_col: int
    n_cols: int

    def __post_init__(self) -> None:
        for name in ("x_mm", "y_mm"):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise FormatError("aperture", name, repr(value), "a number")
            if not -_FAR_MM <= value <= _FAR_MM:
                raise FormatError("aperture", name, value, f"{-_FAR_MM:g} to {_FAR_MM:g}")
        for name, low in (("first_row", 0), ("n_rows", 1), ("first_col", 0), ("n_cols", 1)):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int):
                raise FormatError("aperture", name, repr(value), "a whole number")
            if not low <= value <= 256:
                raise FormatError("aperture", name, value, f"{low} to 256")

    def __str__(self) -> str:
        return (
            f"({self.x_mm:g}, {self.y_mm:g}) mm on rows {self.first_row} to "
            f"{self.first_row + self.n_rows - 1}, columns {self.first_col} to "
            f"{self.first_col + self.n_cols - 1}"
        )

    def of(self, readout: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return this aperture's part of readouts.

        Parameters
        ----------
        readout : array, shape (..., n_rows, n_cols)
            Of the whole array.

        Returns
        -------
        array, shape (..., n_rows of the aperture, n_cols of the aperture)
            A view.
        """
        rows = slice(self.first_row, self.first_row + self.n_rows)
        return readout[..., rows, self.first_col : self.first_col + self.n_cols]

    def overlaps(self, other: Aperture) -> bool:
        """Return whether two rectangles share a pixel."""
        return (
            self.first_row < other.first_row + other.n_rows
            and other.first_row < self.first_row + self.n_rows
            and self.first_col < other.first_col + other.n_cols
            and other.first_col < self.first_col + self.n_cols
        )

    def cut(self, first_row: int, n_rows: int) -> Aperture | None:
        """Return what is left when only some rows are read, numbered from there; None if none."""
        first = max(self.first_row, first_row)
        stop = min(self.first_row + self.n_rows, first_row + n_rows)
        if stop <= first:
            return None
        return dataclasses.replace(self, first_row=first - first_row, n_rows=stop - first)


class _OneOverAll(tuple[Aperture, ...]):
    """The usual aperture: one over the whole array, also when fewer rows are read."""

    __slots__ = ()


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
        ADC bits, 4 to 16.
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
    led_offset_mm : float
        LED to the sensor's origin along x, centre to centre, millimetres, >= 0. The default is
        two packages side by side: a chip LED of 1.6 mm (EIA size 0603, from memory), a sensor of
        the same length, 0.4 mm of board between them; assumed.
    apertures : tuple of Aperture
        Optics over the array, at most four; without any, one at the origin over all of it.

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
    led_offset_mm: float = 2.0
    apertures: tuple[Aperture, ...] = ()

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            if field.name == "apertures":
                continue
            value = getattr(self, field.name)
            wanted = {"str": str, "int": int}.get(str(field.type), (int, float))
            if isinstance(value, bool) or not isinstance(value, wanted):
                raise FormatError("sensor", field.name, repr(value), f"a {field.type}")
            if isinstance(value, float) and not math.isfinite(value):
                raise FormatError("sensor", field.name, value, "a finite number")
        self._check("n_rows", self.n_rows, 1, 256)
        self._check("n_cols", self.n_cols, 1, 256)
        self._check("bit_depth", self.bit_depth, LEAST_BITS, MOST_BITS)
        self._check("conversion_gain_dn_per_e", self.conversion_gain_dn_per_e, 1e-6, 1e3)
        self._check("read_noise_e", self.read_noise_e, 0.0, 1e5)
        self._check("dark_signal_e_per_s", self.dark_signal_e_per_s, 0.0, 1e9)
        self._check("full_well_e", self.full_well_e, 1.0, 1e9)
        self._check("black_level_counts", self.black_level_counts, 0, self.max_counts)
        self._check("exposure_us", self.exposure_us, 0.1, 1e6)
        self._check("frame_rate_hz", self.frame_rate_hz, 0.01, 10_000.0)
        self._check("led_current_ma", self.led_current_ma, 0.0, 10_000.0)
        self._check("led_wavelength_nm", self.led_wavelength_nm, 380.0, 1100.0)
        self._check("led_offset_mm", self.led_offset_mm, 0.0, _FAR_MM)
        if 2 * self.exposure_us > self.frame_period_us:
            raise FormatError(
                "sensor",
                "exposure_us",
                self.exposure_us,
                f"at most {self.frame_period_us / 2:g} so that a lit and a dark exposure fit",
            )
        over_all = (Aperture(0.0, 0.0, 0, self.n_rows, 0, self.n_cols),)
        if isinstance(self.apertures, _OneOverAll) or self.apertures in ((), over_all):
            object.__setattr__(self, "apertures", _OneOverAll(over_all))
        self._check_apertures()

    def _check_apertures(self) -> None:
        apertures = self.apertures
        if not isinstance(apertures, tuple) or not all(isinstance(a, Aperture) for a in apertures):
            raise FormatError("sensor", "apertures", type(apertures).__name__, "a tuple of them")
        if not 1 <= len(apertures) <= MAX_APERTURES:
            wanted = f"1 to {MAX_APERTURES}"
            raise FormatError("sensor", "number of apertures", len(apertures), wanted)
        for i, one in enumerate(apertures):
            if one.first_row + one.n_rows > self.n_rows or one.first_col + one.n_cols > self.n_cols:
                within = f"within {self.n_rows} rows and {self.n_cols} columns"
                raise FormatError("sensor", f"aperture {i}", one, within)
        for (i, one), (j, other) in itertools.combinations(enumerate(apertures), 2):
            if one.overlaps(other):
                apart = f"on no pixel of aperture {i}"
                raise FormatError("sensor", f"aperture {j}", other, apart)
            if (one.x_mm, one.y_mm) == (other.x_mm, other.y_mm):
                apart = f"another place than aperture {i}'s"
                raise FormatError("sensor", f"aperture {j}", other, apart)

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

    def baseline_mm(self, i: int = 0, j: int = 1) -> float:
        """Return the baseline of two apertures: the distance of their centres, millimetres.

        Raises
        ------
        FormatError
            The sensor has no such aperture.
        """
        for index in (i, j):
            if not 0 <= index < len(self.apertures):
                wanted = f"one of its {len(self.apertures)}, from 0"
                raise FormatError("sensor", "aperture", index, wanted)
        one, other = self.apertures[i], self.apertures[j]
        return math.hypot(other.x_mm - one.x_mm, other.y_mm - one.y_mm)

    def reading_rows(self, first_row: int, n_rows: int) -> Sensor:
        """Return the sensor as it reads fewer rows: apertures are cut, one without rows is gone.

        Raises
        ------
        FormatError
            The rows are not there, or none of them is under an aperture.
        """
        if not (first_row >= 0 and 1 <= n_rows <= self.n_rows - first_row):
            wanted = f"within the {self.n_rows} there are"
            raise FormatError("sensor", "rows", f"{n_rows} from {first_row}", wanted)
        if isinstance(self.apertures, _OneOverAll):
            return dataclasses.replace(self, n_rows=n_rows)
        left = (one.cut(first_row, n_rows) for one in self.apertures)
        apertures = tuple(one for one in left if one is not None)
        return dataclasses.replace(self, n_rows=n_rows, apertures=apertures)

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain JSON values, in declaration order.

        Apertures are left out where there is only the one at the origin over the whole array.
        """
        values = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        if isinstance(self.apertures, _OneOverAll):
            del values["apertures"]
        else:
            values["apertures"] = [dataclasses.asdict(each) for each in self.apertures]
        return values

    @classmethod
    def from_json(cls, data: object, where: str = "sensor") -> Sensor:
        """Build a sensor from untrusted JSON.

        Raises
        ------
        FormatError
            `data` is not an object, a key is unknown or missing, or a value is out of range.
        """
        values = _object(data, where, "sensor")
        for old, new in _OLD_KEYS.items():
            if old in values and new not in values:
                values[new] = values.pop(old)
        _check_keys(values, cls, ("name", "n_rows", "n_cols"), where)
        if "apertures" in values:
            values["apertures"] = _apertures(values["apertures"], where)
        return cls(**values)


def _object(data: object, where: str, what: str) -> dict[str, Any]:
    if not isinstance(data, Mapping):
        raise FormatError(where, what, type(data).__name__, "an object")
    return {str(key): value for key, value in data.items()}


def _check_keys(values: dict[str, Any], kind: type, needed: Sequence[str], where: str) -> None:
    names = [field.name for field in dataclasses.fields(kind)]
    what = f"{kind.__name__.lower()} key"
    unknown = sorted(key for key in values if key not in names)
    if unknown:
        raise FormatError(where, what, unknown[0], f"one of {', '.join(names)}")
    for key in needed:
        if key not in values:
            raise FormatError(where, what, f"without {key}", "present")


def _apertures(data: object, where: str) -> tuple[Aperture, ...]:
    if not isinstance(data, list):
        raise FormatError(where, "apertures", type(data).__name__, "a list")
    found = []
    for each in data:
        values = _object(each, where, "aperture")
        _check_keys(values, Aperture, [f.name for f in dataclasses.fields(Aperture)], where)
        found.append(Aperture(**values))
    return tuple(found)
