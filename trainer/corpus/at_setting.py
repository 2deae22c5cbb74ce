"""What a model is made for: a device's setting, and how far it is weaker than what was recorded."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path

from capture.measure.readiness import Caution
from capture.store.dataset import open_dataset
from capture.store.session import read_session
from capture.thin.setting import Setting
from runtime.errors import UsageError
from runtime.firmware.sensor_file import read_sensor_file
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import Watching
from runtime.sensor import Sensor
from trainer.corpus.recordings import Corpus

__all__ = ["AtSetting", "at_setting", "foretold_unlit", "recorded_at"]


@dataclass(frozen=True, slots=True)
class AtSetting:
    """The setting of a device, and what recordings have to be thinned by to stand for it.

    Parameters
    ----------
    device : DeviceSetting
        Rates, LED current, exposure and watching.
    thinning : Setting, optional
        How much weaker it is than the recordings; None where they were made at it.
    """

    device: DeviceSetting
    thinning: Setting | None = None

    def watching(self, recorded: Sensor) -> Watching:
        """Return how the device watches, as shares of what was recorded, which they do not pass."""
        device = self.device
        shares = (
            device.watching_led_current_ma / max(recorded.led_current_ma, 1e-9),
            device.exposure_of("watching") / recorded.exposure_us,
        )
        led, exposure = (min(1.0, share) for share in shares)
        return Watching(
            device.watching_rows, device.watching_rate_hz, led, exposure, device.hold_time_s
        )


def at_setting(corpus: Corpus, at: AtSetting | None) -> Corpus:
    """Return a corpus as a weaker setting would have read it; as it is where none is asked for."""
    return corpus if at is None or at.thinning is None else corpus.at(at.thinning)


def foretold_unlit(at: AtSetting | None) -> list[Caution]:
    """Say of a model whose light is not the device's own that its figures are foretold."""
    thinning = None if at is None else at.thinning
    if thinning is None or thinning == Setting():
        return []
    share = thinning.exposure_fraction
    text = (
        "Every figure is foretold: readouts were recorded at a stronger setting and thinned to "
        f"what this one would have read ({100 * share:.3g} % of the exposure). Record at the "
        "setting, with record --sensor, before it is relied on."
    )
    return [Caution("foretold", share, text)]


def recorded_at(path: Path, data: Path) -> AtSetting:
    """Return the setting of a ``sensor.toml`` that a data set was recorded at.

    Raises
    ------
    FormatError
        The file or the data set is faulty.
    UsageError
        The recordings were made at another setting.
    """
    asked = read_sensor_file(path)
    for info in open_dataset(data).sessions[:1]:
        there = read_session(info.path, with_labels=False).sensor
        for field in dataclasses.fields(Sensor):
            got, expected = getattr(there, field.name), getattr(asked.sensor, field.name)
            # The wire rounds to thousandths.
            same = got == expected or (
                isinstance(got, float) and math.isclose(got, expected, rel_tol=1e-4, abs_tol=1e-3)
            )
            if not same:
                do = "record at the setting, or train without --sensor"
                raise UsageError(str(info.path), f"{field.name} of the sensor", got, expected, do)
        device = dataclasses.replace(
            asked.device, frame_rate_hz=there.frame_rate_hz, exposure_us=there.exposure_us,
            led_current_ma=there.led_current_ma,
        )  # fmt: skip
        return AtSetting(device)
    raise UsageError(str(data), "number of sessions", 0, "at least 1", "record one first")
