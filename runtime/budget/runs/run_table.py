"""Battery runs from a table: one row a run, or one log of a Linux power supply a run.

| column | meaning |
| --- | --- |
| ``session`` | runs made together, in one sitting; names sort in the order of time |
| ``condition`` | what was on, such as ``with`` and ``without`` |
| ``duration_s``, ``energy_j`` | length and energy of the run; mean power is their ratio |
| ``log`` | in place of those two: a file beside the table, see :func:`read_supply_log` |
| ``device``, ``scenario`` | which phone, and in which use; one of each by default |
| ``order`` | place of the run within its session, from 1; needed only to see drift |
| ``run`` | the run's number within session and condition; not used |
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from runtime.errors import FormatError
from runtime.files import read_limited

__all__ = ["BatteryRun", "read_runs"]

_MAX_BYTES = 16 * 1024 * 1024
_MAX_LOG_BYTES = 256 * 1024 * 1024
_KNOWN = {
    "session", "condition", "run", "duration_s", "energy_j", "log", "device", "scenario", "order",
}  # fmt: skip
_SHORTEST_S = 1.0
"""A shorter battery run is a mistake of units: seconds of a run are minutes, not milliseconds."""
_LONGEST_S = 7 * 86_400.0
"""A longer one likewise: a run of 180 s in milliseconds would be two days of a phone unattended."""
_MOST_W = 1_000.0
"""No battery-run host draws a kilowatt: energy in millijoules, or duration in another unit."""


@dataclass(frozen=True, slots=True)
class BatteryRun:
    """One run of a host.

    Parameters
    ----------
    device, scenario, session, condition : str
    order : int or None
        Place within the session, from 1.
    duration_s, mean_mw : float
    row : int
        Line of the table, for messages and for the page.
    """

    device: str
    scenario: str
    session: str
    condition: str
    order: int | None
    duration_s: float
    mean_mw: float
    row: int


def read_runs(path: Path) -> tuple[BatteryRun, ...]:
    """Read a table of runs.

    Raises
    ------
    FormatError
        The table or a log cannot be read, a column is missing, unknown or given twice, a row has no
        session or condition, or a value is no number that a battery run can have.
    """
    try:
        text = read_limited(path, _MAX_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FormatError(str(path), "the table", "not UTF-8 text") from None
    try:
        rows = list(csv.reader(io.StringIO(text), strict=True))
    except csv.Error as error:
        raise FormatError(str(path), "the table", f"not CSV ({error})") from None
    if not rows:
        raise FormatError(str(path), "the table", "empty", "a header and a row for each run")
    header = [name.strip() for name in rows[0]]
    _check_header(path, header)
    runs = []
    for number, cells in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise FormatError(
                f"{path}, line {number}", "number of cells", len(cells), str(len(header))
            )
        values = {key: cell.strip() for key, cell in zip(header, cells, strict=True)}
        runs.append(_run(path, number, values))
    if not runs:
        raise FormatError(str(path), "number of runs", 0, "one and more")
    return tuple(runs)


def read_supply_log(path: Path, where: str) -> tuple[float, float]:
    """Return duration in s and energy in J of a log of a Linux power supply.

    Columns ``time_s``, ``current_now`` in µA and ``voltage_now`` in µV, as the kernel gives them
    (Linux kernel documentation, ABI/testing/sysfs-class-power). Current counts as drawn whatever
    its sign: drivers differ in which they give a discharge, so a log with both signs is refused.

    Raises
    ------
    FormatError
        The log cannot be read, goes back in time, was charging for a part, or holds no two rows.
    """
    try:
        table = np.genfromtxt(
            io.BytesIO(read_limited(path, _MAX_LOG_BYTES)), delimiter=",", names=True, dtype=float
        )
    except (ValueError, UnicodeDecodeError) as error:
        raise FormatError(where, f"log {path.name}", f"not a table ({error})") from None
    names = table.dtype.names or ()
    for name in ("time_s", "current_now", "voltage_now"):
        if name not in names:
            raise FormatError(where, f"log {path.name}", f"without {name}", "its column")
    table = np.atleast_1d(table)
    time_s, current, voltage = (table[k] for k in ("time_s", "current_now", "voltage_now"))
    if len(table) < 2 or not all(np.isfinite(x).all() for x in (time_s, current, voltage)):
        raise FormatError(where, f"log {path.name}", "incomplete", "two rows and more of numbers")
    if not (np.diff(time_s) > 0.0).all():
        raise FormatError(
            where, f"log {path.name}", "not rising in time_s", "one row after the other"
        )
    if (current > 0.0).any() and (current < 0.0).any():
        raise FormatError(
            where, f"log {path.name}", "of both signs in current_now", "discharge only",
            "leave out the part on the charger",
        )  # fmt: skip
    power_w = np.abs(current) * 1e-6 * voltage * 1e-6
    return float(time_s[-1] - time_s[0]), float(np.trapezoid(power_w, time_s))


def _check_header(path: Path, header: Sequence[str]) -> None:
    where = f"{path}, line 1"
    if len(set(header)) != len(header):
        raise FormatError(where, "the header", "with a column twice", "each column once")
    unknown = sorted(set(header) - _KNOWN)
    if unknown:
        raise FormatError(where, f"column {unknown[0]}", "unknown", ", ".join(sorted(_KNOWN)))
    for name in ("session", "condition"):
        if name not in header:
            raise FormatError(where, f"column {name}", "missing", "in the header")
    if "log" not in header:
        for name in ("duration_s", "energy_j"):
            if name not in header:
                raise FormatError(
                    where, f"column {name}", "missing", f"{name}, or log in its place"
                )


def _run(path: Path, number: int, values: Mapping[str, str]) -> BatteryRun:
    where = f"{path}, line {number}"
    for key in ("session", "condition"):
        if not values[key]:
            raise FormatError(where, key, "empty", "a name")
    if values.get("log"):
        # A table may name files beside it, and no others.
        if Path(values["log"]).name != values["log"]:
            raise FormatError(where, "log", values["log"], "a file beside the table")
        duration_s, energy_j = read_supply_log(path.parent / values["log"], where)
    else:
        duration_s, energy_j = (_number(where, key, values) for key in ("duration_s", "energy_j"))
    if not _SHORTEST_S <= duration_s <= _LONGEST_S:
        raise FormatError(
            where, "duration_s", f"{duration_s:g}", f"{_SHORTEST_S:g} to {_LONGEST_S:g} s",
            "give seconds",
        )  # fmt: skip
    if not 0.0 < energy_j / duration_s <= _MOST_W:
        raise FormatError(
            where, "mean power", f"{energy_j / duration_s:g} W", f"above 0, at most {_MOST_W:g} W",
            "give joules",
        )  # fmt: skip
    order = values.get("order", "")
    if order and not (order.isascii() and order.isdigit() and int(order) >= 1):
        raise FormatError(where, "order", order, "a whole number from 1")
    return BatteryRun(
        values.get("device") or "device", values.get("scenario") or "use",
        values["session"], values["condition"], int(order) if order else None,
        duration_s, 1000.0 * energy_j / duration_s, number,
    )  # fmt: skip


def _number(where: str, key: str, values: Mapping[str, str]) -> float:
    try:
        number = float(values.get(key, ""))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise FormatError(where, key, repr(values.get(key, "")), "a number")
    return number
