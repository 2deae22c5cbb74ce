"""Body of a description packet: settings in fixed steps, three texts, and apertures behind them."""

from __future__ import annotations

import struct

from capture.wire.messages import Description, check_range
from runtime.errors import FormatError
from runtime.sensor import MAX_APERTURES, Aperture, Sensor

__all__ = ["pack_description", "read_description"]

_SETTINGS = struct.Struct("<HHHBHIIQIIIIII")
_APERTURE = struct.Struct("<iiHHHH")  # x, y in micrometres; first row, rows, first column, columns


def pack_description(message: Description) -> bytes:
    """Return the body of a description: settings as integers in fixed steps, texts, apertures.

    Apertures are left out where there is only the one at the origin over the whole array.
    """
    s = message.sensor
    body = _SETTINGS.pack(
        s.n_rows,
        s.n_cols,
        message.first_row,
        s.bit_depth,
        s.black_level_counts,
        round(s.conversion_gain_dn_per_e * 1e6),
        round(s.read_noise_e * 1e3),
        round(s.dark_signal_e_per_s * 1e3),
        round(s.full_well_e),
        round(s.exposure_us * 1e3),
        round(s.frame_rate_hz * 1e3),
        round(s.led_current_ma * 1e3),
        round(s.led_wavelength_nm * 1e3),
        round(s.led_offset_mm * 1e3),
    )
    for text in (s.name, message.unit, message.firmware):
        raw = text.encode("utf-8")
        body += bytes([len(raw)]) + raw
    if "apertures" not in s.to_json():
        return body
    body += bytes([len(s.apertures)])
    for each in s.apertures:
        place = round(each.x_mm * 1e3), round(each.y_mm * 1e3)
        body += _APERTURE.pack(
            *place, each.first_row, each.n_rows, each.first_col, each.n_cols
        )  # fmt: skip
    return body


def read_description(body: memoryview, time_us: int) -> Description:
    """Return the description of a packet's body.

    Raises
    ------
    FormatError
        A value is out of range, or the body has another length than it says.
    struct.error, IndexError, ValueError
        It is cut.
    """
    values = _SETTINGS.unpack_from(body)
    texts = []
    rest = bytes(body[_SETTINGS.size :])
    for _ in range(3):
        end = 1 + rest[0]
        if end > len(rest):
            raise FormatError("packet", "length", len(body), f"{end - len(rest)} bytes more")
        texts.append(rest[1:end].decode("utf-8"))
        rest = rest[end:]
    apertures, rest = _read_apertures(rest)
    if rest:
        raise FormatError("packet", "length", len(body), f"{len(rest)} bytes less")
    stated = {"apertures": apertures} if apertures else {}
    sensor = Sensor(
        name=texts[0],
        n_rows=values[0],
        n_cols=values[1],
        bit_depth=values[3],
        black_level_counts=values[4],
        conversion_gain_dn_per_e=values[5] / 1e6,
        read_noise_e=values[6] / 1e3,
        dark_signal_e_per_s=values[7] / 1e3,
        full_well_e=float(values[8]),
        exposure_us=values[9] / 1e3,
        frame_rate_hz=values[10] / 1e3,
        led_current_ma=values[11] / 1e3,
        led_wavelength_nm=values[12] / 1e3,
        led_offset_mm=values[13] / 1e3,
        **stated,
    )
    return Description(sensor, texts[1], texts[2], values[2], time_us)


def _read_apertures(rest: bytes) -> tuple[tuple[Aperture, ...], bytes]:
    """Return the apertures that stand behind the texts, none in an older packet, and the rest."""
    if not rest:
        return (), rest
    check_range("number of apertures", rest[0], 1, MAX_APERTURES)
    found = []
    for k in range(rest[0]):
        x_um, y_um, *rectangle = _APERTURE.unpack_from(rest, 1 + k * _APERTURE.size)
        found.append(Aperture(x_um / 1e3, y_um / 1e3, *rectangle))
    return tuple(found), rest[1 + len(found) * _APERTURE.size :]
